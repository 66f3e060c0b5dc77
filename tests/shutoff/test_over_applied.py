"""Over-applied ground of the log and what another layout spares of it, on a few cells drawn in the test."""

from __future__ import annotations

import numpy as np
import pytest

from swathledger.grid.causes import CAUSES
from swathledger.grid.frame import Frame
from swathledger.ledger.accounting import BandRaster
from swathledger.shutoff import over_applied
from swathledger.shutoff.over_applied import CellRuns, OverApplied, by_cause, spared_sink

OUT, EXC, TURN, GUIDANCE = (CAUSES.index(name) for name in ("outside", "excluded", "turn", "guidance"))
# rows from south to north: t target, o outside, x excluded
MASK = """
    ttttto
    tttxto
    tttxto
    ttttto
"""
# times treated, and cause of the second treatment (u turn, g guidance)
COUNT = """
    122101
    120110
    114232
    000022
"""
CAUSE = """
    .gg...
    .u....
    ..g.u.
    ....u.
"""


def cells(drawn: str, codes: dict[str, int] | None = None) -> np.ndarray:
    rows = drawn.split()
    return np.array([[int(c) if codes is None else codes[c] for c in row] for row in rows], np.uint8)


def band(count: np.ndarray, mask: np.ndarray, first_row: int = 0, cause: np.ndarray | None = None) -> BandRaster:
    none = np.zeros(count.shape, np.uint8)
    return BandRaster(first_row, count, none.astype(np.float32), none, none if cause is None else cause, none, mask)


MASKED = cells(MASK, {"o": 0, "t": 1, "x": 2})
CAUSED = cells(CAUSE, {".": 0, "u": TURN, "g": GUIDANCE})
# extra treatments of a target cell are all but the first; off the target every one is
EXTRA = cells("""
    011001
    010010
    003222
    000012
""")  # fmt: skip
EXTRA[1, 3], EXTRA[1, 4] = 1, 0  # the excluded cell was treated once, the target cell beside it once
CODES = np.where(EXTRA == 0, 0, np.where(MASKED == 0, OUT, np.where(MASKED == 2, EXC, CAUSED)))


def logged(rows: int = 4) -> OverApplied:
    """The log's cells, shown in bands of so many rows."""
    over = OverApplied(Frame(0.5, 10, -7, 4, 6))
    counted = cells(COUNT)
    for start in range(0, 4, rows):
        of = slice(start, start + rows)
        over.sink(band(counted[of], MASKED[of], start, CAUSED[of]))
    return over


@pytest.mark.parametrize("rows", [1, 2, 4])
def test_runs_hold_every_extra_treatment_with_its_cause(rows: int) -> None:
    over = logged(rows)
    extra, codes = np.zeros((4, 6), int), np.zeros((4, 6), int)
    for row, first, end, code, times in zip(*over.runs(), strict=True):
        assert not extra[row, first:end].any()  # each cell once
        extra[row, first:end], codes[row, first:end] = times, code
    np.testing.assert_array_equal(extra, EXTRA)
    np.testing.assert_array_equal(codes, CODES)
    np.testing.assert_array_equal(over.whole(), CODES)
    assert over.frame.rows == 4
    # equal neighbours are one run: in the first row both by guidance, and one outside
    assert [tuple(int(v) for v in run) for run in zip(*over.runs(), strict=True)][:2] == [
        (0, 1, 3, GUIDANCE, 1), (0, 5, 6, OUT, 1),
    ]  # fmt: skip


def test_no_runs_are_empty_and_many_are_all_kept() -> None:
    assert all(value.shape == (0,) for value in CellRuns(Frame(1.0, 0, 0, 2, 3)).runs())
    np.testing.assert_array_equal(CellRuns(Frame(1.0, 0, 0, 2, 3)).whole(), np.zeros((2, 3)))
    # every other cell of 3 rows of 3,001: 4,503 runs, more than the first guess of 4,096
    wide = CellRuns(Frame(1.0, 0, 0, 3, 3001))
    extra = np.zeros((3, 3001), np.uint8)
    extra[:, ::2] = 1
    wide.add(0, extra * TURN, extra)
    assert wide.runs()[0].shape == (4503,)
    np.testing.assert_array_equal(wide.whole(), extra * TURN)


def test_bands_of_codes_are_cut_to_size(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = logged().whole()
    for size, heights in ((6, [1, 1, 1, 1]), (13, [2, 2]), (18, [3, 1]), (5, [1, 1, 1, 1]), (99, [4])):
        monkeypatch.setattr(over_applied, "BAND_CELLS", size)
        bands = list(logged().bands())
        assert [codes.shape[0] for _, codes in bands] == heights
        assert [start for start, _ in bands] == [sum(heights[:k]) for k in range(len(heights))]
        np.testing.assert_array_equal(np.concatenate([codes for _, codes in bands]), whole)


# what another layout treats: on the same cells, less of everything
AFTER = """
    111101
    110100
    112012
    000010
"""


def spared(after: np.ndarray, mask: np.ndarray, up: int, across: int, rows: int) -> tuple[np.ndarray, dict[str, int]]:
    """Codes of spared cells and totals; the layout's frame begins ``up`` and ``across`` of the log's."""
    over = logged()
    frame = Frame(0.5, 10 + up, -7 + across, *after.shape)
    totals = np.zeros(len(CAUSES), np.int64)
    found, sink = spared_sink(over, frame, totals)
    for start in range(0, after.shape[0], rows):
        of = slice(start, start + rows)
        sink(band(after[of], mask[of], start))
    return found.whole(), by_cause(totals, ("outside", "excluded", "turn", "guidance"))


def expected(after: np.ndarray, mask: np.ndarray, up: int, across: int) -> tuple[np.ndarray, dict[str, int]]:
    """Cell by cell of the log: its extra treatments less those of the layout, where it has any ground there."""
    codes, totals = np.zeros((4, 6), int), dict.fromkeys(("outside", "excluded", "turn", "guidance"), 0)
    for r, c in zip(*np.nonzero(EXTRA), strict=True):
        there, extra = (r - up, c - across), 0
        if 0 <= there[0] < after.shape[0] and 0 <= there[1] < after.shape[1]:
            extra = max(int(after[there]) - (1 if mask[there] == 1 else 0), 0)
        less = int(EXTRA[r, c]) - extra
        if less > 0:
            codes[r, c] = CODES[r, c]
            totals[CAUSES[CODES[r, c]]] += less
    return codes, totals


@pytest.mark.parametrize("rows", [1, 2, 3, 9])
@pytest.mark.parametrize("grown", [(0, 0, 0, 0), (2, 0, 0, 0), (0, 2, 0, 0), (0, 0, 2, 0), (0, 0, 0, 2), (1, 2, 3, 1)])
def test_what_a_layout_spares_is_the_difference_cell_by_cell(rows: int, grown: tuple[int, int, int, int]) -> None:
    # the layout's window reaches farther to the south, north, west and east
    south, north, west, east = grown
    around = ((south, north), (west, east))
    after, mask = np.pad(cells(AFTER), around), np.pad(MASKED, around)
    codes, totals = spared(after, mask, -south, -west, rows)
    want, sums = expected(after, mask, -south, -west)
    np.testing.assert_array_equal(codes, want)
    assert totals == sums
    # by hand: both guidance cells of the first row, the turn of the second and the one of the last; of the third row
    # 3 extra to 1 by guidance, 2 in the exclusion, 2 to 0 by turning; outside the two of the last row
    assert totals == {"guidance": 1 + 1 + 2, "turn": 1 + 2 + 1, "excluded": 2, "outside": 2}


@pytest.mark.parametrize("rows", [1, 2, 9])
@pytest.mark.parametrize("cut", [(1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (0, 0, 0, 1), (1, 1, 2, 2)])
def test_ground_beyond_a_layout_s_window_is_spared_whole(rows: int, cut: tuple[int, int, int, int]) -> None:
    south, north, west, east = cut
    window = np.s_[south : 4 - north, west : 6 - east]
    after, mask = cells(AFTER)[window], MASKED[window]
    codes, totals = spared(after, mask, south, west, rows)
    want, sums = expected(after, mask, south, west)
    np.testing.assert_array_equal(codes, want)
    assert totals == sums


def test_a_window_elsewhere_spares_all() -> None:
    after = np.ones((2, 3), np.uint8)
    for up, across in ((50, 0), (-50, 0), (0, 50), (0, -50)):
        codes, totals = spared(after, after, up, across, 9)
        np.testing.assert_array_equal(codes, CODES)
        assert sum(totals.values()) == int(EXTRA.sum())
