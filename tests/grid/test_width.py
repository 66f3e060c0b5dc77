"""How wide ground is: traces along strips drawn in the test, each number by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from swathledger.grid.pattern import sample_point
from swathledger.grid.width import (
    BLOCK,
    KEPT,
    LOST,
    OPEN,
    WIDE,
    Measure,
    Trace,
    _direction,
    _extent,
    _is_wide,
    _mark,
    _shift,
    _walk,
    _width,
    judge,
    judge_rows,
    measure_of,
    settle,
    trace_of,
)

pytestmark = pytest.mark.filterwarnings("ignore:overflow:RuntimeWarning")  # interpreted, the cells' hash wraps round
OWN = 2
MEASURE = Measure(1.0, 3, 40, 3, 14)


def drawn(text: str) -> np.ndarray:
    """``#`` is the strip, ``.`` is not; the first row is the southmost, 0."""
    return np.array([[OWN if c == "#" else 0 for c in row] for row in text.split()], np.uint8)


def test_what_is_measured_follows_from_tolerance_and_cell() -> None:
    # one cell: blocks of 3; 60 columns each way and twice that in doubt; five empty columns end a strip
    assert measure_of(0.1, 0.1) == Measure(pytest.approx(1.0), 3, 120, 5, 14)
    # 1 m on 0.1 m: 10 cells, blocks of 12; 2 x max(60, 40, 24)
    assert measure_of(1.0, 0.1) == Measure(pytest.approx(10.0), 12, 120, 5, 50)
    # cells of 2 cm: 4 m are 200 of them
    assert measure_of(0.1, 0.02) == Measure(pytest.approx(5.0), 7, 400, 5, 30)
    # a tolerance far below a cell: as good as never met in 5 / 0.05 columns, and no more than a quarter of the reach
    assert measure_of(0.005, 0.1) == Measure(pytest.approx(0.05), 3, 120, 30, 14)
    assert measure_of(0.025, 0.1) == Measure(pytest.approx(0.25), 3, 120, 20, 14)
    # 2.05 cells: blocks of 3 + 2; 255 at most: 2 x 2 x 255
    assert measure_of(0.205, 0.1).size == 5
    assert measure_of(100.0, 0.1) == Measure(253.0, 255, 1020, 5, 1022)
    assert measure_of(0.0, 0.1) == measure_of(-1.0, 0.1) == Measure(0.0, 0, 0, 0, 0)
    assert judge_rows(measure_of(0.1, 0.1)) == 120 + 14 + 2 + 32
    assert judge_rows(measure_of(0.0, 0.1)) == 0
    assert trace_of(MEASURE).cells.shape == trace_of(MEASURE).low.shape == (2, 41)


# --- a column ---------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("column", "place", "expected"),
    [
        (".....##....", 5, (5, 6, 2)),
        (".....##....", 6, (5, 6, 2)),
        ("..#.#.##.#.", 6, (2, 9, 5)),  # over gaps of one
        ("#..##..####", 4, (3, 4, 2)),  # not over gaps of two
        ("####.......", 1, (0, 3, 4)),
        (".......####", 10, (7, 10, 4)),
        ("#.#.......#", 0, (0, 2, 2)),
        ("#.......#.#", 10, (8, 10, 2)),
        ("####.......", 0, (0, 3, 4)),
        ("##########.", 5, (0, 5, 6)),  # 6 are enough: those below are counted first
        ("..#########", 3, (2, 7, 6)),
    ],
)
def test_a_column_s_cells_are_counted_over_gaps_of_one(column: str, place: int, expected: tuple[int, int, int]) -> None:
    row = drawn(column)
    assert _extent(row.T.copy(), OWN, False, 0, place, 6) == expected
    assert _extent(row, OWN, True, 0, place, 6) == expected


# --- a strip's direction ----------------------------------------------------------------------------------------------
@pytest.mark.parametrize("seed", range(10))
def test_the_direction_is_the_longest_axis_of_the_cells(seed: int) -> None:
    rng = np.random.default_rng(seed)
    classes = np.where(rng.uniform(size=(19, 21)) < 0.3, OWN, 1).astype(np.uint8)
    angle = rng.uniform(0, np.pi)
    j, i = np.mgrid[:19, :21]
    off = np.abs((j - 9) * np.cos(angle) - (i - 10) * np.sin(angle))
    classes[off > 2.5] = 0
    kept = np.where(rng.uniform(size=classes.shape) < 0.1, WIDE, OPEN).astype(np.uint8)
    for r, c, radius in ((9, 10, 6), (9, 10, 30), (0, 0, 7), (18, 20, 12)):
        there = (classes == OWN) & (kept != WIDE) & (abs(j - r) <= radius) & (abs(i - c) <= radius)
        x, y = i[there].astype(float), j[there].astype(float)
        if x.size < 3:
            continue
        values, axes = np.linalg.eigh(np.cov(x, y))
        dx, dy = axes[:, np.argmax(values)]
        upright, slope, n = _direction(classes, kept, OWN, r, c, radius)
        assert n == x.size
        assert upright == (y.var() > x.var())
        assert slope == pytest.approx(np.clip(dx / dy if upright else dy / dx, -1.0, 1.0), abs=1e-9)


def test_a_lone_cell_has_no_direction() -> None:
    classes = drawn("..... ..#.. .....")
    assert _direction(classes, classes * 0, OWN, 1, 2, 3) == (False, 0.0, 1)


# --- a walk -----------------------------------------------------------------------------------------------------------
def walk(
    classes: np.ndarray, a0: int, centre: float, slope: float, way: int, columns: int, *,
    upright: bool = False, kept: np.ndarray | None = None, measure: Measure = MEASURE,
) -> tuple[tuple[int, int, float], Trace]:  # fmt: skip
    trace = trace_of(measure)
    grid = classes.T.copy() if upright else classes
    marks = np.zeros_like(classes) if kept is None else kept
    marks = marks.T.copy() if upright else marks
    return _walk(grid, marks, OWN, upright, a0, centre, slope, way, measure, columns, trace), trace


def level(low: int, high: int, columns: int = 30, rows: int = 20) -> np.ndarray:
    out = np.zeros((rows, columns), np.uint8)
    out[low : high + 1] = OWN
    return out


@pytest.mark.parametrize("upright", [False, True])
@pytest.mark.parametrize(("way", "side"), [(1, 0), (-1, 1)])
def test_a_level_strip_is_two_cells_a_column(upright: bool, way: int, side: int) -> None:
    (last, ended, place), trace = walk(level(8, 9), 15, 8.5, 0.0, way, 10, upright=upright)
    assert (last, ended, place) == (10, 0, 8.5)
    assert trace.cells[side, :11].tolist() == [2 * k for k in range(11)]
    assert trace.length[side, :11].tolist() == [float(k) for k in range(11)]
    assert trace.low[side, 1:11].tolist() == [8] * 10
    assert trace.high[side, 1:11].tolist() == [9] * 10
    assert not trace.cells[1 - side].any()
    # to the end of the grid: 14 columns on, 15 back
    (last, ended, place), _ = walk(level(8, 9), 15, 8.5, 0.0, way, 25, upright=upright)
    assert (last, ended, place) == ((14, 1, 8.5) if way > 0 else (15, 1, 8.5))


def test_a_strip_s_centre_and_slope_are_followed() -> None:
    # expected at 8, found at 9: a quarter of the way off, and the slope by 0.04 of it; then again from there
    (last, ended, place), trace = walk(level(9, 9), 5, 8.0, 0.0, 1, 2)
    first = 8.0 + 0.25 * 1.0
    second = first + 0.04
    second += 0.25 * (9.0 - second)
    assert (last, ended) == (2, 0)
    assert place == pytest.approx(second)
    assert trace.length[0, :3] == pytest.approx([0.0, 1.0, 1.0 + math.sqrt(1 + 0.04**2)])
    # back, a slope is signed by the columns: the same centre, and the slope falls towards the front
    (_, _, place), trace = walk(level(9, 9), 15, 8.0, 0.0, -1, 2)
    assert place == pytest.approx(second)
    assert trace.length[1, :3] == pytest.approx([0.0, 1.0, 1.0 + math.sqrt(1 + 0.04**2)])
    # a strip that rises by one every other column, walked both ways with its slope: no more than half a cell off
    rising = np.zeros((40, 40), np.uint8)
    for c in range(40):
        rising[c // 2 + 5, c] = OWN
    for way, a0 in ((1, 20), (-1, 19)):
        (last, ended, place), trace = walk(rising, a0, a0 / 2 + 4.75, 0.5, way, 15)
        assert (last, ended) == (15, 0)
        assert place == pytest.approx((a0 + way * 15) / 2 + 4.75, abs=0.3)
        assert trace.cells[0 if way > 0 else 1, 15] == 15


def test_a_strip_is_looked_for_two_cells_off_where_it_is_expected() -> None:
    def met(low: int, centre: float) -> bool:
        (last, ended, _), trace = walk(level(low, low), 5, centre, 0.0, 1, 1)
        assert (last, ended) == (1, 0)  # one column may be empty
        assert (trace.low[0, 1], trace.high[0, 1]) in ((low, low), (0, -1))
        return bool(trace.cells[0, 1] == 1)

    assert [met(10 + off, 10.0) for off in (-3, -2, -1, 0, 1, 2, 3)] == [False, True, True, True, True, True, False]
    # the nearer side first, the lower one of two as near
    both = level(9, 9) | level(11, 11)
    assert walk(both, 5, 10.0, 0.0, 1, 1)[1].low[0, 1] == 9
    assert walk(level(8, 8) | level(11, 11), 5, 10.0, 0.0, 1, 1)[1].high[0, 1] == 11
    # halves are rounded up: 9.5 is 10, from which 12 is within two and 7 is not
    assert met(12, 9.5)
    assert not met(7, 9.5)
    # at the grid's edges
    assert met(0, 1.0)
    assert met(19, 18.0)
    assert met(0, -1.0)
    assert met(19, 20.0)
    assert not met(0, -3.0)
    assert not met(19, 22.0)


def test_a_strip_has_ended_after_so_many_empty_columns() -> None:
    strip = level(9, 9)
    strip[:, 9:12] = 0  # columns 4 to 6 from column 5 are empty: three, as many as may be
    (last, ended, _), trace = walk(strip, 5, 9.0, 0.0, 1, 10)
    assert (last, ended) == (10, 0)
    assert trace.cells[0, :11].tolist() == [0, 1, 2, 3, 3, 3, 3, 4, 5, 6, 7]
    assert (trace.low[0, 5], trace.high[0, 5]) == (0, -1)  # of none
    strip[:, 12] = 0
    (last, ended, place), _ = walk(strip, 5, 9.0, 0.0, 1, 10)
    assert (last, ended, place) == (3, 1, 9.0)
    # a column met begins the count anew
    strip[9, 11] = OWN
    assert walk(strip, 5, 9.0, 0.0, 1, 10)[0][:2] == (10, 0)


def test_a_trace_ends_where_it_becomes_wide_turns_too_far_or_leaves_its_reach() -> None:
    strip = level(9, 9)
    kept = np.zeros_like(strip)
    kept[9, 10] = WIDE  # the fifth column
    assert walk(strip, 5, 9.0, 0.0, 1, 10, kept=kept)[0] == (4, 2, 9.0)
    kept[9, 10], kept[9, 11] = KEPT, LOST  # what was judged before is no matter
    assert walk(strip, 5, 9.0, 0.0, 1, 10, kept=kept)[0] == (10, 0, 9.0)
    # wide ground of another class beside it, within its extent over a gap of one
    gapped = level(8, 10)
    gapped[9] = 0
    kept[:] = 0
    kept[9, 10] = WIDE
    assert walk(gapped, 5, 8.0, 0.0, 1, 10, kept=kept)[0][:2] == (10, 0)
    # 14 cells in a column are wide, 13 are not
    tall = level(3, 3)
    tall[3:17, 8] = OWN
    assert walk(tall, 5, 3.0, 0.0, 1, 10)[0][:2] == (2, 2)
    tall[16, 8] = 0
    assert walk(tall, 5, 3.0, 0.0, 1, 4)[0][:2] == (4, 0)
    # 3 cells a column at most, and no farther than the reach from where it began
    steep = np.full((200, 40), OWN, np.uint8)
    small = Measure(1.0, 3, 40, 3, 900)
    assert walk(steep[:, :30], 5, 9.0, 3.1, 1, 10, measure=small)[0][:2] == (0, 1)
    assert walk(steep[:, :30], 5, 9.0, -3.1, 1, 10, measure=small)[0][:2] == (0, 1)
    for slope, reach, last in ((2.0, 8, 4), (2.0, 7, 3), (-2.0, 8, 4)):
        # a strip of slope 2, drawn to follow
        strip = np.zeros((80, 40), np.uint8)
        for c in range(40):
            strip[round(40 + slope * (c - 5)) % 80, c] = OWN
        found = walk(strip, 5, 40.0, slope, 1, 10, measure=Measure(1.0, 3, reach, 3, 14))
        assert found[0][:2] == (last, 1), (slope, reach)


# --- from traces to widths --------------------------------------------------------------------------------------------
def traced(ahead: list[int], behind: list[int], length: float = 1.0) -> Trace:
    """Cells by column ahead and behind of column 0."""
    trace = trace_of(MEASURE)
    for side, counts in enumerate((ahead, behind)):
        total = np.concatenate(([0], np.cumsum(counts)))
        trace.cells[side, : total.size] = total
        trace.length[side, : total.size] = length * np.arange(total.size)
    return trace


def test_a_width_is_cells_over_the_length_of_the_centre_line() -> None:
    # 1 + 4 + 4 columns of two cells
    assert _width(2, 1.0, 0.3, 4, 4, traced([2] * 4, [2] * 4)) == (2.0, 9)
    # each column 1.25 long
    assert _width(2, 1.25, 0.3, 4, 4, traced([2] * 4, [2] * 4, 1.25)) == (pytest.approx(1.6), 9)
    # as far one way as the other, or 20 columns: 24 of two cells ahead and 22 behind; beyond it six of the same
    assert _width(2, 1.0, 0.3, 30, 22, traced([2] * 30, [2] * 22)) == (2.0, 53)
    # beyond it far wider: left out; 1 + 22 + 22
    wider = traced([2] * 22 + [9] * 8, [2] * 22)
    assert _width(2, 1.0, 0.3, 30, 22, wider) == (2.0, 45)
    assert _width(2, 1.0, 0.3, 22, 30, traced([2] * 22, [2] * 22 + [9] * 8)) == (2.0, 45)
    # near an end 20 columns in all: none behind, so 20 ahead; the rest far narrower
    assert _width(2, 1.0, 0.3, 30, 0, traced([2] * 20 + [0] * 10, [])) == (2.0, 21)
    assert _width(2, 1.0, 0.3, 0, 30, traced([], [2] * 20 + [0] * 10)) == (2.0, 21)
    # 5 behind, so 15 ahead
    assert _width(2, 1.0, 0.3, 30, 5, traced([2] * 15 + [0] * 15, [2] * 5)) == (2.0, 21)
    assert _width(2, 1.0, 0.3, 5, 30, traced([2] * 5, [2] * 15 + [0] * 15)) == (2.0, 21)
    # no more than there is
    assert _width(2, 1.0, 0.3, 7, 0, traced([2] * 7, [])) == (2.0, 8)
    # alike within 2.5 standard errors of the difference: means 2 and 3 over 21 and 9 columns, with a spread of 1
    # sqrt(1/21 + 1/9) = 0.398, so 2.5 are 0.996; of 1.01 0.9999... the first is left out, at 1.02 it is taken
    third = traced([2] * 20 + [3] * 9, [])
    assert _width(2, 1.0, 1.0, 29, 0, third) == (2.0, 21)
    assert _width(2, 1.0, 1.02, 29, 0, third) == (pytest.approx((42 + 27) / 30), 30)


def test_what_of_a_trace_lies_in_a_block() -> None:
    trace = trace_of(MEASURE)
    trace.low[:, 1:], trace.high[:, 1:] = 20, 21
    # columns 16 to 31, places 16 to 31: from column 20 there are 11 ahead and 4 behind
    assert _shift(False, 20, 30, 0, trace, 16, 16) == 11
    assert _shift(False, 20, 30, 1, trace, 16, 16) == 4
    assert _shift(True, 20, 30, 0, trace, 16, 16) == 11
    assert _shift(False, 20, 5, 0, trace, 16, 16) == 5  # no farther than traced
    assert _shift(False, 10, 5, 0, trace, 16, 16) == 0  # not begun in it
    # a block to the north and east has columns of its own: places tell
    assert _shift(False, 20, 30, 0, trace, 32, 16) == 0
    assert _shift(True, 20, 30, 0, trace, 16, 32) == 0
    assert _shift(True, 20, 30, 0, trace, 32, 16) == 0
    trace.low[0, 6:], trace.high[0, 6:] = 32, 40
    assert _shift(False, 20, 30, 0, trace, 16, 16) == 5
    trace.low[0, 6:] = 31
    assert _shift(False, 20, 30, 0, trace, 16, 16) == 11
    trace.low[0, 6:], trace.high[0, 6:] = 10, 15
    assert _shift(False, 20, 30, 0, trace, 16, 16) == 5
    trace.high[0, 6:] = 16
    assert _shift(False, 20, 30, 0, trace, 16, 16) == 11


@pytest.mark.parametrize("upright", [False, True])
def test_a_verdict_is_given_to_open_cells_of_the_strip_within_the_block(upright: bool) -> None:
    classes = np.full((48, 48), OWN, np.uint8)
    classes[20, 22] = 0
    kept = np.zeros((48, 48), np.uint8)
    kept[20, 23] = WIDE
    trace = trace_of(MEASURE)
    trace.low[:, :], trace.high[:, :] = 20, 20
    trace.low[0, 5:], trace.high[0, 5:] = 0, -1
    for side, columns in ((0, 30), (1, 6)):
        grid, marks = (classes.T.copy(), kept.T.copy()) if upright else (classes, kept.copy())
        _mark(grid, marks, OWN, upright, 20, columns, side, KEPT, trace, 16, 16)
        marked = (marks.T if upright else marks) == KEPT
        assert not marked[np.arange(48) != 20].any()
        # ahead 20 to 24 without those of another class or wide; behind to the block's first column, 16
        assert np.flatnonzero(marked[20]).tolist() == ([20, 21, 24] if side == 0 else [16, 17, 18, 19, 20])
    assert BLOCK == 16


# --- strips from end to end -------------------------------------------------------------------------------------------
def strip(width: float, bearing_deg: float, shape: tuple[int, int] = (150, 150), wedge: float = 0.0) -> np.ndarray:
    """Cells whose sample points lie in a strip through the middle; ``width`` in cells, growing by ``wedge`` a cell."""
    t = math.radians(bearing_deg)
    out = np.zeros(shape, np.uint8)
    for j in range(shape[0]):
        for i in range(shape[1]):
            u, v = sample_point(i, j)
            x, y = i + u - shape[1] / 2, j + v - shape[0] / 2
            along, aside = x * math.sin(t) + y * math.cos(t), x * math.cos(t) - y * math.sin(t)
            if abs(aside) <= (width + wedge * along) / 2:
                out[j, i] = OWN
    return out


def judged(
    classes: np.ndarray, measure: Measure, core: tuple[int, int] | None = None, first_row: int = 0
) -> np.ndarray:
    kept = np.where(classes == OWN, OPEN, WIDE).astype(np.uint8)
    of = np.array([0, classes.shape[0]] if core is None else core)
    judge(classes, kept, first_row, of, measure, trace_of(measure), np.empty(classes.shape[1], np.uint8))
    return kept


SHORT = Measure(2.0, 4, 60, 3, 18)


@pytest.mark.parametrize("bearing", [0.0, 25.0, 90.0, 135.0])
@pytest.mark.parametrize(("width", "verdict"), [(1.5, LOST), (2.7, KEPT)])
def test_strips_narrower_than_the_tolerance_are_lost_at_any_bearing(bearing: float, width: float, verdict: int) -> None:
    classes = strip(width, bearing, (64, 64))
    kept = judged(classes, SHORT)
    mine = kept[classes == OWN]
    assert (mine == verdict).mean() > 0.97
    assert (kept[classes != OWN] == WIDE).all()


def test_only_the_core_rows_and_blocks_of_their_own_are_judged() -> None:
    classes = strip(1.2, 0.0, (64, 40))
    # rows 20 to 40; blocks begin at rows of the plane divisible by 16: with the first row at 5, at 11, 27 and 43
    here = np.flatnonzero((classes == OWN).any(axis=1))
    for core, first, end in (((20, 40), 11, 43), ((27, 43), 27, 43), ((26, 44), 11, 59)):
        rows = np.flatnonzero((judged(classes, SHORT, core, 5) == LOST).any(axis=1))
        np.testing.assert_array_equal(rows, here[(here >= first) & (here < end)])


def test_what_is_narrow_between_wide_ground_is_wide() -> None:
    classes = np.zeros((40, 40), np.uint8)
    classes[:18], classes[22:], classes[18:22, 20] = OWN, OWN, OWN
    kept = np.full(classes.shape, WIDE, np.uint8)
    kept[18:22, 20] = OPEN
    measure = measure_of(0.2, 0.1)
    trace = trace_of(measure)
    for r in range(18, 22):
        assert _is_wide(classes, kept, r, 20, measure, trace, 16, 16)[0]
    # a spit on wide ground: two cells are beside it, ten are a strip of their own
    for end, wide in ((20, True), (28, False)):
        spit = np.zeros((40, 40), np.uint8)
        spit[:18], spit[18:end, 20] = OWN, OWN
        kept[:] = WIDE
        kept[18:end, 20] = OPEN
        assert [_is_wide(spit, kept, r, 20, measure, trace, 16, 16)[0] for r in (18, end - 1)] == [wide, wide]
    # a column of ``cap`` cells and more is wide by itself
    tall = np.zeros((40, 40), np.uint8)
    tall[10:30, 20:24] = OWN
    assert _is_wide(tall, tall * 0, 20, 20, Measure(1.0, 3, 40, 3, 4), trace, 16, 16)[0]


def test_what_is_lost_is_counted_by_class() -> None:
    classes = np.array([[1, 2, 2, 3] * 33, [2, 3, 3, 1] * 33, [3, 3, 2, 2] * 33], np.uint8)
    kept = np.ones(classes.shape, np.uint8)
    kept[1, 0], kept[1, 1], kept[1, 2] = LOST, KEPT, LOST
    kept[1, 70], kept[0, 0], kept[2, 0] = LOST, LOST, KEPT
    times = np.full((1, 132), 2, np.uint8)
    times[0, 2], times[0, 70] = 5, 7
    lost, treatments = np.zeros(8, np.int64), np.zeros(8, np.int64)
    settle(classes, times, kept, np.array([1, 2]), lost, treatments)
    # cells 0 (class 2), 2 and 70 (class 3): treated 2, 5 and 7 times
    assert lost.tolist() == [0, 0, 1, 2, 0, 0, 0, 0]
    assert treatments.tolist() == [0, 0, 2, 12, 0, 0, 0, 0]
    assert np.flatnonzero(kept[1] == 0).tolist() == [0, 2, 70]
    assert (np.delete(kept[1], [0, 2, 70]) == 1).all()
    assert (kept[0, 0], kept[2, 0]) == (LOST, KEPT)  # not of the core
