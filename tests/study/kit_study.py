"""Ledgers typed out for tests of the study: no drive behind them, every number known."""

from __future__ import annotations

import json
from pathlib import Path

from ledgerkit import layout, model, plain_ledger

from swathledger.documents.document import converted
from swathledger.documents.ledger import Ledger
from swathledger.study.collect import fields_of, job_of
from swathledger.study.collected import StudyJob

BOOM_M = 24.0
CAUTION = "The product label"


def row(label, groups, over_m2, target_m2=10_000.0):
    return layout(
        label, groups=groups, group_width_m=None if groups is None else BOOM_M / groups,
        over_application_m2=over_m2, skip_m2=1.0, applied_m2=target_m2 + over_m2, overlap_extra_m2=over_m2,
        standard_error_m2=2.0, volume_l=(target_m2 + over_m2) / 100, saved_l=0.0, saved_pct=0.0,
    )  # fmt: skip


def ledger(
    field_id="north", over=None, *, target_m2=10_000.0, done=300.0, machine="m", pa=0.02, latitude=-33.0, **shape
):  # fmt: skip
    """``over``: over-application in m2 by layout; group numbers as text."""
    over = {"boom": 800.0, "2": 400.0, "4": 200.0} if over is None else over
    groups = {"boom": 1, "limit": None, "nozzle": 48}
    return plain_ledger(
        field={
            "id": field_id, "target_area_m2": target_m2, "perimeter_to_area_per_m": pa,
            "compactness": shape.get("compactness", 0.7), "convexity": shape.get("convexity", 0.9),
            "exclusions": shape.get("exclusions", 0),
        },
        area={"target_m2": target_m2, "over_application_m2": done, "off_rate_10pct_m2": 0.08 * target_m2},
        replay=[
            row(label, groups[label] if label in groups else int(label), m2, target_m2) for label, m2 in over.items()
        ],
        model=model(
            as_logged=row("as logged", 4, done, target_m2), logged_layout=row("logged", 4, done - 20, target_m2)
        ),
        provenance={
            "machine": machine, "inputs": [{"name": "a.csv", "sha256": "0" * 64}],
            "projection": f"+proj=laea +lat_0={latitude:.6f} +lon_0=123.000000 +datum=WGS84 +units=m +no_defs",
        },
    )  # fmt: skip


def write(folder: Path, name: str, document) -> Path:
    path = folder / name
    path.mkdir(parents=True, exist_ok=True)
    (path / "ledger.json").write_text(json.dumps(document), encoding="utf-8")
    return path


def job_from(document, name="job"):
    return job_of(converted(Ledger, document, "ledger.json"), name)


def job(*args, name="job", **kwargs) -> StudyJob:
    out = job_from(ledger(*args, **kwargs), name)
    assert isinstance(out, StudyJob)
    return out


def fields(*documents):
    return fields_of([job_from(document, f"job {k}") for k, document in enumerate(documents)])


def season(folder: Path, count: int) -> Path:
    """A season folder of ``count`` fields whose figures differ in a known way."""
    for k in range(count):
        share = 1.0 + 0.2 * k
        over = {"boom": 800 * share, "2": 400 * share + 10 * (k % 3), "4": 200 * share, "nozzle": 30.0, "limit": 5.0}
        document = ledger(
            f"field {k}",
            over,
            pa=0.012 + 0.002 * k,
            done=250 * share,
            latitude=-33 + 0.1 * k,
            convexity=0.95 - 0.02 * (k % 5),
            exclusions=k % 2,
            target_m2=10_000.0 * (1 + k % 4),
        )
        write(folder, f"client {k % 2}/job {k}", document)
    return folder
