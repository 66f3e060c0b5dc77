"""The columns of ``fields.parquet`` and ``replay.parquet``: name, kind, and where in the ledger they come from."""

from __future__ import annotations

import datetime as dt
import types
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final, Literal, get_args, get_type_hints

from swathledger.documents.document import Table
from swathledger.documents.ledger import Ledger, LedgerArea, LedgerField, LedgerQuality, LedgerVolume
from swathledger.documents.poured import LedgerProduct, LedgerStanding
from swathledger.documents.replay import LedgerLayout
from swathledger.grid.causes import CAUSE_ORDER
from swathledger.shutoff.results import STEPS
from swathledger.statistics import sum_of_known

Kind = Literal["text", "number", "count", "flag", "day"]
Row = dict[str, Any]
_KINDS: Final[dict[Any, Kind]] = {str: "text", float: "number", int: "count", bool: "flag", dt.date: "day"}


def columns_of(table: type[Table], leave: Iterable[str] = ()) -> dict[str, Kind]:
    """The plain values of a table of a document as columns, in order; lists and tables within are left out."""
    out: dict[str, Kind] = {}
    hints = get_type_hints(table)
    for name in table.__struct_fields__:
        plain = [part for part in get_args(hints[name]) or (hints[name],) if part is not types.NoneType]
        if len(plain) == 1 and plain[0] in _KINDS and name not in leave:
            out[name] = _KINDS[plain[0]]
    return out


IDENTITY: Final[dict[str, Kind]] = {"job": "text", "client": "text", "field": "text", "product": "text", "day": "day"}
STATUS: Final[dict[str, Kind]] = {
    "status": "text",
    "reason": "text",
    "treatment": "count",
    "treatments": "count",
    "machine": "text",
    "logs": "text",
    "boundary": "text",
    "verdict": "text",
}
FIELD: Final = columns_of(LedgerField, ("id", "exclusions"))
AREA: Final = columns_of(LedgerArea)
VOLUME: Final = columns_of(LedgerVolume, ("set_rate_l_m2",))
MODEL: Final[tuple[str, ...]] = (
    "section_seconds_agreement_pct",
    "volume_difference_pct",
    "over_application_difference_m2",
    "over_applied_difference_l",
    "claimed_m2",
    "claimed_l",
)
QUALITY: Final = columns_of(LedgerQuality)
MONEY: Final[dict[str, Kind]] = {
    "currency": "text",
    "applied_money": "number",
    "over_applied_money": "number",
    "money_basis": "text",
    "applied_active_g": "number",
    "over_applied_active_g": "number",
    "over_label_m2": "number",
}
STANDING: Final[dict[str, Kind]] = {
    "standing_measured": "count",
    "standing_unmeasured": "count",
    "standing_active_g": "number",
    "likely_primes": "count",
    "recirculating_would_keep_l": "number",
}
CAUSES: Final[tuple[str, ...]] = tuple(CAUSE_ORDER)

FIELDS: Final[dict[str, Kind]] = {
    **IDENTITY,
    **STATUS,
    **FIELD,
    **AREA,
    **VOLUME,
    **{f"cause_{cause}_{unit}": "number" for cause in CAUSES for unit in ("m2", "l")},
    **dict.fromkeys(MODEL, "number"),
    "model_trusted": "flag",
    **QUALITY,
    "assumptions": "count",
    **MONEY,
    **STANDING,
    "unexplained_l": "number",
    "cell_m": "number",
    "version": "text",
}
"""``fields.parquet``, one row a job."""

REPLAY: Final[dict[str, Kind]] = {
    **IDENTITY,
    "label": "text",
    "description": "text",
    "groups": "count",
    "group_width_m": "number",
    "target_m2": "number",
    **columns_of(LedgerLayout, ("saved_money", "saved_vs_model_money")),
    **{f"step_{step}_{unit}": "number" for step in STEPS for unit in ("m2", "l")},
    "logged_applied_m2": "number",
    "logged_volume_l": "number",
    "logged_over_application_m2": "number",
    "model_trusted": "flag",
}
"""``replay.parquet``, one row a job and layout."""

_NOT_SUMMED: Final = ("standard_error_m2", "under_rate_10pct_m2", "over_rate_10pct_m2")
SUMMED_AREAS: Final = tuple(name for name in AREA if name.endswith("_m2") and name not in _NOT_SUMMED)
SUMMED_VOLUMES: Final = tuple(name for name in VOLUME if name.endswith("_l"))


def _values(table: Table | None, names: Iterable[str]) -> Row:
    """Plain values of a table; of one that is not there None."""
    return {name: getattr(table, name, None) for name in names}


def field_row(ledger: Ledger) -> Row:
    """What a ledger says, under the names of :data:`FIELDS`; what it does not know is None."""
    model, provenance = ledger.model, ledger.provenance
    causes = {item.cause: item for item in ledger.cause}
    row = _values(ledger.field, FIELD) | _values(ledger.area, AREA) | _values(ledger.volume, VOLUME)
    for cause in CAUSES:
        found = causes.get(cause)
        row[f"cause_{cause}_m2"] = None if found is None else found.area_m2
        row[f"cause_{cause}_l"] = None if found is None else found.volume_l
    row |= _values(model, MODEL) | {"model_trusted": None if model is None else model.trusted}
    row |= _values(ledger.quality, QUALITY) | {"assumptions": len(ledger.quality.assumptions)}
    row |= _products(ledger.product) | _standing(ledger.standing, ledger.product)
    row["unexplained_l"] = None if ledger.balance is None else ledger.balance.unexplained_l
    return row | {
        "boundary": ledger.field.boundary,
        "verdict": None if ledger.verdict is None else ledger.verdict.fit,
        "cell_m": provenance.cell_m,
        "version": provenance.version,
        "machine": provenance.machine,
    }


def _products(table: LedgerProduct | None) -> Row:
    """Money and grams of all products of a job; None where one of them is not known."""
    if table is None:
        return dict.fromkeys(MONEY)
    above = [line.label.over_m2 for line in table.products if line.label.over_m2 is not None]
    priced = table.over_applied.money is not None
    return {
        "currency": table.currency if priced else None,
        "applied_money": table.applied.money,
        "over_applied_money": table.over_applied.money,
        "money_basis": table.basis if priced else None,
        "applied_active_g": table.applied.active_g,
        "over_applied_active_g": table.over_applied.active_g,
        "over_label_m2": max(above, default=None),
    }


def _standing(table: LedgerStanding | None, product: LedgerProduct | None) -> Row:
    if table is None:
        return dict.fromkeys(STANDING)
    return {
        "standing_measured": table.measured,
        "standing_unmeasured": table.unmeasured,
        "standing_active_g": None if product is None else product.standing.active_g,
        "likely_primes": len(table.likely_primes),
        "recirculating_would_keep_l": table.recirculating_would_keep_l,
    }


def replay_rows(ledger: Ledger) -> list[Row]:
    """One row a layout, under the names of :data:`REPLAY`."""
    model = ledger.model
    own = {
        "target_m2": ledger.area.target_m2,
        "logged_applied_m2": None if model is None else model.as_logged.applied_m2,
        "logged_volume_l": None if model is None else model.as_logged.volume_l,
        "logged_over_application_m2": None if model is None else model.as_logged.over_application_m2,
        "model_trusted": None if model is None else model.trusted,
    }
    names = [name for name in REPLAY if name not in IDENTITY and name not in own and not name.startswith("step_")]
    return [_values(layout, names) | own | _steps(layout) for layout in ledger.replay]


def _steps(layout: LedgerLayout) -> Row:
    """The lines of a saving at equal cover; None where a layout has none."""
    row: Row = {}
    for step in STEPS:
        line = layout.step(step)
        row[f"step_{step}_m2"] = None if line is None else line.saved_m2
        row[f"step_{step}_l"] = None if line is None else line.saved_l
    return row


def total(rows: Sequence[Mapping[str, Any]], name: str) -> float | None:
    """Exactly rounded sum of what is known; None where nothing is."""
    return sum_of_known(row[name] for row in rows)
