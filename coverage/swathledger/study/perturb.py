"""One drive under drawn errors: receiver, boundary, antenna, latency, and the step of the log."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from swathledger.errors import InputError
from swathledger.estimate.fields import moved_field
from swathledger.notes import Measure, Note
from swathledger.statistics import gauss_markov, streams
from swathledger.study.switch_timing import placed_switches, rate_of, unwrapped_deg

if TYPE_CHECKING:
    from swathledger.audit import Prepared
    from swathledger.log.log import Log
    from swathledger.machine.machine import Machine

Floats = NDArray[np.float64]
Source = Literal["gnss", "boundary", "antenna", "latency", "log_step"]
SOURCES: tuple[Source, ...] = ("gnss", "boundary", "antenna", "latency", "log_step")
_SIZES: dict[Source, tuple[str, ...]] = {
    "gnss": ("gnss_sigma_m", "heading_sigma_deg"), "boundary": ("boundary_sigma_m",), "antenna": ("antenna_sigma_m",),
    "latency": ("latency_sigma_s",), "log_step": ("log_step",),
}  # fmt: skip
GNSS_CLASSES: dict[str, tuple[float, float]] = {
    "rtk": (0.02, 60.0), "corrected": (0.06, 120.0), "uncorrected": (0.60, 300.0),
}  # fmt: skip
"""Horizontal sigma of one axis, m, and correlation time, s, by class of receiver. Orders of magnitude of common
practice; corrected and uncorrected lie inside the 95 % errors of Maldaner et al. 2021 (Sci. Agric. 78(5))."""


@dataclass(frozen=True, slots=True)
class ErrorModel:
    """How far each input may be off; one sigma each, 0 switches a source off.

    Attributes
    ----------
    gnss_sigma_m : float
        One axis of the antenna's position.
    gnss_time_s : float
        Correlation time of its slow part, a first-order Gauss-Markov process.
    gnss_white_share : float
        Share of its variance that is white.
    heading_sigma_deg : float
        Of a logged heading, anew in every row; goes with the receiver. 0.2 degrees are 2 cm at the end of a boom of
        12 m. Without logged headings the course follows from positions and errs with them.
    boundary_sigma_m : float
        One axis of the boundary and of exclusions, correlated along the line.
    boundary_length_m : float
        That correlation's length (Gaussian).
    antenna_sigma_m : float
        Of the antenna's place, ahead and to the right, the same all drive long.
    latency_sigma_s : float
        Of a delay between logged states and positions, the same all drive long.
    log_step : float
        Share of a step within which a switch that shows at its end may really have happened, about the step's middle,
        and share of the bend between rows that is drawn (:func:`swathledger.study.switch_timing.bends`); 1 or 0.
    """

    gnss_sigma_m: float = 0.06
    gnss_time_s: float = 120.0
    gnss_white_share: float = 0.1
    heading_sigma_deg: float = 0.2
    boundary_sigma_m: float = 0.10
    boundary_length_m: float = 50.0
    antenna_sigma_m: float = 0.05
    latency_sigma_s: float = 0.15
    log_step: float = 1.0

    def __post_init__(self) -> None:
        for name in ("gnss_sigma_m", "heading_sigma_deg", "boundary_sigma_m", "antenna_sigma_m", "latency_sigma_s"):
            value = getattr(self, name)
            if not 0 <= value < math.inf:
                raise InputError(f"must not be negative, found {value!r}.", column=name)
        if not 0 <= self.log_step <= 1:
            raise InputError(f"must lie in 0..1, found {self.log_step!r}.", column="log_step")
        for name in ("gnss_time_s", "boundary_length_m"):
            value = getattr(self, name)
            if not 0 < value < math.inf:
                raise InputError(f"must be above 0, found {value!r}.", column=name)
        if not 0 <= self.gnss_white_share <= 1:
            raise InputError(f"must lie in 0..1, found {self.gnss_white_share!r}.", column="gnss_white_share")


def error_model_for(prepared: Prepared, gnss_class: str | None = None) -> tuple[ErrorModel, list[Note]]:
    """The error model of a drive, and what was assumed.

    The class of receiver asked for comes first, then the sigma of the log, then that of the machine file; without any
    of them a corrected receiver is assumed.

    Raises
    ------
    InputError
        There is no such class.
    """
    base, notes = ErrorModel(), []
    if gnss_class is not None and gnss_class not in GNSS_CLASSES:
        raise InputError(f"{gnss_class!r} is no class of receiver.", hint=f"Use one of {', '.join(GNSS_CLASSES)}.")
    known = prepared.log.quality.gnss_sigma_m
    known = prepared.machine.gnss_sigma_m if known is None else known
    if gnss_class is not None:
        sigma, time_s = GNSS_CLASSES[gnss_class]
        notes.append(Note.of("study.receiver_class", kind=gnss_class, sigma=Measure(sigma, "length")))
    elif known is not None:
        sigma = known
        time_s = min(GNSS_CLASSES.values(), key=lambda item: abs(math.log(max(item[0], 1e-6) / max(sigma, 1e-6))))[1]
        notes.append(Note.of("study.receiver_stated", sigma=Measure(sigma, "length"), time=Measure(time_s, "seconds")))
    else:
        sigma, time_s = GNSS_CLASSES["corrected"]
        notes.append(Note.of("study.receiver_assumed", sigma=Measure(sigma, "length")))
    if prepared.log.heading_deg is not None:
        notes.append(Note.of("study.headings", sigma_deg=base.heading_sigma_deg))
    boundary = base.boundary_sigma_m
    if prepared.field.source == "derived":
        boundary = 0.0
        notes.append(Note.of("study.boundary_derived"))
    else:
        along = Measure(base.boundary_length_m, "length")
        notes.append(Note.of("study.boundary", sigma=Measure(boundary, "length"), along=along))
    antenna, latency = Measure(base.antenna_sigma_m, "length"), Measure(base.latency_sigma_s, "seconds")
    notes.append(Note.of("study.antenna_and_latency", antenna=antenna, latency=latency))
    notes.append(Note.of("study.steps", step=Measure(prepared.log.quality.median_step_s, "seconds")))
    return replace(base, gnss_sigma_m=sigma, gnss_time_s=time_s, boundary_sigma_m=boundary), notes


def moved_log(log: Log, prepared: Prepared, errors: ErrorModel, rng: dict[str, np.random.Generator]) -> Log:
    """The log with its positions and headings moved by receiver error and latency."""
    plane = prepared.field.plane
    x, y = plane.forward(log.latitude_deg, log.longitude_deg)
    heading = log.heading_deg
    if errors.latency_sigma_s > 0 and len(log) > 2:
        delay = errors.latency_sigma_s * float(rng["latency"].standard_normal())
        # a delay of the states is the same as positions read that much later; not across gaps, where speed is unknown
        rate = np.stack([rate_of(x, log.time_s), rate_of(y, log.time_s)])
        x, y = x + delay * rate[0], y + delay * rate[1]
        if heading is not None:
            swing = rate_of(unwrapped_deg(heading), log.time_s)
            heading = np.where(np.isfinite(heading), (heading + delay * swing) % 360.0, np.nan)
    if errors.gnss_sigma_m > 0:
        n, steps, sigma = len(log), np.diff(log.time_s), errors.gnss_sigma_m
        slow = sigma * math.sqrt(1 - errors.gnss_white_share)
        east, north = (gauss_markov(rng["gnss"], n, steps, errors.gnss_time_s, slow) for _ in range(2))
        white = sigma * math.sqrt(errors.gnss_white_share) * rng["gnss"].standard_normal((2, n))
        x, y = x + east + white[0], y + north + white[1]
    if errors.heading_sigma_deg > 0 and heading is not None:
        heading = (heading + errors.heading_sigma_deg * rng["gnss"].standard_normal(len(log))) % 360.0
    latitude, longitude = plane.inverse(x, y)
    return replace(log, latitude_deg=latitude, longitude_deg=longitude, heading_deg=heading)


def moved_machine(machine: Machine, errors: ErrorModel, rng: np.random.Generator) -> Machine:
    """The machine with its antenna elsewhere; on a trailed machine the way to the hitch is what is off."""
    ahead, right = errors.antenna_sigma_m * rng.standard_normal(2)
    antenna = replace(machine.antenna, right_of_centre_m=machine.antenna.right_of_centre_m + float(right))
    if machine.hitch is not None:
        hitch = replace(machine.hitch, antenna_to_hitch_m=machine.hitch.antenna_to_hitch_m + float(ahead))
        return replace(machine, antenna=antenna, hitch=hitch)
    return replace(machine, antenna=replace(antenna, ahead_of_boom_m=antenna.ahead_of_boom_m + float(ahead)))


def perturbed(prepared: Prepared, errors: ErrorModel, seed: np.random.SeedSequence) -> Prepared:
    """The prepared drive under one draw of all errors.

    Each source has a stream of its own: switching one off leaves what is drawn for the others. Switches lie in the
    middle of their steps where the log's step is switched off.
    """
    from swathledger.swath.build import build_swath

    rng = streams(seed, SOURCES)
    machine, field = prepared.machine, prepared.field
    log = prepared.log
    if errors.gnss_sigma_m > 0 or errors.heading_sigma_deg > 0 or errors.latency_sigma_s > 0:
        log = moved_log(log, prepared, errors, rng)
    # after the errors of the rows: a row put in must not get white noise of its own a hair beside its neighbour
    log = placed_switches(log, prepared, rng["log_step"] if errors.log_step > 0 else None, errors.log_step)
    if errors.boundary_sigma_m > 0:
        field = moved_field(field, errors.boundary_sigma_m, rng["boundary"], length_m=errors.boundary_length_m)
    if errors.antenna_sigma_m > 0:
        machine = moved_machine(machine, errors, rng["antenna"])
    swath = prepared.swath
    if log is not prepared.log or machine is not prepared.machine:
        swath = build_swath(
            log, machine, field.plane, max_gap_s=prepared.settings.max_gap_s, bridge_s=prepared.settings.bridge_s
        )
    return replace(prepared, log=log, machine=machine, field=field, swath=swath)


def only(errors: ErrorModel, source: Source) -> ErrorModel:
    """The error model with one source left."""
    return replace(errors, **{key: 0.0 for name, keys in _SIZES.items() if name != source for key in keys})


def scaled(errors: ErrorModel, share: float) -> ErrorModel:
    """The error model with every size a share of what it is, 0 to 1; correlation lengths and times stay."""
    return replace(errors, **{key: share * getattr(errors, key) for keys in _SIZES.values() for key in keys})


NO_ERROR = scaled(ErrorModel(), 0.0)
"""No error at all; switches still lie in the middle of their steps."""
