"""The dose of a turn at each cell's own place, and the balance of litres laid with litres left.

A boom whose centre moves forward ``A`` and turns ``B`` to the right moves a nozzle ``x`` right of its centre forward by
``A - B x``: per metre of the centre's way ``1 - k x`` with ``k = B / A``. Over a strip the boom turns about the point
``1/k`` right of its middle line; a cell at lateral ``x``, ``s`` ahead of that line, was passed over at
``sqrt((1 - k x)^2 + (k s)^2)`` of the centre's speed, and took the centre's dose over that. (Derived.)
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from swathledger._jit import njit, njit_bare, njit_inline

if TYPE_CHECKING:
    from swathledger.grid.strips import PoseLines, Strips

UNEVEN = 0.002
"""Below this share of difference between boom end and centre a strip's dose is taken as even."""
CENTRE_M = 0.5
"""Within this of the point that a boom turns about the dose is even: a fan is no point, and no nozzle stands still.

``2 / (|k| CENTRE_M)`` times the centre's dose is what the nozzles near it lay on the ground that they sweep."""
BALANCE_S = 1.0
"""Litres laid are balanced against litres left over this time on either side, then over the whole pass."""
QUADRATURE_M = 0.25
"""Longest part of a boom over which a local dose is taken at its middle when litres are added up."""

Floats = NDArray[np.float64]


class InStrip(NamedTuple):
    """Where the cells of a grid lie in the frame of a strip, in units of the turn's radius.

    Cell ``(i, j)``: ``u = u0 + i u_column + j u_row`` is ``1 - k x``, ``t = t0 + i t_column + j t_row`` is ``k s``;
    ``least`` is ``(k CENTRE_M)^2``. ``level``: the dose is the same for all cells.
    """

    level: bool
    u0: float
    u_column: float
    u_row: float
    t0: float
    t_column: float
    t_row: float
    least: float


@njit_bare
def _middle(strips, lines, s):  # type: ignore[no-untyped-def]  # numba infers the types
    """Boom line in the middle of a strip: centre and unit vector to the right."""
    a = strips.first_pose[s] + (strips.poses[s] - 1) // 2
    b = strips.first_pose[s] + strips.poses[s] // 2
    rx = lines.right_x[a] + lines.right_x[b]
    ry = lines.right_y[a] + lines.right_y[b]
    length = np.sqrt(rx * rx + ry * ry)
    if length == 0.0:  # turned end for end
        rx, ry, length = lines.right_x[a], lines.right_y[a], 1.0
    return (lines.x[a] + lines.x[b]) / 2, (lines.y[a] + lines.y[b]) / 2, rx / length, ry / length


@njit_bare
def is_level(strips, s):  # type: ignore[no-untyped-def]  # numba infers the types
    """Whether a strip's dose is taken as even."""
    return abs(strips.turn_per_m[s]) * max(abs(strips.left_m[s]), abs(strips.right_m[s])) < UNEVEN


@njit_bare
def place_of(strips, lines, s, h):  # type: ignore[no-untyped-def]  # numba infers the types
    """Where the centres of the plane's cells lie in the frame of strip ``s``; see :class:`InStrip`."""
    k = strips.turn_per_m[s]
    x, y, rx, ry = _middle(strips, lines, s)
    east = 0.5 * h - x
    north = 0.5 * h - y
    return InStrip(
        is_level(strips, s),
        1.0 - k * (east * rx + north * ry),
        -k * h * rx,
        -k * h * ry,
        k * (north * rx - east * ry),
        -k * h * ry,
        k * h * rx,
        (k * CENTRE_M) ** 2,
    )


@njit_inline
def row_of_doses(doses, count, base, place, column, row):  # type: ignore[no-untyped-def]  # numba infers the types
    """Doses of ``count`` cells from ``column`` of a row on, where the boom centre's is ``base`` (float32)."""
    u = np.float32(place.u0 + column * place.u_column + row * place.u_row)
    t = np.float32(place.t0 + column * place.t_column + row * place.t_row)
    du = np.float32(place.u_column)
    dt = np.float32(place.t_column)
    least = np.float32(place.least)
    centre = np.float32(place.least / 4)
    for c in range(count):
        step = np.float32(c)
        a = u + step * du
        b = t + step * dt
        square = a * a + b * b
        doses[c] = base / np.sqrt(square if square >= least else centre)


@njit
def _laid(strips, lines):  # type: ignore[no-untyped-def]  # numba infers the types
    """Area a strip sweeps, each part weighted with its local dose over the centre's, m2.

    The area between two boom lines is that of ``|(dc + x dr) x r|`` over ``x``: ``dc``, ``dr`` the change of the centre
    and of the vector to the right, ``r`` the mean of the two vectors. (Exact where its sides do not cross.)
    """
    out = np.zeros(len(strips.poses))
    for s in range(len(out)):
        left = strips.left_m[s]
        width = strips.right_m[s] - left
        level = is_level(strips, s)
        k = strips.turn_per_m[s]
        least = (k * CENTRE_M) ** 2
        mx, my, ux, uy = _middle(strips, lines, s)
        # beside the point that the boom turns about, doses change within a step
        near = abs(k) * max(abs(left), abs(left + width)) > 0.5
        stages = 4 if near else 1
        parts = max(int(np.ceil(width / (QUADRATURE_M / stages) - 1e-9)), 1)
        each = width / parts
        total = 0.0
        for p in range(strips.first_pose[s], strips.first_pose[s] + strips.poses[s] - 1):
            q = p + 1
            drx = lines.right_x[q] - lines.right_x[p]
            dry = lines.right_y[q] - lines.right_y[p]
            dx = lines.x[q] - lines.x[p]
            dy = lines.y[q] - lines.y[p]
            for m in range(stages):
                share = (m + 0.5) / stages
                rx = lines.right_x[p] + share * drx
                ry = lines.right_y[p] + share * dry
                ahead = (dy * rx - dx * ry) / stages
                turned = (dry * rx - drx * ry) / stages
                if level and (ahead + left * turned) * (ahead + (left + width) * turned) >= 0.0:
                    total += abs(ahead + (left + width / 2) * turned) * width
                    continue
                east = lines.x[p] + share * dx - mx
                north = lines.y[p] + share * dy - my
                for n in range(parts):
                    x = left + (n + 0.5) * each
                    area = abs(ahead + x * turned) * each
                    if not level:
                        u = 1.0 - k * ((east + x * rx) * ux + (north + x * ry) * uy)
                        t = k * ((north + x * ry) * ux - (east + x * rx) * uy)
                        square = u * u + t * t
                        area /= np.sqrt(square if square >= least else least / 4)
                    total += area
        out[s] = total
    return out


def balanced(strips: Strips, lines: PoseLines, out_l: Floats) -> Floats:
    """Dose at the boom centre, scaled so that what lies on the ground is what left the boom.

    Ground is swept by the poses with all their noise, forth and back where it is larger than a step, and the yaw that
    doses follow is taken over seconds. Litres laid are therefore brought to the litres left over one second on either
    side of every strip, as far as the pass reaches, and what little then remains over the pass as a whole.

    Parameters
    ----------
    out_l : (s,) float64
        Litres (square metres where rates are unknown) that left the boom over each strip.
    """
    if not out_l.size:
        return strips.dose
    laid = strips.dose * strips.set_l_m2 * _laid(strips, lines)
    # passes apart by more than the window, so that none reaches into another
    time_s = strips.time_s + strips.pass_id * (4.0 * BALANCE_S)
    order = np.argsort(time_s, kind="stable")
    clock = time_s[order]
    low = np.searchsorted(clock, time_s - BALANCE_S, side="left")
    high = np.searchsorted(clock, time_s + BALANCE_S, side="right")

    def near(value: Floats) -> Floats:
        running = np.concatenate(([0.0], np.cumsum(value[order])))
        sums: Floats = running[high] - running[low]
        return sums

    left, found = near(out_l), near(laid)
    factor = np.divide(left, found, out=np.ones_like(left), where=found > 0)
    over_pass = np.bincount(strips.pass_id, laid * factor)
    share = np.divide(np.bincount(strips.pass_id, out_l), over_pass, out=np.ones_like(over_pass), where=over_pass > 0)
    out: Floats = strips.dose * factor * share[strips.pass_id]
    return out
