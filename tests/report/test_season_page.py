"""season.html: every number is that of the tables, names are only text, and the table answers."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyarrow.parquet as pq
import pytest
import shapely
from pagekit import RULES, opened, read, says, value_of

from swathledger.errors import InputError
from swathledger.report.read_season_results import read_season
from swathledger.report.season_map import breaks_of, ground_of, shade_of
from swathledger.report.season_page import main_cause, render_season
from swathledger.season.manifest.manifest import read_manifest
from swathledger.season.run.pool import InlinePool
from swathledger.season.season import run_season
from swathledger.units import UnitSystem

if TYPE_CHECKING:
    from playwright.sync_api import Page

LED = ("over_application_pct", "skip_pct", "over_applied_l")
NASTY = "<script>alert(1)</script>"
MANIFEST = """
schema = "swathledger/manifest/1"
boundaries = "boundaries.geojson"
machine = "machine_36m.toml"
[settings]
cell_m = 1.0
groups = ["boom", "nozzle"]
[[jobs]]
id = "duck"
field = "duckhole"
client = "Weir & Son"
product = "herbicide A"
day = 2026-09-15
logs = ["duckhole.csv"]
[[jobs]]
id = "wheel"
field = "cartwheel"
client = "Old Mill"
machine = "machine_24m.toml"
logs = ["cartwheel.geojson"]
[[jobs]]
id = "torn"
field = "dogleg"
client = "Weir & Son"
logs = ["torn.csv"]
[[missing]]
field = "kite_tail"
reason = "no log lies in it"
[[unplaced]]
file = "note.txt"
reason = "<script>alert(1)</script> is no log"
"""


@pytest.fixture(scope="module")
def season(repository: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("season!")
    for name in ("boundaries.geojson", "machine_36m.toml", "machine_24m.toml", "duckhole.csv", "cartwheel.geojson"):
        shutil.copy(repository / "sample_logs" / name, folder / name)
    (folder / "torn.csv").write_text("time,latitude,longitude\n")
    (folder / "season.toml").write_text(MANIFEST)
    out = folder / "results"
    done = run_season(read_manifest(folder / "season.toml"), out, pool=InlinePool())
    assert list(done.failed) == ["torn"]
    return out


def at(document: Any, path: str) -> Any:
    for part in path.split("/"):
        document = document[int(part)] if isinstance(document, list) else document[part]
    return document


@pytest.mark.parametrize("system", ["metric", "us"])
@pytest.mark.parametrize("binder", [".", "Old-Mill"])
def test_every_number_is_the_tables_to_the_digits_shown(season: Path, binder: str, system: UnitSystem) -> None:
    folder = season / binder
    document = json.loads((folder / "season.json").read_text())
    document["rows"] = pq.read_table(folder / "fields.parquet").to_pylist()
    numbers = read(render_season(folder, system)).numbers
    assert len(numbers) > 20
    for attributes, shown in numbers:
        value = value_of(attributes["data-key"], partial(at, document))
        if value is None:
            assert shown == "unknown"
            assert attributes["value"] == ""
            continue
        says(shown, attributes["data-kind"], value, system, "AUD")
    keys = {attributes["data-key"] for attributes, _ in numbers}
    assert {"totals/over_application_m2", "jobs/done"} <= keys
    # the answer is the best estimate with its interval, over all jobs
    led = [f"estimate/{i}" for i, line in enumerate(document["estimate"]) if line["quantity"] in LED]
    assert len(led) == len(LED)
    assert {f"{path}/{name}" for path in led for name in ("best", "low", "high")} <= keys


def test_fields_on_both_sides_of_180_degrees_are_neighbours(season: Path) -> None:
    stored = read_season(season)
    # half a degree of the equator apart: 55.6 km, not most of the way round the earth
    row = stored.outlines[0][0]
    west, east = shapely.box(179.74, -0.01, 179.76, 0.01), shapely.box(-179.76, -0.01, -179.74, 0.01)
    drawn = ground_of(replace(stored, outlines=[(row, west), (row, east)]), "metric")
    assert drawn is not None
    assert drawn["fields"][1]["x"] - drawn["fields"][0]["x"] == pytest.approx(55_660.0, rel=2e-3)


def test_the_run_writes_it_for_all_and_for_each_client(season: Path) -> None:
    for folder in (season, season / "Old-Mill", season / "Weir-Son"):
        assert (folder / "season.html").read_bytes() == render_season(folder)
        assert (folder / "season.html").stat().st_size < 5_000_000


def test_links_lead_to_the_reports_of_the_jobs(season: Path) -> None:
    links = [attributes["href"] or "" for tag, attributes in read(render_season(season)).tags
             if tag == "a" and not (attributes["href"] or "").startswith("#")]  # fmt: skip
    assert links
    assert {"Old-Mill/wheel/report.html", "Weir-Son/duck/report.html"} == set(links)
    assert all((season / link).is_file() for link in links)


def test_what_failed_and_what_is_missing_is_named(season: Path) -> None:
    page = render_season(season)
    text = " ".join(" ".join(read(page).text).split())
    assert "Jobs that failed; no figure counts them: torn." in text
    assert "Fields without a log: kite_tail." in text
    assert f"{NASTY} is no log" in text
    assert page.count(b"<script") == 1  # ours
    assert b"unsafe" not in page


def test_a_binder_has_nothing_of_another_client(season: Path) -> None:
    page = render_season(season / "Old-Mill").decode()
    for other in ("Weir", "duck", "torn", "kite_tail", "note.txt"):
        assert other not in page


def test_static_form_has_no_script(season: Path) -> None:
    assert b"<script" not in render_season(season, static=True)


def test_a_folder_without_a_season_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"season\.json: cannot be read"):
        render_season(tmp_path)


def test_classes_reach_past_the_largest() -> None:
    breaks = breaks_of([0.2, 3.9])
    assert breaks == [1.0, 2.0, 3.0, 4.0]
    assert [shade_of(v, breaks) for v in (0.0, 1.0, 1.01, 4.0, None)] == [0, 0, 1, 3, None]
    assert len(breaks_of([97.0])) <= 5


def test_chief_cause_is_the_largest_known() -> None:
    row = {f"cause_{cause}_m2": None for cause in ("outside", "excluded", "standing", "turn", "restart")}
    assert main_cause({**row, "cause_guidance_m2": 2.0, "cause_crossing_m2": 3.0}) == "crossing"
    assert main_cause(row) is None


# --- in a browser -----------------------------------------------------------------------------------------------------
@pytest.mark.browser
@pytest.mark.parametrize("width", [390, 1280])
def test_table_sorts_and_filters_offline(offline_page: Page, season: Path, width: int) -> None:
    complaints, requests = opened(offline_page, season / "season.html", width)
    names = "[...document.querySelectorAll('table.jobs tbody tr:not([hidden]) th')].map(cell => cell.textContent)"
    assert offline_page.evaluate(names) == ["duckhole", "cartwheel", "dogleg"]
    over = offline_page.get_by_role("button", name="Over-applied", exact=True)
    over.click()  # the most first; the job that failed, of which nothing is known, last in both directions
    assert offline_page.evaluate(names) == ["cartwheel", "duckhole", "dogleg"]
    over.press("Enter")
    assert offline_page.evaluate(names) == ["duckhole", "cartwheel", "dogleg"]
    assert over.locator("..").get_attribute("aria-sort") == "ascending"
    offline_page.get_by_label("Show rows with").fill("wheel")
    assert offline_page.evaluate(names) == ["cartwheel"]
    offline_page.get_by_label("Show rows with").fill("")
    offline_page.get_by_label("Client").select_option("Weir & Son")
    assert offline_page.evaluate(names) == ["duckhole", "dogleg"]
    assert offline_page.evaluate(RULES) == []
    assert complaints == []
    assert requests == [offline_page.url]


@pytest.mark.usefixtures("pdf_libraries")
def test_pdf_of_a_season(season: Path, tmp_path: Path) -> None:
    from swathledger.report.rerender import render_again

    folder = tmp_path / "binder"
    shutil.copytree(season / "Old-Mill", folder)
    pages = render_again(folder, ["html", "pdf"])
    assert [str(page.relative_to(folder)) for page in pages] == [
        "season.html",
        "season.pdf",
        "wheel/report.html",
        "wheel/report.pdf",
    ]
    assert all(page.stat().st_size > 10_000 for page in pages)
