"""Setting rows aside by named reason, and putting the rest in order of time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathledger.log.clock import mend_clock
from swathledger.motion import is_jump
from swathledger.notes import Measure, Note

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Indices = NDArray[np.int64]

_EARTH_RADIUS_M = 6_371_008.8
_ZERO_DEG = 1e-6
_NEAR_ZERO_DEG = 0.01
_SWAP_NEAR_DEG, _SWAP_FAR_DEG = 0.5, 1.0
_OTHER_TIME_S = 366 * 86_400.0
_SPIKE_ROWS = 5
_SPIKE_S = 10.0
_EDGE_ROWS = 3
_AT_ONCE = 1 << 20


@dataclass(frozen=True, slots=True)
class Cleaned:
    """Result of `clean_rows`.

    Attributes
    ----------
    order : (m,) int64
        Rows kept, in order of time.
    time_s, latitude_deg, longitude_deg : (m,) float64
        Of the rows kept; times within a coarse stamp are spread, axes are put right.
    reasons : dict of str to (count,) int64
        Rows set aside by reason.
    warnings : tuple of Note
    """

    order: Indices
    time_s: Floats
    latitude_deg: Floats
    longitude_deg: Floats
    reasons: dict[str, Indices]
    warnings: tuple[Note, ...]


def distance_m(lat1: Floats, lon1: Floats, lat2: Floats, lon2: Floats) -> Floats:
    """Great-circle distance on a sphere (haversine), m. Good to 0.6 %: used only to judge jumps."""
    p1, p2 = np.radians(lat1), np.radians(lat2)
    dl = np.radians(lon2 - lon1)
    h = np.sin((p2 - p1) / 2) ** 2 + np.cos(p1) * np.cos(p2) * np.sin(dl / 2) ** 2
    result: Floats = 2 * _EARTH_RADIUS_M * np.arcsin(np.sqrt(np.minimum(h, 1.0)))
    return result


def clean_rows(time_s: Floats, latitude_deg: Floats, longitude_deg: Floats, source: Indices | None = None) -> Cleaned:
    """Sort rows and set aside those that cannot be used.

    Each row is set aside for the first reason that fits, in this order: ``bad_time`` (unreadable, or more than a year
    from the rest), ``bad_position`` (unreadable or not finite), ``zero_island`` (0, 0 while the rest lies elsewhere),
    ``swapped_axes`` (latitude and longitude exchanged against the rest), ``out_of_range``, ``duplicate`` (same time
    and place), ``duplicate_time`` (same time, other place), ``impossible_jump`` (a short excursion that no machine
    could make, see :func:`swathledger.motion.is_jump`).

    Parameters
    ----------
    time_s, latitude_deg, longitude_deg : (n,) float64
        As read; NaN where unreadable.
    source : (n,) int64, optional
        Which file each row came from; order within each file is judged on its own.

    Returns
    -------
    Cleaned
        Every row of the input is either in ``order`` or under exactly one reason.
    """
    n = time_s.shape[0]
    lat, lon = latitude_deg.astype(np.float64, copy=True), longitude_deg.astype(np.float64, copy=True)
    alive = np.ones(n, bool)
    reasons: dict[str, Indices] = {}
    warnings: list[Note] = []

    def aside(reason: str, rows: Mask) -> None:
        hit = rows & alive
        if hit.any():
            reasons[reason] = np.flatnonzero(hit)
            alive[hit] = False

    aside("bad_time", _bad_times(time_s))
    aside("bad_position", ~(np.isfinite(lat) & np.isfinite(lon)))
    aside("zero_island", _zero_island(lat, lon, alive))
    _put_axes_right(lat, lon, alive, warnings)
    aside("swapped_axes", _swapped_rows(lat, lon, alive))
    aside("out_of_range", (np.abs(lat) > 90) | (np.abs(lon) > 180))

    time_s, stepped = mend_clock(time_s, lat, lon, np.flatnonzero(alive), source)
    if stepped is not None:
        warnings.append(stepped)
    order = _in_time_order(time_s, np.flatnonzero(alive), source, warnings)
    order, times = _one_row_a_moment(order, time_s, lat, lon, reasons, warnings)
    order, times = _without_jumps(order, times, lat, lon, reasons)
    return Cleaned(order, times, lat[order], lon[order], reasons, tuple(warnings))


def _bad_times(time_s: Floats) -> Mask:
    bad = ~np.isfinite(time_s)
    good = time_s[~bad]
    if good.size >= 3:
        # a receiver without a fix starts in 1970 or 1980
        with np.errstate(invalid="ignore"):
            bad |= np.abs(time_s - np.median(good)) > _OTHER_TIME_S
    return bad


def _zero_island(lat: Floats, lon: Floats, alive: Mask) -> Mask:
    with np.errstate(invalid="ignore"):
        zero = (np.abs(lat) < _ZERO_DEG) & (np.abs(lon) < _ZERO_DEG) & alive
        near = (np.abs(lat) < _NEAR_ZERO_DEG) & (np.abs(lon) < _NEAR_ZERO_DEG) & alive & ~zero
    return zero if not near.any() else np.zeros_like(zero)


def _put_axes_right(lat: Floats, lon: Floats, alive: Mask, warnings: list[Note]) -> None:
    """Swap a whole log whose latitudes are longitudes; bring longitudes of 180..360 to -180..0. In place."""
    count = int(alive.sum())
    if not count:
        return
    with np.errstate(invalid="ignore"):
        swapped = (np.abs(lat) > 90) & (np.abs(lat) <= 180) & (np.abs(lon) <= 90) & alive
        if swapped.sum() > count / 2:
            lat[:], lon[:] = lon.copy(), lat.copy()
            warnings.append(Note.of("log.axes_swapped"))
        east = (lon > 180) & (lon <= 360) & alive
        if east.sum() > count / 2:
            lon[east] -= 360.0
            warnings.append(Note.of("log.longitudes_to_360"))


def _swapped_rows(lat: Floats, lon: Floats, alive: Mask) -> Mask:
    if alive.sum() < 3:
        return np.zeros_like(alive)
    mid_lat, mid_lon = float(np.median(lat[alive])), float(np.median(lon[alive]))
    with np.errstate(invalid="ignore"):
        fits = (np.abs(lon - mid_lat) < _SWAP_NEAR_DEG) & (np.abs(lat - mid_lon) < _SWAP_NEAR_DEG)
        off = (np.abs(lat - mid_lat) > _SWAP_FAR_DEG) | (np.abs(lon - mid_lon) > _SWAP_FAR_DEG)
    return fits & off


def _in_time_order(time_s: Floats, rows: Indices, source: Indices | None, warnings: list[Note]) -> Indices:
    """Rows by time; rows of one time keep the file's order."""
    if rows.size < 2:
        return rows
    steps = np.diff(time_s[rows])
    if source is not None:
        steps = steps[np.diff(source[rows]) == 0]
    back = int((steps < 0).sum())
    if back:
        if back > steps.size / 2:
            rows = rows[::-1]  # newest first
            warnings.append(Note.of("log.newest_first"))
        else:
            warnings.append(Note.of("log.sorted", count=back))
    return rows[np.argsort(time_s[rows], kind="stable")]


def _one_row_a_moment(
    order: Indices, time_s: Floats, lat: Floats, lon: Floats, reasons: dict[str, Indices], warnings: list[Note]
) -> tuple[Indices, Floats]:
    """Set repeated rows aside, or spread them where the clock is coarser than the rate."""
    times = time_s[order]
    if order.size < 2:
        return order, times
    if bool((np.diff(times) > 0).all()):
        return order, times
    _, stamp = np.unique(times, return_inverse=True)
    repeat = _repeats(stamp, lat[order], lon[order])
    moving = np.bincount(stamp[~repeat])
    inner = moving[1:-1] if moving.size > 4 else moving
    if moving.size >= 2 and (~repeat).sum() >= 6 and np.median(inner) >= 2:
        return _spread(order, times, stamp, lat, lon, reasons, warnings)
    _add(reasons, "duplicate", order[repeat])
    order, times = order[~repeat], times[~repeat]
    again = np.r_[False, np.diff(times) == 0]
    _add(reasons, "duplicate_time", order[again])
    return order[~again], times[~again]


def _repeats(stamp: NDArray[np.intp], lat: Floats, lon: Floats) -> Mask:
    """True for every row but the last of the same stamp and place: its states are the ones that hold from then on."""
    keys = np.lexsort((np.arange(stamp.size), lon, lat, stamp))
    same = (np.diff(stamp[keys]) == 0) & (np.diff(lat[keys]) == 0) & (np.diff(lon[keys]) == 0)
    repeat = np.zeros(stamp.size, bool)
    repeat[keys[:-1]] = same
    return repeat


def _spread(
    order: Indices,
    times: Floats,
    stamp: NDArray[np.intp],
    lat: Floats,
    lon: Floats,
    reasons: dict[str, Indices],
    warnings: list[Note],
) -> tuple[Indices, Floats]:
    """Rows of one coarse stamp, spread evenly until the next. A place come back to within a stamp is a duplicate."""
    la, lo = lat[order], lon[order]
    fresh = np.r_[True, (np.diff(stamp) != 0) | (np.diff(la) != 0) | (np.diff(lo) != 0)]
    run = np.cumsum(fresh)
    keys = np.lexsort((np.arange(stamp.size), lo, la, stamp))
    new = np.r_[True, (np.diff(stamp[keys]) != 0) | (np.diff(la[keys]) != 0) | (np.diff(lo[keys]) != 0)]
    first_run = np.empty_like(run)
    first_run[keys] = run[keys][np.flatnonzero(new)[np.cumsum(new) - 1]]
    repeat = run != first_run
    _add(reasons, "duplicate", order[repeat])
    order, times = order[~repeat], times[~repeat]
    stamps, inverse, size = np.unique(times, return_inverse=True, return_counts=True)
    resolution = float(np.median(np.diff(stamps)))
    room = np.minimum(np.r_[np.diff(stamps), resolution], resolution)
    rank = np.arange(times.size) - np.r_[0, np.cumsum(size)[:-1]][inverse]
    spread = stamps[inverse] + room[inverse] * rank / size[inverse]
    step = Measure(resolution, "seconds")
    warnings.append(Note.of("log.stamps_spread", rows=int(np.median(size)), step=step))
    return order, spread


def _without_jumps(
    order: Indices, times: Floats, lat: Floats, lon: Floats, reasons: dict[str, Indices]
) -> tuple[Indices, Floats]:
    """Set aside short excursions that need an impossible speed both there and back."""
    for _ in range(3):
        drop = _excursions(times, lat[order], lon[order])
        if not drop.any():
            break
        _add(reasons, "impossible_jump", order[drop])
        order, times = order[~drop], times[~drop]
    return order, times


def _excursions(times: Floats, lat: Floats, lon: Floats) -> Mask:
    drop = np.zeros(times.size, bool)
    if times.size < 3:
        return drop
    far = np.empty(times.size - 1, bool)
    for at in range(0, far.size, _AT_ONCE):  # a distance takes many arrays on its way
        a, b = slice(at, min(at + _AT_ONCE, far.size)), slice(at + 1, at + _AT_ONCE + 1)
        far[a] = is_jump(distance_m(lat[a], lon[a], lat[b], lon[b]), times[b] - times[a])
    cuts = np.flatnonzero(far) + 1
    if cuts.size == 0:
        return drop
    starts, ends = np.r_[0, cuts], np.r_[cuts, times.size]

    def reachable(a: int, b: int) -> bool:
        one = distance_m(lat[a : a + 1], lon[a : a + 1], lat[b : b + 1], lon[b : b + 1])
        return not bool(is_jump(one, times[b : b + 1] - times[a : a + 1])[0])

    anchor = int(ends[0]) - 1  # last row that is believed
    for index in range(1, starts.size - 1):
        first, last = int(starts[index]), int(ends[index]) - 1
        brief = last - first < _SPIKE_ROWS and times[last] - times[first] <= _SPIKE_S
        if brief and not reachable(anchor, first) and reachable(anchor, int(starts[index + 1])):
            drop[first : last + 1] = True
        else:
            anchor = last
    if times.size >= 10:  # a wrong first or last fix
        if ends[0] - starts[0] <= _EDGE_ROWS and ends[1] - starts[1] > _EDGE_ROWS:
            drop[: ends[0]] = True
        if ends[-1] - starts[-1] <= _EDGE_ROWS and ends[-2] - starts[-2] > _EDGE_ROWS and not drop[starts[-2]]:
            drop[starts[-1] :] = True
    return drop


def _add(reasons: dict[str, Indices], reason: str, rows: Indices) -> None:
    if rows.size:
        reasons[reason] = np.r_[reasons[reason], rows] if reason in reasons else rows
