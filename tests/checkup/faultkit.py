"""Faults to be planted on sample logs: each takes rows of text and gives them back spoilt."""

from __future__ import annotations

import csv
import datetime as dt
import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

Row = dict[str, str]
Rows = list[Row]
ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_logs"
M_PER_DEG = 111_000.0
"""Near enough to plant faults with."""


def sample(name: str, shared: Path = ROOT.parent / "shared") -> Rows:
    """The rows of a sample log, or of a real drive."""
    path = SAMPLES / name if (SAMPLES / name).exists() else shared / "field_logs" / name
    if path.suffix == ".geojson":
        features = json.loads(path.read_text())["features"]
        return [
            {
                **{key: str(value) for key, value in item["properties"].items()},
                "longitude": str(item["geometry"]["coordinates"][0]),
                "latitude": str(item["geometry"]["coordinates"][1]),
            }
            for item in features
        ]
    with path.open(newline="") as stream:
        return list(csv.DictReader(stream))


def write(rows: Rows, path: Path) -> Path:
    """Write rows as CSV."""
    with path.open("w", newline="") as stream:
        out = csv.DictWriter(stream, list(rows[0]))
        out.writeheader()
        out.writerows(rows)
    return path


def moments(rows: Rows) -> list[dt.datetime]:
    return [dt.datetime.fromisoformat(row[time_of(rows)]) for row in rows]


def time_of(rows: Rows) -> str:
    return "time" if "time" in rows[0] else "timestamp"


def speed_of(rows: Rows) -> str:
    return next(name for name in rows[0] if "speed" in name)


def states_of(rows: Rows) -> list[str]:
    return [name for name in rows[0] if name.startswith("section_") or name == "work_state"]


def each(column: str | Callable[[Rows], str | list[str]], change: Callable[[str], str]) -> Callable[[Rows], Rows]:
    """A fault that changes every cell of one or several columns."""

    def spoil(rows: Rows) -> Rows:
        names = column if isinstance(column, str) else column(rows)
        for row in rows:
            for name in [names] if isinstance(names, str) else names:
                row[name] = change(row[name])
        return rows

    return spoil


def heading(change: Callable[[float], float], digits: int = 4) -> Callable[[Rows], Rows]:
    return each("heading_deg", lambda cell: f"{change(float(cell)):.{digits}f}")


def retimed(text: Callable[[dt.datetime, int], str]) -> Callable[[Rows], Rows]:
    def spoil(rows: Rows) -> Rows:
        for index, (row, moment) in enumerate(zip(rows, moments(rows), strict=True)):
            row[time_of(rows)] = text(moment, index)
        return rows

    return spoil


def late_heading(rows: Rows, by: int = 4) -> Rows:
    given = [row["heading_deg"] for row in rows]
    for index, row in enumerate(rows):
        row["heading_deg"] = given[max(0, index - by)]
    return rows


def frozen(rows: Rows) -> Rows:
    """Positions frozen for five seconds a minute."""
    for index, row in enumerate(rows):
        if index % 60 >= 55:
            held = rows[index - index % 60 + 54]
            row["latitude"], row["longitude"] = held["latitude"], held["longitude"]
    return rows


def two_receivers(every: int, apart_m: float) -> Callable[[Rows], Rows]:
    """Of each ``every`` rows the latter half lies ``apart_m`` off."""

    def spoil(rows: Rows) -> Rows:
        for index, row in enumerate(rows):
            if index % every >= (every + 1) // 2:
                row["latitude"] = f"{float(row['latitude']) + apart_m / M_PER_DEG:.8f}"
        return rows

    return spoil


def other_codes(opened: str, shut: str) -> Callable[[Rows], Rows]:
    return each(states_of, lambda cell: opened if cell == "1" else shut)


def blanks(rows: Rows) -> Rows:
    """Only changes of state are written."""
    for name in states_of(rows):
        last = None
        for row in rows:
            now = row[name]
            row[name] = "" if now == last else now
            last = now
    return rows


def three_codes(rows: Rows) -> Rows:
    """Of what is open every third minute is written as 2."""
    for index, row in enumerate(rows):
        for name in states_of(rows):
            if row[name] == "1" and index % 180 < 60:
                row[name] = "2"
    return rows


def without(*names: str) -> Callable[[Rows], Rows]:
    def spoil(rows: Rows) -> Rows:
        return [{key: cell for key, cell in row.items() if key not in names} for row in rows]

    return spoil


def then(*faults: Callable[[Rows], Rows]) -> Callable[[Rows], Rows]:
    def spoil(rows: Rows) -> Rows:
        for fault in faults:
            rows = fault(rows)
        return rows

    return spoil


def shut_for(first: int, last: int) -> Callable[[Rows], Rows]:
    def spoil(rows: Rows) -> Rows:
        for row in rows[first:last]:
            for name in states_of(rows):
                row[name] = "0"
        return rows

    return spoil


def stood_open(rows: Rows, seconds: int = 300) -> Rows:
    """A stand of some minutes in the middle of the longest run of open rows, all states open."""
    at = _inside(rows)
    times = moments(rows)
    out = [dict(row) for row in rows[:at]]
    for second in range(1, seconds):
        still = dict(rows[at - 1])
        still[time_of(rows)] = (times[at - 1] + dt.timedelta(seconds=second)).isoformat()
        still[speed_of(rows)] = "0"
        out.append(still)
    for row, moment in zip(rows[at:], times[at:], strict=True):
        out.append({**row, time_of(rows): (moment + dt.timedelta(seconds=seconds)).isoformat()})
    return out


def _inside(rows: Rows) -> int:
    best = start = 0
    length = 0
    for index, row in enumerate([*rows, {}]):
        if row and all(row[name] == "1" for name in states_of(rows)):
            continue
        if index - start > length:
            best, length = (start + index) // 2, index - start
        start = index + 1
    return best


def road(rows: Rows) -> Rows:
    """A way of 3 km at 15 m/s with all states open, driven straight off at the end."""
    times = moments(rows)
    a, b = rows[-2], rows[-1]
    wide = math.cos(math.radians(float(b["latitude"])))
    north = float(b["latitude"]) - float(a["latitude"])
    east = (float(b["longitude"]) - float(a["longitude"])) * wide
    size = math.hypot(north, east) or 1.0
    north, east = (north / size, east / size) if north or east else (1.0, 0.0)
    out = list(rows)
    for second in range(1, 201):
        far = 15.0 * second / M_PER_DEG
        row = dict(rows[-1])
        row[time_of(rows)] = (times[-1] + dt.timedelta(seconds=second)).isoformat()
        row["latitude"] = f"{float(b['latitude']) + north * far:.8f}"
        row["longitude"] = f"{float(b['longitude']) + east * far / wide:.8f}"
        row[speed_of(rows)] = str(15.0 / _speed_unit(rows))
        for name in states_of(rows):
            row[name] = "1"
        if "heading_deg" in row:
            course = math.degrees(math.atan2(east, north)) % 360.0
            row["heading_deg"] = f"{course:.1f}"
        out.append(row)
    return out


def _speed_unit(rows: Rows) -> float:
    name = speed_of(rows)
    return 0.44704 if "mph" in name else 1 / 3.6


def excel(moment: dt.datetime, _: int) -> str:
    return f"{(moment.replace(tzinfo=dt.UTC) - dt.datetime(1899, 12, 30, tzinfo=dt.UTC)) / dt.timedelta(days=1):.9f}"


def speed_in(unit_m_s: float) -> Callable[[Rows], Rows]:
    """The speed column holds another unit than it says."""

    def spoil(rows: Rows) -> Rows:
        own = _speed_unit(rows)
        return each(speed_of, lambda cell: f"{float(cell or 'nan') * own / unit_m_s:.3f}")(rows)

    return spoil


def stepped(by: dt.timedelta, at: float = 0.5) -> Callable[[Rows], Rows]:
    """The clock is set while the machine drives on, inside the longest open run."""

    def spoil(rows: Rows) -> Rows:
        where = _inside(rows)
        return retimed(lambda moment, index: (moment + (by if index >= where else dt.timedelta())).isoformat())(rows)

    return spoil


@dataclass(frozen=True)
class Fault:
    """A fault, how it is named, and what makes it good."""

    name: str
    spoil: Callable[[Rows], Rows]
    code: str
    log: str = ""
    """Lines of ``[log]`` that make it good; "" where nothing does."""
    columns: str = ""
    needs: str = ""
    """A column that the log must have."""


HEADING = "heading_deg"
FAULTS: tuple[Fault, ...] = (
    Fault("radians", heading(math.radians), "checkup.heading_radians", 'heading_unit = "rad"', needs=HEADING),
    Fault(
        "radians from -pi to pi",
        heading(lambda h: math.radians((h + 180) % 360 - 180)),
        "checkup.heading_radians",
        'heading_unit = "rad"',
        needs=HEADING,
    ),
    Fault(
        "mathematical",
        heading(lambda h: (90 - h) % 360),
        "checkup.heading_sense",
        'heading_sense = "counterclockwise"\nheading_zero_deg = 90',
        needs=HEADING,
    ),
    Fault(
        "mathematical radians",
        heading(lambda h: math.radians((90 - h) % 360)),
        "checkup.heading_radians",
        'heading_unit = "rad"\nheading_sense = "counterclockwise"\nheading_zero_deg = 90',
        needs=HEADING,
    ),
    Fault(
        "against the clock",
        heading(lambda h: -h % 360),
        "checkup.heading_sense",
        'heading_sense = "counterclockwise"',
        needs=HEADING,
    ),
    Fault("all zero", heading(lambda _: 0.0), "checkup.heading_constant", 'ignore = ["heading_deg"]', needs=HEADING),
    Fault("constant", heading(lambda _: 123.4), "checkup.heading_constant", 'ignore = ["heading_deg"]', needs=HEADING),
    Fault(
        "reversed",
        heading(lambda h: (h + 180) % 360),
        "checkup.heading_reversed",
        "heading_zero_deg = 180",
        needs=HEADING,
    ),
    Fault(
        "zero 35 degrees off",
        heading(lambda h: (h - 35) % 360),
        "checkup.heading_zero",
        "heading_zero_deg = 35",
        needs=HEADING,
    ),
    Fault(
        "zero 10 degrees off",
        heading(lambda h: (h - 10) % 360),
        "checkup.heading_ask",
        "heading_zero_deg = 10",
        needs=HEADING,
    ),
    Fault("4 s late", late_heading, "checkup.heading_late", "heading_lag_s = 4", needs=HEADING),
    Fault(
        "random",
        lambda rows: [{**row, HEADING: f"{(i * 137.5) % 360:.1f}"} for i, row in enumerate(rows)],
        "checkup.heading_astray",
        'ignore = ["heading_deg"]',
        needs=HEADING,
    ),
    Fault("speed in m/s", speed_in(1.0), "checkup.speed_unit", columns="speed_m_s"),
    Fault("speed in km/h", speed_in(1 / 3.6), "checkup.speed_unit", columns="speed_km_h", needs="speed_mph"),
    Fault("speed in mph", speed_in(0.44704), "checkup.speed_unit", columns="speed_mph", needs="speed_km_h"),
    Fault("speed in knots", speed_in(1852 / 3600), "checkup.speed_unit", columns="speed_knots", needs="speed_km_h"),
    Fault("speed ten times", each(speed_of, lambda cell: f"{float(cell or 'nan') * 10:.3f}"), "checkup.speed_scale"),
    Fault("speed frozen", each(speed_of, lambda _: "6.0"), "checkup.speed_frozen"),
    Fault("speed nothing", each(speed_of, lambda _: "0.0"), "checkup.speed_nothing"),
    Fault(
        "dated ten years on", retimed(lambda m, _: m.replace(year=m.year + 30).isoformat()), "checkup.date_in_future"
    ),
    Fault(
        "week counter run over",
        retimed(lambda m, _: (m - dt.timedelta(weeks=1024)).isoformat()),
        "checkup.date_rolled_over",
        "add_weeks = 1024",
    ),
    Fault("dated 1980", retimed(lambda m, _: m.replace(year=1980).isoformat()), "checkup.date_too_early"),
    Fault("spreadsheet days", retimed(excel), "log.days_as_times", 'time_unit = "days"'),
    Fault("HHMMSS", retimed(lambda m, _: m.strftime("%H%M%S")), "log.clock_numbers", 'time_unit = "hhmmss"'),
    Fault(
        "a day in a second",
        retimed(lambda m, i: (dt.datetime(2020, 1, 1, tzinfo=dt.UTC) + dt.timedelta(days=i)).isoformat()),
        "checkup.clock_fast",
    ),
    Fault("clock set on by an hour", stepped(dt.timedelta(hours=1)), "log.clock_stepped"),
    Fault("clock set back by an hour", stepped(dt.timedelta(hours=-1)), "log.clock_stepped"),
    Fault("clock set on by a day", stepped(dt.timedelta(days=1)), "log.clock_stepped"),
    Fault("clock set on by a month", stepped(dt.timedelta(days=30)), "log.clock_stepped"),
    Fault(
        "four decimals",
        each(lambda _: ["latitude", "longitude"], lambda cell: f"{float(cell):.4f}"),
        "checkup.positions_rounded",
    ),
    Fault(
        "five decimals",
        each(lambda _: ["latitude", "longitude"], lambda cell: f"{float(cell):.5f}"),
        "checkup.positions_rounded",
    ),
    Fault("positions frozen", frozen, "checkup.positions_frozen"),
    Fault("two receivers in turn", two_receivers(2, 3.0), "checkup.two_receivers"),
    Fault("two receivers in blocks", two_receivers(20, 8.0), "checkup.two_receivers"),
    Fault("two machines", two_receivers(6, 300.0), "checkup.two_places"),
    Fault("states exchanged", other_codes("0", "1"), "checkup.states_inverted"),
    Fault(
        "states exchanged, no flow",
        then(without("flow_l_min", "rate_l_ha", "flow_gal_min", "rate_gal_ac"), other_codes("0", "1")),
        "checkup.states_inverted",
        'states = {"0" = "open", "1" = "shut"}',
    ),
    Fault("blank: unchanged", blanks, "log.blank_states", 'blank_state = "unchanged"'),
    Fault("open on a stand", stood_open, "checkup.open_standing"),
    Fault("open on the road", road, "checkup.open_on_the_road"),
    Fault("shut with flow", shut_for(300, 600), "checkup.shut_with_flow", needs="flow_l_min"),
)
