"""Ground treated in a replay, kept as the pieces that were swept: where a line meets them is found without cells."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from swathledger._jit import njit_bare
from swathledger.shutoff.drive import Stretch, line_at

TILE_M = 4.0
MAX_PIECE_M = 4.0
MAX_PIECE_STEPS = 24
MAX_PIECE_TURN_COS = float(np.cos(0.1))
"""Pieces are short and turn little, so that the outline of one never runs over itself."""
MAX_CUTS = 4 * MAX_PIECE_STEPS
WAKE_S = 0.5
WAKE_M = 0.3
"""Ground counts as treated once it is that old and the boom has gone that far: the boom's own wake lies under it."""
PIECES, LINKS, USABLE, ASKED = 0, 1, 2, 3


class Treated(NamedTuple):
    """Pieces in the order in which they were swept, and tiles of the plane that tell which pieces touch them.

    Attributes
    ----------
    first, last : (n,) int64
        Steps of the drive at both ends.
    first_u, last_u : (n,) float64
        Fractions of these steps.
    left_m, right_m : (n,) float64
    end_s, end_m : (n,) float64
        When and after which way the piece was finished.
    box : (n, 4) float64
        West, south, east, north.
    asked : (n,) int64
        The question for which a piece was last found.
    head : (rows, columns) int32, -1 for none
        The first link of every tile; tiles at the rim stand for everything beyond.
    after, piece : (m,) int32
        Of every link: the next one of its tile, and its piece.
    counts : (4,) int64
        Pieces, links, pieces that count as treated, questions asked.
    west_m, south_m : float
    """

    first: NDArray[np.int64]
    first_u: NDArray[np.float64]
    last: NDArray[np.int64]
    last_u: NDArray[np.float64]
    left_m: NDArray[np.float64]
    right_m: NDArray[np.float64]
    end_s: NDArray[np.float64]
    end_m: NDArray[np.float64]
    box: NDArray[np.float64]
    asked: NDArray[np.int64]
    head: NDArray[np.int32]
    after: NDArray[np.int32]
    piece: NDArray[np.int32]
    counts: NDArray[np.int64]
    west_m: float
    south_m: float


def empty_treated(bounds: tuple[float, float, float, float], pieces: int, links: int) -> Treated:
    """No ground treated yet, with room for so many pieces and links; ``bounds`` west, south, east, north."""
    west, south, east, north = bounds
    rows, columns = int((north - south) // TILE_M) + 1, int((east - west) // TILE_M) + 1
    return Treated(
        np.empty(pieces, np.int64),
        np.empty(pieces),
        np.empty(pieces, np.int64),
        np.empty(pieces),
        np.empty(pieces),
        np.empty(pieces),
        np.empty(pieces),
        np.empty(pieces),
        np.empty((pieces, 4)),
        np.zeros(pieces, np.int64),
        np.full((rows, columns), -1, np.int32),
        np.empty(links, np.int32),
        np.empty(links, np.int32),
        np.zeros(4, np.int64),
        west,
        south,
    )


@njit_bare
def put_piece(treated, stretch, left, right, end_s, end_m):  # type: ignore[no-untyped-def]  # numba infers the types
    """Take down a piece of ground; returns False where there is no room."""
    k = treated.counts[PIECES]
    if k == treated.first.shape[0]:
        return False
    treated.first[k] = stretch.first
    treated.first_u[k] = stretch.first_u
    treated.last[k] = stretch.last
    treated.last_u[k] = stretch.last_u
    treated.left_m[k] = left
    treated.right_m[k] = right
    treated.end_s[k] = end_s
    treated.end_m[k] = end_m
    treated.counts[PIECES] = k + 1
    return True


@njit_bare
def _line_of(drive, stretch, n):  # type: ignore[no-untyped-def]  # numba infers the types
    """The ``n``-th boom line of a stretch: its start, the poses on the way, its end."""
    if n == 0:
        return line_at(drive, stretch.first, stretch.first_u)
    if n > stretch.last - stretch.first:
        return line_at(drive, stretch.last, stretch.last_u)
    return line_at(drive, stretch.first + n, 0.0)


@njit_bare
def _stretch(treated, k):  # type: ignore[no-untyped-def]  # numba infers the types
    return Stretch(treated.first[k], treated.first_u[k], treated.last[k], treated.last_u[k])


@njit_bare
def _tile(treated, x, y):  # type: ignore[no-untyped-def]  # numba infers the types
    rows, columns = treated.head.shape
    i = min(max(np.int64(np.floor((x - treated.west_m) / TILE_M)), 0), columns - 1)
    j = min(max(np.int64(np.floor((y - treated.south_m) / TILE_M)), 0), rows - 1)
    return i, j


@njit_bare
def _parts(left, right):  # type: ignore[no-untyped-def]  # numba infers the types
    """Parts of the boom that are each about a tile wide."""
    return max(np.int64(1), np.int64(np.ceil((right - left) / TILE_M)))


@njit_bare
def _link(drive, treated, k):  # type: ignore[no-untyped-def]  # numba infers the types
    """Tell the tiles that a piece touches of it; returns False where there is no room."""
    stretch = _stretch(treated, k)
    lines = stretch.last - stretch.first + 2
    left, right = treated.left_m[k], treated.right_m[k]
    parts = _parts(left, right)
    west, south, east, north = np.inf, np.inf, -np.inf, -np.inf
    for part in range(parts):
        a = left + (right - left) * part / parts
        b = left + (right - left) * (part + 1) / parts
        x0, y0, x1, y1 = np.inf, np.inf, -np.inf, -np.inf
        for n in range(lines):
            line = _line_of(drive, stretch, n)
            xa, ya = line.x + a * line.right_x, line.y + a * line.right_y
            xb, yb = line.x + b * line.right_x, line.y + b * line.right_y
            x0, x1 = min(x0, xa, xb), max(x1, xa, xb)
            y0, y1 = min(y0, ya, yb), max(y1, ya, yb)
        west, south, east, north = min(west, x0), min(south, y0), max(east, x1), max(north, y1)
        i0, j0 = _tile(treated, x0, y0)
        i1, j1 = _tile(treated, x1, y1)
        for j in range(j0, j1 + 1):
            for i in range(i0, i1 + 1):
                first = treated.head[j, i]
                if first >= 0 and treated.piece[first] == k:
                    continue
                m = treated.counts[LINKS]
                if m == treated.piece.shape[0]:
                    return False
                treated.piece[m] = k
                treated.after[m] = first
                treated.head[j, i] = m
                treated.counts[LINKS] = m + 1
    treated.box[k, 0], treated.box[k, 1], treated.box[k, 2], treated.box[k, 3] = west, south, east, north
    return True


@njit_bare
def let_count(drive, treated, now_s, way_m, all_of_it):  # type: ignore[no-untyped-def]  # numba infers the types
    """Let pieces that are no wake any more count as treated; returns False where there is no room."""
    while treated.counts[USABLE] < treated.counts[PIECES]:
        k = treated.counts[USABLE]
        if not all_of_it and (now_s - treated.end_s[k] < WAKE_S or way_m - treated.end_m[k] < WAKE_M):
            break
        if not _link(drive, treated, k):
            return False
        treated.counts[USABLE] = k + 1
    return True


@njit_bare
def find_near(treated, first, last, ends, near, count):  # type: ignore[no-untyped-def]  # numba infers the types
    """Add to ``near`` the pieces that a boom may meet on its way between two lines, each once a question.

    ``ends``: lateral ends of what is looked at. Returns how many there are.
    """
    asked = treated.counts[ASKED]
    left, right = ends[0], ends[1]
    parts = _parts(left, right)
    for part in range(parts):
        a = left + (right - left) * part / parts
        b = left + (right - left) * (part + 1) / parts
        xa, ya = first.x + a * first.right_x, first.y + a * first.right_y
        xb, yb = first.x + b * first.right_x, first.y + b * first.right_y
        xc, yc = last.x + a * last.right_x, last.y + a * last.right_y
        xd, yd = last.x + b * last.right_x, last.y + b * last.right_y
        i0, j0 = _tile(treated, min(xa, xb, xc, xd), min(ya, yb, yc, yd))
        i1, j1 = _tile(treated, max(xa, xb, xc, xd), max(ya, yb, yc, yd))
        for j in range(j0, j1 + 1):
            for i in range(i0, i1 + 1):
                m = treated.head[j, i]
                while m >= 0:
                    k = treated.piece[m]
                    if treated.asked[k] != asked:
                        treated.asked[k] = asked
                        near[count] = k
                        count += 1
                    m = treated.after[m]
    return count


@njit_bare
def _cut(line, ahead_a, lateral_a, ahead_b, lateral_b, cuts, count):  # type: ignore[no-untyped-def]  # numba infers the types
    """Add, in order, where an edge crosses the line: half-open, so that edges which meet on it count once."""
    if (ahead_a >= 0.0) == (ahead_b >= 0.0):
        return count
    # from its lower end, so that neighbours which share an edge cut it at the same place
    if ahead_a >= 0.0:
        ahead_a, lateral_a, ahead_b, lateral_b = ahead_b, lateral_b, ahead_a, lateral_a
    place = lateral_a + (lateral_b - lateral_a) * ahead_a / (ahead_a - ahead_b)
    k = count
    while k > 0 and cuts[k - 1] > place:
        cuts[k] = cuts[k - 1]
        k -= 1
    cuts[k] = place
    return count + 1


@njit_bare
def cuts_of_piece(drive, treated, k, line, cuts):  # type: ignore[no-untyped-def]  # numba infers the types
    """Lateral places where a line crosses the outline of a piece, in order; between the 1st and 2nd it is treated."""
    stretch = _stretch(treated, k)
    left, right = treated.left_m[k], treated.right_m[k]
    per_metre = line.right_x * line.right_x + line.right_y * line.right_y
    count = 0
    last = stretch.last - stretch.first + 1
    before_l, before_r, at_l, at_r = 0.0, 0.0, 0.0, 0.0
    for n in range(last + 1):
        other = _line_of(drive, stretch, n)
        xl, yl = other.x + left * other.right_x - line.x, other.y + left * other.right_y - line.y
        xr, yr = other.x + right * other.right_x - line.x, other.y + right * other.right_y - line.y
        ahead_l, ahead_r = yl * line.right_x - xl * line.right_y, yr * line.right_x - xr * line.right_y
        lateral_l = (xl * line.right_x + yl * line.right_y) / per_metre
        lateral_r = (xr * line.right_x + yr * line.right_y) / per_metre
        if n in (0, last):
            count = _cut(line, ahead_l, lateral_l, ahead_r, lateral_r, cuts, count)
        if n > 0:
            count = _cut(line, before_l, at_l, ahead_l, lateral_l, cuts, count)
            count = _cut(line, before_r, at_r, ahead_r, lateral_r, cuts, count)
        before_l, before_r, at_l, at_r = ahead_l, ahead_r, lateral_l, lateral_r
    return count
