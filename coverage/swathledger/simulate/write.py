"""Log files as machines write them: CSV or GeoJSON points, metric or US columns. Same drive, same bytes."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from swathledger.simulate.path import exact_degrees
from swathledger.units import L_PER_GAL, M2_PER_AC, M2_PER_HA, M_S_PER_KM_H, M_S_PER_MPH, S_PER_MIN

if TYPE_CHECKING:
    from swathledger.field.field import LocalPlane
    from swathledger.simulate.drive import Driven

LogFormat = Literal["csv", "geojson"]


@dataclass(frozen=True, slots=True)
class Dialect:
    """How a log is written.

    Attributes
    ----------
    format : {"csv", "geojson"}
    units : {"metric", "us"}
        ``us``: speed in mph, rate in gal/ac, flow in gal/min.
    heading : bool
        Whether headings are written; many terminals do not.
    offset_h : float
        Times are written with this offset from UTC (0: "Z").
    product : str
        One name for the whole log.
    """

    format: LogFormat = "csv"
    units: Literal["metric", "us"] = "metric"
    heading: bool = True
    offset_h: float = 0.0
    product: str = "herbicide A"


def _time_text(seconds: float, offset_h: float, decimals: int) -> str:
    moment = dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(seconds=round(seconds, 3))
    local = moment.astimezone(dt.timezone(dt.timedelta(hours=offset_h)))
    text = local.strftime("%Y-%m-%dT%H:%M:%S")
    if decimals:
        text += f".{local.microsecond // 10 ** (6 - decimals):0{decimals}d}"
    if offset_h == 0:
        return text + "Z"
    minutes = round(abs(offset_h) * 60)
    return f"{text}{'+' if offset_h > 0 else '-'}{minutes // 60:02d}:{minutes % 60:02d}"


def _rows(driven: Driven, plane: LocalPlane, dialect: Dialect) -> tuple[list[str], list[list[str]], list[str]]:
    """Header, rows of text, and the kind of each column ("text" or "number")."""
    latitude, longitude = exact_degrees(plane, driven.logged_x_m, driven.logged_y_m)
    decimals = 0 if float(driven.settings.log_hz).is_integer() and driven.settings.log_hz <= 1 else 2
    columns: list[tuple[str, str, list[str]]] = [
        ("time", "text", [_time_text(float(t), dialect.offset_h, decimals) for t in driven.logged_time_s]),
        ("latitude", "number", [f"{v:.8f}" for v in latitude]),
        ("longitude", "number", [f"{v:.8f}" for v in longitude]),
    ]
    if dialect.heading:
        columns.append(("heading_deg", "number", [f"{v:.1f}" for v in np.round(driven.logged_heading_deg, 1) % 360.0]))

    def put(name: str, values: Sequence[float] | np.ndarray, digits: int) -> None:
        # Adding 0 turns a negative zero into zero.
        columns.append((name, "number", [f"{round(float(v), digits) + 0.0:.{digits}f}" for v in values]))

    speed, rate, flow = driven.logged_speed_m_s, driven.logged_rate_l_m2, driven.logged_flow_l_s
    if dialect.units == "metric":
        put("speed_km_h", speed / M_S_PER_KM_H, 2)
    else:
        put("speed_mph", speed / M_S_PER_MPH, 2)
    states = driven.logged_state
    columns += [
        (f"section_{k + 1}", "number", ["1" if v else "0" for v in states[:, k]]) for k in range(states.shape[1])
    ]
    if dialect.units == "metric":
        put("rate_l_ha", rate * M2_PER_HA, 1)
        put("flow_l_min", flow * S_PER_MIN, 2)
    else:
        put("rate_gal_ac", rate * M2_PER_AC / L_PER_GAL, 2)
        put("flow_gal_min", flow * S_PER_MIN / L_PER_GAL, 3)
    columns.append(("product", "text", [dialect.product] * len(latitude)))
    header = [name for name, _, _ in columns]
    return (
        header,
        [list(row) for row in zip(*(values for _, _, values in columns), strict=True)],
        [k for _, k, _ in columns],
    )


def log_text(driven: Driven, plane: LocalPlane, dialect: Dialect) -> str:
    """The whole log as text."""
    header, rows, kinds = _rows(driven, plane, dialect)
    if dialect.format == "csv":
        return "\n".join(",".join(row) for row in [header, *rows]) + "\n"
    lines = []
    for row in rows:
        quoted = [f'"{v}"' if kind == "text" else v for v, kind in zip(row, kinds, strict=True)]
        properties = ",".join(
            f'"{name}":{v}' for name, v in zip(header, quoted, strict=True) if name not in {"latitude", "longitude"}
        )
        lines.append(
            f'{{"type":"Feature","geometry":{{"type":"Point","coordinates":[{row[2]},{row[1]}]}},'
            f'"properties":{{{properties}}}}}'
        )
    return '{"type":"FeatureCollection","features":[\n' + ",\n".join(lines) + "\n]}\n"
