"""Two jobs on one field on one day: their doses are summed cell by cell against the maximum entered."""

from __future__ import annotations

import ledgerkit as kit
import numpy as np
import pytest
import rasterio
from rasterio.transform import from_origin

from swathledger.documents.document import plain
from swathledger.report.raster import BAND_DOSE
from swathledger.season.manifest.manifest import read_manifest
from swathledger.season.run.pool import InlinePool
from swathledger.season.season import run_season
from swathledger.season.tables.label_day import DayJob, day_doses

from .conftest import START, lanes, log_text, make_farm_in

HEAD = """\
schema = "swathledger/manifest/1"
boundaries = "fields.geojson"
machine = "machine.toml"
[settings]
cell_m = 0.5
groups = []
"""
PRODUCT = """\
[[{where}]]
name = "Herbicide A"
unit = "L/ha"
rate = {rate}
label_maximum_rate = {maximum}
price = 10.0
currency = "AUD"
active_ingredient_g_l = 400
"""


def headed(text):
    """The log with headings, north and south in turns: doses are then the set ones to the ends of each pass."""
    head, *rows = text.splitlines()
    lines = [f"{row},{0 if number // 19 % 2 == 0 else 180}" for number, row in enumerate(rows)]
    return "\n".join([f"{head},heading_deg", *lines]) + "\n"


def job(name, log, more="", day="2026-08-06"):
    when = f"day = {day}\n" if day else ""
    return f'[[jobs]]\nid = "{name}"\nfield = "plot 1"\nlogs = ["logs/{log}"]\nproduct = "herbicide A"\n{when}{more}\n'


@pytest.fixture(scope="module")
def farm(tmp_path_factory):
    """Ten passes of 6 m cover the field; the second log has the first five of them once more, an hour later."""
    farm = make_farm_in(tmp_path_factory.mktemp("day") / "farm", 1, with_logs=False)
    farm.log("all.csv", headed(log_text(lanes(0))))
    farm.log("half.csv", headed(log_text(lanes(0, passes=5), start=START + 3600)))
    farm.log("other.csv", log_text(lanes(0, passes=5), start=START + 3600, product="fungicide B"))
    machine = farm.machine.read_text().replace("[rate]\nset_rate_l_ha = 100.0\n", "")
    farm.machine.with_name("no_rate.toml").write_text(machine)
    steps = log_text(lanes(0, passes=5), start=START + 3600).splitlines()
    # Rate and flow both logged, 6 m at 4 m/s: 0.24 L/s at 100 L/ha, and the set rate changes from row to row.
    changing = [
        line.replace(",100.0,", ",80.0,") + ",11.52" if n % 2 else f"{line},14.4" for n, line in enumerate(steps)
    ]
    changing[0] = f"{steps[0]},flow_l_min"
    farm.log("changing.csv", "\n".join(changing) + "\n")
    mixed = [line.replace("herbicide A", "fungicide B") if n > 60 else line for n, line in enumerate(steps)]
    farm.log("mixed.csv", "\n".join(mixed) + "\n")
    return farm


def season(farm, name, text):
    path = farm.folder / f"{name}.toml"
    path.write_text(HEAD + text)
    done = run_season(read_manifest(path), farm.folder / name, pool=InlinePool())
    assert not done.failed
    return plain(done.document)


def only_row(document):
    (row,) = document["label_of_the_day"]
    return row


@pytest.mark.parametrize(
    ("name", "maximum", "second_rate", "over_m2", "highest"),
    [
        # Five passes of 60 m by 6 m have 2 + 2 L/ha: above 3, not above 4.
        ("above", 3.0, None, 1800.0, 4e-4),
        ("equal", 4.0, None, 0.0, 4e-4),
        # The second job at 1 L/ha: 2 + 1.
        ("job", 3.0, 1.0, 0.0, 3e-4),
        ("job above", 2.9, 1.0, 1800.0, 3e-4),
    ],
)
def test_the_sum_of_a_day(farm, name, maximum, second_rate, over_m2, highest):
    own = "" if second_rate is None else PRODUCT.format(where="jobs.products", rate=second_rate, maximum=maximum)
    document = season(
        farm,
        name,
        PRODUCT.format(where="products", rate=2.0, maximum=maximum) + job("a", "all.csv") + job("b", "half.csv", own),
    )
    row = only_row(document)
    assert (row["product"], row["jobs"], row["reason"]) == ("Herbicide A", ["a", "b"], None)
    assert row["over_m2"] == pytest.approx(over_m2, abs=3.0)  # a sample point a cell of 0.5 m, edges of 420 m
    assert row["highest_per_m2"] == pytest.approx(highest, rel=0.003)
    assert row["maximum_per_m2"] == pytest.approx(maximum * 1e-4)
    # Each ledger alone sees no dose above 2 L/ha.
    (product,) = document["products"]
    assert product["over_label_m2"] == 0.0
    # 3600 + 1800 m2 laid at 100 L/ha: 54 L of spray, 1.08 L of product at 2 in 100
    amount = 0.72 + 0.18 * (second_rate or 2.0)
    assert product["applied"]["amount"] == pytest.approx(amount, rel=0.002)
    assert product["applied"]["money"] == pytest.approx(10 * amount, rel=0.002)
    assert product["applied"]["active_g"] == pytest.approx(400 * amount, rel=0.002)


@pytest.mark.parametrize(
    ("name", "jobs", "reason"),
    [
        ("day", job("a", "all.csv", day=None) + job("b", "half.csv", day=None), "the day of the jobs is not known"),
        (
            "cells",
            job("a", "all.csv") + job("b", "half.csv", "[jobs.settings]\ncell_m = 1.0\n"),
            "the jobs have cells of different sizes",
        ),
        (
            "derived",
            job("a", "all.csv") + job("b", "half.csv", 'boundary = "derive"'),
            "the jobs lie in different projections",
        ),
        ("rate", job("a", "all.csv") + job("b", "changing.csv", 'machine = "no_rate.toml"'), "b: its rate changed"),
        ("mix", job("a", "all.csv") + job("b", "mixed.csv"), "b: the mix changed during the job"),
    ],
)
def test_what_cannot_be_summed_is_said_and_no_number_given(farm, name, jobs, reason):
    row = only_row(season(farm, f"not {name}", PRODUCT.format(where="products", rate=2.0, maximum=3.0) + jobs))
    assert row["reason"].startswith(reason)
    assert row["over_m2"] is None
    assert row["highest_per_m2"] is None


def test_other_products_and_other_days_are_not_summed(farm):
    text = PRODUCT.format(where="products", rate=2.0, maximum=3.0) + job("a", "all.csv")
    assert season(farm, "products", text + job("b", "other.csv"))["label_of_the_day"] == []
    assert season(farm, "days", text + job("b", "half.csv", day="2026-08-07"))["label_of_the_day"] == []


def test_without_litres_the_doses_are_times_the_rate(farm):
    jobs = ""
    for name in ("all", "half"):
        rows = [line.split(",") for line in (farm.logs / f"{name}.csv").read_text().splitlines()]
        farm.log(f"plain-{name}.csv", "".join(",".join([*row[:5], row[7]]) + "\n" for row in rows))
        jobs += job(name, f"plain-{name}.csv", 'machine = "no_rate.toml"')
    document = season(farm, "plain", PRODUCT.format(where="products", rate=2.0, maximum=3.0) + jobs)
    assert document["totals"]["applied_l"] is None
    assert only_row(document)["over_m2"] == pytest.approx(1800.0, abs=3.0)
    assert only_row(document)["highest_per_m2"] == pytest.approx(4e-4, rel=0.003)


def test_a_product_of_one_job_alone_has_no_row(tmp_path):
    def made(name, product):
        return DayJob(name, tmp_path, of_products(line(product)))

    alone = [made("a", "herbicide A"), made("b", "fungicide B"), DayJob("c", tmp_path, kit.ledger(product=None))]
    assert day_doses(None, "f", "2026-08-06", alone) == []
    # The same once more, in other letters: now there is a sum to make, and no raster to make it from.
    (row,) = day_doses(None, "f", "2026-08-06", [*alone, made("d", "Herbicide a")])
    assert (row.product, row.jobs) == ("herbicide A", ("a", "d"))
    assert row.reason == "a: cover.tif cannot be read"


def line(name, rate_per_m2=2e-4, maximum_per_m2=3e-4):
    nothing = {"amount": None, "money": None, "active_g": None}
    label = {"maximum_per_m2": maximum_per_m2, "over_m2": None, "highest_per_m2": None, "highest_on_at_least_m2": 10.0}
    return {
        "name": name, "measure": "L", "rate_per_m2": rate_per_m2, "price": None, "currency": None,
        "active_ingredient": None, "active_g_per_unit": None, "applied": nothing, "over_applied": nothing,
        "standing": nothing, "place": [], "label": label,
    }  # fmt: skip


def of_products(*lines):
    return kit.ledger(product=kit.product(products=list(lines), spray_rate_l_m2=0.01), volume=kit.volume())


CELL_M = 2.0


def cover(folder, dose_l_ha, column, row):
    """A ``cover.tif`` whose south-west cell stands in a column and row of one grid; row 0 of the array southmost."""
    rows, columns = dose_l_ha.shape
    folder.mkdir()
    transform = from_origin(column * CELL_M, (row + rows) * CELL_M, CELL_M, CELL_M)
    with rasterio.open(
        folder / "cover.tif", "w", driver="GTiff", width=columns, height=rows, count=BAND_DOSE, dtype="float32",
        crs="EPSG:3577", transform=transform,
    ) as out:  # fmt: skip
        out.write(dose_l_ha[::-1].astype("float32"), BAND_DOSE)
        out.set_band_unit(BAND_DOSE, "L/ha")


@pytest.mark.parametrize(
    ("column", "row"), [(0, 0), (0, 3), (0, -3), (4, 0), (-4, 0), (2, 5), (-2, -5), (-3, 7), (0, 700), (9, -700)]
)
def test_covers_of_unlike_extent_are_laid_where_they_belong(tmp_path, column, row):
    # 100 L/ha carry 2e-4 L/m2 of product, twice that is above the maximum of 3e-4. Neither cover is symmetric, so that
    # a shift to the wrong side meets other cells. Summed here on one large array, cell by cell.
    rng = np.random.default_rng(7)
    one, two = (np.where(rng.random(shape) < share, 100.0, 0.0) for shape, share in (((9, 6), 0.7), ((14, 8), 0.5)))
    cover(tmp_path / "a", one, 0, 0)
    cover(tmp_path / "b", two, column, row)
    ground = np.zeros((1500, 40))
    for dose, x, y in ((one, 15, 720), (two, 15 + column, 720 + row)):
        ground[y : y + dose.shape[0], x : x + dose.shape[1]] += dose
    jobs = [DayJob(name, tmp_path / name, of_products(line("herbicide A"))) for name in ("a", "b")]
    (found,) = day_doses(None, "f", "2026-08-06", jobs)
    assert found.reason is None
    assert found.over_m2 == np.count_nonzero(ground > 150) * CELL_M**2
    # the highest dose of which there are at least 10 m2, three cells of 4 m2
    twice = np.count_nonzero(ground > 150) >= 3
    assert found.highest_per_m2 == pytest.approx(4e-4 if twice else 2e-4, rel=0.003)
