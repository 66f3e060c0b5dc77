"""The closed form beside the replay: how much seam a drive crosses on its target, and at which angles."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from swathledger._jit import njit, njit_bare
from swathledger.machine.machine import Valves
from swathledger.shutoff.drive import Stretch, line_at
from swathledger.shutoff.groups import DONE, NO_ROOM, STEP_M
from swathledger.shutoff.results import Seams
from swathledger.shutoff.sight import MASK_M, NEAR_SLACK_M, PIECES, find_near_edges, find_wanting
from swathledger.shutoff.treated import ASKED, MAX_PIECE_M, MAX_PIECE_STEPS, find_near, let_count, put_piece

MOVED_M = 0.25
"""A seam is judged each time that it has moved this far over the boom."""
LEAST_ANGLE_DEG = 1.0
"""A seam at a smaller angle to the travel runs along the pass: a guidance line, or a headland beside it."""
LEAST_SLOPE = float(np.tan(np.radians(LEAST_ANGLE_DEG)))
REACH_M = 12.0
"""Farthest that a seam's place on the boom moves within a control step."""
MAX_SEAMS = 256
CROSSED, ALONG, CLOSING, OPENING, CLOSING_SPEED, OPENING_SPEED = 0, 1, 2, 3, 4, 5


class Tracks(NamedTuple):
    """Ends of wanting ground under the boom, followed from look to look.

    Attributes
    ----------
    place_m, from_m, way_m : (MAX_SEAMS,) float64
        Where on the boom it is, where it was when last judged, and the way since then.
    begins : (MAX_SEAMS,) bool
        Wanting ground lies to the right of it.
    met : (MAX_SEAMS,) bool
    followed : (1,) int64
        How many of them are.
    """

    place_m: NDArray[np.float64]
    from_m: NDArray[np.float64]
    way_m: NDArray[np.float64]
    begins: NDArray[np.bool_]
    met: NDArray[np.bool_]
    followed: NDArray[np.int64]


def new_tracks() -> Tracks:
    """Nothing followed yet."""
    return Tracks(
        np.zeros(MAX_SEAMS),
        np.zeros(MAX_SEAMS),
        np.zeros(MAX_SEAMS),
        np.zeros(MAX_SEAMS, np.bool_),
        np.zeros(MAX_SEAMS, np.bool_),
        np.zeros(1, np.int64),
    )


@njit_bare
def _judge(tracks, k, rule, ignored_m, sums):  # type: ignore[no-untyped-def]  # numba infers the types
    """Add the way since a seam was last judged to that of seams crossed, or to that along seams."""
    place, start, way = tracks.place_m[k], tracks.from_m[k], tracks.way_m[k]
    if abs(place - start) >= way * LEAST_SLOPE:
        sums[CROSSED] += way
    elif min(place, start) - rule.left_m > ignored_m and rule.right_m - max(place, start) > ignored_m:
        # nearer to an end of the boom no group that there is could be shut: guidance's overlap, not a seam
        sums[ALONG] += way
    tracks.from_m[k] = place
    tracks.way_m[k] = 0.0


@njit_bare
def _end_track(tracks, k, rule, ignored_m, sums):  # type: ignore[no-untyped-def]  # numba infers the types
    """Judge what is left of a seam that is no more, and put the last one in its place."""
    if tracks.way_m[k] > 0.0:
        _judge(tracks, k, rule, ignored_m, sums)
    last = tracks.followed[0] - 1
    tracks.place_m[k], tracks.from_m[k], tracks.way_m[k] = (
        tracks.place_m[last],
        tracks.from_m[last],
        tracks.way_m[last],
    )
    tracks.begins[k], tracks.met[k] = tracks.begins[last], tracks.met[last]
    tracks.followed[0] = last


@njit_bare
def _follow(tracks, place, begins, way):  # type: ignore[no-untyped-def]  # numba infers the types
    """Go on with the nearest seam of a kind, or begin a new one; returns which."""
    best, found = REACH_M, -1
    for k in range(tracks.followed[0]):
        if tracks.begins[k] == begins and not tracks.met[k] and abs(tracks.place_m[k] - place) < best:
            best = abs(tracks.place_m[k] - place)
            found = k
    if found < 0:
        if tracks.followed[0] == MAX_SEAMS:
            return -1
        found = tracks.followed[0]
        tracks.followed[0] = found + 1
        tracks.begins[found] = begins
        tracks.from_m[found] = place
        tracks.way_m[found] = 0.0
    tracks.place_m[found] = place
    tracks.way_m[found] += way
    tracks.met[found] = True
    return found


@njit_bare
def _common_m(low_a, high_a, count_a, low_b, high_b, count_b):  # type: ignore[no-untyped-def]  # numba infers the types
    """Length common to two sets of intervals."""
    i, j, total = 0, 0, 0.0
    while i < count_a and j < count_b:
        total += max(min(high_a[i], high_b[j]) - max(low_a[i], low_b[j]), 0.0)
        if high_a[i] < high_b[j]:
            i += 1
        else:
            j += 1
    return total


@njit_bare
def _length_m(low, high, count):  # type: ignore[no-untyped-def]  # numba infers the types
    total = 0.0
    for k in range(count):
        total += high[k] - low[k]
    return total


@njit
def follow_seams(scene, rule, tracks, ignored_m, sums, wanting_m2):  # type: ignore[no-untyped-def]  # numba infers the types
    """Drive with a valve for every place, and add up what seams the boom meets.

    Parameters
    ----------
    scene : Scene
        ``scene.treated`` is filled with all that the boom passed over while spray was wanted.
    rule : Rule
    tracks : Tracks
        Fresh.
    ignored_m : float
        A seam along the passes this near to an end of the boom is none.
    sums : (6,) float64
        Receives way along seams crossed (the sum of ``|cos t| dl``) and along those that are not; boom that wanting
        ground ends under, and begins under (the sums of ``|sin t| dl``), in metres; the same times the speed.
    wanting_m2 : (p - 1,) float64
        Receives the ground of every step that wanted spray.

    Returns
    -------
    int
        ``NO_ROOM`` or ``DONE``.
    """
    drive, treated, sight = scene
    before_low = np.empty(sight.low_m.shape[1])
    before_high = np.empty(sight.low_m.shape[1])
    before = -1
    reach = max(abs(rule.left_m), abs(rule.right_m)) + 2.0 * MASK_M
    ends = (rule.left_m - rule.beside_m, rule.right_m + rule.beside_m)
    way_m, near_left_m = 0.0, -1.0
    from_step = 0
    piece_m = 0.0
    fits = True
    for a in range(drive.moving.shape[0]):
        if not fits:
            return NO_ROOM
        sweeps = drive.moving[a] and drive.wanted[a]
        turned_round = a > 0 and drive.reverse[a] != drive.reverse[a - 1]
        length = drive.distance_m[a]
        if not sweeps or turned_round or piece_m + length > MAX_PIECE_M or a - from_step >= MAX_PIECE_STEPS:
            if piece_m > 0.0:
                stretch = Stretch(from_step, 0.0, a - 1, 1.0)
                fits = put_piece(treated, stretch, rule.left_m, rule.right_m, drive.time_s[a], way_m)
            from_step, piece_m = a, 0.0
        if not drive.linked[a] or turned_round:
            fits = let_count(drive, treated, drive.time_s[a], way_m, True) and fits
            before = -1
        if not sweeps:
            before = -1
            from_step = a + 1
            for k in range(tracks.followed[0] - 1, -1, -1):
                _end_track(tracks, k, rule, ignored_m, sums)
            if drive.moving[a]:
                way_m += length
                near_left_m -= length
            continue
        if near_left_m < length:
            near_left_m = length + NEAR_SLACK_M
            find_near_edges(sight, drive.x[a], drive.y[a], reach + near_left_m)
        near_left_m -= length
        piece_m += length
        seconds = drive.time_s[a + 1] - drive.time_s[a]
        speed = length / seconds if seconds > 0.0 else 0.0
        fits = let_count(drive, treated, drive.time_s[a], way_m, False) and fits
        treated.counts[ASKED] += 1
        sight.counts[PIECES] = find_near(treated, line_at(drive, a, 0.0), line_at(drive, a, 1.0), ends, sight.near, 0)
        parts = max(np.int64(1), np.int64(np.ceil(length / STEP_M - 1e-9)))
        for n in range(parts):
            now = find_wanting(drive, treated, sight, line_at(drive, a, (n + 0.5) / parts), rule)
            low, high = sight.low_m[3], sight.high_m[3]
            for k in range(tracks.followed[0]):
                tracks.met[k] = False
            for k in range(now):
                for end in range(2):
                    place = low[k] if end == 0 else high[k]
                    if rule.left_m < place < rule.right_m:
                        m = _follow(tracks, place, end == 0, length / parts)
                        if m >= 0 and abs(tracks.place_m[m] - tracks.from_m[m]) >= MOVED_M:
                            _judge(tracks, m, rule, ignored_m, sums)
            for k in range(tracks.followed[0] - 1, -1, -1):
                if not tracks.met[k]:
                    _end_track(tracks, k, rule, ignored_m, sums)
            wanting_m2[a] += _length_m(low, high, now) * length / parts
            if before >= 0:
                common = _common_m(before_low, before_high, before, low, high, now)
                closing = _length_m(before_low, before_high, before) - common
                opening = _length_m(low, high, now) - common
                sums[CLOSING] += closing
                sums[OPENING] += opening
                sums[CLOSING_SPEED] += closing * speed
                sums[OPENING_SPEED] += opening * speed
            before = now
            for k in range(now):
                before_low[k] = low[k]
                before_high[k] = high[k]
        way_m += length
    for k in range(tracks.followed[0] - 1, -1, -1):
        _end_track(tracks, k, rule, ignored_m, sums)
    return DONE if fits else NO_ROOM


def seams_from(sums: NDArray[np.float64], target_m2: float) -> Seams:
    """The measures of a drive on a target; all 0 where there is no target."""
    if target_m2 <= 0:
        return Seams(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    crossed, along, closing, opening, closing_speed, opening_speed = (float(v) for v in sums)
    return Seams(
        crossing_per_m=crossed / target_m2,
        closing_per_m=closing / target_m2,
        opening_per_m=opening / target_m2,
        closing_m_s=closing_speed / closing if closing > 0 else 0.0,
        opening_m_s=opening_speed / opening if opening > 0 else 0.0,
        parallel_share=along / (along + crossed) if along + crossed > 0 else 0.0,
    )


def resolution_pct(seams: Seams, width_now_m: float, width_finer_m: float) -> float:
    """Over-application that narrower groups spare, per cent of the target: ``100 (w_now - w_finer) / 2 x C``."""
    return 100.0 * (width_now_m - width_finer_m) / 2.0 * seams.crossing_per_m


def timing_pct(seams: Seams, now: Valves, finer: Valves) -> float:
    """Over-application that other valves spare, per cent of the target.

    A valve that shuts ``d`` seconds later than its look-ahead allows for runs ``v d`` over every seam that ends wanted
    ground; one that opens as much too soon, over every seam where wanted ground begins. One that opens late leaves
    skips and costs nothing here.
    """

    def late(valves: Valves) -> tuple[float, float]:
        return (
            max(valves.off_delay_s - valves.look_ahead_off_s, 0.0),
            max(valves.look_ahead_on_s - valves.on_delay_s, 0.0),
        )

    (shut_now, open_now), (shut_finer, open_finer) = late(now), late(finer)
    closing = seams.closing_m_s * seams.closing_per_m * (shut_now - shut_finer)
    return 100.0 * (closing + seams.opening_m_s * seams.opening_per_m * (open_now - open_finer))
