"""Random small logs: nothing but SwathledgerError ever comes out, and where a ledger comes, its identities hold."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from swathledger.audit import compute, prepare
from swathledger.documents.document import dump, parse
from swathledger.documents.ledger import Ledger
from swathledger.errors import SwathledgerError
from swathledger.report.document import ledger_of
from swathledger.settings import AuditSettings

FEW = settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
MACHINES = {
    "plain": "[boom]\nnozzle_count = 8\nnozzle_spacing_m = 0.5\nsections = [4, 4]\n[rate]\nset_rate_l_ha = 100\n",
    "trailed": "[boom]\nnozzle_count = 8\nnozzle_spacing_m = 0.5\nsections = [4, 4]\n"
    "[hitch]\nantenna_to_hitch_m = 1.0\nhitch_to_boom_m = 4.0\n",
    "offset": "[boom]\nnozzle_count = 8\nnozzle_spacing_m = 0.5\nsections = [4, 4]\n"
    "[antenna]\nahead_of_boom_m = -3.0\nright_of_centre_m = 0.7\n",
    "width": "[boom]\nwidth_m = 4.0\n",
}
PER_M = 1 / 111_000.0
odd = st.sampled_from(["", "nan", "inf", "-inf", "x", "0", "-1", "1e9", "1e-9"])


def number(low: float, high: float):
    return st.one_of(st.floats(low, high).map(lambda v: f"{v:.4f}"), odd) if high > 0 else odd


@st.composite
def rows(draw) -> list[dict[str, str]]:
    """A walk of small and large steps, stands, holes in time, doubled stamps, and cells that are no numbers."""
    x = y = t = 0.0
    out = []
    columns = {
        "heading_deg": st.one_of(st.floats(-400, 400).map(str), odd),
        "speed_m_s": number(-5, 5),
        "flow_l_min": number(0, 60),
        "rate_l_ha": number(0, 300),
        "working_width_m": number(0, 6),
        "reverse": st.sampled_from(["0", "1", ""]),
        "hdop": number(0, 9),
    }
    chosen = draw(st.lists(st.sampled_from(sorted(columns)), unique=True, max_size=4))
    for _ in range(draw(st.integers(0, 25))):
        x += draw(st.sampled_from([0.0, 0.0, 1.0, 2.5, -1.5, 30.0, 1e-4]))
        y += draw(st.sampled_from([0.0, 2.0, 2.0, 3.0, -2.0, -40.0, 1e-5]))
        t += draw(st.sampled_from([0.0, 0.1, 1.0, 1.0, 1.0, 5.0, 60.0, -3.0, 1e5]))
        row = {
            "time": f"{1_767_600_000 + t:.3f}",
            "latitude": f"{-33.5 + y * PER_M:.9f}",
            "longitude": f"{148.0 + x * PER_M:.9f}",
        }
        for name in ("latitude", "longitude", "time"):
            if draw(st.integers(0, 30)) == 0:
                row[name] = draw(odd)
        row["section_1"], row["section_2"] = draw(st.tuples(*[st.sampled_from(["0", "1", "1", "2", ""])] * 2))
        row |= {name: draw(columns[name]) for name in chosen}
        out.append(row)
    return out


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    made = tmp_path_factory.mktemp("fuzz")
    for name, text in MACHINES.items():
        (made / f"{name}.toml").write_text(f'name = "{name}"\n{text}')
    ring = [[148.0 + a * PER_M, -33.5 + b * PER_M] for a, b in [(-9, -9), (12, -9), (20, 25), (-9, 20), (-9, -9)]]
    feature = {"type": "Feature", "properties": {}, "geometry": {"type": "Polygon", "coordinates": [ring]}}
    (made / "field.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}))
    return made


@FEW
@given(table=rows(), machine=st.sampled_from(sorted(MACHINES)), derive=st.booleans())
def test_any_log_gives_a_ledger_or_a_plain_error(table, machine, derive, folder):
    names = list(table[0]) if table else ["time", "latitude", "longitude", "section_1", "section_2"]
    if machine == "width":
        names = ["work_state" if name == "section_1" else name for name in names if name != "section_2"]
    log = folder / "log.csv"
    lines = [",".join(row.get("section_1" if name == "work_state" else name, "") for name in names) for row in table]
    log.write_text("\n".join([",".join(names), *lines]) + "\n")
    settings_ = AuditSettings(cell_m=0.5, groups=())
    try:
        audit = compute(
            prepare([log], folder / f"{machine}.toml", "derive" if derive else folder / "field.geojson", settings_)
        )
    except SwathledgerError as error:
        assert str(error)  # noqa: PT017  # either outcome is right; an error must have words
        return
    ledger = ledger_of(audit)
    assert parse(Ledger, dump(ledger), "") == ledger  # no NaN or infinity anywhere, and every value of its type
    cells = audit.accounting.areas.cells
    assert cells["applied"] == cells["covered"] + cells["overlap_extra"] + cells["outside"] + cells["excluded"]
    assert cells["target"] == cells["covered"] + cells["skip"] + cells["not_recorded"]
    assert cells["covered"] == cells["single"] + cells["overlap"]
    assert sum(audit.accounting.cause_cells.values()) == cells["over_application"]
    quality = audit.log.quality
    assert quality.used + sum(item.count for item in quality.set_aside) == quality.epochs == len(table)
    volumes = audit.accounting.volumes
    if volumes is not None:
        for value in (volumes.target_l, volumes.overlap_l, volumes.outside_l, volumes.standing_l, volumes.logged_l):
            assert math.isfinite(value)
            assert value >= 0
    assert audit.swath.gaps >= 0
    assert math.isfinite(audit.swath.unbridged_m)
