"""`payback` on ledgers written by hand: every figure redone on paper."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import ledgerkit as kit
import pytest
from click.testing import CliRunner, Result

from swathledger.errors import InputError
from swathledger.money.ledgers import distinct_primes, find_ledgers, read_ledgers
from swathledger.money.retrofit import RetrofitTerms, retrofit
from swathledger.money.statement import payback_document
from swathledger_cli.main import cli

HA = 1e4


def ledger(
    field: str,
    covered_ha: float,
    logged_l: float,
    nozzle_l: float,
    *,
    boom_l: float | None = None,
    cost_per_ha: float | None = 40.0,
    currency: str | None = "ABC",
    trusted: bool = True,
    primes: list[Any] | None = None,
    standing_l: float | None = 0.0,
    boundary: str = "given",
) -> dict[str, Any]:
    """A ledger of a field sprayed at 100 L/ha; only what money reads."""
    # Today's layout under the model lays 50 L less than was done; every layout covers the same ground.
    rows = [kit.layout("nozzle", applied_m2=nozzle_l * 100.0, volume_l=nozzle_l, steps=steps(logged_l, nozzle_l))]
    if boom_l is not None:
        rows.append(kit.layout("boom", applied_m2=boom_l * 100.0, volume_l=boom_l, steps=steps(logged_l, boom_l)))
    done = kit.layout("logged", applied_m2=logged_l * 100.0, volume_l=logged_l)
    target = covered_ha * 100.0
    return kit.plain_ledger(
        field={"id": field, "boundary": boundary},
        area={"covered_m2": covered_ha * HA},
        volume=kit.volume(set_rate_l_m2=0.01),
        balance=kit.balance(
            logged_l=logged_l + (standing_l or 0.0) + 1.0,
            on_target_l=target,
            standing_l=standing_l,
            by_cause=[{"cause": "guidance", "volume_l": logged_l - target}],
        ),
        standing=kit.standing(litres_l=standing_l, likely_primes=primes or []),
        product=None
        if cost_per_ha is None
        else kit.product(
            cost_per_m2=cost_per_ha / HA,
            currency=currency,
            spray_rate_l_m2=0.01,
            standing={"money": (standing_l or 0.0) * cost_per_ha / 100.0, "active_g": None},
        ),
        replay=rows,
        model=kit.model(trusted=trusted, as_logged=done, logged_layout=done | {"volume_l": logged_l - 50.0}),
    )


def steps(done_l: float, layout_l: float) -> list[dict[str, Any]]:
    """Lines of a saving whose floor is 30 L below the layout."""
    litres = {"model": 50.0, "timing": 0.0, "resolution": done_l - 50.0 - layout_l, "floor": 30.0}
    return [
        {"step": step, "saved_l": saved_l, "saved_m2": 100.0 * saved_l, "saved_pct": 100.0 * saved_l / done_l}
        for step, saved_l in litres.items()
    ]


def season(folder: Path, ledgers: dict[str, dict[str, Any]]) -> Path:
    for name, document in ledgers.items():
        (folder / name).mkdir(parents=True)
        (folder / name / "ledger.json").write_text(json.dumps(document), encoding="utf-8")
    return folder


@pytest.fixture
def two_fields(tmp_path: Path) -> Path:
    # 60 ha: 6,300 L logged, 6,100 with nozzles: 2 ha's worth spared. 40 ha: 4,400 against 4,250: 1.5 ha's worth.
    return season(
        tmp_path / "out",
        {
            "client/north-1": ledger("north", 60.0, 6300.0, 6100.0, boom_l=6400.0),
            "client/south-1": ledger("south", 40.0, 4400.0, 4250.0, boom_l=4500.0),
        },
    )


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(cli, ["payback", *(str(word) for word in words)])


def test_saving_and_budget_by_hand(two_fields: Path) -> None:
    found = payback_document(two_fields, RetrofitTerms(price=25_000.0, area_a_year_m2=3000 * HA, baseline="logged"))
    # 3.5 ha's worth on 100 ha is 3.5 %; on 3,000 ha at 40: 4,200; upkeep 2 % of 25,000 = 500
    assert found["case"]["saved_share"] == pytest.approx(0.035)
    assert found["saving"]["product_a_year"] == pytest.approx(4200.0)
    assert found["saving"]["total_a_year"] == pytest.approx(3700.0)
    # two fields say nothing of how fields vary
    assert (found["saving"]["product_low"], found["saving"]["product_high"]) == (None, None)
    # capital recovery factor 6 %, 10 years: 0.135868 x 25,000 = 3,396.70
    amounts = {line["label"]: round(line["amount"], 2) for line in found["budget"]["lines"]}
    assert amounts == {
        "product no longer over-applied": 4200.00,
        "depreciation and interest": 3396.70,
        "maintenance": 500.00,
    }
    assert found["budget"]["net"] == pytest.approx(303.30, abs=0.01)
    assert found["result"]["simple_payback_years"] == pytest.approx(25_000 / 3700)
    # 3,896.70 over 1.40 a hectare = 2,783.4 -> 2,784 ha; over 105 ha's worth: 37.11 a hectare
    assert (found["result"]["break_even_units"], found["result"]["break_even_unit"]) == (2784, "ha")
    assert found["result"]["break_even_product_cost_per_m2"] * HA == pytest.approx(37.11, abs=0.01)
    assert found["currency"] == "ABC"
    assert any("fewer than three fields" in warning for warning in found["warnings"])
    assert {row["name"] for row in found["tornado"]} >= {"price", "saved_share", "product_cost_per_m2"}
    assert found["saving"]["interval"]["seed"] == 20_240_501


def test_nothing_is_named_that_is_absent(two_fields: Path) -> None:
    # no interest, no upkeep, sold for what it cost: there is nothing to pay for, and no word of what else would
    plain = ("--price", "100", "--salvage", "100", "--interest", "0", "--maintenance", "0", "--baseline", "logged")
    words = run(two_fields, *plain).output
    for absent in ("interest", "depreciation", "maintenance", "poured out", "salvage value  ", "other"):
        assert absent not in words.split("WHAT MATTERS MOST")[0].split("SAVING A YEAR")[1], absent
    assert "Breaks even       without any product saved" in words
    paid = run(two_fields, "--price", "100", "--interest", "0", "--baseline", "logged").output
    assert "  depreciation  " in paid
    assert "straight" not in paid  # each line is its numbers
    assert "With interest" not in paid
    assert "With interest" in run(two_fields, "--price", "100", "--baseline", "logged").output


def test_baselines(two_fields: Path) -> None:
    def share(baseline: str) -> float:
        found = payback_document(two_fields, RetrofitTerms(price=1.0, baseline=baseline))
        return float(found["case"]["saved_share"])

    # Of the 350 L less than logged, the model takes 2 x 50 L; resolution has what is left, 250 L.
    assert share("resolution") == pytest.approx(0.025)
    assert share("logged") == pytest.approx(0.035)  # (200 + 150) L of 10,000
    assert share("model") == pytest.approx(0.025)  # each 50 L less
    assert share("boom") == pytest.approx(0.055)  # (300 + 250)


def test_the_way_from_what_was_done_is_told_and_what_is_paid_from(two_fields: Path) -> None:
    found = payback_document(two_fields, RetrofitTerms(price=1.0))
    assert (found["baseline"], found["case"]["saved_share"]) == ("resolution", pytest.approx(0.025))
    # 2 x 50, 0, 250 and 2 x 30 L at 100 L/ha, of 100 ha
    lines = {line["step"]: (line["spared_m2"] / HA, line["share"]) for line in found["saving"]["steps"]}
    assert lines == {
        "model": pytest.approx((1.0, 0.01)),
        "timing": (0.0, 0.0),
        "resolution": pytest.approx((2.5, 0.025)),
        "floor": pytest.approx((0.6, 0.006)),
    }
    words = run(two_fields, "--price", "1").output
    assert "against today's groups: resolution alone, under one model and at equal cover" in words
    assert re.search(r"\+2\.50 %  resolution: the groups alone  <- paid from", words)
    assert "<- paid from" not in run(two_fields, "--price", "1", "--baseline", "logged").output


def test_what_has_no_line_of_resolution_is_told(two_fields: Path) -> None:
    floor = {"label": "limit", "groups": None, "group_width_m": None, "steps": []}
    for path in two_fields.rglob("ledger.json"):
        document = json.loads(path.read_text())
        document["replay"].append(document["replay"][0] | floor)
        path.write_text(json.dumps(document))
    refused = run(two_fields, "--price", "1", "--layout", "limit")
    assert "no ledger says what resolution alone saves with 'limit'" in refused.output
    assert run(two_fields, "--price", "1", "--layout", "limit", "--baseline", "model").exit_code == 0


def test_fields_with_other_products_and_repeats_of_a_field(tmp_path: Path) -> None:
    # north twice (40 a hectare), south once at 10: money saved 2 x 2 ha x 40 + 1.5 x 10 = 175; worth 60 x 40 x 2 + 400
    folder = season(
        tmp_path,
        {
            "c/north-1": ledger("north", 60.0, 6300.0, 6100.0),
            "c/north-2": ledger("north", 60.0, 6300.0, 6100.0),
            "c/south-1": ledger("south", 40.0, 4400.0, 4250.0, cost_per_ha=10.0),
            "d/north-1": ledger("north", 10.0, 1000.0, 1000.0),
        },
    )
    jobs, _ = read_ledgers(folder)
    found = retrofit(jobs, RetrofitTerms(price=1.0, baseline="logged"))
    assert found.fields == 3  # another client's field of the same name is another field
    assert found.case.product_cost_per_m2 * HA == pytest.approx((120 * 40 + 40 * 10 + 10 * 40) / 170)
    assert found.case.product_saving_a_year == pytest.approx(175.0)  # the season's own ground
    assert found.interval.estimate == pytest.approx(175.0)


def test_a_stated_cost_needs_no_price(tmp_path: Path) -> None:
    folder = season(tmp_path, {"a": ledger("a", 10.0, 1100.0, 1050.0, cost_per_ha=None)})
    refused = run(folder, "--price", "25000")
    assert refused.exit_code == 2
    assert "no price of any product is known" in refused.output
    assert "--product-cost-per-ha" in refused.output
    against = ("--baseline", "logged")  # 1,100 - 1,050 L: half a hectare's worth
    good = run(folder, "--price", "25000", "--product-cost-per-ha", "30", *against, "--json")
    assert good.exit_code == 0, good.output
    found = json.loads(good.output)
    assert found["saving"]["product_a_year"] == pytest.approx(0.5 * 30.0)
    assert found["currency"] == "XXX"
    assert found["saving"]["product_low"] is None  # one field tells nothing of the spread
    assert (
        json.loads(run(folder, "--price", "1", "--product-cost-per-ha", "30", "--currency", "abc", "--json").output)[
            "currency"
        ]
        == "ABC"
    )


def test_ledgers_that_cannot_be_used_are_named(two_fields: Path) -> None:
    (two_fields / "bad").mkdir()
    (two_fields / "bad" / "ledger.json").write_text("{", encoding="utf-8")
    season(
        two_fields,
        {
            "client/other": {"schema": "something/else/1"},
            "client/bare": ledger("bare", 5.0, 500.0, 500.0, cost_per_ha=None),
            ".hidden": ledger("hidden", 1.0, 100.0, 100.0),
        },
    )
    assert len(find_ledgers(two_fields)) == 5
    found = json.loads(run(two_fields, "--price", "25000", "--json").output)
    reasons = {item["name"]: item["reason"] for item in found["ledgers"]["set_aside"]}
    assert set(reasons) == {"bad", "client/other", "client/bare"}
    assert "no price" in reasons["client/bare"]
    assert "found 'something/else/1'" in reasons["client/other"]
    assert (found["ledgers"]["used"], found["ledgers"]["fields"]) == (2, 2)
    words = run(two_fields, "--price", "25000").output
    assert "Not used: client/bare: no price of its products is known." in words


def test_refusals(two_fields: Path, tmp_path: Path) -> None:
    empty = tmp_path / "empty"
    empty.mkdir()
    for words, part in (
        ((empty, "--price", "1"), "no ledger.json"),
        ((two_fields, "--price", "1", "--layout", "7"), "no ledger has a replay of '7'"),
        ((two_fields, "--price", "1", "--baseline", "limit"), "Known: boom, logged, model, nozzle"),
        ((two_fields, "--price", "1", "--currency", "XYZ"), "none is converted"),
        ((two_fields, "--price", "1", "--currency", "$"), "three capitals"),
        ((two_fields, "--price", "0"), "above 0"),
        ((two_fields, "--price", "1", "--interest", "6"), "--interest"),
        ((two_fields, "--price", "1", "--area-ha", "3", "--area-ac", "3"), "not both"),
        ((two_fields, "--price", "1", "--salvage", "2"), "more than the price"),
        ((two_fields,), "--price"),
        ((tmp_path / "nowhere", "--price", "1"), "does not exist"),
    ):
        result = run(*words)
        assert result.exit_code == 2 or isinstance(result.exception, InputError), words
        assert part in result.output + str(result.exception), words
    season(two_fields, {"client/far": ledger("far", 5.0, 500.0, 490.0, currency="XYZ")})
    with pytest.raises(InputError, match="ABC and XYZ"):
        payback_document(two_fields, RetrofitTerms(price=1.0))


def test_warnings_where_the_model_does_not_fit(tmp_path: Path) -> None:
    folder = season(
        tmp_path,
        {
            "a": ledger("a", 10.0, 1100.0, 1050.0, trusted=False, boundary="derived"),
            "b": ledger("b", 10.0, 1100.0, 1150.0),
        },
    )
    for baseline, part in (
        ("logged", "may be the model's, not the retrofit's"),
        ("resolution", "may behave otherwise"),
    ):
        words = run(folder, "--price", "100", "--baseline", baseline).output
        assert "In 1 of 2 jobs the model of the shutoff is farther from what was really done" in words
        assert part in words
    assert "derived from the ground covered" in words
    assert "saves nothing on these fields" in words
    assert "never" in words
    assert "does not pay for itself" in words


PLUMBING = """\
name = "m"
[boom]
nozzle_count = 24
nozzle_spacing_m = 0.5
[plumbing]
held_l = 10.0
nozzle_body_ml = 50.0
[[plumbing.lines]]
name = "main"
carries = "all"
inner_diameter_mm = 50.0
length_m = 5.0929582
"""


def test_what_recirculating_would_have_kept_over_a_season(tmp_path: Path) -> None:
    # The ledgers' own figures: 30 L of a measured prime; one unmeasured prime of 20 to 55 L, seen again in a second log
    # of the same day and machine.
    one = ledger("a", 50.0, 5100.0, 5000.0, primes=[prime("2025-09-15T00:00:00Z", 31.2)], standing_l=31.2)
    one["standing"] |= {"recirculating_would_keep_l": 30.0, "unmeasured_primes": 0}
    unseen = {
        "unmeasured_primes": 1,
        "recirculating_would_keep_estimated_low_l": 20.0,
        "recirculating_would_keep_estimated_high_l": 55.0,
    }
    two = ledger("b", 50.0, 5100.0, 5000.0, primes=[prime("2025-09-16T00:00:00Z", None)])
    three = ledger("c", 50.0, 5100.0, 5000.0, primes=[prime("2025-09-16T02:00:00Z", None)])
    for document in (two, three):
        document["standing"] |= unseen
    folder = season(tmp_path, {"a": one, "b": two, "c": three})
    standing = payback_document(folder, RetrofitTerms(price=1.0))["standing"]
    assert standing["recirculating_would_keep_l"] == pytest.approx(30.0)
    assert standing["recirculating_would_keep_estimated_low_l"] == pytest.approx(20.0)
    assert standing["recirculating_would_keep_estimated_high_l"] == pytest.approx(55.0)
    assert "A recirculating boom would have kept 30.0 L" in run(folder, "--price", "1").output


def prime(start: str, litres: float | None, occasion: str = "first_of_day") -> dict[str, Any]:
    return {
        "start": start, "start_s": 0.0, "latitude": -33.0, "longitude": 148.0, "occasion": occasion, "break_s": None,
        "event": None, "measured": litres is not None, "litres_l": litres,
    }  # fmt: skip


def test_priming_and_rinsing_are_lines_of_their_own(tmp_path: Path) -> None:
    # Held 10 L + main hose 10 L (1000 pi/4 0.05^2 x 5.093) + bodies 24 x 0.05 = 1.2 L. A measured prime of 31.2 L keeps
    # 30 L in the tank, one that the log does not measure 20 L (plug flow less bodies). After a rinse 21.2 L of it are
    # water: 10 L and nothing are product.
    folder = season(
        tmp_path / "s",
        {
            "a": ledger("a", 50.0, 5100.0, 5000.0, primes=[prime("2025-09-15T00:00:00Z", 31.2)], standing_l=31.2),
            "b": ledger("b", 50.0, 5100.0, 5000.0, primes=[prime("2025-09-16T00:00:00Z", None)]),
        },
    )
    machine = tmp_path / "machine.toml"
    machine.write_text(PLUMBING, encoding="utf-8")
    found = json.loads(
        run(
            folder, "--price", "1000", "--area-ha", "1000", "--machine", machine, "--rinses-a-year", "5", "--json"
        ).output
    )
    # two primes on 100 ha, so 20 on 1,000: five after a rinse of 5 L each, fifteen of 25 L: 400 L; at 40 a hectare of
    # 100 L: 0.40 a litre, 160
    assert found["prime"]["times_a_year"] == pytest.approx(20.0)
    assert found["prime"]["litres_each"] == pytest.approx(20.0, rel=1e-6)
    assert (found["prime"]["seen"], found["prime"]["measured"]) == (2, 1)
    # each rinse 20 L of lines and held volume, five times: 100 L, 40
    amounts = {line["label"]: line["amount"] for line in found["budget"]["lines"]}
    assert amounts["product no longer poured out by priming"] == pytest.approx(160.0, rel=1e-6)
    assert amounts["product no longer poured out by rinsing"] == pytest.approx(40.0, rel=1e-6)
    assert found["saving"]["total_a_year"] == pytest.approx(1000 * 40 * 0.01 + 160 + 40 - 20, rel=1e-6)
    assert found["standing"]["litres_l"] == pytest.approx(31.2)
    assert (found["standing"]["likely_primes"], found["standing"]["measured_primes"]) == (2, 1)
    stated = json.loads(run(folder, "--price", "1000", "--machine", machine, "--primes-a-year", "4", "--json").output)
    # no number of rinses: not known what the lines hold, so the lower figure, 5 L a prime, and it is said
    assert stated["prime"]["litres_a_year"] == pytest.approx(20.0, rel=1e-6)
    assert "money.primes_unknown_lines" in [note["code"] for note in stated["codes"]["assumptions"]]
    for words in (("--no-recirculating", "--machine", str(machine)), ()):
        assert json.loads(run(folder, "--price", "1000", *words, "--json").output)["prime"] is None
    machine.write_text(PLUMBING.replace("held_l", "recirculating = true\nheld_l"), encoding="utf-8")
    already = json.loads(run(folder, "--price", "1000", "--machine", machine, "--json").output)
    assert already["prime"] is None
    assert any("recirculates already" in note for note in already["assumptions"])


def test_a_day_in_several_logs_is_primed_once(tmp_path: Path) -> None:
    # 00:00 and 05:00 UTC at 148 degrees east are 10 and 15 o'clock of one solar day; 20:00 UTC is the next morning
    folder = season(
        tmp_path,
        {
            "a": ledger("a", 1.0, 100.0, 100.0, primes=[prime("2025-09-15T05:00:00Z", None)]),
            "b": ledger("b", 1.0, 100.0, 100.0, primes=[prime("2025-09-15T00:00:00Z", None)]),
            "c": ledger(
                "c",
                1.0,
                100.0,
                100.0,
                primes=[prime("2025-09-15T20:00:00Z", None), prime("2025-09-15T23:30:00Z", None, "after_long_stop")],
            ),
            "d": ledger("d", 1.0, 100.0, 100.0, primes=[prime("2025-09-15T22:00:00Z", 12.0)]),
        },
    )
    jobs, _ = read_ledgers(folder)
    assert sorted((found.start, found.litres) for found in distinct_primes(jobs)) == [
        ("2025-09-15T00:00:00Z", None),
        ("2025-09-15T22:00:00Z", 12.0),
        ("2025-09-15T23:30:00Z", None),
    ]


def test_two_machines_of_one_day_are_each_primed(tmp_path: Path) -> None:
    # one field, one morning, two sprayers: neither's first spray hides the other's
    one = ledger("a", 1.0, 100.0, 100.0, primes=[prime("2025-09-15T00:00:00Z", None)])
    two = ledger("a", 1.0, 100.0, 100.0, primes=[prime("2025-09-15T00:30:00Z", None)])
    two["provenance"]["machine"] = "n"
    measured = ledger("a", 1.0, 100.0, 100.0, primes=[prime("2025-09-15T01:00:00Z", 9.0)])
    measured["provenance"]["machine"] = "o"
    jobs, _ = read_ledgers(season(tmp_path, {"a": one, "b": two, "c": measured}))
    assert sorted((found.start, found.litres) for found in distinct_primes(jobs)) == [
        ("2025-09-15T00:00:00Z", None),
        ("2025-09-15T00:30:00Z", None),
        ("2025-09-15T01:00:00Z", 9.0),
    ]


def test_balance_of_a_season(two_fields: Path) -> None:
    balance = payback_document(two_fields, RetrofitTerms(price=1.0))["balance"]
    # 6,301 + 4,401 logged; 10,000 on target; 300 + 400 beside passes; 2 L unexplained
    assert balance["logged_l"] == pytest.approx(10_702.0)
    assert balance["on_target_l"] == pytest.approx(10_000.0)
    assert balance["over_applied_l"] == pytest.approx(700.0)
    assert balance["standing_l"] == 0.0
    assert balance["unexplained_l"] == pytest.approx(2.0)
    words = run(two_fields, "--price", "1").output
    assert re.search(r"unexplained +2\.0 L +\(\+0\.02 % of the logged\)", words)


def _printed(words: str) -> list[tuple[float, float]]:
    """Product of the printed factors, and the printed amount, of every budget line."""
    block = words.split("PARTIAL BUDGET")[1].split("---", maxsplit=1)[0].splitlines()[1:]
    out = []
    for line in block:
        cells = [cell for cell in re.split(r"  +", line.strip()) if cell]
        if len(cells) != 3:
            continue
        value = 1.0
        for factor in cells[1].split(" x "):
            number = float(re.match(r"[-\d,.]+", factor).group().replace(",", ""))  # type: ignore[union-attr]  # a number leads
            value *= number / 100 if factor.endswith("%") else number
        out.append((value, abs(float(cells[2].split()[0].replace(",", "")))))
    return out


@pytest.mark.parametrize("units", ["metric", "us"])
def test_printed_lines_can_be_redone_by_hand(two_fields: Path, tmp_path: Path, units: str) -> None:
    machine = tmp_path / "machine.toml"
    machine.write_text(PLUMBING, encoding="utf-8")
    words = run(
        two_fields,
        "--price",
        "25000",
        "--area-ha",
        "3000",
        "--machine",
        machine,
        "--primes-a-year",
        "90",
        "--rinses-a-year",
        "7",
        "--salvage",
        "1500",
        "--units",
        units,
    ).output
    lines = _printed(words)
    assert len(lines) == 6
    for product, amount in lines:
        assert product == pytest.approx(amount, rel=1e-3)
    assert ("3,000 ha" in words) == (units == "metric")
    assert ("/ac" in words) == (units == "us")


def test_units_change_no_amount_and_a_run_repeats(two_fields: Path) -> None:
    words = (two_fields, "--price", "25000", "--json")
    one, us = json.loads(run(*words).output), json.loads(run(*words, "--units", "us").output)
    assert one["saving"] == us["saving"]
    assert one["budget"]["net"] == pytest.approx(us["budget"]["net"])
    assert (one["result"]["break_even_unit"], us["result"]["break_even_unit"]) == ("ha", "ac")
    assert us["result"]["break_even_units"] == pytest.approx(one["result"]["break_even_units"] * 2.4710538, abs=3)
    assert run(*words).output == run(*words).output
    assert run(*words).exit_code == 0
