"""Writes small ISO 11783-10 task data, independent of the reader: structs packed by hand."""

from __future__ import annotations

import datetime as dt
import struct
from collections.abc import Mapping, Sequence
from pathlib import Path

START = dt.datetime(2026, 3, 4, 7, 30)  # noqa: DTZ001  # the clock of a time log has no zone
LATITUDE, LONGITUDE = -31.5, 117.2


def packed(codes: Sequence[int]) -> int:
    """Codes of up to 16 sections, the left-most in the lowest two bits, the rest not installed, as int32."""
    word = sum(code << (2 * at) for at, code in enumerate([*codes, *[3] * (16 - len(codes))]))
    return word - (1 << 32) if word >= 1 << 31 else word


def record(
    second: float,
    values: Mapping[int, int],
    *,
    latitude: float | None = None,
    longitude: float = LONGITUDE,
    status: int = 4,
    between: bytes = b"",
) -> bytes:
    """One record of a header with TIM A and PTN A, B, D empty; ``between``: further fixed fields."""
    moment = START + dt.timedelta(seconds=second)
    days = (moment.date() - dt.date(1980, 1, 1)).days
    ms = round((moment - dt.datetime.combine(moment.date(), dt.time())).total_seconds() * 1000)
    north = LATITUDE - 3e-5 * second if latitude is None else latitude
    return (
        struct.pack("<IHiiB", ms, days, round(north * 1e7), round(longitude * 1e7), status)
        + between
        + struct.pack("<B", len(values))
        + b"".join(struct.pack("<Bi", index, value) for index, value in values.items())
    )


def header(values: Sequence[tuple[str, str]], position: str = 'A="" B="" D=""') -> str:
    """Header XML; ``values``: hexadecimal DDI and element."""
    lines = "".join(f'<DLV A="{ddi}" B="" C="{element}"/>' for ddi, element in values)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n<TIM A="" D="4"><PTN {position}/>{lines}</TIM>'


#: A boom of five sections of 3 m, written right to left, so that file order is not order on the boom.
SECTION_Y_MM = {5: 6000, 4: 3000, 3: 0, 2: -3000, 1: -6000}


def device(widths_mm: Mapping[int, int] | None = None, *, offsets: bool = True) -> str:
    """A device DVC-1 with boom DET-2 (width 15 m, 2.5 m behind) and sections DET-11 (left) to DET-15 (right)."""
    widths = widths_mm or dict.fromkeys(SECTION_Y_MM, 3000)
    constants = ['<DPT A="90" B="0043" C="15000" D="width"/><DPT A="91" B="0086" C="-2500" D="x"/>']
    sections = []
    for number, y in SECTION_Y_MM.items():
        refers = f'<DOR A="{100 + number}"/>' + (f'<DOR A="{200 + number}"/>' if offsets else "")
        sections.append(
            f'<DET A="DET-1{number}" B="{10 + number}" C="4" D="part {number}" E="{number}" F="2">{refers}</DET>'
        )
        constants.append(f'<DPT A="{100 + number}" B="0043" C="{widths[number]}" D="width"/>')
        constants.append(f'<DPT A="{200 + number}" B="0087" C="{y}" D="y"/>')
    return (
        '<DVC A="DVC-1" B="field sprayer"><DET A="DET-1" B="1" C="1" D="sprayer" E="0" F="0"/>'
        '<DET A="DET-2" B="2" C="2" D="boom" E="1" F="1"><DOR A="90"/><DOR A="91"/><DOR A="80"/></DET>'
        + "".join(sections)
        + '<DPD A="80" B="EA60" C="1" D="1" E="pressure" F="70"/>'
        + "".join(constants)
        + '<DVP A="70" B="-10" C="0.5" D="1" E="bar"/></DVC>'
    )


def task(name: str, logs: Sequence[str], designator: str = "", day: int = 4) -> str:
    """A task with time logs."""
    parts = "".join(
        f'<TLG A="{log}" C="1"/><TIM A="2026-03-0{day}T07:30:00" B="2026-03-0{day}T07:40:00" D="4"/>' for log in logs
    )
    return f'<TSK A="{name}" B="{designator}" G="4">{parts}</TSK>'


def main_xml(*parts: str) -> str:
    """TASKDATA.XML."""
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n<ISO11783_TaskData VersionMajor="4" VersionMinor="1" '
        f'DataTransferOrigin="2">{"".join(parts)}</ISO11783_TaskData>'
    )


def write_time_log(folder: Path, name: str, head: str, records: Sequence[bytes]) -> Path:
    """Header and records of a time log; returns the path of the records."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{name}.xml").write_text(head, encoding="utf-8")
    path = folder / f"{name}.bin"
    path.write_bytes(b"".join(records))
    return path


def write_main(folder: Path, *parts: str) -> Path:
    """TASKDATA.XML in a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "TASKDATA.XML"
    path.write_text(main_xml(*parts), encoding="utf-8")
    return path
