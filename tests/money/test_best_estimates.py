"""`payback` on ledgers with best estimates, by hand: the saving, its interval, and what both are said to be."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import ledgerkit as kit
import pytest
from click.testing import CliRunner
from scipy import stats

from swathledger.money.retrofit import RetrofitTerms
from swathledger.money.statement import payback_document
from swathledger_cli.main import cli

HA = 1e4
Z = 1.6448536269514722


def line(quantity: str, read: float, best: float, **by_source: float) -> dict[str, Any]:
    reach = Z * math.hypot(*by_source.values())
    return {"quantity": quantity, "read": read, "best": best, "low": best - reach, "high": best + reach, "level": 0.9,
            "dominant": None, "by_source": by_source, "moves": {"switching": best - read}}  # fmt: skip


def field(
    name: str, saved_pct: float | None, *, machine: str = "m", errors: float = 0.3, model: float = 0.4
) -> dict[str, Any]:
    """10 ha at 100 L/ha, 40 a hectare; 1,000 L laid, 950 by the model, 890 by nozzles: resolution saves 60 L, 6 %."""
    litres = {"model": 50.0, "timing": 0.0, "resolution": 60.0}
    steps = [{"step": s, "saved_l": x, "saved_m2": 100.0 * x, "saved_pct": x / 10.0} for s, x in litres.items()]
    done = kit.layout("logged", applied_m2=10 * HA, volume_l=1000.0)
    document: dict[str, Any] = kit.plain_ledger(
        field={"id": name},
        area={"covered_m2": 10 * HA},
        volume=kit.volume(set_rate_l_m2=0.01),
        product=kit.product(cost_per_m2=40.0 / HA, currency="ABC", spray_rate_l_m2=0.01),
        replay=[kit.layout("nozzle", applied_m2=8.9 * HA, volume_l=890.0, steps=steps)],
        model=kit.model(as_logged=done, logged_layout=done | {"volume_l": 950.0}),
        provenance={"machine": machine},
    )
    if saved_pct is not None:
        document["estimate"] = [
            line("saved_pct:nozzle", 6.0, saved_pct, errors=errors, model=model),
            line("saved_vs_log_pct:nozzle", 11.0, 9.0, errors=errors, model=model),
        ]
    return document


def season(folder: Path, *documents: tuple[str, Any]) -> Path:
    for name, document in documents:
        (folder / name).mkdir(parents=True)
        (folder / name / "ledger.json").write_text(json.dumps(document), encoding="utf-8")
    return folder


def three(folder: Path, **more: Any) -> Path:
    return season(folder, *((name, field(name, pct, **more)) for name, pct in (("a", 4.0), ("b", 5.0), ("c", 6.0))))


TERMS = RetrofitTerms(price=1000.0, area_a_year_m2=100 * HA)


def test_saving_and_interval_by_hand(tmp_path: Path) -> None:
    found = payback_document(three(tmp_path), TERMS)
    # 1,000 L are 10 ha's worth: 4, 5, 6 % are 0.4, 0.5, 0.6 ha of 10: 5 % in all, x 100 ha x 40 = 200 a year; read 6 %
    saving = found["saving"]
    assert saving["share_saved"] == pytest.approx(0.05)
    assert (saving["estimated"], saving["share_read"]) == (True, pytest.approx(0.06))
    assert saving["product_a_year"] == pytest.approx(200.0)
    # Over fields: sd 1 point, t of 2 degrees 2.920. Errors: with read 6.0 and best 4.0, 5.0, 6.0 a fifth of 2.0, 1.0, 0
    # is shared: 0.3 (no more than there is), 0.2, 0; the model's 0.4 wholly. Of one machine's S^2 the spread shows
    # 3 / 2 x sum (s - S / 3)^2.
    miss = (0.3, 0.2, 0.0)
    hidden = (sum(miss) ** 2 - 1.5 * sum((s - sum(miss) / 3) ** 2 for s in miss)) / 9 + 0.4**2
    reach = math.hypot(float(stats.t.ppf(0.95, 2)) / math.sqrt(3), Z * math.sqrt(hidden))
    assert saving["product_low"] == pytest.approx(200.0 * (5.0 - reach) / 5.0, rel=1e-6)
    assert saving["product_high"] == pytest.approx(200.0 * (5.0 + reach) / 5.0, rel=1e-6)
    interval = saving["interval"]
    assert (interval["holds"], interval["drawn"], interval["fields"]) == ("fields_and_errors", "fields", 3)
    # 0.4 points of 5 are the model's: 16 of 200
    assert interval["by_source"]["model"] == pytest.approx(16.0)
    # the bar of the tornado is that interval
    bar = next(row for row in found["tornado"] if row["name"] == "saved_share")
    assert (bar["low"], bar["high"]) == pytest.approx(((5.0 - reach) / 100, (5.0 + reach) / 100))
    assert found["result"]["low"]["saving_a_year"] < found["result"]["saving_a_year"]


def test_against_the_log_too_and_other_baselines_as_read(tmp_path: Path) -> None:
    folder = three(tmp_path)
    logged = payback_document(folder, RetrofitTerms(price=1000.0, baseline="logged"))
    assert logged["saving"]["share_saved"] == pytest.approx(0.09)
    model = payback_document(folder, RetrofitTerms(price=1000.0, baseline="model"))
    assert (model["saving"]["share_saved"], model["saving"]["estimated"]) == (pytest.approx(0.06), False)


def test_without_estimates_or_with_some_it_is_over_fields_only(tmp_path: Path) -> None:
    bare = season(tmp_path / "bare", *((name, field(name, None)) for name in "abc"))
    some = season(tmp_path / "some", *((name, field(name, pct)) for name, pct in (("a", 4.0), ("b", None), ("c", 5.0))))
    for folder, warned in ((bare, 0), (some, 1)):
        found = payback_document(folder, TERMS)
        assert found["saving"]["share_saved"] == pytest.approx(0.06)
        assert found["saving"]["interval"]["holds"] == "fields"
        assert sum("1 of 3 jobs have no best estimate" in text for text in found["warnings"]) == warned
        told = CliRunner().invoke(cli, ["payback", str(folder), "--price", "1000"]).output
        assert "90 % interval, over fields only:" in told
        assert "As read from the logs: of this saving the ledgers have no best estimate" in told


def test_two_fields_have_the_errors_of_their_drives(tmp_path: Path) -> None:
    folder = season(tmp_path, ("a", field("a", 6.0)), ("b", field("b", 6.0)))
    found = payback_document(folder, TERMS)
    # 0.3 each to itself, 0.4 together
    reach = Z * math.hypot(0.3 / math.sqrt(2), 0.4)
    assert found["saving"]["product_high"] == pytest.approx(240.0 * (6.0 + reach) / 6.0)
    assert (found["saving"]["interval"]["holds"], found["saving"]["interval"]["method"]) == ("errors", "errors")
    told = CliRunner().invoke(cli, ["payback", str(folder), "--price", "1000"]).output
    assert "90 % interval, over the errors of these drives only:" in told
    assert "drawn" not in told


def test_whole_clients_are_drawn_where_there_are_three(tmp_path: Path) -> None:
    # clients of two fields each that are alike within and differ between: six fields would look like six answers
    def folder(name: str, *clients: str) -> Path:
        pct = {"x": 4.0, "y": 5.0, "z": 6.0}
        return season(tmp_path / name, *((f"{c}/{k}", field(f"f{k}", pct[c], errors=0.01, model=0.0))
                                         for c in clients for k in range(2)))  # fmt: skip

    found = payback_document(folder("three", "x", "y", "z"), TERMS)
    interval = found["saving"]["interval"]
    assert (interval["drawn"], interval["fields"], found["ledgers"]["fields"]) == ("clients", 3, 6)
    t = float(stats.t.ppf(0.95, 2))  # of three clients with sd 1, not of six fields
    high = 200.0 * (5.0 + t / math.sqrt(3)) / 5.0
    assert found["saving"]["product_high"] == pytest.approx(high, rel=2e-2)
    assert found["saving"]["product_high"] >= high
    assert any("whole clients were drawn" in text for text in found["assumptions"])
    two = payback_document(folder("two", "x", "z"), TERMS)
    assert two["saving"]["interval"]["drawn"] == "fields"
    assert any("of two clients" in text for text in two["warnings"])


def test_the_printed_page_says_which_90_percent_it_is(tmp_path: Path) -> None:
    told = CliRunner().invoke(cli, ["payback", str(three(tmp_path)), "--price", "1000"]).output
    assert "By the best estimate of every drive; as read from the logs it was 6 %." in told
    assert "90 % interval, over fields and the errors of their drives:" in told
    assert "at the ends of the 90 % interval of the product saved, over fields and the errors of their drives" in told
    assert "moves over its 90 % interval, over fields and the errors of their drives; all else by a quarter" in told
