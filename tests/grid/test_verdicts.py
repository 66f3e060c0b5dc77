"""When a strip is judged wide, and where in its block: strips of one cell or two, each width by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from swathledger.grid.tally import OVERLAP, SINGLE
from swathledger.grid.width import OPEN, WIDE, _is_wide, measure_of, trace_of

OWN = np.uint8(OVERLAP)
BOTH_WAYS = pytest.mark.parametrize("upright", [False, True])
"""Every picture is looked at as it stands and turned over its diagonal."""


def ground(rows: int, columns: int, *cells: tuple[Any, Any]) -> tuple[np.ndarray, np.ndarray]:
    """Classes with overlap at the given (rows, columns), and all cells open."""
    classes, kept = np.full((rows, columns), SINGLE, np.uint8), np.full((rows, columns), WIDE, np.uint8)
    for at in cells:
        classes[at] = OWN
        kept[at] = OPEN
    return classes, kept


def turned(upright: bool, *grids: np.ndarray) -> list[np.ndarray]:
    return [np.ascontiguousarray(grid.T) if upright else grid for grid in grids]


COLUMNS = 400


def strip(extra: Any = (), empty: Any = (), first: int = 0, last: int = COLUMNS - 1) -> tuple[np.ndarray, np.ndarray]:
    """A strip along row 20, one cell wide, two where there is an extra one and none where it is empty."""
    classes, kept = ground(40, COLUMNS, (20, slice(first, last + 1)), (21, list(extra)))
    classes[20, list(empty)], kept[20, list(empty)] = SINGLE, WIDE
    return classes, kept


def verdict(grids: Any, at: int, upright: bool, before: int = 7) -> tuple[bool, int, int, int]:
    """Whether the strip is wide at a column, that column after moving in its block, how far ahead and behind.

    Of the block's 16 columns so many come before.
    """
    of = measure_of(0.1, 0.1)
    classes, kept = turned(upright, *grids)
    top, left = (at - before, 12) if upright else (12, at - before)
    r, c = (at, 20) if upright else (20, at)
    wide, along, a0, ahead, behind = _is_wide(classes, kept, r, c, of, trace_of(of), top, left)
    assert along == upright
    return bool(wide), int(a0), int(ahead), int(behind)


@BOTH_WAYS
def test_a_strip_is_wide_half_a_standard_error_above_the_tolerance(upright: bool) -> None:
    # tolerance 1 cell; a column's variance 1/3. Traced over 121 columns: error 0.0525, 2.5 of it 0.131: in doubt below
    # a width of 1.131, and 241 columns are traced: error 0.0372, wide from 1 + 0.0186 on
    at = 200
    assert verdict(strip(range(at - 120, at + 121, 40)), at, upright) == (True, at, 120, 120)  # 248/241 = 1.029
    assert verdict(strip(range(at - 80, at + 81, 80)), at, upright) == (False, at, 120, 120)  # 244/241 = 1.012
    assert verdict(strip(range(at - 60, at + 61, 6)), at, upright) == (True, at, 60, 60)  # 142/121 = 1.174
    assert verdict(strip(range(at - 56, at + 61, 8)), at, upright)[2:] == (120, 120)  # 136/121 = 1.124
    assert verdict(strip(empty=range(at - 58, at + 61, 8)), at, upright)[2:] == (120, 120)  # 106/121 = 0.876
    # ground that is in no doubt is not traced farther, whatever it is there
    beyond = [*range(at + 61, at + 121), *range(at - 120, at - 60)]
    assert verdict(strip(beyond, range(at - 58, at + 61, 4)), at, upright) == (False, at, 60, 60)
    assert verdict(strip(beyond), at, upright) == (True, at, 120, 120)  # 1 and then 2


@BOTH_WAYS
def test_ends_are_no_reason_to_look_no_farther_the_other_way(upright: bool) -> None:
    # of its block 4 columns behind and 8 ahead: moved two on. Over 6 and 60 columns the width is 1, in doubt; over
    # 6 and 120, of which 20 are wider, it is 147 / 127
    at = 200
    found = verdict(strip(range(at + 63, at + 123, 3), first=at - 4), at, upright)
    assert found == (True, at + 2, 120, 6)
    # a short strip has an end both ways: 11 columns, error 0.174
    assert verdict(strip(first=at - 5, last=at + 5), at, upright) == (False, at, 5, 5)
    assert verdict(strip([at], first=at - 5, last=at + 5), at, upright) == (True, at, 5, 5)  # 1.0909 of 1.0870
    assert verdict(strip([at], first=at - 5, last=at + 6), at, upright)[0] is False  # 1.0833 of 1.0833, not quite


@BOTH_WAYS
def test_what_hangs_on_wide_ground_is_as_wide_as_it(upright: bool) -> None:
    def between(ahead: int, behind: int) -> bool:
        classes, kept = strip()
        kept[20, [200 + ahead + 1, 200 - behind - 1]] = WIDE
        wide, at, *_ = verdict((classes, kept), 200, upright, 15 - behind if behind < ahead else ahead)
        assert at == 200  # the middle of what the block has of the shorter way
        return wide

    assert between(0, 50)
    assert between(1, 50)
    assert between(50, 0)
    assert between(50, 1)
    assert not between(2, 50)
    assert not between(50, 2)
    assert between(3, 2)
    assert not between(3, 3)
    # a column as high as ground is wide is
    classes, kept = ground(40, COLUMNS, (slice(19, 22), slice(None)), (slice(13, 27), 200))
    assert verdict((classes, kept), 200, upright) == (True, 200, 0, 0)
    classes[13, 200] = SINGLE
    assert verdict((classes, kept), 200, upright)[2:] != (0, 0)


@BOTH_WAYS
def test_a_strip_is_judged_in_the_middle_of_its_block(upright: bool) -> None:
    classes, kept = turned(upright, *strip(first=100, last=180))
    of = measure_of(0.1, 0.1)

    def middle(at: int, first: int) -> int:
        top, left = (first, 12) if upright else (12, first)
        return int(_is_wide(classes, kept, *((at, 20) if upright else (20, at)), of, trace_of(of), top, left)[2])

    # 13 ahead and 2 behind: five on; 2 ahead and 13 behind: six back (half of -11, rounded down)
    assert middle(130, 128) == 135
    assert middle(141, 128) == 135
    assert middle(135, 128) == 135  # 8 ahead and 7 behind
    assert middle(100, 96) == 105
    assert middle(180, 176) == 178


@BOTH_WAYS
def test_a_slanting_strip_is_measured_across(upright: bool) -> None:
    # tolerance 2 cells; slope 3/4, so that a column of n cells is 0.8 n wide: 2 are 1.6 and 3 are 2.4
    of = measure_of(0.1, 0.05)
    for cells, wide in ((2, False), (3, True)):
        drawn = ground(260, 320, *((slice(10 + 3 * k // 4, 10 + 3 * k // 4 + cells), 10 + k) for k in range(300)))
        classes, kept = turned(upright, *drawn)
        r, c = 10 + 3 * 150 // 4, 160
        at = (c, r) if upright else (r, c)
        found = _is_wide(classes, kept, *at, of, trace_of(of), at[0] - 8, at[1] - 8)
        assert (bool(found[0]), bool(found[1])) == (wide, upright)


def test_few_cells_are_looked_for_farther() -> None:
    # tolerance a tenth of a cell: one in eight cells of a column is wider (31 of 241: 0.129; half a standard error is
    # 0.019), one in twelve is not (21 of 241: 0.087). Within 6 cells there is one, within 48 enough to tell the way
    of = measure_of(0.01, 0.1)
    for every, expected in ((8, True), (12, False)):
        classes, kept = ground(480, 40, (slice(0, 480, every), 20))
        wide, upright, a0, ahead, behind = _is_wide(classes, kept, 240, 20, of, trace_of(of), 232, 12)
        assert (bool(wide), bool(upright), int(a0), int(ahead), int(behind)) == (expected, True, 240, 120, 120)
