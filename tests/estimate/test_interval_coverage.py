"""A thin run of :mod:`interval_worlds`: intervals hold the truth about as often as they say. The whole is a script."""

from __future__ import annotations

import os

import pytest
from interval_worlds import KINDS, Kind, score, world_rows

WORLDS = int(os.environ.get("SWATHLEDGER_WORLDS", "20"))
CHOSEN = (
    "auto 24 m 8 s 1 Hz rtk steers",
    "auto 24 m 4 s 0.5 Hz rtk",
    "auto 24 m 8 s 1 Hz corrected steers",
    "hand 24 m 8 s 1 Hz corrected",
)


@pytest.mark.slow
@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind.name in CHOSEN], ids=lambda kind: kind.name)
def test_intervals_hold_the_truth_about_as_often_as_they_say(kind: Kind) -> None:
    worlds = [world_rows(kind, 10_000 + seed) for seed in range(WORLDS)]
    # a count of n at 90 % has a standard error of sqrt(0.09 / n): 6.7 points for 20; two and a half are allowed
    slack = 2.5 * (0.09 / WORLDS) ** 0.5
    for name in ("over_application_pct", "skip_pct"):
        found = score([world[name] for world in worlds])
        assert found.held >= 0.9 - slack, (name, found)
        assert abs(found.best - 1.0) < 0.12, (name, found)
        assert abs(found.best - 1.0) < abs(found.read - 1.0), (name, found)
