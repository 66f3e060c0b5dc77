"""The carrier of the swath stage: boom poses and the ribbons swept between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely import MultiPolygon

from swathledger.errors import LogError
from swathledger.notes import Note

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Swath:
    """Boom poses, the steps between neighbouring poses, and one ribbon per run of open neighbouring nozzles and step.

    A pose is the boom line at one moment. Step ``s`` leads from pose ``s`` to pose ``s + 1``. ``p`` poses, ``p - 1``
    steps, ``r`` ribbons. Plane metres, x east, y north.

    Attributes
    ----------
    x_m, y_m : (p,) float64
        Boom centre.
    right_x, right_y : (p,) float64
        Unit vector along the boom towards its right end. With heading t clockwise from north it is (cos t, -sin t).
    time_s : (p,) float64
        Seconds since the first epoch of the log.
    epoch : (p,) int64
        Row of the log whose state holds from this pose on.
    linked : (p - 1,) bool
        False where the path between two poses is unknown (gap, jump) or the boom turns end for end.
    standing : (p - 1,) bool
        True where the machine stands still; such a step sweeps no ground.
    wanted : (p - 1,) bool
        True where any nozzle is open in the log.
    distance_m : (p - 1,) float64
        Length of the boom centre's path, never negative.
    turn_per_m : (p - 1,) float64
        Yaw of the boom per metre of its centre's path, rad/m, positive to the right, taken over about two seconds so
        that position noise does not pass for turning. Signed by driving direction: reversing to the right is negative.
    reverse : (p - 1,) bool
        True where the machine drives backwards.
    pass_id : (p - 1,) int64
        Number of the pass (from 0); -1 where nothing is sprayed.
    line_id : (pass count,) int64
        Line each pass lies on: neighbouring passes share a line when spraying stopped and resumed without turning away.
    dose_l_per_m2 : (p - 1,) float64 or None
        Dose laid where the ground speed is the boom centre's, L/m2; None where the log tells neither rate nor flow.
        NaN never occurs: missing rows are filled from the log's neighbours and counted in ``notes``.
    volume_l : (p - 1,) float64 or None
        Logged litres leaving the boom in each step, standing steps included.
    ribbon_step : (r,) int64
    ribbon_left_m, ribbon_right_m : (r,) float64
        Lateral extent of the run of open nozzles, metres right of the boom centre; left < right.
    row_open : (n, k) bool
        Open nozzles of each log row (k nozzles; one column for a swath known only by its width).
    row_heading_deg : (n,) float64
        Heading used at each log row.
    nozzle_edges_m : (k + 1,) float64
        As in the machine.
    width_by_row : bool
        True where the swath is known only by a logged width; the side is then assumed centred.
    cut : (g,) int64
        Pose before each gap in time and each jump that was not bridged; the next pose is after it.
    bridged : (b,) int64
        First pose of each gap that was bridged because it was asked for.
    unrecorded : MultiPolygon
        Ground that may have been sprayed in gaps with spraying on at both ends; see
        :func:`swathledger.swath.gaps.unrecorded_ground`.
    unbridged_m : float
        Straight distance over unbridged gaps at whose start something was open.
    standing_open_s : float
        Time spent spraying at standstill.
    sigma_m : float or None
        Position noise estimated from the track, or None where it cannot be had.
    notes : tuple of Note
        Every assumption made.
    """

    x_m: Floats
    y_m: Floats
    right_x: Floats
    right_y: Floats
    time_s: Floats
    epoch: Ints
    linked: Flags
    standing: Flags
    wanted: Flags
    distance_m: Floats
    turn_per_m: Floats
    reverse: Flags
    pass_id: Ints
    line_id: Ints
    dose_l_per_m2: Floats | None
    volume_l: Floats | None
    ribbon_step: Ints
    ribbon_left_m: Floats
    ribbon_right_m: Floats
    row_open: Flags
    row_heading_deg: Floats
    nozzle_edges_m: Floats
    width_by_row: bool
    cut: Ints
    bridged: Ints
    unrecorded: MultiPolygon
    unbridged_m: float
    standing_open_s: float
    sigma_m: float | None
    notes: tuple[Note, ...]

    def __post_init__(self) -> None:
        p = self.x_m.size
        if p < 2:
            raise LogError("a swath needs at least two poses")
        for name in ("y_m", "right_x", "right_y", "time_s", "epoch"):
            if getattr(self, name).shape != (p,):
                raise LogError(f"{name} must have one value a pose ({p})")
        for name in ("linked", "standing", "wanted", "distance_m", "turn_per_m", "reverse", "pass_id"):
            if getattr(self, name).shape != (p - 1,):
                raise LogError(f"{name} must have one value a step ({p - 1})")
        if not bool(np.all(self.ribbon_left_m < self.ribbon_right_m)):
            raise LogError("a ribbon's left edge must lie left of its right edge")

    @property
    def gaps(self) -> int:
        """Gaps in time and jumps that were not bridged."""
        return self.cut.size

    @property
    def pass_count(self) -> int:
        """Number of passes."""
        return self.line_id.size

    def quads(self) -> tuple[Floats, Floats]:
        """Corners of the ribbons: x and y, each (r, 4): start left, start right, end right, end left."""
        a = self.ribbon_step
        b = a + 1
        xs = np.stack(
            [
                self.x_m[a] + self.ribbon_left_m * self.right_x[a],
                self.x_m[a] + self.ribbon_right_m * self.right_x[a],
                self.x_m[b] + self.ribbon_right_m * self.right_x[b],
                self.x_m[b] + self.ribbon_left_m * self.right_x[b],
            ],
            axis=1,
        )
        ys = np.stack(
            [
                self.y_m[a] + self.ribbon_left_m * self.right_y[a],
                self.y_m[a] + self.ribbon_right_m * self.right_y[a],
                self.y_m[b] + self.ribbon_right_m * self.right_y[b],
                self.y_m[b] + self.ribbon_left_m * self.right_y[b],
            ],
            axis=1,
        )
        return xs, ys
