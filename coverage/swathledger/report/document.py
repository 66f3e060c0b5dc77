"""``ledger.json``: one audited field as plain numbers, SI, absent knowledge null."""

from __future__ import annotations

import json
import math
from typing import Any

from swathledger import __version__
from swathledger.field.shape import shape_metrics
from swathledger.ledger.accounting import CAUSE_ORDER, Accounting
from swathledger.ledger.balance import balance_of
from swathledger.money.account import ProductAccount, standing_litres_known
from swathledger.report.audited import Audit
from swathledger.report.product import product_table
from swathledger.report.standing import standing_table
from swathledger.shutoff.results import LayoutResult, Replay

SCHEMA = "swathledger/ledger/1"
_AREA_KEYS = (
    "applied",
    "covered",
    "single",
    "overlap",
    "overlap_extra",
    "skip",
    "outside",
    "excluded",
    "over_application",
)


def _share(part: float, whole: float) -> float | None:
    return 100.0 * part / whole if whole > 0 else None


def _rounded(value: Any) -> Any:
    """Numbers to 12 significant digits and 9 decimals at least: free of the last bits' noise."""
    if isinstance(value, bool) or value is None or isinstance(value, (str, int)):
        return value
    if isinstance(value, float):
        if not math.isfinite(value):
            return None
        return 0.0 if abs(value) < 1e-9 else float(f"{value:.12g}")
    if isinstance(value, dict):
        return {key: _rounded(item) for key, item in value.items()}
    return [_rounded(item) for item in value]


def _field(audit: Audit) -> dict[str, Any]:
    field, shape = audit.field, shape_metrics(audit.field)
    recorded = field.recorded_area_m2
    return {
        "id": field.field_id,
        "boundary": field.source,
        "boundary_area_m2": field.boundary_area_m2,
        "geodesic_area_m2": field.geodesic_area_m2,
        "recorded_area_m2": recorded,
        "recorded_minus_boundary_pct": None
        if recorded is None
        else _share(recorded - field.geodesic_area_m2, field.geodesic_area_m2),
        "exclusion_area_m2": field.exclusion_area_m2,
        "target_area_m2": shape.target_area_m2,
        "perimeter_m": shape.perimeter_m,
        "target_perimeter_m": shape.target_perimeter_m,
        "perimeter_to_area_per_m": shape.perimeter_to_area_per_m,
        "compactness": shape.compactness,
        "shape": shape.shape,
        "convexity": shape.convexity,
        "long_axis_bearing_deg": shape.long_axis_bearing_deg,
        "parts": shape.part_count,
        "holes": shape.hole_count,
        "exclusions": shape.exclusion_count,
        "notes": list(field.notes),
    }


def _area(accounting: Accounting) -> dict[str, Any]:
    areas = accounting.areas
    h2 = areas.cell_m**2
    target = areas.m2("target")
    out: dict[str, Any] = {"target_m2": target}
    out.update({f"{name}_m2": areas.m2(name) for name in _AREA_KEYS})
    out["over_application_pct"] = _share(areas.m2("over_application"), target)
    out["skip_pct"] = _share(areas.m2("skip"), target)
    errors = {name: areas.standard_error_m2(name) for name in ("target", *_AREA_KEYS)}
    out["standard_error_m2"] = max(errors.values())
    out["standard_errors_m2"] = {f"{name}_m2": value for name, value in errors.items()}
    out["off_rate_10pct_m2"] = (areas.off_rate_low_cells + areas.off_rate_high_cells) * h2
    out["under_rate_10pct_m2"] = areas.off_rate_low_cells * h2
    out["over_rate_10pct_m2"] = areas.off_rate_high_cells * h2
    out["tolerance_m"] = areas.tolerance_m
    for name in ("overlap", "skip", "outside"):
        out[f"{name}_beyond_tolerance_m2"] = areas.beyond_cells[name] * h2
    out["far_m2"] = accounting.far_m2
    return out


def _volume(accounting: Accounting, standing_known: bool) -> dict[str, Any] | None:
    volumes = accounting.volumes
    if volumes is None:
        return None
    return {
        "applied_l": volumes.applied_l,
        "target_l": volumes.target_l,
        "over_applied_l": volumes.over_applied_l,
        "overlap_l": volumes.overlap_l,
        "outside_l": volumes.outside_l,
        "excluded_l": volumes.excluded_l,
        "standing_l": volumes.standing_l if standing_known else None,
        "logged_l": volumes.logged_l,
        "closure_pct": volumes.closure_pct,
        "set_rate_l_m2": accounting.set_rate_l_m2,
    }


def _balance(accounting: Accounting, standing_known: bool) -> dict[str, Any] | None:
    if accounting.volumes is None:
        return None
    balance = balance_of(accounting.volumes, standing_known=standing_known)
    return {
        "logged_l": balance.logged_l,
        "on_target_l": balance.on_target_l,
        "over_applied_l": balance.over_applied_l,
        "by_cause": [{"cause": cause, "volume_l": litres} for cause, litres in balance.by_cause_l.items()],
        "standing_l": balance.standing_l,
        "unexplained_l": balance.unexplained_l,
        "unexplained_pct": balance.unexplained_pct,
    }


def _causes(accounting: Accounting, standing_known: bool) -> list[dict[str, Any]]:
    h2 = accounting.areas.cell_m**2
    volumes = accounting.volumes

    def litres(cause: str) -> float | None:
        if volumes is None or (cause == "standing" and not standing_known):
            return None
        return volumes.by_cause_l[cause]

    return [
        {"cause": cause, "area_m2": accounting.cause_cells[cause] * h2, "volume_l": litres(cause)}
        for cause in CAUSE_ORDER
    ]


def _layout(result: LayoutResult, replay: Replay, products: ProductAccount | None) -> dict[str, Any]:
    target = result.m2("target")
    covered_ha = result.m2("covered") / 1e4
    base, model = replay.as_logged, replay.logged

    def saved(reference: LayoutResult) -> tuple[float | None, float | None]:
        """Litres and per cent spared against a reference; per cent by area where litres are unknown."""
        if reference.volume_l is None or result.volume_l is None:
            return None, _share(reference.m2("applied") - result.m2("applied"), reference.m2("applied"))
        return reference.volume_l - result.volume_l, _share(reference.volume_l - result.volume_l, reference.volume_l)

    saved_l, saved_pct = saved(base)
    model_l, model_pct = saved(model)

    def money(reference: LayoutResult, litres: float | None) -> float | None:
        spared_m2 = reference.m2("applied") - result.m2("applied")
        return None if products is None else products.saved_money(litres, spared_m2)

    per_ha = result.volume_l / covered_ha if result.volume_l is not None and covered_ha > 0 else None
    out: dict[str, Any] = {
        "groups": None if result.layout.limit else result.layout.groups,
        "group_width_m": result.layout.group_width_m,
        "label": result.layout.name,
        "description": result.layout.label,
    }
    out.update({f"{name}_m2": result.m2(name) for name in _AREA_KEYS})
    out.update(
        {
            "over_application_pct": _share(result.m2("over_application"), target),
            "skip_pct": _share(result.m2("skip"), target),
            "standard_error_m2": result.standard_error_m2,
            "volume_l": result.volume_l,
            "volume_per_covered_ha_l": per_ha,
            "applied_per_covered": result.m2("applied") / result.m2("covered") if covered_ha > 0 else None,
            "saved_l": saved_l,
            "saved_pct": saved_pct,
            "saved_money": money(base, saved_l),
            "saved_vs_model_l": model_l,
            "saved_vs_model_pct": model_pct,
            "saved_vs_model_money": money(model, model_l),
            "cause": [
                {"cause": cause, "area_m2": result.by_cause_cells[cause] * result.cell_m**2} for cause in CAUSE_ORDER
            ],
        }
    )
    return out


def _model(replay: Replay | None, products: ProductAccount | None) -> dict[str, Any] | None:
    if replay is None:
        return None
    h2 = replay.as_logged.cell_m**2
    agreement = replay.agreement_pct
    return {
        "section_seconds_agreement_pct": agreement,
        "volume_difference_pct": replay.volume_difference_pct,
        "level_pct": replay.level_pct,
        "trusted": None if agreement is None else agreement >= replay.level_pct,
        "cell_m": replay.as_logged.cell_m,
        "as_logged": _layout(replay.as_logged, replay, products),
        "logged_layout": _layout(replay.logged, replay, products),
        "spared_by": replay.spared_by,
        "spared_by_cause": [{"cause": cause, "area_m2": replay.spared_cells[cause] * h2} for cause in CAUSE_ORDER],
        "turn_over_dose_l": replay.turn_spared_l,
        "turn_under_dose_l": replay.turn_short_l,
        "notes": list(replay.notes),
    }


def _quality(audit: Audit) -> dict[str, Any]:
    quality, swath = audit.log.quality, audit.swath
    return {
        "epochs": quality.epochs,
        "used": quality.used,
        "set_aside": [{"reason": s.reason, "count": s.count, "example": s.example} for s in quality.set_aside],
        "gaps": swath.gaps,
        "unbridged_m": swath.unbridged_m,
        "median_step_s": quality.median_step_s,
        "span_s": float(audit.log.time_s[-1] - audit.log.time_s[0]),
        "passes": swath.pass_count,
        "standing_open_s": swath.standing_open_s,
        "position_sigma_m": swath.sigma_m,
        "state_kind": audit.log.state_kind,
        "side_assumed": swath.width_by_row,
        "columns_understood": [list(pair) for pair in quality.columns_understood],
        "columns_ignored": list(quality.columns_ignored),
        "assumptions": list(audit.assumptions),
    }


def _provenance(audit: Audit) -> dict[str, Any]:
    settings = audit.settings
    inputs = [*audit.log.inputs, *audit.field.inputs]
    if audit.machine.source is not None:
        inputs.append(audit.machine.source)
    unique = list(dict.fromkeys(inputs))
    return {
        "version": __version__,
        "inputs": [{"name": name, "sha256": digest} for name, digest in unique],
        "machine": audit.machine.name,
        "settings": {
            "cell_m": settings.cell_m,
            "revisit_s": settings.revisit_s,
            "max_gap_s": settings.max_gap_s,
            "tolerance_m": settings.tolerance_m,
            "groups": list(settings.groups or ()),
            "off_when_covered": settings.off_when_covered,
            "field": settings.field_id,
            "product": settings.product,
        },
        "projection": audit.field.plane.proj4,
        "cell_m": audit.accounting.areas.cell_m,
        "method": "cell sampling at one hashed point a cell; see docs/method.md",
    }


def ledger_document(audit: Audit) -> dict[str, Any]:
    """The document of ``ledger.json`` as plain Python values, keys in the order of the schema."""
    accounting, replay, products = audit.accounting, audit.replay, audit.products
    standing_known = standing_litres_known(audit.log, audit.swath)
    document: dict[str, Any] = {
        "schema": SCHEMA,
        "field": _field(audit),
        "area": _area(accounting),
        "volume": _volume(accounting, standing_known),
        "balance": _balance(accounting, standing_known),
        "cause": _causes(accounting, standing_known),
        "standing": standing_table(audit.standing, audit.log),
        "product": product_table(products),
        "replay": [] if replay is None else [_layout(result, replay, products) for result in replay.results],
        "model": _model(replay, products),
        "quality": _quality(audit),
        "provenance": _provenance(audit),
    }
    out: dict[str, Any] = _rounded(document)
    return out


def ledger_bytes(document: dict[str, Any]) -> bytes:
    """UTF-8 text of a document: the same document gives the same bytes."""
    return (json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()
