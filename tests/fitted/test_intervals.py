"""Intervals hold the truth as often as they say, over drives of many kinds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drivekit import PLANE
from plaindrive import Truth, drive_plain, machine_for

from swathledger.fitted.carrier import Found
from swathledger.fitted.fit import fit_setup, valves_of
from swathledger.swath.build import build_swath

DRIVES = 60


def any_truth(seed: int) -> Truth:
    rng = np.random.default_rng(1000 + seed)
    truth = Truth(
        ahead_m=rng.uniform(0, 8), right_m=rng.uniform(-1, 1), late_on_s=rng.uniform(-1, 2),
        late_off_s=rng.uniform(-1, 2), margin_m=rng.uniform(-0.5, 0.5), covered=float(rng.choice([1, 1, 0.75, 0.5])),
        slant_deg=float(rng.choice([0, 0, 10, 25, 40])), hz=float(rng.choice([1, 2, 5, 10])),
        sigma_m=float(rng.choice([0.02, 0.3])), speed_m_s=rng.uniform(2.5, 6), seed=seed,
        bearing_deg=rng.uniform(0, 360), hitch_m=float(rng.choice([0, 0, 4])), passes=int(rng.choice([8, 10, 14])),
        sections=int(rng.choice([4, 6, 9])), spacing_m=18 * float(rng.choice([1, 0.97, 1.01])),
    )  # fmt: skip
    return replace(truth, ahead_m=truth.ahead_m + 4) if truth.hitch_m > 0 and truth.ahead_m < 4 else truth


@pytest.mark.slow
def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    held: dict[str, list[bool]] = {}
    for seed in range(DRIVES):
        truth = any_truth(seed)
        # the file knows hitch and delays; mounted machines are given no antenna
        machine = machine_for(truth, valves=valves_of(truth.late_on_s, truth.late_off_s))
        log, _ = drive_plain(truth)
        tolerance = max(0.1, 2 * truth.sigma_m)
        setup = fit_setup(log, machine, build_swath(log, machine, PLANE), tolerance_m=tolerance)
        ahead = truth.hitch_m if truth.hitch_m > 0 else truth.ahead_m
        asked: list[tuple[str, Found, float]] = [
            ("by file", setup.ahead_by_file_timing_m, ahead), ("suggested", setup.ahead_m, ahead),
            ("free", setup.ahead_free_m, ahead), ("right", setup.right_m, truth.right_m),
            ("spacing", setup.spacing_m, truth.spacing_m),
        ]  # fmt: skip
        if setup.controller is not None:
            asked += [("on", setup.controller.late_on_s, truth.late_on_s)]
            asked += [("off", setup.controller.late_off_s, truth.late_off_s)]
        for name, found, true in asked:
            if found.low is not None and found.high is not None:
                held.setdefault(name, []).append(found.low <= true <= found.high)
    share = {name: float(np.mean(values)) for name, values in held.items()}
    # of 60 drives at 90 %, 48 or fewer are inside once in a hundred; delays, and the offset with delays left open, are
    # known to be told a little too surely (docs/setup.md)
    least = {"on": 0.7, "off": 0.7, "free": 0.7}
    assert all(value >= least.get(name, 0.80) for name, value in share.items()), share
    assert all(len(values) > 0.9 * DRIVES for values in held.values()), {k: len(v) for k, v in held.items()}
