"""What a log is worth: its figures, a verdict, and what would make it better."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from swathledger.geodesy import distance_m, metres_per_degree
from swathledger.log.log import Log, SetAside, StateKind
from swathledger.motion import default_max_gap_s, sigma_of_third
from swathledger.notes import Measure, Note
from swathledger.text import moment

Floats = NDArray[np.float64]

_MAX_STEP_S = 5.0
_MAX_SET_ASIDE = 0.20
_MAX_GAPS = 0.25
_PAUSE_M, _BREAK_S = 5.0, 600.0
_STRAIGHT_DEG = 5.0
_ARM_M = 10.0
_NOISE_ROWS = 100


class _HasBoom(Protocol):
    """A machine as far as this stage needs it; its own stage lies to the right."""

    @property
    def boom(self) -> Any: ...

    @property
    def gnss_sigma_m(self) -> float | None: ...


@dataclass(frozen=True, slots=True)
class LogReport:
    """Fitness of a log.

    Attributes
    ----------
    inputs : tuple of str
        Names of the files.
    start_utc, end_utc : str or None
        ISO 8601; None where the date is unknown.
    span_s : float
        From the first row used to the last, s.
    epochs, used : int
        Rows read and rows used.
    set_aside : tuple of SetAside
    median_step_s, rows_per_s : float
        Median time between rows, and its inverse.
    gap_threshold_s : float
        Longer steps are gaps: 6 x the median step, at least 6 s.
    gaps : int
    gaps_s : float
        Number of gaps and their total time, s.
    gaps_lost_s : float
        Of it, the time in which spraying was probably lost, s. A gap that the last row enters shut loses none, nor does
        one over which the machine stayed within 5 m (a pause); one of more than 10 minutes (a refill, another day)
        loses what the way between its ends takes.
    distance_m, sprayed_distance_m : float
        Driven without gaps, and of it with any outlet open.
    spraying_share : float
        Share of the time outside gaps with any outlet open, 0..1.
    state_kind : {"section", "nozzle", "work", "none"}
    states, states_ever_open : int
        Outlets recorded, and how many of them were ever open.
    columns_understood : tuple of (str, str)
    columns_ignored : tuple of str
    position_noise_m : float or None
        Row-to-row noise across the track on straight driving, one sigma, m: a lower bound of the position error, for
        slow drift does not show in it. None where there is too little straight driving.
    gnss_sigma_m : float or None
        As stated by the log or the machine file.
    warnings : tuple of Note
        Every guess that was made.
    verdict : {"fit", "doubtful", "unfit"}
    reasons : tuple of Note
        Why it is unfit.
    doubts : tuple of Note
        Why it is doubtful: found by :func:`swathledger.checkup.examine.examine`, which holds the log against its track.
    better : tuple of Note
        What would make it better.
    """

    inputs: tuple[str, ...]
    start_utc: str | None
    end_utc: str | None
    span_s: float
    epochs: int
    used: int
    set_aside: tuple[SetAside, ...]
    median_step_s: float
    rows_per_s: float
    gap_threshold_s: float
    gaps: int
    gaps_s: float
    gaps_lost_s: float
    distance_m: float
    sprayed_distance_m: float
    spraying_share: float
    state_kind: StateKind
    states: int
    states_ever_open: int
    columns_understood: tuple[tuple[str, str], ...]
    columns_ignored: tuple[str, ...]
    position_noise_m: float | None
    gnss_sigma_m: float | None
    warnings: tuple[Note, ...]
    verdict: Literal["fit", "doubtful", "unfit"]
    reasons: tuple[Note, ...]
    better: tuple[Note, ...]
    doubts: tuple[Note, ...] = ()

    @property
    def fit(self) -> bool:
        """Whether the log is fit to use."""
        return self.verdict == "fit"

    def document(self, say: Callable[[Note], str]) -> dict[str, Any]:
        """Everything as plain JSON values, SI; absent knowledge is None. Notes are told by ``say``, and as codes."""
        plain: dict[str, Any] = {"schema": "swathledger/check/2", **asdict(self)}
        notes = {name: getattr(self, name) for name in ("warnings", "reasons", "doubts", "better")}
        plain |= {name: [say(note) for note in found] for name, found in notes.items()}
        plain["codes"] = {name: [note.document() for note in found] for name, found in notes.items()}
        plain["columns_understood"] = [{"name": name, "header": header} for name, header in self.columns_understood]
        return plain


def assess(log: Log, machine: _HasBoom | None = None) -> LogReport:
    """Judge a log by its figures alone.

    Parameters
    ----------
    log : Log
    machine : Machine, optional
        Gives the width where the log has none, and the receiver's sigma.

    Returns
    -------
    LogReport
        "unfit" where nothing was sprayed, the machine never moved, rows are more than 5 s apart, more than 20 % of
        the rows were set aside, spraying was lost in gaps for more than 25 % of the time, or neither states nor
        a width are known.
    """
    steps = np.diff(log.time_s)
    median = log.quality.median_step_s
    threshold = default_max_gap_s(median)
    gap = steps > threshold
    lengths = distance_m(log.latitude_deg[:-1], log.longitude_deg[:-1], log.latitude_deg[1:], log.longitude_deg[1:])
    spraying = log.state[:-1].any(axis=1) & ~gap
    span = float(log.time_s[-1] - log.time_s[0])
    driven_s = float(steps[~gap].sum())
    distance = float(lengths[~gap].sum())
    sigma = log.quality.gnss_sigma_m
    if sigma is None and machine is not None:
        sigma = machine.gnss_sigma_m
    open_into = gap & log.state[:-1].any(axis=1)
    lost_s = _lost_s(steps[open_into], lengths[open_into], distance, driven_s)
    share = float(steps[spraying].sum()) / driven_s if driven_s > 0 else 0.0
    reasons = _reasons(log, machine, median, distance, driven_s, lost_s)
    return LogReport(
        inputs=tuple(name for name, _ in log.inputs),
        start_utc=moment(log.time_s[0]) if log.time_is_absolute else None,
        end_utc=moment(log.time_s[-1]) if log.time_is_absolute else None,
        span_s=span,
        epochs=log.quality.epochs,
        used=log.quality.used,
        set_aside=log.quality.set_aside,
        median_step_s=median,
        rows_per_s=1.0 / median,
        gap_threshold_s=threshold,
        gaps=int(gap.sum()),
        gaps_s=float(steps[gap].sum()),
        gaps_lost_s=lost_s,
        distance_m=distance,
        sprayed_distance_m=float(lengths[spraying].sum()),
        spraying_share=share,
        state_kind=log.state_kind,
        states=0 if log.state_kind == "none" else int(log.state.shape[1]),
        states_ever_open=0 if log.state_kind == "none" else int(log.state.any(axis=0).sum()),
        columns_understood=log.quality.columns_understood,
        columns_ignored=log.quality.columns_ignored,
        position_noise_m=position_noise_m(log),
        gnss_sigma_m=sigma,
        warnings=log.quality.warnings,
        verdict="unfit" if reasons else "fit",
        reasons=reasons,
        better=_better(log, machine, median, int(gap.sum()), sigma),
    )


def _lost_s(gaps_s: Floats, moved_m: Floats, distance: float, driven_s: float) -> float:
    """Driving time hidden by gaps; see `LogReport.gaps_lost_s`."""
    speed = distance / driven_s if driven_s > 0 and distance > 0 else 1.0
    lost = np.where(gaps_s <= _BREAK_S, gaps_s, np.minimum(gaps_s, moved_m / speed))
    return float(lost[moved_m > _PAUSE_M].sum())


def _width_known(log: Log, machine: _HasBoom | None) -> bool:
    if machine is not None:
        return True
    return log.working_width_m is not None and bool((np.nan_to_num(log.working_width_m) > 0).any())


def _reasons(
    log: Log, machine: _HasBoom | None, median: float, distance: float, driven_s: float, lost_s: float
) -> tuple[Note, ...]:
    found = []
    if not log.state.any():
        found.append(Note.of("check.no_spraying"))
    if distance < 1.0:
        found.append(Note.of("check.never_moves"))
    if median > _MAX_STEP_S:
        found.append(Note.of("check.rows_apart", step=Measure(median, "seconds"), most=Measure(_MAX_STEP_S, "seconds")))
    aside = (log.quality.epochs - log.quality.used) / log.quality.epochs
    if aside > _MAX_SET_ASIDE:
        most = Measure(100 * _MAX_SET_ASIDE, "pct")
        found.append(Note.of("check.set_aside", share=Measure(100 * aside, "pct"), most=most))
    if lost_s > _MAX_GAPS * (driven_s + lost_s):
        share = Measure(100 * lost_s / (driven_s + lost_s), "pct")
        found.append(Note.of("check.lost_in_gaps", share=share, most=Measure(100 * _MAX_GAPS, "pct")))
    if log.state_kind in ("none", "work") and not _width_known(log, machine):
        found.append(Note.of("check.nothing_known" if log.state_kind == "none" else "check.no_width"))
    return tuple(found)


def _better(log: Log, machine: _HasBoom | None, median: float, gaps: int, sigma: float | None) -> tuple[Note, ...]:
    """Advice, most telling first."""
    found = []
    if log.state_kind == "none":
        found.append(Note.of("check.record_spray"))
    elif log.state_kind == "work":
        found.append(Note.of("check.record_sections"))
    elif not _width_known(log, machine):
        found.append(Note.of("check.give_machine"))
    if median >= 1.0:
        found.append(Note.of("check.record_faster", step=Measure(median, "seconds")))
    if log.rate_l_m2 is None and log.flow_l_s is None:
        found.append(Note.of("check.record_flow"))
    if log.heading_deg is None:
        found.append(Note.of("check.record_heading"))
    if log.reverse is None:
        found.append(Note.of("check.record_gear"))
    if sigma is None:
        found.append(Note.of("check.state_sigma"))
    if not log.time_is_absolute:
        found.append(Note.of("check.give_start"))
    if gaps:
        found.append(Note.of("check.find_gaps"))
    return tuple(found)


def position_noise_m(log: Log) -> float | None:
    """Row-to-row position noise across the track, one sigma, m.

    Third differences of evenly timed positions on straight driving cancel position, speed and acceleration; for
    white noise of variance s2 their variance is (1 + 9 + 9 + 1) s2 = 20 s2. The part across the track is taken, since
    that along it holds the jitter of the clock. The scale is the
    median absolute deviation, which a few turns do not move.

    Returns
    -------
    float or None
        None with fewer than 100 usable rows. A lower bound: receivers smooth, and drift over minutes cancels.
    """
    n = len(log)
    if n < _NOISE_ROWS:
        return None
    north_m, east_m = metres_per_degree(float(np.median(log.latitude_deg)))
    x = (log.longitude_deg - log.longitude_deg[0]) * east_m
    y = (log.latitude_deg - log.latitude_deg[0]) * north_m
    step = np.diff(log.time_s)
    length = np.hypot(np.diff(x), np.diff(y))
    typical = float(np.median(length[length > 0.05])) if (length > 0.05).any() else 0.0
    if typical == 0.0:
        return None
    arm = max(2, math.ceil(_ARM_M / typical))
    if n < 2 * arm + 4:
        return None
    median = log.quality.median_step_s
    even = np.abs(step - median) < 0.1 * median
    broken = np.concatenate([[0], np.cumsum(step > 3 * median)])
    rows = np.arange(arm, n - arm - 1)
    bx, by = x[rows] - x[rows - arm], y[rows] - y[rows - arm]
    ax, ay = x[rows + arm] - x[rows], y[rows + arm] - y[rows]
    turn = np.degrees(np.arctan2(bx * ay - by * ax, bx * ax + by * ay))
    all_even = even[rows - 1] & even[rows] & even[rows + 1] & (broken[rows + arm] == broken[rows - arm])
    moving = (np.hypot(bx, by) > 0.5 * arm * typical) & (np.hypot(ax, ay) > 0.5 * arm * typical)
    good = rows[(np.abs(turn) < _STRAIGHT_DEG) & all_even & moving]
    if good.size < _NOISE_ROWS:
        return None
    dx, dy = _third(x, good), _third(y, good)
    ux, uy = x[good + arm] - x[good - arm], y[good + arm] - y[good - arm]
    across = (dx * uy - dy * ux) / np.hypot(ux, uy)
    spread = float(np.median(np.abs(across - np.median(across))))
    return sigma_of_third(spread)


def _third(values: Floats, rows: NDArray[np.int64]) -> Floats:
    result: Floats = values[rows + 2] - 3 * values[rows + 1] + 3 * values[rows] - values[rows - 1]
    return result
