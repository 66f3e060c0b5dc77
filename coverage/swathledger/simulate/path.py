"""Headings, points fixed to a machine, and the plane in degrees."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from swathledger.field.field import LocalPlane

Floats = NDArray[np.float64]


def exact_degrees(plane: LocalPlane, x_m: Floats, y_m: Floats) -> tuple[Floats, Floats]:
    """Plane metres to WGS84 (latitude, longitude) so that ``plane.forward`` gives the same metres back within 1e-6 m.

    PROJ inverts the projection by a short series of the authalic latitude, about 1 mm off at middle latitudes; twice
    feeding back the difference removes it.
    """
    x, y = np.asarray(x_m, dtype=np.float64), np.asarray(y_m, dtype=np.float64)
    ask_x, ask_y = x, y
    latitude, longitude = plane.inverse(ask_x, ask_y)
    for _ in range(2):
        got_x, got_y = plane.forward(latitude, longitude)
        ask_x, ask_y = ask_x + (x - got_x), ask_y + (y - got_y)
        latitude, longitude = plane.inverse(ask_x, ask_y)
    return np.asarray(latitude, dtype=np.float64), np.asarray(longitude, dtype=np.float64)


def forward_unit(heading_deg: Floats) -> tuple[Floats, Floats]:
    """Unit vector (east, north) that a heading in degrees clockwise from north points along."""
    angle = np.radians(heading_deg)
    return np.sin(angle), np.cos(angle)


def offset_point(
    x_m: Floats, y_m: Floats, heading_deg: Floats, ahead_m: float, right_m: float
) -> tuple[Floats, Floats]:
    """A point fixed to the machine, ``ahead_m`` ahead and ``right_m`` right of (x, y); both may be negative."""
    east, north = forward_unit(heading_deg)
    return x_m + ahead_m * east + right_m * north, y_m + ahead_m * north - right_m * east
