"""Sizes of errors: what the machine file says goes before what is assumed, and what cannot be trusted is warned of."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drivekit import PLANE, ground, rectangle, sprayer
from pathkit import START_S, log_from_path

from swathledger.estimate.sizes import sizes_of
from swathledger.machine.machine import Antenna
from swathledger.words import say_all

FIELD = ground(rectangle(-50, -50, 50, 50))


def log_of(sigma_m=None):
    t = np.arange(20.0)
    log = log_from_path(np.zeros(20), 3.0 * t, START_S + t, PLANE, np.ones(20, bool), heading_deg=0.0)
    return replace(log, quality=replace(log.quality, gnss_sigma_m=sigma_m))


@pytest.mark.parametrize(
    ("sigma_m", "steers", "warned"),
    [(0.8, False, True), (0.8, None, True), (0.5, False, True), (0.8, True, False), (0.49, False, False)],
)
def test_a_coarse_receiver_that_does_not_steer_is_warned_of(sigma_m, steers, warned):
    machine = replace(sprayer(), antenna=Antenna(steers=steers))
    sizes, notes = sizes_of(log_of(sigma_m), machine, FIELD, None)
    assert (sizes.receiver_m, sizes.steers) == (sigma_m, steers)
    assert ("estimate.coarse_receiver" in [note.code for note in notes]) is warned
    assert any("rough guide" in text for text in say_all(notes)) is warned


def test_noise_seen_in_the_track_is_a_floor_of_what_is_assumed():
    assert sizes_of(log_of(), sprayer(), FIELD, None)[0].receiver_m == 0.04
    assert sizes_of(log_of(), sprayer(), FIELD, 0.3)[0].receiver_m == 0.3
    assert sizes_of(log_of(0.02), sprayer(), FIELD, 0.3)[0].receiver_m == 0.02  # stated
