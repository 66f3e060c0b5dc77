"""What must not matter: where a drive lies, which way it faces, its mirror, direction in time, bands, threads, JIT."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from drivekit import PLANE, Result, books_of, drive, ground, placed, rectangle, sprayer
from hypothesis import given, settings
from hypothesis import strategies as st
from pathkit import START_S, PlanePath, log_of
from shapely import affinity

import swathledger.grid.frame as frame_module
from swathledger.documents.document import dump
from swathledger.ledger.account import account
from swathledger.ledger.place import place_drive
from swathledger.machine.machine import Antenna
from swathledger.report.document import ledger_of
from swathledger.words import say_all

QUANTITIES = ("applied", "covered", "single", "overlap", "overlap_extra", "skip", "outside", "excluded", "target")
WIDTH = 6.0
SECTIONS = 3


@st.composite
def paths(draw) -> PlanePath:
    """A drive of straights and bends, sections opening and shutting, once in a while a silent stretch."""
    heading, x, y = draw(st.floats(0, 360)), [0.0], [0.0]
    headings, time, state = [heading], [0.0], []
    for _ in range(draw(st.integers(2, 6))):
        turn = draw(st.sampled_from([0.0, 0.0, 4.0, -4.0, 12.0, -12.0]))  # degrees a second: radii of 57 and 19 m
        speed = draw(st.sampled_from([2.0, 4.0]))
        open_ = draw(st.lists(st.booleans(), min_size=SECTIONS, max_size=SECTIONS))
        for _ in range(draw(st.integers(3, 12))):
            state.append(open_)
            middle = np.radians(headings[-1] + turn / 2)
            chord = speed * np.sinc(np.radians(turn) / 2 / np.pi)
            x.append(x[-1] + chord * np.sin(middle))
            y.append(y[-1] + chord * np.cos(middle))
            headings.append(headings[-1] + turn)
            time.append(time[-1] + 1.0)
        if draw(st.integers(0, 5)) == 0:
            state[-1] = [False] * SECTIONS
            time[-1] += 20.0
    state.append([False] * SECTIONS)
    return PlanePath(np.array(x), np.array(y), START_S + np.array(time), np.mod(headings, 360.0), np.array(state, bool))


def field_shapes():
    """A boundary with a bay and a pond in it."""
    boundary = shapely.Polygon([(-30, -20), (35, -25), (40, 30), (10, 22), (-5, 40), (-28, 25)])
    return boundary, shapely.Point(8, 5).buffer(6.0)


def same(a: Result, b: Result) -> None:
    """No area differs by more than three standard errors (of the difference), or 4 cells where hardly any are cut."""
    for quantity in QUANTITIES:
        error = np.hypot(a.books.areas.standard_error_m2(quantity), b.books.areas.standard_error_m2(quantity))
        assert abs(a.m2(quantity) - b.m2(quantity)) <= max(3 * error, 0.04), quantity
    va, vb = a.books.volumes, b.books.volumes
    assert va is not None
    assert vb is not None
    assert va.logged_l == pytest.approx(vb.logged_l, rel=1e-6, abs=1e-9)
    error_l = 0.02 * 3 * np.hypot(*(r.books.areas.standard_error_m2("applied") for r in (a, b)))
    assert va.applied_l == pytest.approx(vb.applied_l, rel=2e-3, abs=error_l)


MACHINE = sprayer(WIDTH, SECTIONS, antenna=Antenna(1.5, 0.0))
LOGGED = {"rate_l_m2": 0.02}


@settings(max_examples=25)
@given(path=paths(), turn=st.floats(0, 360), east=st.floats(-900, 900), north=st.floats(-900, 900))
def test_turning_and_moving_a_drive_changes_no_area(path, turn, east, north):
    boundary, pond = field_shapes()
    here = drive(path, MACHINE, ground(boundary, pond), **LOGGED)
    there = drive(
        path.rotated(turn).moved(east, north),
        MACHINE,
        ground(placed(boundary, turn, (east, north)), placed(pond, turn, (east, north))),
        **LOGGED,
    )
    same(here, there)


@settings(max_examples=25)
@given(path=paths())
def test_a_mirror_changes_no_area(path):
    boundary, pond = field_shapes()
    here = drive(path, MACHINE, ground(boundary, pond), **LOGGED)
    mirror = [affinity.scale(shape, -1.0, 1.0, origin=(0, 0)) for shape in (boundary, pond)]
    there = drive(path.mirrored(), MACHINE, ground(*mirror), **LOGGED)
    same(here, there)


@settings(max_examples=25)
@given(path=paths())
def test_driving_it_backwards_in_time_changes_no_area(path):
    boundary, pond = field_shapes()
    # a whole circle of 12 degrees a second comes round after 30 s
    here = drive(path, MACHINE, ground(boundary, pond), **LOGGED)
    there = drive(path.time_reversed(), MACHINE, ground(boundary, pond), **LOGGED)
    same(here, there)


def test_a_whole_step_of_cells_changes_no_cell():
    # moved by whole cells the sample points differ, since they are hashed: only the statistics agree
    boundary, pond = field_shapes()
    path = paths_example()
    a = drive(path, MACHINE, ground(boundary, pond))
    b = drive(path, MACHINE, ground(boundary, pond))
    assert a.books.areas == b.books.areas  # the same drive: the same cells


def paths_example() -> PlanePath:
    """A fixed drive with bends, a gap and sections, round and round over its own ground."""
    n = 90
    turn = np.where(np.arange(n) % 30 < 12, 0.0, 10.0)
    heading = np.concatenate(([20.0], 20.0 + np.cumsum(turn)))
    middle = np.radians(heading[:-1] + turn / 2)
    x = np.concatenate(([0.0], np.cumsum(3.0 * np.sin(middle))))
    y = np.concatenate(([0.0], np.cumsum(3.0 * np.cos(middle))))
    time = np.arange(n + 1.0) + np.where(np.arange(n + 1) > 60, 30.0, 0.0)
    state = np.stack([np.arange(n + 1) % 13 > 1, np.ones(n + 1, bool), np.arange(n + 1) % 7 > 0], axis=1)
    state[-1] = False
    return PlanePath(x, y, START_S + time, np.mod(heading, 360.0), state)


# --- bands and threads ----------------------------------------------------------------------------------------------
def document_bytes(result: Result) -> bytes:
    return dump(ledger_of(result.audit()))


def parts(value, litres: bool = False):
    """A document's values in order, those under a key in litres (or derived from them) apart."""
    if isinstance(value, dict):
        for key, item in value.items():
            apart = litres or key in {"volume", "balance"} or key.endswith("_l") or "closure" in key
            yield from ((f"{key}.{name}", leaf, in_litres) for name, leaf, in_litres in parts(item, apart))
    elif isinstance(value, list):
        for k, item in enumerate(value):
            yield from ((f"{k}.{name}", leaf, in_litres) for name, leaf, in_litres in parts(item, litres))
    else:
        yield "", value, litres


def without_litres(result: Result) -> tuple[list, list[float]]:
    every = list(parts(json.loads(document_bytes(result))))
    numbers = [leaf for _, leaf, litres in every if litres and isinstance(leaf, (int, float))]
    return [(name, leaf) for name, leaf, litres in every if not litres], numbers


def test_bands_change_no_cell(monkeypatch):
    # Litres are sums of floats, taken band by band: another cut moves their last bits. The cut is a constant, so that
    # no user and no number of threads ever sees it move.
    boundary, pond = field_shapes()
    log = log_of(paths_example(), PLANE, antenna=MACHINE.antenna, **LOGGED)
    whole = books_of(log, MACHINE, ground(boundary, pond))
    assert whole.m2("overlap") > 10  # there is something to get wrong
    assert whole.m2("outside") > 10
    document, litres = without_litres(whole)
    for cells in (300_000, 60_000, 5_000):
        monkeypatch.setattr(frame_module, "BAND_CELLS", cells)
        cut = books_of(log, MACHINE, ground(boundary, pond))
        assert len(cut.books.frame.bands(4)) > 1
        assert cut.books.areas == whole.books.areas
        assert cut.books.cause_cells == whole.books.cause_cells
        again, litres_again = without_litres(cut)
        assert again == document
        assert litres_again == pytest.approx(litres, rel=1e-10, abs=1e-9)


@pytest.mark.parametrize("threads", [2, 3, 8])
def test_threads_change_no_byte(threads, monkeypatch):
    monkeypatch.setattr(frame_module, "BAND_CELLS", 40_000)
    boundary, pond = field_shapes()
    log = log_of(paths_example(), PLANE, antenna=MACHINE.antenna, **LOGGED)
    one = books_of(log, MACHINE, ground(boundary, pond))
    many = books_of(log, MACHINE, ground(boundary, pond), threads=threads)
    assert document_bytes(one) == document_bytes(many)


def test_a_sink_sees_every_row_once(monkeypatch):
    monkeypatch.setattr(frame_module, "BAND_CELLS", 40_000)
    boundary, pond = field_shapes()
    field = ground(boundary, pond)
    log = log_of(paths_example(), PLANE, antenna=MACHINE.antenna, **LOGGED)
    seen = []

    def sink(band):  # a band's arrays may be used again for later bands: copy what is kept
        seen.append(replace(band, count=band.count.copy(), mask=band.mask.copy()))

    whole = books_of(log, MACHINE, field)
    placed = place_drive(log, MACHINE, field, whole.swath, 0.1)
    books = account(placed, tolerance_m=0.1, threads=3, sinks=(sink,))
    assert books.areas == whole.books.areas
    starts = [band.first_row for band in seen]
    assert starts == np.concatenate(([0], np.cumsum([b.count.shape[0] for b in seen])[:-1])).tolist()
    count = np.vstack([band.count for band in seen])
    mask = np.vstack([band.mask for band in seen])
    assert count.shape == (books.frame.rows, books.frame.columns)
    cells = books.areas.cells
    # the quantities again, from the rasters alone
    on = (mask == 1) | (mask == 3)
    assert cells["applied"] == int(count.sum(dtype=np.int64))
    assert cells["target"] == int(on.sum())
    assert cells["skip"] == int(((mask == 1) & (count == 0)).sum())
    assert cells["not_recorded"] == int((mask == 3).sum())
    assert not count[mask == 3].any()
    assert cells["overlap"] == int((on & (count > 1)).sum())
    assert cells["outside"] == int(count[mask == 0].sum(dtype=np.int64))
    assert cells["excluded"] == int(count[mask == 2].sum(dtype=np.int64))


# --- compiled and interpreted -----------------------------------------------------------------------------------------
_TINY = """
import json, sys, warnings
warnings.filterwarnings("ignore", "overflow encountered", RuntimeWarning)  # interpreted hashing wraps, as it should
sys.path[:0] = sys.argv[1:]
import numpy as np
from drivekit import drive, ground, rectangle, sprayer
from pathkit import arc_path, line_path
path = line_path([-8.0, -6.0], [8.0, 7.0], bearing_deg=30.0).then(arc_path(5.0, sweep_deg=200.0, n_states=2), 60.0)
field = ground(rectangle(-7, -7, 7, 7), rectangle(-1, -1, 2, 2))
r = drive(path, sprayer(4.0, 2), field, cell_m=0.25, rate_l_m2=0.02)
a, v = r.books.areas, r.books.volumes
print(json.dumps([dict(a.cells), dict(a.edges), a.off_rate_low_cells, a.off_rate_high_cells, dict(a.beyond_cells),
                  dict(r.books.cause_cells), [round(x, 9) for x in (v.target_l, v.overlap_l, v.outside_l)]]))
"""


def test_interpreted_kernels_give_the_same_ledger():
    folders = [str(Path(__file__).parent), str(Path(__file__).parent.parent / "simulate")]  # of the helpers
    told = []
    for off in ("0", "1"):
        done = subprocess.run(
            [sys.executable, "-c", _TINY, *folders],
            capture_output=True,
            text=True,
            timeout=300,
            check=False,
            env={**os.environ, "NUMBA_DISABLE_JIT": off},
        )
        assert done.returncode == 0, done.stderr
        told.append(json.loads(done.stdout))
    assert told[0][:-1] == told[1][:-1]
    assert told[0][-1] == pytest.approx(told[1][-1], rel=1e-6)  # interpreted, float32 doses add up in float32
    assert told[0][0]["overlap"] > 0
    assert told[0][0]["excluded"] > 0


# --- volumes ----------------------------------------------------------------------------------------------------------
@settings(max_examples=15)
@given(path=paths())
def test_litres_close_with_rate_and_with_flow(path):
    boundary, pond = field_shapes()
    by_rate = drive(path, MACHINE, ground(boundary, pond), rate_l_m2=0.02)
    # the flow that the rate asks for: rate x open width x speed of the boom's centre
    log = log_of(path, PLANE, antenna=MACHINE.antenna)
    swath = by_rate.swath
    litres = np.zeros(len(log))
    np.add.at(litres, swath.epoch[:-1], swath.volume_l)
    flow = litres / np.append(np.diff(log.time_s), 1.0)
    by_flow = books_of(replace(log, flow_l_s=flow), MACHINE, ground(boundary, pond))
    for result in (by_rate, by_flow):
        volumes = result.books.volumes
        assert volumes is not None
        if volumes.logged_l > 1.0:
            assert abs(volumes.closure_pct) < 1.0
    a, b = by_rate.books.volumes, by_flow.books.volumes
    assert a is not None
    assert b is not None
    assert a.logged_l == pytest.approx(b.logged_l, rel=1e-6, abs=1e-6)
    assert a.applied_l == pytest.approx(b.applied_l, rel=1e-2, abs=0.05)


def test_nothing_known_of_volume_is_none_and_not_zero():
    boundary, pond = field_shapes()
    result = drive(paths_example(), MACHINE, ground(boundary, pond))
    assert result.books.volumes is None
    assert result.books.set_rate_l_m2 is None


def test_far_ground_is_left_out_and_told():
    # a second job 2 km away in the same log
    from pathkit import line_path

    path = line_path([0.0], [50.0]).then(line_path([0.0], [50.0], origin=(2000.0, 0.0)), 600.0)
    result = drive(path, sprayer(6.0), ground(rectangle(-10, -5, 10, 55)), rate_l_m2=0.02)
    result.near("applied", 300.0)
    assert result.books.far_m2 == pytest.approx(300.0, rel=1e-3)
    assert any("500 m" in note for note in say_all(result.books.notes))
    assert result.books.volumes is not None
    assert result.books.volumes.logged_l == pytest.approx(6.0, rel=1e-3)
    assert abs(result.books.volumes.closure_pct) < 0.5
