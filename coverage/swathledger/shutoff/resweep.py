"""From the moments at which a layout's valves moved to the swath it would have left, to be accounted for as ever."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from swathledger._jit import njit
from swathledger.shutoff.drive import Drive
from swathledger.shutoff.groups import Switches
from swathledger.swath.swath import Swath

_HAIR = 1e-9
"""Fractions of a step nearer than this are one."""


@njit
def _resweep(drive, switches, edges_m, poses, ribbons):  # type: ignore[no-untyped-def]  # numba infers the types
    """Write poses (step, fraction) and ribbons (step of the new swath, left, right); returns how many of each.

    Arrays of no length are not written to: a first call counts.
    """
    pose_step, pose_u = poses
    ribbon_step, ribbon_left, ribbon_right = ribbons
    write = pose_step.shape[0] > 0
    groups = edges_m.shape[0] - 1
    is_open = np.zeros(groups, np.bool_)
    count, laid = 0, 0
    n = 0
    total = switches.step.shape[0]
    for a in range(drive.moving.shape[0]):
        u = 0.0
        while drive.moving[a] and drive.wanted[a]:
            # everything that happens here, and what is open from here on
            while n < total and switches.step[n] == a and switches.u[n] <= u + _HAIR:
                is_open[switches.group[n]] = switches.opens[n]
                n += 1
            until = 1.0
            if n < total and switches.step[n] == a and switches.u[n] < 1.0 - _HAIR:
                until = switches.u[n]
            if write:
                pose_step[count] = a
                pose_u[count] = u
            g = 0
            while g < groups:
                e = g + 1
                if is_open[g]:
                    while e < groups and is_open[e]:
                        e += 1
                    if write:
                        ribbon_step[laid] = count
                        ribbon_left[laid] = edges_m[g]
                        ribbon_right[laid] = edges_m[e]
                    laid += 1
                g = e
            count += 1
            u = until
            if until == 1.0:
                break
        if u == 0.0:  # nothing is swept
            if write:
                pose_step[count] = a
                pose_u[count] = 0.0
            count += 1
        while n < total and switches.step[n] == a:
            is_open[switches.group[n]] = switches.opens[n]
            n += 1
    return count, laid


def resweep(swath: Swath, drive: Drive, edges_m: NDArray[np.float64], switches: Switches) -> Swath:
    """The swath of other groups on the same drive.

    Poses are added where a valve moved within a step, on the straight ways that the boom's places take there.

    Parameters
    ----------
    switches : Switches
        Moments in the order of time, shut groups before the first.
    """
    none = np.empty(0, np.int64), np.empty(0)
    count, laid = _resweep(drive, switches, edges_m, none, (*none, np.empty(0)))
    poses = np.empty(count, np.int64), np.empty(count)
    ribbons = np.empty(laid, np.int64), np.empty(laid), np.empty(laid)
    _resweep(drive, switches, edges_m, poses, ribbons)
    return split_swath(swath, *poses, *ribbons)


def everything_open(swath: Swath, drive: Drive, edges_m: NDArray[np.float64]) -> Swath:
    """The swath of the whole boom, open wherever spray was wanted."""
    step = np.flatnonzero(drive.moving & drive.wanted)
    left, right = np.full(step.shape[0], edges_m[0]), np.full(step.shape[0], edges_m[-1])
    every = np.arange(drive.moving.shape[0])
    return split_swath(swath, every, np.zeros(every.shape[0]), step, left, right)


def split_swath(
    swath: Swath,
    step: NDArray[np.int64],
    u: NDArray[np.float64],
    ribbon_step: NDArray[np.int64],
    left_m: NDArray[np.float64],
    right_m: NDArray[np.float64],
) -> Swath:
    """A swath whose steps begin at fraction ``u`` of ``step``, with its own ribbons; litres follow the open width."""
    until = np.append(np.where(step[1:] == step[:-1], u[1:], 1.0), 1.0)
    share = until - u

    def pose(value: NDArray[np.float64]) -> NDArray[np.float64]:
        start = value[step]
        inner = np.where(u > 0.0, start + u * (value[step + 1] - start), start)
        return np.append(inner, value[-1])

    distance = swath.distance_m[step] * share
    dose = None if swath.dose_l_per_m2 is None else swath.dose_l_per_m2[step]
    width = np.bincount(ribbon_step, right_m - left_m, step.shape[0])
    return replace(
        swath,
        x_m=pose(swath.x_m),
        y_m=pose(swath.y_m),
        right_x=pose(swath.right_x),
        right_y=pose(swath.right_y),
        time_s=pose(swath.time_s),
        epoch=np.append(swath.epoch[step], swath.epoch[-1]),
        linked=swath.linked[step],
        standing=swath.standing[step],
        wanted=swath.wanted[step],
        distance_m=distance,
        turn_per_m=swath.turn_per_m[step],
        reverse=swath.reverse[step],
        pass_id=swath.pass_id[step],
        dose_l_per_m2=dose,
        volume_l=None if dose is None else dose * width * distance,
        ribbon_step=ribbon_step,
        ribbon_left_m=left_m,
        ribbon_right_m=right_m,
    )


def in_order(switches: Switches) -> Switches:
    """The moments taken down, in the order of time; those of one moment in the order in which they were found."""
    count = int(switches.found[0])
    order = np.lexsort((np.arange(count), switches.u[:count], switches.step[:count]))
    return Switches(
        switches.step[order], switches.u[order], switches.group[order], switches.opens[order], switches.found
    )
