"""No false alarm: drives of all kinds with nothing wrong, and the samples."""

from __future__ import annotations

import pytest
from cleankit import Clean
from samplekit import MACHINE_OF, SAMPLES

from swathledger.checkup.examine import examine
from swathledger.log.read import read_log
from swathledger.machine.read import read_machine
from swathledger.words import say_all

NOW_S = 1_800_000_000.0
QUICK = (1, 4, 7)


@pytest.mark.parametrize(
    "number", [pytest.param(n, marks=[] if n in QUICK else pytest.mark.slow, id=str(n)) for n in range(100)]
)
def test_a_clean_drive_is_fit(number):
    log, machine = Clean(number).log()
    found = examine(log, machine, now_s=NOW_S)
    assert (found.verdict, say_all(found.why)) == ("fit", [])


@pytest.mark.parametrize("name", MACHINE_OF)
@pytest.mark.parametrize("with_machine", [True, False])
def test_samples_are_fit(name, with_machine):
    found = examine(read_log(SAMPLES / name), read_machine(MACHINE_OF[name]) if with_machine else None, now_s=NOW_S)
    assert (found.verdict, found.why) == ("fit", ())
