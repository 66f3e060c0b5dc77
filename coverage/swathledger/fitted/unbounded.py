"""What a log says of a machine where no boundary is known: :func:`setup_of_log`."""

from __future__ import annotations

from swathledger.errors import InputError
from swathledger.field.plane import plane_for
from swathledger.fitted.carrier import Setup
from swathledger.fitted.fit import fit_setup
from swathledger.fitted.told import everything, overlap_under_both
from swathledger.log.log import Log
from swathledger.machine.machine import Machine
from swathledger.motion import default_max_gap_s
from swathledger.notes import Note
from swathledger.swath.build import build_swath

TOLERANCE_M = 0.1
LEAST_ROWS = 60


def setup_of_log(log: Log, machine: Machine) -> tuple[Setup, tuple[Note, ...]]:
    """What a drive says of its machine from treated ground alone, and all of it as notes.

    Raises
    ------
    LogError
        The log does not fit the machine.
    """
    plane = plane_for(latitude_deg=log.latitude_deg, longitude_deg=log.longitude_deg)
    swath = build_swath(log, machine, plane, max_gap_s=default_max_gap_s(log.quality.median_step_s))
    sigma = log.quality.gnss_sigma_m if log.quality.gnss_sigma_m is not None else machine.gnss_sigma_m
    setup = fit_setup(log, machine, swath, tolerance_m=TOLERANCE_M if sigma is None else max(2.0 * sigma, TOLERANCE_M))
    return setup, everything(setup, overlap_under_both(log, machine, setup, swath, plane))


def told_of_log(log: Log, machine: Machine) -> tuple[Note, ...]:
    """The notes of :func:`setup_of_log`; none where log and machine do not go together or the drive is too short."""
    if len(log) < LEAST_ROWS:
        return ()
    try:
        return setup_of_log(log, machine)[1]
    except InputError:
        return ()
