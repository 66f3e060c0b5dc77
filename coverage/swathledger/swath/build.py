"""From a log and a machine to the swath: :func:`build_swath`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely import MultiPolygon

from swathledger.errors import LogError
from swathledger.field.field import LocalPlane
from swathledger.log.log import Log
from swathledger.machine.machine import Machine
from swathledger.motion import default_max_gap_s
from swathledger.notes import Measure, Note
from swathledger.swath.gaps import Gap, straight_gaps, unrecorded_ground
from swathledger.swath.pose import Poses, boom_poses
from swathledger.swath.swath import Swath
from swathledger.swath.track import Track, build_track, wrap_rad
from swathledger.swath.way import stretches, way_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

YAW_WINDOW_S = 1.0
"""Yaw for the dose is taken over this time on either side."""
LINE_TURN_DEG = 15.0
"""Two passes lie on one line when the headings stay within this while nothing is sprayed."""


def open_nozzles(log: Log, machine: Machine) -> Flags:
    """(n, nozzles) which nozzles are open in every row of the log.

    Raises
    ------
    LogError
        The number of state columns is neither that of the machine's sections nor of its nozzles.
    """
    boom = machine.boom
    k = log.state.shape[1]
    if log.state_kind in ("work", "none"):
        return np.repeat(log.state[:, :1], boom.nozzle_count, axis=1)
    if log.state_kind == "nozzle" and k == boom.nozzle_count:
        return log.state
    if log.state_kind == "section" and k == len(boom.sections):
        return log.state[:, boom.section_of_nozzle]
    raise LogError(
        f"the log has {k} {log.state_kind} state columns; machine {machine.name!r} has {len(boom.sections)} sections "
        f"and {boom.nozzle_count} nozzles.",
        column=f"{log.state_kind}_1..{k}",
        hint="Give the machine file of the sprayer that made this log, or correct its [boom] sections.",
    )


@dataclass(frozen=True, slots=True)
class _Runs:
    row: Ints
    left_m: Floats
    right_m: Floats


def runs_of_row(opened: Flags, edges_m: Floats) -> _Runs:
    """Runs of open neighbouring nozzles of every row, left to right."""
    padded = np.zeros((opened.shape[0], opened.shape[1] + 2), dtype=np.int8)
    padded[:, 1:-1] = opened
    edge = np.diff(padded, axis=1)
    row, first = np.nonzero(edge == 1)
    last_row, last = np.nonzero(edge == -1)
    if not np.array_equal(row, last_row):  # nonzero walks both row by row: they match by construction
        raise LogError("runs of open nozzles do not match")
    return _Runs(row.astype(np.int64), edges_m[first], edges_m[last])


def _width_runs(log: Log, opened: Flags, boom_width_m: float, notes: list[Note]) -> _Runs:
    """One centred run per open row, of the logged width."""
    width = np.full(len(log), boom_width_m) if log.working_width_m is None else log.working_width_m.copy()
    missing = ~np.isfinite(width)
    if bool(missing.any()):
        width[missing] = boom_width_m
        notes.append(Note.of("swath.no_width", count=int(missing.sum()), boom=Measure(boom_width_m, "length")))
    wide = width > boom_width_m + 0.01
    if bool(wide.any()):
        widest = Measure(float(width[wide].max()), "length")
        boom = Measure(boom_width_m, "length")
        notes.append(Note.of("swath.wider_than_boom", count=int(wide.sum()), widest=widest, boom=boom))
        width[wide] = boom_width_m
    row = np.flatnonzero(opened.any(axis=1) & (width > 0))
    half = width[row] / 2
    if bool(np.any(np.abs(width[row] - boom_width_m) > 1e-6)):
        notes.append(Note.of("swath.centred"))
    return _Runs(row.astype(np.int64), -half, half)


def _turn_per_m(poses: Poses, distance: Floats, window_s: Floats, carried: Flags) -> Floats:
    """Yaw per metre of the boom centre's way, signed by driving direction.

    Taken over one second on either side, or over the longer time that it takes to tell the way from noise.
    """
    n = poses.x_m.size
    heading = np.concatenate(([0.0], np.cumsum(wrap_rad(np.diff(poses.heading_rad)))))
    along = np.concatenate(([0.0], np.cumsum(distance)))
    mid_t = (poses.time_s[:-1] + poses.time_s[1:]) / 2
    dt = np.diff(poses.time_s)
    window = np.maximum(np.maximum(YAW_WINDOW_S, window_s), dt)
    # windows stay within the stretch of linked, same-gear steps
    label = stretches(poses, carried)
    stretch_first = np.concatenate(([0], np.flatnonzero(np.diff(label)) + 1))
    stretch_last = np.concatenate((stretch_first[1:], [n - 1]))
    lo_t = poses.time_s[stretch_first[label]]
    hi_t = poses.time_s[stretch_last[label]]
    # seams hold two poses at one time: interpolate on a strictly increasing copy
    clock = poses.time_s + np.arange(n) * 1e-9
    t0 = np.maximum(mid_t - window, lo_t)
    t1 = np.minimum(mid_t + window, hi_t)
    turned = np.interp(t1, clock, heading) - np.interp(t0, clock, heading)
    moved = np.interp(t1, clock, along) - np.interp(t0, clock, along)
    rate = np.divide(turned, moved, out=np.zeros(n - 1), where=moved > 1e-6)
    return np.where(carried, np.where(poses.reverse, -rate, rate), 0.0)


def _passes(sprayed: Flags, linked: Flags, poses: Poses, width_m: float) -> tuple[Ints, Ints]:
    """Pass of every step and line of every pass.

    A pass is an unbroken stretch of linked steps with something open. A pass shares the line of the one before when
    the heading stayed within 15 degrees in between and spraying resumed within half a boom beside the old line.
    """
    pass_id = np.full(sprayed.size, -1, dtype=np.int64)
    # a seam (no duration) neither ends nor makes a pass; a gap ends it
    seam = poses.row_step < 0
    index = np.flatnonzero(~seam)
    active = sprayed[index] & linked[index]
    begins = active & ~np.concatenate(([False], active[:-1]))
    number = np.cumsum(begins) - 1
    pass_id[index[active]] = number[active]
    count = int(begins.sum())
    first = index[begins]
    last = index[active & ~np.concatenate((active[1:], [False]))]
    line = np.zeros(count, dtype=np.int64)
    heading = np.rad2deg(poses.heading_rad)
    for k in range(1, count):
        end, start = int(last[k - 1]) + 1, int(first[k])
        turned = (heading[end : start + 1] - heading[end] + 180.0) % 360.0 - 180.0
        dx, dy = poses.x_m[start] - poses.x_m[end], poses.y_m[start] - poses.y_m[end]
        h = poses.heading_rad[end]
        beside = abs(dx * np.cos(h) - dy * np.sin(h))
        same = bool(np.all(np.abs(turned) <= LINE_TURN_DEG)) and beside <= width_m / 2
        line[k] = line[k - 1] + (0 if same else 1)
    return pass_id, line


def _volumes(
    log: Log, machine: Machine, poses: Poses, distance: Floats, open_width: Floats, notes: list[Note]
) -> tuple[Floats | None, Floats | None]:
    """Litres leaving the boom in every step, and the dose where ground speed is the boom centre's.

    Flow is preferred (it knows standing discharge); else the rate over the open width and the way of the boom centre.
    A row's flow or rate holds until the next row. Missing values are taken from the last known row.
    """
    row = np.maximum(poses.row_step, 0)
    seconds = np.where(poses.row_step >= 0, np.diff(poses.time_s), 0.0)
    sprayed = open_width > 0
    if log.flow_l_s is not None and bool(np.isfinite(log.flow_l_s).any()):
        flow = _hold(log.flow_l_s, "swath.flow_held", notes)
        volume = np.where(sprayed, flow[row] * seconds, 0.0)
        area = open_width * distance
        dose = np.divide(volume, area, out=np.zeros_like(volume), where=area > 1e-9)
        return dose, volume
    rate: Floats | None = None
    if log.rate_l_m2 is not None and bool(np.isfinite(log.rate_l_m2).any()):
        rate = _hold(log.rate_l_m2, "swath.rate_held", notes)
    elif machine.set_rate_l_m2 is not None:
        rate = np.full(len(log), machine.set_rate_l_m2)
        notes.append(Note.of("swath.set_rate", rate=Measure(machine.set_rate_l_m2, "rate")))
    if rate is None:
        return None, None
    dose = np.where(sprayed, rate[row], 0.0)
    return dose, dose * open_width * distance


def _hold(value: Floats, code: str, notes: list[Note]) -> Floats:
    known = np.flatnonzero(np.isfinite(value))
    if known.size < value.size:
        notes.append(Note.of(code, count=value.size - known.size))
    index = np.clip(np.searchsorted(known, np.arange(value.size), side="right") - 1, 0, None)
    return value[known[index]]


def build_swath(
    log: Log,
    machine: Machine,
    plane: LocalPlane,
    *,
    max_gap_s: float | None = None,
    bridge_s: float | None = None,
    max_step_m: float | None = None,
) -> Swath:
    """Rebuild boom poses and ribbons from a log.

    Parameters
    ----------
    log, machine, plane
        Clean rows, what made them, and where they are laid out flat.
    max_gap_s : float, optional
        Longest time between rows that is bridged; default 6 x the median step, at least 6 s.
    bridge_s : float, optional
        Longer gaps, up to this, are bridged too where they are straight with spraying on at both ends: what was open
        before one is taken to have stayed open.
    max_step_m : float, optional
        Longest step between poses; default as few as curves allow.

    Raises
    ------
    LogError
        State columns fit neither sections nor nozzles, or fewer than two rows.
    """
    if len(log) < 2:
        raise LogError(f"a log needs at least 2 rows, found {len(log)}")
    gap = default_max_gap_s(log.quality.median_step_s) if max_gap_s is None else max_gap_s
    notes: list[Note] = []
    opened = open_nozzles(log, machine)
    if log.state_kind == "none":
        notes.append(Note.of("swath.no_states"))
    x, y = plane.forward(log.latitude_deg, log.longitude_deg)
    track = build_track(log, np.asarray(x), np.asarray(y), gap)
    bridged = _to_bridge(track, log.time_s, np.asarray(opened.any(axis=1)), gap, bridge_s)
    if bool(bridged.any()):
        track = build_track(log, np.asarray(x), np.asarray(y), gap, bridged)
        way = np.hypot(np.diff(track.x_m), np.diff(track.y_m))[bridged].sum()
        notes.append(Note.of("swath.bridged", count=int(bridged.sum()), way=Measure(float(way), "length")))
    notes.extend(track.notes)
    poses = boom_poses(track, machine, max_step_m)
    if machine.hitch is not None and bool(track.reverse.any()):
        notes.append(Note.of("swath.trailed_reversing"))

    edges = machine.boom.nozzle_edges_m
    by_width = log.state_kind in ("work", "none") and log.working_width_m is not None
    runs = _width_runs(log, opened, machine.boom.width_m, notes) if by_width else runs_of_row(opened, edges)
    row_width = np.zeros(len(log))
    np.add.at(row_width, runs.row, runs.right_m - runs.left_m)

    row = np.maximum(poses.row_step, 0)
    real = poses.row_step >= 0
    open_width = np.where(real, row_width[row], 0.0)
    sprayed = open_width > 0
    carried = poses.linked & real
    distance, window = way_of(poses, carried & ~poses.standing, track.sigma_m or 0.0)
    pass_id, line_id = _passes(sprayed, poses.linked, poses, machine.boom.width_m)
    dose, volume = _volumes(log, machine, poses, distance, open_width, notes)
    if volume is not None:
        volume = np.where(carried, volume, 0.0)

    driven = sprayed & carried & ~poses.standing
    seconds = float(np.diff(poses.time_s)[driven].sum())
    speed = float(distance[driven].sum()) / seconds if seconds > 0 else 0.0
    ribbon_step, left, right = _ribbons(poses, runs, carried & ~poses.standing, len(log))
    dt = np.diff(poses.time_s)
    cut_open = ~track.linked & (row_width[:-1] > 0)
    cut = np.flatnonzero(real & ~track.linked[row])
    way = np.hypot(np.diff(track.x_m), np.diff(track.y_m))
    return Swath(
        x_m=poses.x_m,
        y_m=poses.y_m,
        right_x=np.cos(poses.heading_rad),
        right_y=-np.sin(poses.heading_rad),
        time_s=poses.time_s,
        epoch=poses.epoch,
        linked=carried,
        standing=poses.standing,
        wanted=sprayed & carried,
        distance_m=distance,
        turn_per_m=_turn_per_m(poses, distance, window, carried),
        reverse=poses.reverse,
        pass_id=pass_id,
        line_id=line_id,
        dose_l_per_m2=dose,
        volume_l=volume,
        ribbon_step=ribbon_step,
        ribbon_left_m=left,
        ribbon_right_m=right,
        row_open=opened,
        row_heading_deg=np.rad2deg(np.append(track.heading_in_rad, track.heading_out_rad[-1])) % 360.0,
        nozzle_edges_m=edges,
        width_by_row=by_width,
        cut=cut,
        bridged=np.flatnonzero(real & bridged[row] & np.concatenate(([True], np.diff(row) != 0))),
        unrecorded=_unrecorded(poses, cut, runs, len(log), speed),
        unbridged_m=float(way[cut_open].sum()),
        standing_open_s=float(dt[poses.standing & sprayed].sum()),
        sigma_m=track.sigma_m,
        notes=tuple(notes),
    )


def _to_bridge(track: Track, time_s: Floats, opened: Flags, max_gap_s: float, bridge_s: float | None) -> Flags:
    """(n - 1,) steps too long to be bridged of themselves, straight, with something open at both ends."""
    dt = np.diff(time_s)
    out = np.zeros(dt.size, dtype=bool)
    if bridge_s is None:
        return out
    step = np.flatnonzero((dt > max_gap_s) & (dt <= bridge_s) & ~track.linked & opened[:-1] & opened[1:])
    ends = np.stack([step, step + 1], axis=1)
    leaving = track.heading_in_rad[step] + np.pi * track.reverse[np.maximum(step - 1, 0)]
    arriving = track.heading_out_rad[step] + np.pi * track.reverse[np.minimum(step + 1, dt.size - 1)]
    out[step] = straight_gaps(track.x_m[ends], track.y_m[ends], leaving, arriving, track.time_s[ends])
    return out


def _unrecorded(poses: Poses, cut: Ints, runs: _Runs, rows: int, speed_m_s: float) -> MultiPolygon:
    """Ground under the gaps with something open at both ends."""
    first = np.searchsorted(runs.row, np.arange(rows + 1), side="left")

    def swept(row: int) -> list[tuple[float, float]]:
        part = slice(first[row], first[row + 1])
        return list(zip(runs.left_m[part].tolist(), runs.right_m[part].tolist(), strict=True))

    before = poses.row_step[cut]
    both = (first[before + 1] > first[before]) & (first[before + 2] > first[before + 1])
    gaps = [Gap(int(a), swept(r), swept(r + 1)) for a, r in zip(cut[both].tolist(), before[both].tolist(), strict=True)]
    return unrecorded_ground(poses, gaps, speed_m_s)


def _ribbons(poses: Poses, runs: _Runs, sweeps: Flags, rows: int) -> tuple[Ints, Floats, Floats]:
    """One ribbon for every sweeping step and run, in time order, left to right."""
    first = np.searchsorted(runs.row, np.arange(rows), side="left")
    count = np.searchsorted(runs.row, np.arange(rows), side="right") - first
    steps = np.flatnonzero(sweeps)
    row = poses.row_step[steps]
    per_step = count[row]
    ribbon_step = np.repeat(steps, per_step)
    start = np.cumsum(per_step) - per_step
    k = np.arange(ribbon_step.size) - np.repeat(start, per_step) + np.repeat(first[row], per_step)
    return ribbon_step, runs.left_m[k], runs.right_m[k]
