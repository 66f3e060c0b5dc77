"""A drive laid on a field's grid: everything that counting needs, worked out once."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from swathledger.field.field import Field
from swathledger.grid.frame import Frame, frame_around
from swathledger.grid.strips import Strips, build_strips
from swathledger.ledger.rate import SetRate, set_rate
from swathledger.log.log import Log
from swathledger.machine.machine import Machine
from swathledger.notes import Measure, Note
from swathledger.swath.swath import Swath

FAR_M = 500.0
"""Ground farther than this from the boundary is another field's, or a yard's."""


@dataclass(frozen=True, slots=True)
class Placed:
    """A drive on its field's grid.

    Attributes
    ----------
    swath : Swath
        Of the whole drive.
    near : (r,) bool
        Ribbons that belong to this field.
    used : Swath
        The swath with the near ribbons alone.
    far_m2 : float
        Ground swept by the other ribbons.
    frame : Frame
        Holds the boundary and every near ribbon.
    """

    field: Field
    swath: Swath
    near: NDArray[np.bool_]
    used: Swath
    far_m2: float
    frame: Frame
    rate: SetRate
    strips: Strips
    notes: tuple[Note, ...]


def place_drive(log: Log, machine: Machine, field: Field, swath: Swath, cell_m: float) -> Placed:
    """Lay a drive on a field's grid: which ribbons are the field's, the frame, the set rate, the strips.

    Raises
    ------
    InputError
        The cell is too coarse, or too fine for so large a field.
    """
    near, far_m2 = _near_ribbons(swath, field)
    notes: list[Note] = []
    used = swath
    if not bool(near.all()):
        used = ribbons_kept(swath, near)
        notes.append(Note.of("ledger.far", area=Measure(far_m2, "small_area"), distance=Measure(FAR_M, "length")))
    rate = set_rate(log, machine, swath, notes)
    strips = build_strips(used, rate.relative, rate.per_step)
    frame = _frame_of(used, field, cell_m)
    return Placed(field, swath, near, used, far_m2, frame, rate, strips, tuple(notes))


def ribbons_kept(swath: Swath, keep: NDArray[np.bool_]) -> Swath:
    """The swath with only some of its ribbons."""
    return replace(
        swath,
        ribbon_step=swath.ribbon_step[keep],
        ribbon_left_m=swath.ribbon_left_m[keep],
        ribbon_right_m=swath.ribbon_right_m[keep],
    )


def _near_ribbons(swath: Swath, field: Field) -> tuple[NDArray[np.bool_], float]:
    """Ribbons within :data:`FAR_M` of the boundary's extent, and the summed area of the others, m2."""
    xs, ys = swath.quads()
    x0, y0, x1, y1 = field.boundary.bounds
    near: NDArray[np.bool_] = (
        (xs.max(axis=1) >= x0 - FAR_M)
        & (xs.min(axis=1) <= x1 + FAR_M)
        & (ys.max(axis=1) >= y0 - FAR_M)
        & (ys.min(axis=1) <= y1 + FAR_M)
    )
    if bool(near.all()):
        return near, 0.0
    width = swath.ribbon_right_m - swath.ribbon_left_m
    return near, float((width * swath.distance_m[swath.ribbon_step])[~near].sum())


def _frame_of(used: Swath, field: Field, cell_m: float) -> Frame:
    """The frame that holds the boundary and every ribbon."""
    x0, y0, x1, y1 = field.boundary.bounds
    xs, ys = used.quads()
    if xs.size:
        x0, x1 = min(x0, float(xs.min())), max(x1, float(xs.max()))
        y0, y1 = min(y0, float(ys.min())), max(y1, float(ys.max()))
    return frame_around(cell_m, x0, y0, x1, y1)
