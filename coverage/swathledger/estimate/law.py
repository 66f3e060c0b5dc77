"""The law of the moments of switching, from the log's own layout driven by the controller model."""

from __future__ import annotations

import numpy as np

from swathledger.estimate.states import Moments
from swathledger.estimate.switching import CHAIN, SETTLING, Law, fitted, leaning, likely, matched
from swathledger.estimate.ways import switched
from swathledger.field.field import Field
from swathledger.log.log import Log
from swathledger.machine.machine import Machine, Valves
from swathledger.shutoff.drive import drive_of
from swathledger.shutoff.layout import logged_layout
from swathledger.shutoff.run import Control, Job, drive_groups, logged_setting
from swathledger.swath.swath import Swath

STATED_S, UNSTATED_S = 0.05, 0.5
"""How well delays of valves are known before the log is looked at, s: where the machine file gives them, or not."""


def law_of(
    log: Log, machine: Machine, field: Field, swath: Swath, moments: Moments, control: Control, rng: np.random.Generator
) -> Law:
    """The law of the model's misses: the log's own layout driven by the model, its moments set beside the log's.

    Twice: where a valve opened tells where a later one shuts. The second time the model finds ground treated from the
    likely moments on rather than from the rows that show them.
    """
    layout = logged_layout(log, machine)
    stated = machine.valves != Valves() and not moments.as_one
    timing_s = STATED_S if stated else UNSTATED_S
    unknown = np.full(moments.row.shape[0], np.nan)
    if layout.edges_m.shape != moments.edges_m.shape or not np.allclose(layout.edges_m, moments.edges_m):
        return fitted(moments, unknown, np.zeros(unknown.shape[0]), timing_s, rng)
    law: Law | None = None
    for way in range(2):
        driven = swath if law is None else switched(swath, moments, likely(moments, law))
        job = Job(log, machine, field, driven, 1.0, control)
        switches, _ = drive_groups(job, drive_of(driven), layout, logged_setting(control), None)
        start = driven.time_s[switches.step]
        of_model = start + switches.u * (driven.time_s[switches.step + 1] - start), switches.group, switches.opens
        model = matched(moments, *of_model)
        lean = np.zeros(unknown.shape[0])
        if not moments.as_one:
            lean = leaning(layout.edges_m, *of_model, model, moments.column, moments.opens)
        law = fitted(moments, model, lean, timing_s, rng, CHAIN if way else SETTLING)
    return law if law is not None else fitted(moments, unknown, np.zeros(unknown.shape[0]), timing_s, rng)
