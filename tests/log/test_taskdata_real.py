"""Real task data beside the repository against the same drives as CSV, row by row."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from swathledger.log.read import read_log
from swathledger.words import say_all

CSV_COLUMNS = {"time": "timestamp", "speed_km_h": "ground_speed_kmh", "counter": "machine_total_area_m2"}
#: The speed is an entry of the maker's own, scaled by the device description: 0.1 km/h.
TASK_COLUMNS = {"speed_km_h": "DDI 60030 km/h", "counter": "DDI 116"}
DRIVES = {"F03": "TLG00003", "F05": "TLG00005", "F14": "TLG00019", "F15": "TLG00020"}
MACHINE = """name = "nine metres"
[boom]
width_m = 9.0
[columns]
"""


@pytest.fixture
def folders(shared_dir: Path) -> tuple[Path, Path]:
    """Task data and CSV."""
    found = (shared_dir / "iso11783", shared_dir / "field_logs")
    if not all(folder.is_dir() for folder in found):
        pytest.skip("the real drives are not there")
    return found


def same(left, right) -> None:
    """The same epochs and all that was recorded at them."""
    assert len(left) == len(right)
    np.testing.assert_array_equal(left.time_s, right.time_s)
    np.testing.assert_array_equal(left.latitude_deg, right.latitude_deg)
    np.testing.assert_array_equal(left.longitude_deg, right.longitude_deg)
    assert left.state_kind == right.state_kind == "work"
    np.testing.assert_array_equal(left.state, right.state)
    np.testing.assert_allclose(left.working_width_m, right.working_width_m, rtol=1e-12)
    np.testing.assert_allclose(left.speed_m_s, right.speed_m_s, rtol=1e-6)  # the scale is written 0.1000000015
    np.testing.assert_array_equal(left.extra["counter"], right.extra["counter"])


@pytest.mark.parametrize("field", DRIVES)
@pytest.mark.parametrize("way", ["records", "header", "folder"])
def test_every_row_as_the_csv_has_it(folders, field, way):
    tasks, drives = folders
    name = DRIVES[field]
    path = {"records": tasks / f"{name}.bin", "header": tasks / f"{name}.xml", "folder": tasks}[way]
    log = read_log(path, columns=TASK_COLUMNS, options={"time_log": name})
    assert log.quality.set_aside == ()
    same(log, read_log(drives / f"{field}.csv", columns=CSV_COLUMNS))


def test_both_time_logs_of_one_task(folders):
    tasks, drives = folders
    log = read_log(tasks / "TASKDATA.XML", columns=TASK_COLUMNS, options={"task": "TSK14"})
    same(log, read_log([drives / "F14.csv", drives / "F15.csv"], columns=CSV_COLUMNS))
    pair = read_log([tasks / "TLG00019.bin", tasks / "TLG00020.bin"], columns=TASK_COLUMNS)
    same(log, pair)
    assert not any("more than once" in text for text in say_all(pair.quality.warnings))  # they share TASKDATA.XML


@pytest.mark.parametrize(
    ("field", "csv", "names"),
    [
        ("F03", ["F03"], ["TLG00003.bin"]),
        ("F05", ["F05"], ["TLG00005.xml"]),
        ("F14", ["F14", "F15"], ["TLG00019.bin", "TLG00020.bin"]),
    ],
)
def test_the_ledger_is_the_same(folders, field, csv, names, tmp_path):
    from swathledger.audit import compute, prepare
    from swathledger.settings import AuditSettings

    tasks, drives = folders
    ledgers = []
    for logs, columns in (
        ([drives / f"{name}.csv" for name in csv], CSV_COLUMNS),
        ([tasks / name for name in names], TASK_COLUMNS),
    ):
        machine = tmp_path / f"machine{len(ledgers)}.toml"
        lines = "".join(f'{ours} = "{header}"\n' for ours, header in columns.items())
        machine.write_text(MACHINE + lines, encoding="utf-8")
        settings = AuditSettings(cell_m=0.5, groups=(), field_id=field)
        audit = compute(prepare(logs, machine, drives / "boundaries.geojson", settings))
        ledgers.append(audit.accounting)
    one, other = ledgers
    assert dict(one.areas.cells) == dict(other.areas.cells)  # to the cell
    assert dict(one.cause_cells) == dict(other.cause_cells)
    assert one.areas.m2("applied") > 1e4
