"""A noise-free path of a boom on the plane, with the valve states, and the rigid motions that must change no area."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from swathledger.errors import InputError
from swathledger.machine.machine import Antenna

if TYPE_CHECKING:
    from swathledger.field.field import LocalPlane

Floats = NDArray[np.float64]


def to_degrees(plane: LocalPlane, x_m: Floats, y_m: Floats) -> tuple[Floats, Floats]:
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


@dataclass(frozen=True, slots=True)
class PlanePath:
    """Where the centre of a boom was, when, and what was open.

    Attributes
    ----------
    x_m, y_m : (n,) float64
        Boom centre, plane metres (x east, y north).
    time_s : (n,) float64
        Strictly increasing.
    heading_deg : (n,) float64
        True heading of the machine, degrees clockwise from north.
    state : (n, k) bool
        Open or shut, left to right; a row's state holds until the next row's time.
    """

    x_m: Floats
    y_m: Floats
    time_s: Floats
    heading_deg: Floats
    state: NDArray[np.bool_]

    def __post_init__(self) -> None:
        n = self.x_m.shape[0]
        if any(a.shape != (n,) for a in (self.y_m, self.time_s, self.heading_deg)) or self.state.shape[:1] != (n,):
            raise InputError("a path needs one y, time, heading and row of states for each x")
        if self.state.ndim != 2:
            raise InputError(f"states must be (rows, sections), found shape {self.state.shape}")
        if n > 1 and not bool(np.all(np.diff(self.time_s) > 0)):
            raise InputError("times of a path must increase strictly")

    def __len__(self) -> int:
        return int(self.x_m.shape[0])

    def moved(self, east_m: float, north_m: float) -> PlanePath:
        """The same drive elsewhere."""
        return replace(self, x_m=self.x_m + east_m, y_m=self.y_m + north_m)

    def rotated(self, clockwise_deg: float) -> PlanePath:
        """The same drive turned clockwise about the plane's origin."""
        angle = np.radians(clockwise_deg)
        c, s = np.cos(angle), np.sin(angle)
        return replace(
            self,
            x_m=c * self.x_m + s * self.y_m,
            y_m=c * self.y_m - s * self.x_m,
            heading_deg=np.mod(self.heading_deg + clockwise_deg, 360.0),
        )

    def mirrored(self) -> PlanePath:
        """The drive seen in a mirror standing on the y axis: left becomes right."""
        return replace(
            self, x_m=-self.x_m, heading_deg=np.mod(-self.heading_deg, 360.0), state=self.state[:, ::-1].copy()
        )

    def time_reversed(self) -> PlanePath:
        """The same ground driven from its end to its start, forwards.

        States hold from a row to the next, so they move by one row; the last row is shut. The machine faces the other
        way, so that left and right change places.
        """
        state = np.zeros_like(self.state)
        state[:-1] = self.state[:-1][::-1, ::-1]
        return PlanePath(
            x_m=self.x_m[::-1].copy(),
            y_m=self.y_m[::-1].copy(),
            time_s=(self.time_s[0] + self.time_s[-1] - self.time_s)[::-1].copy(),
            heading_deg=np.mod(self.heading_deg[::-1] + 180.0, 360.0),
            state=state,
        )

    def then(self, other: PlanePath, gap_s: float) -> PlanePath:
        """Join this drive and, ``gap_s`` after its last row, another (whose own times are shifted)."""
        if gap_s <= 0:
            raise InputError(f"the time between two paths must be above 0 s, found {gap_s}")
        shift = self.time_s[-1] + gap_s - other.time_s[0]
        return PlanePath(
            x_m=np.concatenate([self.x_m, other.x_m]),
            y_m=np.concatenate([self.y_m, other.y_m]),
            time_s=np.concatenate([self.time_s, other.time_s + shift]),
            heading_deg=np.concatenate([self.heading_deg, other.heading_deg]),
            state=np.concatenate([self.state, other.state]),
        )

    def antenna_xy(self, antenna: Antenna) -> tuple[Floats, Floats]:
        """Where a rigidly mounted antenna was."""
        return offset_point(self.x_m, self.y_m, self.heading_deg, antenna.ahead_of_boom_m, antenna.right_of_centre_m)
