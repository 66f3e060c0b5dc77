"""Ground that is surely wide: full blocks of cells of one class, and the cells that touch them."""

from __future__ import annotations

from typing import Any

import numpy as np

from swathledger._jit import njit_bare

CHUNK = 64
"""Neighbouring cells that are looked at together."""


@njit_bare
def _copy(out, a):  # type: ignore[no-untyped-def]  # numba infers the types
    for c in range(len(out)):
        out[c] = a[c]


@njit_bare
def _either(out, a, b):  # type: ignore[no-untyped-def]  # numba infers the types
    for c in range(len(out)):
        out[c] = a[c] | b[c]


@njit_bare
def _unlike(out, a, b):  # type: ignore[no-untyped-def]  # numba infers the types
    for c in range(len(out)):
        out[c] = a[c] ^ b[c]


@njit_bare
def _count_rows(tall, here, below, differs, ends, size):  # type: ignore[no-untyped-def]  # numba infers the types
    most = np.uint8(size)
    limit = np.uint8(size - 1)
    for c in range(len(tall)):
        t = np.uint8(min(tall[c], limit) + np.uint8(1)) if here[c] == below[c] else np.uint8(1)
        t = t if differs[c] == 0 else np.uint8(0)
        tall[c] = t
        ends[c] = np.uint8(1) if t == most else np.uint8(0)


@njit_bare
def _count_down(left, reached, marks, size):  # type: ignore[no-untyped-def]  # numba infers the types
    full = np.uint8(size)
    for c in range(len(left)):
        rest = np.uint8(max(left[c], np.uint8(1)) - np.uint8(1))
        rest = full if reached[c] != 0 else rest
        left[c] = rest
        marks[c] = min(rest, np.uint8(1))


@njit_bare
def _block_ends(here, below, tall, differs, spare, size, ends):  # type: ignore[no-untyped-def]  # numba infers the types
    """Mark the cells of a row that are the north-east corner of a ``size`` x ``size`` block of one class.

    ``below`` is the row to the south; ``tall`` counts, for every cell, the rows so far in which it and the
    ``size - 1`` cells to its west are of one class, the same as below.
    """
    columns = len(here)
    lead = min(size - 1, columns)
    ends[:lead] = 0
    if lead == columns:
        return
    _unlike(differs[1:], here[1:], here[: columns - 1])
    reach = 1  # differs[c] tells of the steps into c and into the ``reach - 1`` cells before it
    while reach < size - 1:
        step = min(reach, size - 1 - reach)
        _copy(spare, differs)
        _either(differs[1 + step :], spare[1 + step :], spare[1 : columns - step])
        reach += step
    _count_rows(tall[lead:], here[lead:], below[lead:], differs[lead:], ends[lead:], size)


@njit_bare
def _blocks(marks, left, reached, spare, size):  # type: ignore[no-untyped-def]  # numba infers the types
    """From corners to blocks, for one row after those to its north: ``left`` counts the rows a block still reaches."""
    columns = len(marks)
    _copy(reached, marks)
    reach = 1
    while reach < size:
        step = min(reach, size - reach, columns)
        _copy(spare, reached)
        _either(reached[: columns - step], spare[: columns - step], spare[step:])
        reach += step
    _count_down(left, reached, marks, size)


@njit_bare
def _fringe(classes, kept, y, judged):  # type: ignore[no-untyped-def]  # numba infers the types
    """Mark (2 for now) cells of row ``y`` that touch a block of their own class, or whose class is not judged."""
    rows, columns = classes.shape
    row = kept[y]
    chunk = np.uintp(CHUNK)
    end = np.uintp(columns)
    c = np.uintp(0)
    while c < end:
        stop = min(c + chunk, end)
        whole = np.uint8(1)
        if c + chunk <= end:
            for k in range(chunk):
                whole &= row[c + k]
        else:
            whole = np.uint8(0)
        if whole == 0:
            for k in range(c, stop):
                if row[k] != 0:
                    continue
                x: Any = np.int64(k)
                own = classes[y, x]
                found = not judged[own]
                for b in range(max(y - 1, 0), min(y + 2, rows)):
                    for a in range(max(x - 1, 0), min(x + 2, columns)):
                        found = found or (kept[b, a] == 1 and classes[b, a] == own)
                if found:
                    row[k] = 2
        c = stop


@njit_bare
def surely_wide(classes, size, judged, scratch, counts, kept):  # type: ignore[no-untyped-def]  # numba infers the types
    """Mark in ``kept`` every cell of, or touching, a full ``size`` x ``size`` block of its own class.

    ``judged`` (by class): cells of classes with False there are all marked. ``scratch``, ``counts``: two rows of
    working space each.
    """
    rows = len(classes)
    differs, spare = scratch[0], scratch[1]
    if size <= 1:
        kept[:] = 1
        return
    counts[:] = 0
    for r in range(rows):
        _block_ends(classes[r], classes[max(r - 1, 0)], counts[0], differs, spare, size, kept[r])
    for r in range(rows - 1, -1, -1):
        _blocks(kept[r], counts[1], differs, spare, size)
    for r in range(rows + 1):
        if r < rows:
            _fringe(classes, kept, r, judged)
        if r > 0:
            row = kept[r - 1]
            for c in range(len(row)):
                row[c] = min(row[c], np.uint8(1))
