"""Ground that is surely wide, block by block in plain words: a full square of one class, and what touches it."""

from __future__ import annotations

import numpy as np
import pytest

from swathledger.grid.opening import surely_wide

JUDGED = np.array([False, True, True, True])


def plain(classes: np.ndarray, size: int, judged: np.ndarray) -> np.ndarray:
    """Every square of one class marks its cells; then every cell beside one of its own class; and all not judged."""
    rows, columns = classes.shape
    block = np.zeros(classes.shape, bool)
    for r in range(rows - size + 1):
        for c in range(columns - size + 1):
            square = classes[r : r + size, c : c + size]
            if (square == square[0, 0]).all():
                block[r : r + size, c : c + size] = True
    out = block.copy()
    for r in range(rows):
        for c in range(columns):
            near = np.s_[max(r - 1, 0) : r + 2, max(c - 1, 0) : c + 2]
            out[r, c] |= not judged[classes[r, c]] or bool((block[near] & (classes[near] == classes[r, c])).any())
    return out


def found(classes: np.ndarray, size: int, judged: np.ndarray = JUDGED) -> np.ndarray:
    columns = classes.shape[1]
    # working space as it comes, filled with what is left of other work
    scratch, counts = np.full((2, columns), 7, np.uint8), np.full((2, columns), 9, np.uint8)
    kept = np.full(classes.shape, 5, np.uint8)
    surely_wide(classes, size, judged, scratch, counts, kept)
    assert set(np.unique(kept)) <= {0, 1}
    return kept == 1


def drawn(text: str) -> np.ndarray:
    return np.array([[int(c) for c in row] for row in text.split()], np.uint8)


def test_a_square_and_what_touches_it_by_hand() -> None:
    classes = drawn("""
        222222222
        211121222
        211121212
        211112222
        222222111
        222222111
    """)
    # blocks of three: the square of 1; that of 2 in the south-east and around; of the row of 1 east of the square the
    # cells that touch it; not the lone 1, nor the 2 x 3 of 1 in the corner
    expected = drawn("""
        000000000
        011110000
        011110000
        011110000
        000000000
        000000000
    """)
    mine = found(classes, 3)
    np.testing.assert_array_equal(mine & (classes == 1), (expected == 1) & (classes == 1))
    np.testing.assert_array_equal(mine, plain(classes, 3, JUDGED))


@pytest.mark.parametrize("size", [1, 2, 3, 4, 5, 6, 9, 13])
@pytest.mark.parametrize("seed", range(4))
def test_blocks_of_any_size_are_those_of_a_plain_search(size: int, seed: int) -> None:
    rng = np.random.default_rng(10 * size + seed)
    shape = (int(rng.integers(1, 24)), (5, 64, 67, 140)[seed])
    classes = np.full(shape, 1, np.uint8)
    for _ in range(14):  # wide patches, slits and lone cells of four classes
        r, c = int(rng.integers(0, shape[0])), int(rng.integers(0, shape[1]))
        tall, wide = (
            (1, 1, size - 1, size, size + 1, 2 * size)[int(rng.integers(0, 6))],
            int(rng.integers(1, 3 * size + 9)),
        )
        classes[r : r + tall, c : c + wide] = rng.integers(0, 4)
    for judged in (JUDGED, np.array([True, True, False, True])):
        np.testing.assert_array_equal(found(classes, size, judged), plain(classes, size, judged))


@pytest.mark.parametrize(
    ("rows", "columns"), [(3, 3), (2, 9), (9, 2), (4, 3), (3, 4), (1, 1), (5, 64), (3, 128), (3, 129)]
)
def test_a_window_of_one_class_is_wide_where_a_block_fits(rows: int, columns: int) -> None:
    one = np.full((rows, columns), 2, np.uint8)
    assert found(one, 3).all() == (min(rows, columns) >= 3)
    assert found(one, 3).any() == (min(rows, columns) >= 3)
    # a class that is not judged is no matter
    assert found(one * 0, 3).all()
