"""One fault planted in a drive of another engine: it is the first action, and saves what the drive without it saves."""

from __future__ import annotations

from dataclasses import replace

import pytest
from planted import Drive, run, write

from swathledger.audit import compute, prepare
from swathledger.report.document import ledger_of
from swathledger.settings import AuditSettings

WIDE = Drive(
    boom_m=36.0, wide_m=288.0, long_m=260.0, speed_m_s=5.0, rate_hz=5.0, seed=2, bearing_deg=70.0, slant_deg=-5.0,
    rate_l_ha=80.0,
)  # fmt: skip
COARSE = Drive(sections=48, slant_deg=30.0)
POND = Drive(pond=True)
CASES = [
    ("spacing", Drive(), {"narrower_m": 0.6}),
    ("spacing", Drive(), {"narrower_m": -0.6}),
    ("spacing", WIDE, {"narrower_m": -0.3}),
    ("open", Drive(), {"late_on_s": -0.6}),
    ("open", WIDE, {"late_on_s": 1.2}),
    ("shut_off", Drive(), {"late_off_s": -1.2}),
    ("shut_off", WIDE, {"late_off_s": 1.2}),
    ("controller_offset", Drive(), {"boom_behind_m": 3.5}),
    ("sideways", Drive(), {"boom_right_m": 0.4}),
    ("finer_groups", COARSE, {"sections": 3}),
    ("switching", Drive(), {"hand": True, "reaction_s": 0.8}),
    ("keep_off", POND, {"keeps_off": False}),
]


@pytest.mark.slow
@pytest.mark.parametrize(("action", "right", "wrong"), CASES)
def test_the_planted_fault_comes_first_with_what_it_cost(action, right, wrong, tmp_path):
    faulty = replace(right, **wrong)
    bad, good = run(faulty), run(right)
    log, machine, field = write(bad, tmp_path)
    settings = AuditSettings(cell_m=0.25, groups=("nozzle",))
    first = ledger_of(compute(prepare([log], machine, field, settings))).action[0]
    assert first.action == action
    over_l = (bad.over_m2 - good.over_m2) * bad.litres_per_m2
    missed_m2 = bad.ground["skip"] - good.ground["skip"]
    if over_l > missed_m2 * bad.litres_per_m2:
        assert first.saved_l == pytest.approx(over_l, rel=0.2)
    else:
        assert first.missed_m2 == pytest.approx(missed_m2, rel=0.2)
