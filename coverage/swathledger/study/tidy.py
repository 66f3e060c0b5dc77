"""The tidy table field x layout and its data dictionary."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from swathledger.shutoff.results import STEPS
from swathledger.study.collected import StudyField

COLUMNS: Final = (
    ("field_number", "int64", "1", "Field, from 0 in the order read; the unit drawn in the bootstrap."),
    ("field_id", "string", "", "Name of the field as its ledger has it."),
    ("job", "string", "", "Where the ledger lies below the folder given; one audited drive."),
    ("machine", "string", "", "Name in the machine file."),
    ("boundary", "string", "", "given, derived (from the ground covered) or unknown."),
    ("layout", "string", "", "boom, a number of equal groups, nozzle, or limit (a valve a cell); logged: the log's own "
                             "layout replayed; as logged: what was really done."),
    ("groups", "int64", "1", "Number of outlet groups; empty for limit."),
    ("group_width_m", "float64", "m", "Mean width of a group; empty for limit."),
    ("over_application_pct", "float64", "%", "Overlap extra, outside and excluded, per cent of the target."),
    ("over_application_m2", "float64", "m2", "The same as an area."),
    ("standard_error_m2", "float64", "m2", "Standard error of that area by sampling in cells, and of nothing else."),
    ("overlap_extra_m2", "float64", "m2", "Second and later treatments of target ground."),
    ("outside_m2", "float64", "m2", "Treated beyond the boundary, each time it was."),
    ("excluded_m2", "float64", "m2", "Treated inside exclusions, each time it was."),
    ("skip_m2", "float64", "m2", "Target never treated."),
    ("applied_m2", "float64", "m2", "Ground treated, each time it was."),
    ("volume_l", "float64", "L", "Laid while driving."),
    ("saved_l", "float64", "L", "Litres fewer than the log's, each at its own cover: not resolution alone."),
    ("saved_pct", "float64", "%", "The same, per cent of the log's; by area where litres are not known."),
    *((f"step_{step}_{unit.lower()}", "float64", unit, f"Saved by the step {step} at equal cover, see docs/results.md.")
      for step in STEPS for unit in ("m2", "L")),
    ("closed_form_pct", "float64", "%", "What resolution saves by the closed form, per cent of the target."),
    ("target_area_m2", "float64", "m2", "Boundary less exclusions, by cells: the base of percentages of the target."),
    ("perimeter_to_area_per_m", "float64", "1/m", "Perimeter of the boundary over its area."),
    ("compactness", "float64", "1", "4 pi area / perimeter^2: circle 1, square 0.785."),
    ("convexity", "float64", "1", "Area over that of the convex hull."),
    ("exclusions", "int64", "1", "Ponds, waterways, buffers and holes, separate pieces."),
    ("exclusion_area_m2", "float64", "m2", "Their area inside the boundary, holes left out."),
    ("boom_width_m", "float64", "m", "Width of the boom."),
    ("off_rate_pct", "float64", "%", "Target treated once beyond +/-10 % of the set rate, per cent of the target."),
    ("agreement_pct", "float64", "%", "Section-seconds in which the replay of the logged layout does what was done."),
    ("trusted", "bool", "", "Whether the model's over-application of the logged layout is no farther from the log's "
                            "than what resolution is said to save."),
    ("cell_m", "float64", "m", "Side of a cell."),
    ("revisit_s", "float64", "s", "Of older ledgers: hits by one pass counted twice when farther apart than this."),
    ("off_when_covered", "float64", "1", "Share of a group's footprint that must be treated or off target to shut it."),
)  # fmt: skip
"""Name, type, unit and meaning; an empty cell is not known, never zero."""


def tidy_rows(fields: Sequence[StudyField]) -> list[dict[str, Any]]:
    """One row for every job and layout, SI, None where not known."""
    out = []
    for field in fields:
        for job in field.jobs:
            for row in job.rows:
                held: dict[str, Any] = {
                    "field_number": field.number,
                    "field_id": field.field_id,
                    "job": job.name,
                    "over_application_pct": job.over_pct(row.layout),
                }
                for name, *_ in COLUMNS:
                    if name.startswith("step_"):
                        _, step, unit = name.split("_")
                        held[name] = getattr(row.step(step), f"saved_{unit}", None)
                    elif name not in held:
                        held[name] = getattr(row, name) if hasattr(row, name) else getattr(job, name)
                out.append(held)
    return out


def write_tidy_tables(fields: Sequence[StudyField], folder: Path) -> int:
    """Write ``study.parquet``, ``study.csv`` and ``study_dictionary.csv``; returns the number of rows."""
    import csv
    import io

    import pyarrow as pa
    import pyarrow.parquet as pq

    from swathledger.text import inert

    rows = tidy_rows(fields)
    types = {"int64": pa.int64(), "string": pa.string(), "float64": pa.float64(), "bool": pa.bool_()}
    schema = pa.schema(
        [
            pa.field(name, types[kind], metadata={"unit": unit, "description": words})
            for name, kind, unit, words in COLUMNS
        ],
        metadata={"schema": "swathledger/study-table/1"},
    )
    pq.write_table(pa.Table.from_pylist(rows, schema=schema), folder / "study.parquet", compression="zstd")

    def shown(value: Any) -> str:
        if value is None:
            return ""
        if isinstance(value, bool):
            return "true" if value else "false"
        return inert(value) if isinstance(value, str) else repr(value)

    def text(lines: Sequence[Sequence[str]]) -> bytes:
        out = io.StringIO()
        csv.writer(out, lineterminator="\n").writerows(lines)
        return out.getvalue().encode()

    names = [name for name, *_ in COLUMNS]
    table = [names, *([shown(row[name]) for name in names] for row in rows)]
    (folder / "study.csv").write_bytes(text(table))
    (folder / "study_dictionary.csv").write_bytes(text([("column", "type", "unit", "meaning"), *COLUMNS]))
    return len(rows)
