"""The drive as lines and points: passes, runs of one state, standing discharges and stops."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, MultiLineString

from swathledger.log.log import Log
from swathledger.swath.swath import Swath
from swathledger.text import moment


@dataclass(frozen=True, slots=True)
class DrawnRun:
    """Consecutive steps of a drive.

    Attributes
    ----------
    number : int
        From 1.
    line_number : int or None
        Of the line that a pass lies on, from 1.
    line : LineString or MultiLineString
        Path of the boom centre, plane metres; broken where the path is not known.
    start_s, end_s : float
        Seconds since the first epoch of the log.
    heading_deg : float
        Mean driving direction, clockwise from north, weighted by distance.
    mean_width_m : float
        Mean open width.
    rate_l_m2 : float or None
        Litres over the ground swept; None where the log tells no litres.
    open_nozzles : str or None
        ``"1-36,46-72"``; None for a swath known only by its width, and for passes, in which it varies.
    """

    number: int
    line_number: int | None
    line: LineString | MultiLineString
    start_s: float
    end_s: float
    length_m: float
    heading_deg: float
    mean_width_m: float
    rate_l_m2: float | None
    volume_l: float | None
    open_nozzles: str | None = None

    @property
    def speed_m_s(self) -> float | None:
        """Mean speed; None where no time passed."""
        return self.length_m / (self.end_s - self.start_s) if self.end_s > self.start_s else None


def utc_text(log: Log, time_s: float) -> str | None:
    """A moment of the log as ISO 8601; None where its times are not absolute."""
    return moment(time_s) if log.time_is_absolute else None


def nozzle_list(open_: NDArray[np.bool_]) -> str:
    """Open nozzles as a list of spans.

    Examples
    --------
    >>> nozzle_list(np.array([True, True, False, True]))
    '1-2,4'
    """
    padded = np.concatenate(([False], open_, [False]))
    edges = np.flatnonzero(padded[1:] != padded[:-1])
    spans = zip((edges[::2] + 1).tolist(), edges[1::2].tolist(), strict=True)
    return ",".join(str(a) if a == b else f"{a}-{b}" for a, b in spans)


def _line(swath: Swath, steps: NDArray[np.int64]) -> LineString | MultiLineString:
    """Path over steps; a new part wherever the next step does not follow on."""
    parts = []
    for chunk in np.split(steps, np.flatnonzero(np.diff(steps) > 1) + 1):
        poses = np.append(chunk, chunk[-1] + 1)
        xy = np.column_stack([swath.x_m[poses], swath.y_m[poses]])
        parts.append(LineString(xy))
    line: LineString | MultiLineString = parts[0] if len(parts) == 1 else MultiLineString(parts)
    return shapely.simplify(line, 0.01)


def _heading_deg(swath: Swath, steps: NDArray[np.int64]) -> float:
    # With heading t clockwise from north the right end lies at (cos t, -sin t); in reverse it drives the other way.
    sign = np.where(swath.reverse[steps], -1.0, 1.0) * swath.distance_m[steps]
    east = float((-swath.right_y[steps] * sign).sum())
    north = float((swath.right_x[steps] * sign).sum())
    return math.degrees(math.atan2(east, north)) % 360.0


def _run(
    swath: Swath,
    steps: NDArray[np.int64],
    number: int,
    line_number: int | None,
    open_m: NDArray[np.float64],
    nozzles: str | None,
) -> DrawnRun:
    length = float(swath.distance_m[steps].sum())
    swept = float((open_m[steps] * swath.distance_m[steps]).sum())
    volume = None if swath.volume_l is None else float(swath.volume_l[steps].sum())
    return DrawnRun(
        number,
        line_number,
        _line(swath, steps),
        float(swath.time_s[steps[0]]),
        float(swath.time_s[steps[-1] + 1]),
        length,
        _heading_deg(swath, steps),
        swept / length if length > 0 else 0.0,
        volume / swept if volume is not None and swept > 0 else None,
        volume,
        nozzles,
    )


def _open_width(swath: Swath) -> NDArray[np.float64]:
    widths = swath.ribbon_right_m - swath.ribbon_left_m
    open_m: NDArray[np.float64] = np.bincount(swath.ribbon_step, widths, swath.distance_m.shape[0]).astype(np.float64)
    return open_m


def passes(swath: Swath) -> list[DrawnRun]:
    """Passes in order of time."""
    open_m = _open_width(swath)
    order = np.argsort(swath.pass_id, kind="stable")
    ids = swath.pass_id[order]
    out = []
    for number in range(swath.pass_count):
        steps = np.sort(order[np.searchsorted(ids, number) : np.searchsorted(ids, number, side="right")])
        if steps.size:
            out.append(_run(swath, steps, number + 1, int(swath.line_id[number]) + 1, open_m, None))
    return out


def states(swath: Swath) -> Iterator[DrawnRun]:
    """Runs of steps in which spray was wanted and the same nozzles were open, in order of time."""
    open_m = _open_width(swath)
    wanted = np.flatnonzero(swath.wanted & swath.linked & ~swath.standing)
    if wanted.size == 0:
        return
    rows = swath.epoch[wanted]
    changed = np.any(swath.row_open[rows[1:]] != swath.row_open[rows[:-1]], axis=1) | (np.diff(wanted) > 1)
    for number, steps in enumerate(np.split(wanted, np.flatnonzero(changed) + 1), start=1):
        nozzles = None if swath.width_by_row else nozzle_list(swath.row_open[swath.epoch[steps[0]]])
        yield _run(swath, steps, number, None, open_m, nozzles)
