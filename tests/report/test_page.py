"""report.html: what stands on it, and that it is only text."""

from __future__ import annotations

import base64
import copy
import hashlib
import json
import re
import tomllib
from dataclasses import replace
from functools import partial
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import tomlkit
from pagekit import RULES, opened, read, says, value_of

from swathledger.errors import InputError
from swathledger.grid.tally import OVERLAP, SINGLE, SKIP
from swathledger.report.charts import nice_ticks, replay_chart
from swathledger.report.map import picture_classes, scale_bar
from swathledger.report.numbers import Figures
from swathledger.report.page import render, render_report
from swathledger.report.read_results import Stored, read_results
from swathledger.units import UnitSystem
from swathledger.words import words

if TYPE_CHECKING:
    from playwright.sync_api import Page


def at(document: Any, path: str) -> Any:
    for part in path.split("/"):
        document = document[int(part)] if isinstance(document, list) else document[part]
    return document


@pytest.fixture(scope="module")
def stored(written: Any) -> Stored:
    return read_results(written.folder)


def with_document(stored: Stored, **tables: Any) -> Stored:
    document = copy.deepcopy(stored.document)
    document.update(tables)
    return replace(stored, document=document)


@pytest.mark.parametrize("system", ["metric", "us"])
def test_every_number_is_the_ledgers_to_the_digits_shown(stored: Stored, system: UnitSystem) -> None:
    numbers = read(render(stored, system)).numbers
    assert len(numbers) > 100
    for attributes, shown in numbers:
        value = value_of(attributes["data-key"], partial(at, stored.document))
        assert value is not None
        says(shown, attributes["data-kind"], value, system, stored.document["product"]["currency"])
        assert float(attributes["value"]) == pytest.approx(value, rel=1e-11)


def test_numbers_that_matter_are_there(stored: Stored) -> None:
    keys = {attributes["data-key"] for attributes, _ in read(render(stored)).numbers}
    wanted = {f"area/{key}" for key in stored.document["area"] if key.endswith("_m2")}
    wanted |= {f"volume/{key}" for key in stored.document["volume"] if key.endswith("_l")}
    wanted |= {f"replay/{i}/{key}" for i in range(4) for key in ("over_application_pct", "skip_pct", "saved_l")}
    wanted |= {f"cause/{i}/area_m2" for i, c in enumerate(stored.document["cause"]) if c["area_m2"] > 0}
    wanted |= {"product/products/0/over_applied/money", "product/products/0/applied/amount"}
    wanted |= {"model/section_seconds_agreement_pct", "provenance/cell_m", "quality/used"}
    # far and not recorded ground is told only where there is any; standard errors stand beside their quantities
    wanted -= {"area/far_m2", "area/not_recorded_m2", "area/standard_error_m2", "area/standard_errors_m2"}
    wanted |= {f"area/standard_errors_m2/{key}" for key in stored.document["area"]["standard_errors_m2"]}
    assert wanted <= keys


def test_same_results_same_page(stored: Stored, written: Any) -> None:
    assert render(stored) == render_report(written.folder) == (written.folder / "report.html").read_bytes()


def test_nothing_is_fetched_or_run(stored: Stored) -> None:
    page = render(stored)
    reader = read(page)
    for tag, attributes in reader.tags:
        assert tag not in {"link", "iframe", "object", "embed", "form", "base"}
        assert "style" not in attributes, "the content policy forbids styles of single elements"
        for name, value in attributes.items():
            assert not name.startswith("on")
            if name in {"src", "href", "action", "srcset"}:
                assert (value or "").startswith(("data:image/png;base64,", "#"))
    assert b"url(" not in page
    policy = next(a["content"] or "" for t, a in reader.tags if a.get("http-equiv") == "Content-Security-Policy")
    assert policy.startswith("default-src 'none'; img-src data:; style-src 'sha256-")
    # one script, ours, known by its hash: anything slipped in would not run
    script = page.decode().split("<script>")[1].split("</script>")[0]
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert f"script-src 'sha256-{digest}'" in policy
    assert page.count(b"<script") == 1
    assert b"<script" not in render(stored, static=True)
    assert "unsafe" not in policy
    assert len(page) < 3_000_000


NASTY = "<script>alert(1)</script>{{ 7 * 7 }} \"'&"


def test_names_are_only_text(stored: Stored) -> None:
    document = copy.deepcopy(stored.document)
    document["field"]["id"] = NASTY
    document["provenance"]["machine"] = "=cmd()" + NASTY
    document["provenance"]["inputs"] = [{"name": NASTY, "sha256": "0" * 64}]
    document["quality"]["assumptions"] = [NASTY, "{over_pct} {0.__class__}"]
    document["quality"]["set_aside"] = [{"reason": NASTY, "count": 3, "example": NASTY}]
    document["quality"]["columns_ignored"] = [NASTY]
    document["model"]["notes"] = [NASTY]
    page = render(replace(stored, document=document))
    reader = read(page)
    assert page.count(b"<script") == 1  # ours
    text = " ".join(reader.text)
    assert text.count(NASTY) >= 8
    assert "{over_pct} {0.__class__}" in text


def test_unknown_reads_unknown(stored: Stored) -> None:
    document = copy.deepcopy(stored.document)
    document["estimate"] = None
    document["alarm"] = document["action"] = []
    document["volume"] = document["product"] = document["standing"] = document["balance"] = None
    for cause in document["cause"]:
        cause["volume_l"] = None
    for row in [*document["replay"], document["model"]["as_logged"], document["model"]["logged_layout"]]:
        for key in ("volume_l", "saved_l", "saved_vs_model_l"):
            row[key] = None
        for step in row["steps"]:
            step["saved_l"] = step["saved_money"] = None
    unknown = ("turn_over_dose_l", "turn_under_dose_l", "over_applied_difference_l", "claimed_l")
    document["model"] |= dict.fromkeys(unknown)
    document["quality"]["position_sigma_m"] = document["quality"]["flow_l"] = None
    text = " ".join(" ".join(read(render(replace(stored, document=document))).text).split())
    assert "litres are unknown" in text
    assert "how much was sprayed is unknown" in text
    assert "position noise seen in the track unknown" in text
    assert "of the treated area" in text
    plain = text.replace("\u00a0", " ")
    assert " L " not in plain, [plain[m.start() - 60 : m.end() + 20] for m in re.finditer(" L ", plain)]


def test_without_a_replay_nothing_is_promised(stored: Stored) -> None:
    text = " ".join(read(render(with_document(stored, replay=[], model=None))).text)
    assert "would save" not in text
    assert "finer shutoff" not in text


def test_resolution_under_one_model_leads_and_the_log_stands_below(stored: Stored) -> None:
    page = render(stored).decode()
    lead = page[page.index('class="lead"') : page.index("</header>")]
    claimed = next(i for i, row in enumerate(stored.document["replay"]) if row["label"] == "nozzle")
    assert stored.document["model"]["claimed_by"] == "nozzle"
    # litres of the best estimate, which the list of what to do has
    advised = next(i for i, row in enumerate(stored.document["action"]) if row["action"] == "finer_groups")
    assert f'data-key="action/{advised}/saved_l"' in lead
    assert f"replay/{claimed}/saved_l" not in lead  # against the log: only below, and under its own name
    assert page.index("Against the log") < page.index(f'data-key="replay/{claimed}/saved_l"')
    for key in ("closed_form_pct", "steps/2/saved_m2 of area/target_m2"):
        assert f'data-key="replay/{claimed}/{key}"' in page


def test_a_model_farther_off_than_its_saving_warns(stored: Stored) -> None:
    document = copy.deepcopy(stored.document)
    document["model"] |= {"trusted": False, "over_applied_difference_l": -41.3, "claimed_l": 12.5}
    text = " ".join(" ".join(read(render(replace(stored, document=document))).text).split())
    assert text.count("is -41.3 L off the log's, more than the 12.5 L that finer groups are said to save") == 2
    document["model"]["trusted"] = None  # nothing is claimed
    assert b"off the log's" not in render(replace(stored, document=document))


def test_what_speaks_against_the_closed_form_is_flagged(stored: Stored) -> None:
    document = copy.deepcopy(stored.document)
    for row in document["replay"]:
        row["closed_form_doubt"] = None
    document["replay"][1]["closed_form_doubt"] = "parallel"
    text = " ".join(read(render(replace(stored, document=document))).text)
    assert text.count("†") == 2  # in the table, and below it with its reason
    assert "runs along the passes" in text


def test_derived_boundary_and_assumed_side_are_told(stored: Stored) -> None:
    document = copy.deepcopy(stored.document)
    document["field"]["boundary"] = "derived"
    document["quality"]["side_assumed"] = True
    text = " ".join(read(render(replace(stored, document=document))).text)
    assert "No boundary was given" in text
    assert "sides are assumed" in text


def test_recorded_area_is_held_against_the_outline(stored: Stored) -> None:
    document = copy.deepcopy(stored.document)
    document["field"]["recorded_area_m2"] = 250_000.0
    document["field"]["recorded_minus_boundary_pct"] = -4.5
    text = " ".join(read(render(replace(stored, document=document))).text).replace("\u00a0", " ")
    assert "25.00 ha" in text
    assert "-4.5 %" in text


def test_dose_above_the_label_is_told_at_the_top(stored: Stored) -> None:
    document = copy.deepcopy(stored.document)
    document["product"]["products"][0]["name"] = NASTY
    document["product"]["products"][0]["label"]["over_m2"] = 1234.0
    text = " ".join(read(render(replace(stored, document=document))).text).replace("\u00a0", " ")
    warning = text.index("is above the maximum you entered for it")
    assert text.index("1,234.0 m²") < warning < text.index("Why")
    assert NASTY in text
    document["product"]["products"][0]["label"]["over_m2"] = 0.0
    assert "above the maximum you entered" not in " ".join(read(render(replace(stored, document=document))).text)


def test_standing_discharges_are_listed(stored: Stored) -> None:
    event = {
        "start": "2026-09-15T00:12:00Z",
        "start_s": 0.0,
        "duration_s": 35.0,
        "latitude": -33.0,
        "longitude": 123.0,
        "kind": "measured",
        "occasion": "first_of_day",
        "litres_l": 35.25,
        "estimated_l": None,
        "wetted_m2": 10.8,
        "to_boundary_m": 29.9,
        "inside_boundary": True,
        "to_exclusion_m": None,
        "nozzles_to_boundary_m": 17.9,
        "nozzles_to_exclusion_m": None,
    }
    document = copy.deepcopy(stored.document)
    document["standing"].update(
        events=[event, {**event, "kind": "unmeasured", "litres_l": None, "occasion": "in_work"}],
        measured=1,
        unmeasured=1,
        litres_l=35.25,
        estimated_l=4.0,
        duration_s=70.0,
        unmeasured_primes=2,
    )
    text = " ".join(" ".join(read(render(replace(stored, document=document))).text).split()).replace("\u00a0", " ")
    assert "2026-09-15 00:12 UTC 35 s 35.2 L first of the day 18 m" in text
    assert "unknown in work" in text
    assert "which is not added in" in text
    assert "Prime and rinse water is pesticide" in text


def test_a_language_of_the_users_own(stored: Stored, tmp_path: Path) -> None:
    """Every sentence of the English file marked: the page says none that is not, and stays whole."""

    def marked(table: dict[str, Any]) -> dict[str, Any]:
        return {name: each(value) for name, value in table.items()}

    def each(value: Any) -> Any:
        if isinstance(value, dict):
            return marked(value)
        return f"¿{value}" if isinstance(value, str) else [each(item) for item in value]

    english = tomllib.loads((files("swathledger.words") / "en.toml").read_text(encoding="utf-8"))
    other = marked(english) | {"language": "xx", "plural": english["plural"]}
    file = tmp_path / "xx.toml"
    file.write_text(tomlkit.dumps(other), encoding="utf-8")
    page = render(stored, language=str(file)).decode()
    assert '<html lang="xx">' in page
    text = " ".join(read(page.encode()).text)
    for said in (english["volume"]["heading"], english["area"]["note"][:30], english["note"]["standing"]["places"]):
        assert text.count(f"¿{said}") == text.count(said) > 0
    assert text.count("¿") > 100


def test_cautions_stand_on_every_page(stored: Stored) -> None:
    text = " ".join(read(render(stored)).text)
    for caution in ("product label and local law come first", "Not a legal spray record", "Rinse and prime water",
                    "licensed adviser"):  # fmt: skip
        assert caution in text


def test_drives_without_spray_or_target_have_a_page(stored: Stored) -> None:
    document = copy.deepcopy(stored.document)
    document["area"].update(over_application_m2=0.0, over_application_pct=0.0)
    for cause in document["cause"]:
        cause["area_m2"] = 0.0
    assert "Nothing was over-applied" in " ".join(read(render(replace(stored, document=document))).text)
    document["area"].update(over_application_pct=None, skip_pct=None, target_m2=0.0)
    assert "no ground that could be treated" in " ".join(read(render(replace(stored, document=document))).text)


def test_what_is_no_result_is_told(tmp_path: Path, written: Any) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        read_results(tmp_path)
    (tmp_path / "ledger.json").write_text("{}")
    with pytest.raises(InputError, match="schema"):
        read_results(tmp_path)
    (tmp_path / "ledger.json").write_text(json.dumps(written.document))
    with pytest.raises(InputError, match=r"ledger\.gpkg"):
        read_results(tmp_path)


# --- parts ------------------------------------------------------------------------------------------------------------
def test_a_fifth_of_a_spot_takes_the_colour() -> None:
    samples = np.full((5, 10), SINGLE, np.uint8)
    samples[:, 0] = OVERLAP  # 5 of 25 samples of the west spot: a fifth
    samples[0:4, 9] = SKIP  # 4 of 25 of the east spot: less
    assert picture_classes(samples, 5).tolist() == [[OVERLAP, SINGLE]]


def test_scale_bar_is_a_round_length() -> None:
    assert scale_bar(900.0, "metric") == (200.0, "200 m")
    length, label = scale_bar(900.0, "us")  # a quarter is 738 ft
    assert label == "500 ft"
    assert length == pytest.approx(500 * 0.3048)


def test_ticks_reach_past_the_top() -> None:
    assert nice_ticks(8.02)[-1] >= 8.02
    assert nice_ticks(0.07) == [0.0, 0.02, 0.04, 0.06, 0.08]
    assert nice_ticks(0.0) == [0.0, 1.0]


def test_chart_marks_stand_where_the_numbers_are(stored: Stored) -> None:
    chart = replay_chart(Figures(stored.document, "metric", words()))
    assert chart is not None
    top, bottom = chart["y_ticks"][-1], chart["y_ticks"][0]
    rows = sorted((r for r in stored.document["replay"] if r["group_width_m"]), key=lambda r: r["group_width_m"])
    assert len(chart["over"]) == len(rows) == 3
    for mark, row in zip(chart["over"], rows, strict=True):
        share = (bottom["y"] - mark["y"]) / (bottom["y"] - top["y"])
        assert share * float(top["text"]) == pytest.approx(row["over_application_pct"], abs=0.01 * float(top["text"]))
    assert [m["x"] for m in chart["over"]] == sorted(m["x"] for m in chart["over"])


def test_every_sentence_is_used_or_looked_up() -> None:
    from swathledger.words import words

    sentences = words()
    assert str(sentences("title", field="<b>")) == "&lt;b&gt;: where the spray went"
    with pytest.raises(KeyError):
        sentences("lead.absent")


# --- in a browser -----------------------------------------------------------------------------------------------------
@pytest.mark.browser
@pytest.mark.parametrize("width", [390, 820, 1280])
def test_opens_offline_without_a_complaint(offline_page: Page, written: Any, width: int) -> None:
    complaints, requests = opened(offline_page, written.folder / "report.html", width)
    assert complaints == []
    assert [url for url in requests if not url.startswith("data:image/png")] == [offline_page.url]
    drawn = offline_page.locator("svg.ground .shown").bounding_box()
    assert drawn is not None
    assert drawn["width"] > 200
    assert offline_page.locator("h1").inner_text().startswith("duckhole")


@pytest.mark.browser
def test_scale_bar_has_the_maps_scale(offline_page: Page, written: Any) -> None:
    offline_page.goto((written.folder / "report.html").as_uri())
    bar = offline_page.locator(".bar-scale")
    box, ground = bar.bounding_box(), offline_page.locator(".map svg.ground").bounding_box()
    assert box is not None
    assert ground is not None
    metres = float(re.sub(r"[^0-9]", "", bar.inner_text()))
    view = offline_page.locator(".map svg.ground").get_attribute("viewBox")
    assert view is not None
    assert box["width"] / ground["width"] == pytest.approx(metres / float(view.split()[2]), rel=0.02)


@pytest.mark.browser
def test_layers_switch_and_a_spot_is_told(offline_page: Page, written: Any) -> None:
    complaints: list[str] = []
    offline_page.on("console", lambda message: complaints.append(message.text))
    offline_page.on("pageerror", lambda error: complaints.append(str(error)))
    offline_page.goto((written.folder / "report.html").as_uri())
    offline_page.locator(".map[data-read='5']").wait_for()  # all five pictures are read
    told = offline_page.locator("#map-spot")
    offline_page.locator(".map svg.ground").scroll_into_view_if_needed()
    box = offline_page.locator(".map svg.ground").bounding_box()
    assert box is not None
    offline_page.mouse.move(box["x"] + 0.55 * box["width"], box["y"] + 0.3 * box["height"])
    said = told.inner_text()
    assert said.startswith("Here: treated once · treated: once · dose: ")
    assert "UTC)" in said
    offline_page.mouse.move(box["x"] + 2, box["y"] + 2)
    assert told.inner_text() == "Nothing was sprayed here."
    for name in ("times", "dose", "cause", "spared", "class"):
        offline_page.locator(f"input[name=layer][value={name}]").check()
        assert offline_page.locator(".map .shown").get_attribute("href") == f"#layer-{name}"
        assert offline_page.locator(".legend-layer:visible").get_attribute("id") == f"legend-{name}"
    offline_page.get_by_role("checkbox", name="passes").uncheck()
    assert not offline_page.locator(".map .drive").is_visible()
    assert complaints == []


@pytest.mark.browser
def test_the_map_is_reached_by_keys_and_its_scale_follows(offline_page: Page, written: Any) -> None:
    offline_page.goto((written.folder / "report.html").as_uri())
    offline_page.locator(".map[data-read='5']").wait_for()
    bar, view = offline_page.locator(".bar-scale"), "document.querySelector('.map svg').viewBox.baseVal.width"
    before, wide = bar.inner_text(), offline_page.evaluate(view)
    frame = offline_page.locator(".map[data-live]")
    frame.focus()
    frame.press("ArrowUp")
    assert offline_page.locator("#map-spot").inner_text().startswith("Here: ")
    frame.press("+")
    frame.press("+")
    assert offline_page.evaluate(view) == pytest.approx(wide / 4)
    metres = float(re.sub(r"[^0-9.]", "", bar.inner_text()))
    assert metres < float(re.sub(r"[^0-9.]", "", before))
    box, ground = bar.bounding_box(), offline_page.locator(".map svg.ground").bounding_box()
    assert box is not None
    assert ground is not None
    assert box["width"] / ground["width"] == pytest.approx(metres / (wide / 4), rel=0.02)
    frame.press("0")
    assert offline_page.evaluate(view) == pytest.approx(wide)
    assert bar.inner_text() == before


@pytest.mark.browser
def test_paper_has_every_figure(offline_page: Page, written: Any) -> None:
    offline_page.goto((written.folder / "report.html").as_uri())
    assert not offline_page.locator(".more-maps").is_visible()
    offline_page.emulate_media(media="print")
    assert offline_page.locator(".more-maps figure").count() == 4
    for figure in offline_page.locator("figure > svg, .map > svg").all():
        box = figure.bounding_box()
        assert box is not None
        assert min(box["width"], box["height"]) > 60
    assert not offline_page.locator("#map-tools").is_visible()


@pytest.mark.browser
def test_rules_of_access_hold(offline_page: Page, written: Any) -> None:
    offline_page.goto((written.folder / "report.html").as_uri())
    assert offline_page.evaluate(RULES) == []
