"""Ledgers typed out for tests: whole, no drive behind them; a test sets the figures that it is about."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from typing import Any

from swathledger.documents.document import converted
from swathledger.documents.ledger import Ledger
from swathledger.documents.replay import GROUND

DROP = object()
"""Takes a key out."""
PROJECTION = "+proj=laea +lat_0=-33.000000 +lon_0=123.000000 +datum=WGS84 +units=m +no_defs"


def layout(label: str = "boom", **figures: Any) -> dict[str, Any]:
    """A row of ``replay``: ground 0 and litres unknown but for those given."""
    ground = dict.fromkeys(GROUND, 0.0)
    shares = dict.fromkeys(("over_application_pct", "skip_pct", "applied_per_covered"))
    litres = dict.fromkeys(
        (
            "volume_l", "volume_per_covered_ha_l", "saved_l", "saved_pct", "saved_vs_model_l", "saved_vs_model_pct",
        )
    )  # fmt: skip
    return {"groups": None, "group_width_m": None, "label": label, **ground, **shares, **litres, **figures}


def model(**figures: Any) -> dict[str, Any]:
    """The table ``model``; the two layouts are rows of :func:`layout`."""
    return {
        "section_seconds_agreement_pct": 97.0, "volume_difference_pct": None, "level_pct": 90.0, "trusted": True,
        "cell_m": 0.1, "as_logged": layout("as logged"), "logged_layout": layout("logged"), **figures,
    }  # fmt: skip


def standing(**figures: Any) -> dict[str, Any]:
    """The table ``standing``; nothing happened but what is given."""
    return {
        "litres_l": 0.0, "measured": 0, "unmeasured": 0, "estimated_l": None, "duration_s": 0.0, "events": [],
        "likely_primes": [], "stops": [], "footprint_m": 0.3, **figures,
    }  # fmt: skip


def product(**figures: Any) -> dict[str, Any]:
    """The table ``product`` without products."""
    unknown = {"money": None, "active_g": None}
    return {
        "currency": None, "basis": "litres", "spray_rate_l_m2": None, "spray_rate_source": None,
        "changed_during_job": False, "cost_per_l": None, "cost_per_m2": None, "products": [], "applied": unknown,
        "over_applied": unknown, "standing": unknown, **figures,
    }  # fmt: skip


def balance(**figures: Any) -> dict[str, Any]:
    """The table ``balance``."""
    return {
        "logged_l": 0.0, "on_target_l": 0.0, "over_applied_l": 0.0, "by_cause": [], "standing_l": None,
        "unexplained_l": 0.0, "unexplained_pct": None, **figures,
    }  # fmt: skip


def volume(**figures: Any) -> dict[str, Any]:
    """The table ``volume``."""
    keys = ("applied_l", "target_l", "over_applied_l", "overlap_l", "outside_l", "excluded_l", "standing_l", "logged_l")
    return {**dict.fromkeys(keys, 0.0), "closure_pct": None, "set_rate_l_m2": None, **figures}


def merged(base: dict[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """A copy with tables merged key by key; lists and plain values are replaced."""
    out = copy.deepcopy(base)
    for key, value in changes.items():
        if value is DROP:
            out.pop(key, None)
        elif isinstance(value, Mapping) and isinstance(out.get(key), dict):
            out[key] = merged(out[key], value)
        else:
            out[key] = copy.deepcopy(value)
    return out


def plain_ledger(**changes: Any) -> dict[str, Any]:
    """A ledger as plain values: nothing was sprayed on a hectare but what is given, table by table."""
    ground = dict.fromkeys(GROUND, 0.0)
    beyond = dict.fromkeys((f"{name}_beyond_tolerance_m2" for name in ("overlap", "skip", "outside")), 0.0)
    rates = dict.fromkeys(("off_rate_10pct_m2", "under_rate_10pct_m2", "over_rate_10pct_m2"), 0.0)
    return merged(
        {
            "schema": Ledger.schema_name(),
            "field": {
                "id": "north", "boundary": "given", "boundary_area_m2": 10_000.0, "geodesic_area_m2": 10_000.0,
                "exclusion_area_m2": 0.0, "target_area_m2": 10_000.0, "perimeter_m": 400.0,
                "target_perimeter_m": 400.0, "perimeter_to_area_per_m": 0.04, "compactness": 0.785, "shape": 0.0625,
                "convexity": 1.0, "long_axis_bearing_deg": None, "parts": 1, "holes": 0, "exclusions": 0,
            },
            "area": {
                "target_m2": 10_000.0, **ground, "over_application_pct": None, "skip_pct": None,
                "standard_error_m2": 0.0, "standard_errors_m2": {}, **rates, "tolerance_m": 0.1, **beyond,
                "far_m2": 0.0,
            },
            "volume": None, "cause": [], "replay": [], "model": None,
            "quality": {
                "epochs": 2, "used": 2, "set_aside": [], "gaps": 0, "unbridged_m": 0.0, "median_step_s": 1.0,
                "span_s": 1.0, "passes": 1, "standing_open_s": 0.0, "position_sigma_m": None,
                "state_kind": "sections", "side_assumed": False,
            },
            "provenance": {
                "version": "0", "inputs": [], "machine": "m", "projection": PROJECTION, "cell_m": 0.1,
                "settings": {
                    "cell_m": 0.1, "revisit_s": 10.0, "max_gap_s": 6.0, "tolerance_m": 0.1, "groups": [],
                    "off_when_covered": 1.0, "field": None,
                },
            },
        },
        changes,
    )  # fmt: skip


def ledger(**changes: Any) -> Ledger:
    """The same as its model."""
    return converted(Ledger, plain_ledger(**changes), "ledger.json")
