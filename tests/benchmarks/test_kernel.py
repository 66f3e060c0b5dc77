"""The coverage kernel beside its rivals: compare the medians of one run. Ratios: ``python tests/benchmarks/ratios.py``.

100 ha, 36 m boom, 72 nozzles opening one by one, 10 rows a second, cells of 0.1 m; ``extra_info`` gives each figure in
ns a painted cell where a benchmark measures less than the whole field.
"""

from __future__ import annotations

import numpy as np
import pytest
from benchdrive import SCALE, make_drive
from benchkit import (
    cover,
    directions,
    ground_of,
    nozzle_polygons,
    numpy_span_seconds,
    numpy_stream_seconds,
    polygon_seconds,
    rasterio_seconds,
    row_lengths,
    whole_account,
)

AREA_HA = 100.0 * SCALE
CELLS = int(1e8 * SCALE)
PART_HA = max(10.0 * SCALE, 1.0)
ROWS = int(20_000 * SCALE)
DRIVES = {name: (bearing, sigma) for name, bearing, sigma in directions()}
NAMES = list(DRIVES)


def _ground(name, area_ha=AREA_HA):
    bearing, sigma = DRIVES[name]
    return ground_of(make_drive(area_ha, bearing_deg=bearing, sigma_m=sigma))


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.benchmark(group="100 ha")
def test_cover(benchmark, name):
    ground = _ground(name)
    spent = []
    benchmark.pedantic(lambda: spent.append(cover(ground)), rounds=3, warmup_rounds=1)
    painted = spent[-1].painted
    # 100 cells a square metre; the slanted ends of passes weigh more on a small field
    assert painted > (0.9 if SCALE == 1 else 0.6) * AREA_HA * 1e6
    for stage in ("mask", "paint", "tally", "total"):
        benchmark.extra_info[f"{stage}_ns_a_cell"] = float(
            np.median([getattr(s, stage) for s in spent[-3:]]) / painted * 1e9
        )


@pytest.mark.benchmark(group="rivals, part of the field")
def test_rasterio(benchmark):
    polygons, steps = nozzle_polygons(make_drive(AREA_HA), 5_000)
    benchmark.pedantic(rasterio_seconds, (polygons,), rounds=3, warmup_rounds=1)
    benchmark.extra_info["share_of_the_field"] = len(polygons) / steps


@pytest.mark.benchmark(group="rivals, part of the field")
def test_exact_polygons(benchmark):
    drive = make_drive(PART_HA)
    benchmark.pedantic(polygon_seconds, (drive,), rounds=3)
    benchmark.extra_info["share_of_the_field"] = PART_HA / AREA_HA


@pytest.mark.parametrize("at_once", [2_000_000, CELLS], ids=["band", "field"])
@pytest.mark.benchmark(group="rivals")
def test_numpy_in_place(benchmark, at_once):
    benchmark.pedantic(numpy_stream_seconds, (CELLS, at_once), rounds=3)


@pytest.mark.parametrize("name", ["north", "east"])
@pytest.mark.benchmark(group="rivals, part of the field")
def test_numpy_in_place_row_by_row(benchmark, name):
    length = row_lengths(_ground(name, PART_HA))
    benchmark.pedantic(numpy_span_seconds, (ROWS * length, length), rounds=3)
    benchmark.extra_info["share_of_the_field"] = ROWS * length / (AREA_HA * 1e6)


@pytest.mark.parametrize("threads", [1, 2])
@pytest.mark.benchmark(group="account by threads")
def test_account(benchmark, threads):
    drive = make_drive(AREA_HA, bearing_deg=30.0, sigma_m=0.02)
    benchmark.pedantic(whole_account, (drive, threads), rounds=3, warmup_rounds=1)


@pytest.mark.parametrize("area_ha", [10.0, 30.0, 100.0, 300.0])
@pytest.mark.benchmark(group="growth")
def test_growth(benchmark, area_ha):
    ground = ground_of(make_drive(area_ha * SCALE, bearing_deg=30.0, sigma_m=0.02))
    spent = []
    benchmark.pedantic(lambda: spent.append(cover(ground)), rounds=3, warmup_rounds=1)
    benchmark.extra_info["total_ns_a_cell"] = float(np.median([s.total / s.painted for s in spent[-3:]])) * 1e9
