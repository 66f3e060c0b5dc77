"""What the choices of the method do to the headlines of one drive."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from swathledger.documents.document import taken
from swathledger.documents.study import ChosenOtherwise, Sensitivity, UsedSettings
from swathledger.study.headline import headlines
from swathledger.words import words

if TYPE_CHECKING:
    from swathledger.audit import Prepared


@dataclass(frozen=True, slots=True)
class Variant:
    """One choice made otherwise; ``changes`` are settings of :class:`swathledger.settings.AuditSettings`."""

    name: str
    words: str
    changes: dict[str, float]


def variants_of(prepared: Prepared) -> tuple[Variant, ...]:
    """Cell, off_when_covered and gap bridging, each one step to either side of what was used."""
    s, t = prepared.settings, words().below("study.variant.")
    cell, gap = s.cell_m or 0.1, s.max_gap_s or 6.0
    off = s.off_when_covered or 1.0
    others = [share for share in (0.5, 0.75, 1.0) if abs(share - off) > 1e-9]
    out = [
        Variant("cell_half", t("cell", cell=cell / 2), {"cell_m": cell / 2}),
        Variant("cell_double", t("cell", cell=cell * 2), {"cell_m": cell * 2}),
        *(Variant(f"off_{share:g}", t("off", share=100 * share), {"off_when_covered": share}) for share in others),
        Variant("gap_half", t("gap_half", gap=gap / 2), {"max_gap_s": gap / 2}),
        Variant("gap_double", t("gap_double", gap=gap * 2), {"max_gap_s": gap * 2}),
    ]
    return tuple(out)


def sensitivity(
    prepared: Prepared, *, finer_cells: bool = True, on_done: Callable[[], None] | None = None
) -> Sensitivity:
    """Headlines as audited, and their change under every variant, in the headline's own unit.

    Parameters
    ----------
    finer_cells : bool
        Whether to halve the cells too, which costs four times an audit.
    """
    from swathledger.audit import compute
    from swathledger.swath.build import build_swath

    base = headlines(compute(prepared))
    rows = []
    for variant in variants_of(prepared):
        if variant.name == "cell_half" and not finer_cells:
            continue
        changed = replace(prepared.settings, **variant.changes)  # type: ignore[arg-type]  # only floats are changed
        swath = prepared.swath
        if "max_gap_s" in variant.changes:
            swath = build_swath(
                prepared.log,
                prepared.machine,
                prepared.field.plane,
                max_gap_s=variant.changes["max_gap_s"],
                bridge_s=prepared.settings.bridge_s,
            )
        found = {figure.name: figure.value for figure in headlines(
            compute(replace(prepared, settings=changed, swath=swath))
        )}  # fmt: skip
        rows.append(
            ChosenOtherwise(
                variant=variant.name,
                words=variant.words,
                change={figure.name: found[figure.name] - figure.value for figure in base if figure.name in found},
            )
        )
        if on_done is not None:
            on_done()
    return Sensitivity(settings=taken(UsedSettings, prepared.settings), headlines=base, variants=tuple(rows))
