"""``ledger.gpkg``: boundary, drive and pieces of ground as layers of a GeoPackage in WGS84."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from swathledger.documents.document import plain
from swathledger.documents.table import unit_of
from swathledger.errors import OutputError
from swathledger.field.plane import to_degrees
from swathledger.files import plain_target
from swathledger.report import drive
from swathledger.report.polygonise import KINDS, Piece, Pieces, spared_pieces
from swathledger.text import moment
from swathledger.units import l_ha_from_l_m2
from swathledger.words import words

if TYPE_CHECKING:
    from swathledger.documents.ledger import Ledger
    from swathledger.report.audited import Audit

Row = dict[str, Any]
Columns = dict[str, str]
"""Name of a column and its kind: ``i`` whole number, ``f`` number, ``s`` text."""

RUN: Final[Columns] = {
    "start_utc": "s",
    "end_utc": "s",
    "start_s": "f",
    "end_s": "f",
    "length_m": "f",
    "heading_deg": "f",
    "mean_speed_m_s": "f",
    "mean_width_m": "f",
    "mean_rate_l_ha": "f",
    "volume_l": "f",
}
PIECE: Final[Columns] = {"piece": "i", "area_m2": "f", "times_treated_mean": "f", "dose_mean": "f", "dose_unit": "s"}
LAYERS: Final[dict[str, tuple[str, Columns]]] = {
    "boundary": (
        "MultiPolygon",
        {"field_id": "s", "source": "s", "area_m2": "f", "geodesic_area_m2": "f", "perimeter_m": "f"},
    ),
    "exclusions": ("MultiPolygon", {"exclusion": "i", "area_m2": "f"}),
    "passes": ("MultiLineString", {"pass": "i", "line": "i", **RUN}),
    "states": ("MultiLineString", {"state": "i", "open_nozzles": "s", **RUN}),
    "overlap": ("MultiPolygon", {"cause": "s", **PIECE, "extra_m2": "f"}),
    "skip": ("MultiPolygon", {"piece": "i", "area_m2": "f"}),
    "outside": ("MultiPolygon", {**PIECE, "treated_m2": "f"}),
    "excluded": ("MultiPolygon", {**PIECE, "treated_m2": "f"}),
    "not_recorded": ("MultiPolygon", {"piece": "i", "area_m2": "f"}),
    "gaps": (
        "MultiLineString",
        {"start_utc": "s", "start_s": "f", "duration_s": "f", "length_m": "f", "spraying": "s", "bridged": "s"},
    ),
    "spared": ("MultiPolygon", {"piece": "i", "cause": "s", "spared_by": "s", "area_m2": "f"}),
    "standing": (
        "Point",
        {
            "start_utc": "s",
            "start_s": "f",
            "duration_s": "f",
            "volume_l": "f",
            "volume_from": "s",
            "occasion": "s",
            "distance_to_boundary_m": "f",
            "inside_boundary": "s",
            "distance_to_exclusion_m": "f",
            "nozzles_to_boundary_m": "f",
            "nozzles_to_exclusion_m": "f",
        },
    ),
    "stops": ("Point", {"start_utc": "s", "start_s": "f", "duration_s": "f", "logged": "s", "long": "s"}),
    "summary": ("", {"quantity": "s", "value": "f", "unit": "s", "note": "s"}),
}
"""Geometry and columns of each layer, in the order written; ``summary`` has no geometry, ``spared`` needs a replay."""


def _multi(geometry: BaseGeometry) -> BaseGeometry:
    """A polygon or line as one of many, so that a layer holds one type of geometry."""
    if isinstance(geometry, shapely.Polygon):
        return shapely.MultiPolygon([geometry])
    if isinstance(geometry, shapely.LineString):
        return shapely.MultiLineString([geometry])
    return geometry


def _run_row(audit: Audit, run: drive.DrawnRun) -> Row:
    start = float(audit.log.time_s[0])
    return {
        "start_utc": drive.utc_text(audit.log, start + run.start_s),
        "end_utc": drive.utc_text(audit.log, start + run.end_s),
        "start_s": run.start_s,
        "end_s": run.end_s,
        "length_m": run.length_m,
        "heading_deg": run.heading_deg,
        "mean_speed_m_s": run.speed_m_s,
        "mean_width_m": run.mean_width_m,
        "mean_rate_l_ha": None if run.rate_l_m2 is None else l_ha_from_l_m2(run.rate_l_m2),
        "volume_l": run.volume_l,
        "open_nozzles": run.open_nozzles,
        "geometry": run.line,
    }


def _piece_row(number: int, piece: Piece, h2: float, rate_l_ha: float | None) -> Row:
    return {
        "piece": number,
        "cause": piece.cause,
        "area_m2": piece.cells * h2,
        "times_treated_mean": piece.treatments / piece.cells,
        "dose_mean": piece.dose / piece.cells * (1.0 if rate_l_ha is None else rate_l_ha),
        "dose_unit": "share of the set rate" if rate_l_ha is None else "L/ha",
        "extra_m2": (piece.treatments - piece.cells) * h2,
        "treated_m2": piece.treatments * h2,
        "geometry": piece.outline,
    }


def _standing_rows(audit: Audit) -> tuple[list[Row], list[Row]]:
    log, field, job = audit.log, audit.field, audit.standing
    if job is None:
        return [], []
    report = job.report
    start = float(log.time_s[0])

    def at(latitude: float, longitude: float) -> BaseGeometry:
        x, y = field.plane.forward(np.array([latitude]), np.array([longitude]))
        return shapely.Point(float(x[0]), float(y[0]))

    def yes(value: bool | None) -> str | None:
        return None if value is None else "yes" if value else "no"

    discharges = [
        {
            "start_utc": drive.utc_text(log, event.start_time_s),
            "start_s": event.start_time_s - start,
            "duration_s": event.duration_s,
            "volume_l": event.litres,
            "volume_from": event.litres_source,
            "occasion": event.occasion,
            "distance_to_boundary_m": event.distance_to_boundary_m,
            "inside_boundary": yes(event.inside_boundary),
            "distance_to_exclusion_m": event.distance_to_exclusion_m,
            "nozzles_to_boundary_m": reach.to_boundary_m,
            "nozzles_to_exclusion_m": reach.to_exclusion_m,
            "geometry": at(event.latitude_deg, event.longitude_deg),
        }
        for event, reach in zip(report.discharges, job.reach, strict=True)
    ]
    stops = [
        {
            "start_utc": drive.utc_text(log, stop.start_time_s),
            "start_s": stop.start_time_s - start,
            "duration_s": stop.duration_s,
            "logged": yes(stop.logged),
            "long": yes(stop.long),
            "geometry": at(stop.latitude_deg, stop.longitude_deg),
        }
        for stop in report.stops
    ]
    return discharges, stops


def _gap_rows(audit: Audit) -> list[Row]:
    """Gaps of the log as straight lines of the boom's centre, bridged or not."""
    swath, log = audit.swath, audit.log
    wanted = np.asarray(swath.row_open.any(axis=1))
    out = []
    for pose, bridged in sorted([*((int(p), False) for p in swath.cut), *((int(p), True) for p in swath.bridged)]):
        row = int(swath.epoch[pose])
        start, end = float(log.time_s[row] - log.time_s[0]), float(log.time_s[row + 1] - log.time_s[0])
        after = int(np.searchsorted(swath.time_s, end, side="left"))
        line = shapely.LineString([(swath.x_m[p], swath.y_m[p]) for p in (pose, after)])
        out.append({
            "start_utc": drive.utc_text(log, start), "start_s": start, "duration_s": end - start,
            "length_m": float(line.length), "bridged": "yes" if bridged else "no",
            "spraying": ("neither end", "after", "before", "both ends")[2 * int(wanted[row]) + int(wanted[row + 1])],
            "geometry": line,
        })  # fmt: skip
    return out


def _summary_rows(audit: Audit, pieces: Pieces, spared: Pieces | None, document: Ledger) -> list[Row]:
    t = words().line
    rows: list[Row] = [
        {"quantity": key, "value": value, "unit": unit_of(key), "note": t("layers.area")}
        for key, value in plain(document.area).items()
        if isinstance(value, (int, float))
    ]
    for kind in (*KINDS, *(("spared",) if spared is not None else ())):
        source = spared if kind == "spared" and spared is not None else pieces
        drawn, cell2 = source.of(kind), source.cell_m**2
        small = source.small_count.get(kind, 0)
        small_m2 = source.small_cells.get(kind, 0) * cell2
        note = t("layers.pieces")
        rows += [
            {"quantity": f"{kind}_pieces", "value": float(len(drawn)), "unit": "", "note": note},
            {"quantity": f"{kind}_pieces_m2", "value": sum(p.cells for p in drawn) * cell2, "unit": "m2", "note": note},
            {"quantity": f"{kind}_small_pieces", "value": float(small), "unit": "", "note": t("layers.small")},
            {"quantity": f"{kind}_small_pieces_m2", "value": small_m2, "unit": "m2", "note": t("layers.small")},
        ]
    note = t("layers.cell", projection=audit.field.plane.proj4)
    rows.append({"quantity": "cell", "value": pieces.cell_m, "unit": "m", "note": note})
    return rows


def layer_rows(audit: Audit, pieces: Pieces, document: Ledger) -> dict[str, list[Row]]:
    """Rows of every layer with a ``geometry`` in plane metres; see :data:`LAYERS` for the columns."""
    field = audit.field
    rate = audit.accounting.set_rate_l_m2
    rate_l_ha = None if rate is None else l_ha_from_l_m2(rate)
    h2 = pieces.cell_m**2
    replay = audit.replay
    spared = None if replay is None else spared_pieces(replay.spared)
    standing, stops = _standing_rows(audit)
    layers: dict[str, list[Row]] = {
        "boundary": [
            {
                "field_id": field.field_id,
                "source": field.source,
                "area_m2": field.boundary_area_m2,
                "geodesic_area_m2": field.geodesic_area_m2,
                "perimeter_m": float(field.boundary.length),
                "geometry": field.boundary,
            }
        ],
        "exclusions": [
            {"exclusion": number, "area_m2": float(part.area), "geometry": part}
            for number, part in enumerate(shapely.get_parts(field.exclusions).tolist(), start=1)
            if not part.is_empty
        ],
        "passes": [
            {"pass": run.number, "line": run.line_number, **_run_row(audit, run)} for run in drive.passes(audit.swath)
        ],
        "states": [{"state": run.number, **_run_row(audit, run)} for run in drive.states(audit.swath)],
    }
    for kind in KINDS:
        layers[kind] = [_piece_row(n, piece, h2, rate_l_ha) for n, piece in enumerate(pieces.of(kind), start=1)]
    layers["gaps"] = _gap_rows(audit)
    if spared is not None and replay is not None:
        layers["spared"] = [
            {
                "piece": n,
                "cause": piece.cause,
                "spared_by": replay.spared_by,
                "area_m2": piece.cells * spared.cell_m**2,
                "geometry": piece.outline,
            }
            for n, piece in enumerate(spared.of("spared"), start=1)
        ]
    layers["standing"], layers["stops"] = standing, stops
    layers["summary"] = _summary_rows(audit, pieces, spared, document)
    return layers


def _column(rows: Sequence[Row], name: str, kind: str) -> tuple[Any, Any]:
    """Values and the mask of those that are not known."""
    values = [row[name] for row in rows]
    mask = np.array([value is None for value in values], dtype=bool)
    if kind == "s":
        return np.array(values, dtype=object), mask
    filled = [0 if value is None else value for value in values]
    return np.array(filled, dtype=np.int64 if kind == "i" else np.float64), mask


@contextmanager
def _fixed_date(date: str) -> Iterator[None]:
    """Have GDAL write this date instead of now, so that the same results are the same bytes."""
    import pyogrio

    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": date})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})


def write_vector(path: Path, audit: Audit, pieces: Pieces, document: Ledger) -> None:
    """Write ``ledger.gpkg``.

    The date in it is that of the log's last epoch (1970-01-01 where the log has no absolute times).

    Raises
    ------
    OutputError
        It cannot be written.
    """
    from pyogrio import raw

    layers = layer_rows(audit, pieces, document)
    end = moment(float(audit.log.time_s[-1]) if audit.log.time_is_absolute else 0.0, fixed=True)
    try:
        with plain_target(path) as part, _fixed_date(end):
            for number, (name, rows) in enumerate(layers.items()):
                geometry_type, columns = LAYERS[name]
                data, masks = [], []
                for column, kind in columns.items():
                    values, mask = _column(rows, column, kind)
                    data.append(values)
                    masks.append(mask)
                geometry = None
                if geometry_type:
                    plane = audit.field.plane
                    shapes = [_multi(to_degrees(row["geometry"], plane)) for row in rows]
                    geometry = np.array(shapely.to_wkb(np.array(shapes, dtype=object)), dtype=object)
                raw.write(
                    str(part),
                    geometry=geometry,
                    field_data=data,
                    fields=np.array(list(columns), dtype=object),
                    field_mask=masks,
                    geometry_type=geometry_type or None,
                    crs="EPSG:4326" if geometry_type else None,
                    driver="GPKG",
                    layer=name,
                    append=number > 0,
                )
    except (OSError, RuntimeError) as error:  # pyogrio's own errors are RuntimeErrors
        raise OutputError(
            f"{path.name}: cannot be written ({error}). Is there room on the disk, and may it be written?"
        ) from error
