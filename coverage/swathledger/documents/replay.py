"""The tables ``replay`` and ``model`` of ``ledger.json``: the same drive under other outlet groups."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any, Final

from swathledger.documents.document import NoteCode, Table

GROUND: Final = (
    "applied_m2",
    "covered_m2",
    "single_m2",
    "overlap_m2",
    "overlap_extra_m2",
    "skip_m2",
    "outside_m2",
    "excluded_m2",
    "over_application_m2",
)
"""Areas that every layout and the drive itself have."""


class CauseArea(Table, frozen=True, kw_only=True):
    """Ground of one cause."""

    cause: str
    area_m2: float


class SavedLine(Table, frozen=True, kw_only=True):
    """One line of a saving at equal cover; see :class:`swathledger.shutoff.results.SavingStep`."""

    step: str
    saved_l: float | None
    saved_m2: float
    saved_pct: float | None


class SavingLine(SavedLine, frozen=True, kw_only=True):
    """The same of one drive, whose products may have a price."""

    saved_money: float | None = None


class LedgerSeams(Table, frozen=True, kw_only=True):
    """What groups have to close on; see :class:`swathledger.shutoff.results.Seams`."""

    crossing_per_m: float
    closing_per_m: float
    opening_per_m: float
    closing_m_s: float | None
    opening_m_s: float | None
    parallel_share: float | None


class LedgerLayout(Table, frozen=True, kw_only=True):
    """The same drive under one set of outlet groups; ``groups`` and ``group_width_m`` are null for the limit."""

    groups: int | None
    group_width_m: float | None
    label: str
    description: str = ""
    applied_m2: float
    covered_m2: float
    single_m2: float
    overlap_m2: float
    overlap_extra_m2: float
    skip_m2: float
    outside_m2: float
    excluded_m2: float
    over_application_m2: float
    over_application_pct: float | None
    skip_pct: float | None
    standard_error_m2: float | None = None
    volume_l: float | None
    volume_per_covered_ha_l: float | None
    applied_per_covered: float | None
    saved_l: float | None
    saved_pct: float | None
    saved_money: float | None = None
    saved_vs_model_l: float | None
    saved_vs_model_pct: float | None
    saved_vs_model_money: float | None = None
    steps: tuple[SavingLine, ...] = ()
    closed_form_pct: float | None = None
    closed_form_timing_pct: float | None = None
    closed_form_doubt: str | None = None
    cause: tuple[CauseArea, ...] = ()

    def step(self, name: str) -> SavingLine | None:
        """The line of a step; None where the layout has none."""
        return next((line for line in self.steps if line.step == name), None)


class LedgerModel(Table, frozen=True, kw_only=True):
    """How far the model of the shutoff is from what was really done, against the saving that is claimed.

    ``over_application_difference_m2`` is the over-application of the log's own layout under the model less that of the
    log; ``over_applied_difference_l`` the litres of it at equal cover. ``claimed_*`` is what resolution saves by
    ``claimed_by``, and ``trusted`` whether the model is no farther off than that; None where nothing is claimed.
    """

    section_seconds_agreement_pct: float | None
    volume_difference_pct: float | None
    over_application_difference_m2: float | None = None
    over_applied_difference_l: float | None = None
    claimed_by: str | None = None
    claimed_m2: float | None = None
    claimed_l: float | None = None
    level_pct: float
    trusted: bool | None
    cell_m: float
    as_logged: LedgerLayout
    logged_layout: LedgerLayout
    floor: LedgerLayout | None = None
    seams: LedgerSeams | None = None
    spared_by: str = ""
    spared_by_cause: tuple[CauseArea, ...] = ()
    turn_over_dose_l: float | None = None
    turn_under_dose_l: float | None = None
    notes: tuple[str, ...] = ()
    note_codes: tuple[NoteCode, ...] = ()


def summed(step: str, lines: Iterable[tuple[SavingLine | None, float | None, float | None]]) -> SavingLine | None:
    """One line over many jobs, per cent of what those that have it laid; without any litres by ground.

    Parameters
    ----------
    lines : iterable of (line, litres, m2)
        Of each job its line, and what was really laid there: litres and ground treated. None: it has no such line.
    """
    having = [(line, litres, m2) for line, litres, m2 in lines if line is not None]
    known = [(line.saved_l, litres) for line, litres, _ in having if line.saved_l is not None and litres is not None]
    if not having:
        return None
    saved_m2 = math.fsum(line.saved_m2 for line, _, _ in having)
    saved_l = math.fsum(saved for saved, _ in known) if known else None
    whole = math.fsum(litres for _, litres in known) if known else math.fsum(m2 or 0.0 for _, _, m2 in having)
    part = saved_m2 if saved_l is None else saved_l
    pct = 100.0 * part / whole if whole > 0 else None
    return SavingLine(step=step, saved_l=saved_l, saved_m2=saved_m2, saved_pct=pct)


def trust(difference_m2: float, claimed_m2: float | None) -> bool | None:
    """Whether a model that is off by some ground may be asked for a saving of some; None where none is claimed."""
    return None if claimed_m2 is None or claimed_m2 <= 0 else abs(difference_m2) <= claimed_m2


def with_steps(old: dict[str, Any]) -> dict[str, Any]:
    """A ledger of schema 1 as one of schema 2.

    The lines of a saving follow from its layouts, which all had the log's own valves: nothing is saved by timing. The
    line to the floor stays unknown, since litres of the floor were reckoned by another rule.
    """
    model = old.get("model")
    if model is None:
        return old
    done, today = model["as_logged"], model["logged_layout"]

    def at_equal_cover(row: dict[str, Any]) -> tuple[float, float | None]:
        covered, litres = row["covered_m2"], row["volume_l"]
        share = done["covered_m2"] / covered if covered > 0 else 0.0
        return row["applied_m2"] * share, None if litres is None else litres * share

    def line(step: str, before: dict[str, Any], after: dict[str, Any]) -> dict[str, Any]:
        (m2, litres), (left_m2, left_l) = at_equal_cover(before), at_equal_cover(after)
        saved_l = None if litres is None or left_l is None else litres - left_l
        part, whole = (m2 - left_m2, done["applied_m2"]) if saved_l is None else (saved_l, done["volume_l"])
        pct = 100.0 * part / whole if whole else None
        return {"step": step, "saved_l": saved_l, "saved_m2": m2 - left_m2, "saved_pct": pct}

    first = [line("model", done, today), line("timing", today, today)]
    rows = [
        row if row["groups"] is None else row | {"steps": [*first, line("resolution", today, row)]}
        for row in old["replay"]
    ]
    grouped = [row for row in rows if row.get("steps") and row["group_width_m"]]
    finest = min(grouped, key=lambda row: row["group_width_m"], default=None)
    claimed = None if finest is None else finest["steps"][-1]
    difference = today["over_application_m2"] - done["over_application_m2"]
    return old | {
        "replay": rows,
        "model": model
        | {
            "over_application_difference_m2": difference,
            "over_applied_difference_l": None if first[0]["saved_l"] is None else -first[0]["saved_l"],
            "claimed_by": None if finest is None else finest["label"],
            "claimed_m2": None if claimed is None else claimed["saved_m2"],
            "claimed_l": None if claimed is None else claimed["saved_l"],
            "trusted": trust(difference, None if claimed is None else claimed["saved_m2"]),
        },
    }
