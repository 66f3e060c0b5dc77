"""The columns of ``fields.parquet`` and ``replay.parquet``: name, kind, and where in the ledger they come from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final, Literal

from swathledger.ledger.accounting import CAUSE_ORDER

Kind = Literal["text", "number", "count", "flag", "day"]
Row = dict[str, Any]

IDENTITY: Final[dict[str, Kind]] = {"job": "text", "client": "text", "field": "text", "product": "text", "day": "day"}
STATUS: Final[dict[str, Kind]] = {
    "status": "text",
    "reason": "text",
    "treatment": "count",
    "treatments": "count",
    "machine": "text",
    "logs": "text",
    "boundary": "text",
}
FIELD: Final[tuple[str, ...]] = (
    "boundary_area_m2",
    "geodesic_area_m2",
    "recorded_area_m2",
    "recorded_minus_boundary_pct",
    "exclusion_area_m2",
    "target_area_m2",
    "perimeter_m",
    "target_perimeter_m",
    "perimeter_to_area_per_m",
    "compactness",
    "shape",
    "convexity",
    "long_axis_bearing_deg",
)
AREA: Final[tuple[str, ...]] = (
    "target_m2",
    "applied_m2",
    "covered_m2",
    "single_m2",
    "overlap_m2",
    "overlap_extra_m2",
    "skip_m2",
    "outside_m2",
    "excluded_m2",
    "over_application_m2",
    "over_application_pct",
    "skip_pct",
    "standard_error_m2",
    "off_rate_10pct_m2",
    "under_rate_10pct_m2",
    "over_rate_10pct_m2",
    "tolerance_m",
    "overlap_beyond_tolerance_m2",
    "skip_beyond_tolerance_m2",
    "outside_beyond_tolerance_m2",
    "far_m2",
)
VOLUME: Final[tuple[str, ...]] = (
    "applied_l",
    "target_l",
    "over_applied_l",
    "overlap_l",
    "outside_l",
    "excluded_l",
    "standing_l",
    "logged_l",
    "closure_pct",
)
MODEL: Final[tuple[str, ...]] = ("section_seconds_agreement_pct", "volume_difference_pct")
QUALITY: Final[dict[str, Kind]] = {
    "epochs": "count",
    "used": "count",
    "gaps": "count",
    "unbridged_m": "number",
    "median_step_s": "number",
    "span_s": "number",
    "passes": "count",
    "standing_open_s": "number",
    "position_sigma_m": "number",
    "state_kind": "text",
    "side_assumed": "flag",
}
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
    **dict.fromkeys(FIELD, "number"),
    "parts": "count",
    "holes": "count",
    **dict.fromkeys(AREA, "number"),
    **dict.fromkeys(VOLUME, "number"),
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
    **dict.fromkeys(
        (
            "applied_m2",
            "covered_m2",
            "single_m2",
            "overlap_m2",
            "overlap_extra_m2",
            "skip_m2",
            "outside_m2",
            "excluded_m2",
            "over_application_m2",
            "over_application_pct",
            "skip_pct",
            "standard_error_m2",
            "volume_l",
            "volume_per_covered_ha_l",
            "applied_per_covered",
            "saved_l",
            "saved_pct",
            "saved_vs_model_l",
            "saved_vs_model_pct",
        ),
        "number",
    ),
    "logged_volume_l": "number",
    "logged_over_application_m2": "number",
    "model_trusted": "flag",
}
"""``replay.parquet``, one row a job and layout."""

SUMMED_AREAS: Final[tuple[str, ...]] = (
    "target_m2",
    "applied_m2",
    "covered_m2",
    "single_m2",
    "overlap_m2",
    "overlap_extra_m2",
    "skip_m2",
    "outside_m2",
    "excluded_m2",
    "over_application_m2",
    "off_rate_10pct_m2",
    "overlap_beyond_tolerance_m2",
    "skip_beyond_tolerance_m2",
    "outside_beyond_tolerance_m2",
    "far_m2",
)
SUMMED_VOLUMES: Final[tuple[str, ...]] = (
    "applied_l",
    "target_l",
    "over_applied_l",
    "overlap_l",
    "outside_l",
    "excluded_l",
    "standing_l",
    "logged_l",
)


def field_row(document: Mapping[str, Any]) -> Row:
    """What a ledger says, under the names of :data:`FIELDS`; what it does not know is None."""
    field, area = document["field"], document["area"]
    volume, model = document["volume"] or {}, document["model"] or {}
    quality, provenance = document["quality"], document["provenance"]
    row: Row = {"boundary": field["boundary"], "parts": field.get("parts"), "holes": field.get("holes")}
    row |= {name: field.get(name) for name in FIELD}
    row |= {name: area.get(name) for name in AREA}
    row |= {name: volume.get(name) for name in VOLUME}
    causes = {item["cause"]: item for item in document["cause"]}
    for cause in CAUSES:
        found = causes.get(cause, {})
        row |= {f"cause_{cause}_m2": found.get("area_m2"), f"cause_{cause}_l": found.get("volume_l")}
    row |= {name: model.get(name) for name in MODEL}
    row["model_trusted"] = model.get("trusted")
    row |= {name: quality.get(name) for name in QUALITY}
    row |= _products(document.get("product"))
    row |= _standing(document.get("standing"), document.get("product"))
    row["unexplained_l"] = (document.get("balance") or {}).get("unexplained_l")
    row["assumptions"] = len(quality["assumptions"])
    row |= {"cell_m": provenance["cell_m"], "version": provenance["version"], "machine": provenance.get("machine")}
    return row


def _products(table: Mapping[str, Any] | None) -> Row:
    """Money and grams of all products of a job; None where one of them is not known."""
    if table is None:
        return dict.fromkeys(MONEY)
    above = [book["label"]["over_m2"] for book in table["products"] if book["label"]["over_m2"] is not None]
    over, applied = table["over_applied"], table["applied"]
    priced = over["money"] is not None
    return {
        "currency": table["currency"] if priced else None,
        "applied_money": applied["money"],
        "over_applied_money": over["money"],
        "money_basis": table["basis"] if priced else None,
        "applied_active_g": applied["active_g"],
        "over_applied_active_g": over["active_g"],
        "over_label_m2": max(above, default=None),
    }


def _standing(table: Mapping[str, Any] | None, product: Mapping[str, Any] | None) -> Row:
    if table is None:
        return dict.fromkeys(STANDING)
    return {
        "standing_measured": table["measured"],
        "standing_unmeasured": table["unmeasured"],
        "standing_active_g": None if product is None else product["standing"]["active_g"],
        "likely_primes": len(table["likely_primes"]),
        "recirculating_would_keep_l": table["recirculating_would_keep_l"],
    }


def replay_rows(document: Mapping[str, Any]) -> list[Row]:
    """One row a layout, under the names of :data:`REPLAY`."""
    model, volume, area = document["model"] or {}, document["volume"] or {}, document["area"]
    out = []
    for layout in document["replay"]:
        row = {name: layout.get(name) for name in REPLAY if name not in IDENTITY}
        row |= {
            "target_m2": area["target_m2"],
            "logged_volume_l": (model.get("as_logged") or volume).get("volume_l"),
            "logged_over_application_m2": (model.get("as_logged") or area).get("over_application_m2"),
            "model_trusted": model.get("trusted"),
        }
        out.append(row)
    return out


def total(rows: Sequence[Row], name: str) -> float | None:
    """Exactly rounded sum of what is known; None where nothing is."""
    import math

    known = [row[name] for row in rows if row[name] is not None]
    return math.fsum(known) if known else None
