"""How late switches are seen: told where it is over a metre."""

from __future__ import annotations

import numpy as np
import pytest
from drivekit import PLANE, ground
from pathkit import log_from_path
from shapely import box

from swathledger.audit import _switching
from swathledger.machine.machine import Boom, Machine
from swathledger.swath.build import build_swath
from swathledger.words import say_all


def words(step_s: float, speed: float, state_kind: str = "work") -> list[str]:
    k = np.arange(40)
    log = log_from_path(
        np.zeros(40),
        speed * step_s * k,
        1.7e9 + step_s * k,
        PLANE,
        np.ones((40, 1), dtype=bool),
        state_kind=state_kind,
        heading_deg=0.0,
    )
    machine = Machine("m", Boom(np.linspace(-6.0, 6.0, 25), (24,)))
    return say_all(_switching(log, build_swath(log, machine, ground(box(-6, 0, 6, 900)).plane, max_gap_s=60.0)))


@pytest.mark.parametrize(
    ("step_s", "speed", "metres"),
    [
        (1.0, 5.0, "2.5 m"),  # half of 5 m
        (0.5, 6.0, "1.5 m"),
        (2.0, 4.0, "4.0 m"),
        (0.2, 5.0, None),  # 0.5 m: not worth a word
        (0.1, 6.0, None),
    ],
)
def test_half_a_step_of_travel(step_s, speed, metres):
    found = words(step_s, speed)
    assert (f"{metres} of travel late" in found[0]) if metres else found == []


def test_a_log_without_states_has_no_switches():
    assert words(1.0, 5.0, "none") == []
