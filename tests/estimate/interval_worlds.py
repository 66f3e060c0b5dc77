"""How often intervals hold the truth: ``python tests/estimate/interval_worlds.py [COUNT] [KIND...]``.

For every kind: share of worlds whose 90 % interval holds the truth, mean of best (and of read) over mean of truth,
median half-width beside the root mean square error of best. The figures stand in docs/validation.md.
"""

from __future__ import annotations

import functools
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from plain_world import Kind, make_world

from swathledger.audit import compute, estimated, prepare
from swathledger.settings import AuditSettings

QUANTITIES = ("over_application_pct", "skip_pct", "outside_pct", "excluded_pct")
LEAST_TOLD = 0.05
"""Mean truth, per cent of the target, below which a ratio of means says nothing."""
SHORT = {"over_application_pct": "over", "skip_pct": "skip", "outside_pct": "outside", "excluded_pct": "excluded"}

CORRECTED = {"sigma_m": 0.25, "time_s": 120.0}
UNCORRECTED = {"sigma_m": 0.8, "time_s": 300.0}
HAND = {"hand": True, "wander_m": 0.12, "overlap_m": 0.2}
KINDS = (
    Kind("auto 24 m 8 s 1 Hz rtk"),
    Kind("auto 24 m 8 s 1 Hz rtk steers", steers=True),
    Kind("auto 24 m 4 s 0.5 Hz rtk", sections=4, rate_hz=0.5),
    Kind("auto 36 m 9 s 1 Hz rtk steers", boom_m=36.0, sections=9, hectares=5.0, steers=True),
    Kind("auto 36 m 12 s 2 Hz rtk headings", boom_m=36.0, sections=12, hectares=5.0, rate_hz=2.0, heading_logged=True),
    Kind("auto 12 m 6 s 1 Hz rtk", boom_m=12.0, sections=6, hectares=1.0),
    Kind("auto 12 m 4 s 10 Hz rtk pond", boom_m=12.0, sections=4, hectares=1.5, rate_hz=10.0, pond=True),
    Kind("auto 24 m 48 nozzles 1 Hz rtk", sections=48, hectares=2.0),
    Kind("auto 24 m 8 s 1 Hz rtk ragged", shape="ragged"),
    Kind("auto 24 m 6 s 0.5 Hz rtk ragged pond", shape="ragged", sections=6, pond=True, hectares=5.0, rate_hz=0.5),
    Kind("auto 24 m 8 s 0.2 Hz rtk", rate_hz=0.2),
    Kind("auto 24 m 8 s 1 Hz corrected", **CORRECTED),
    Kind("auto 24 m 8 s 1 Hz corrected steers", steers=True, **CORRECTED),
    Kind("auto 24 m 8 s 1 Hz uncorrected", **UNCORRECTED),
    Kind("auto 24 m 8 s 1 Hz uncorrected steers", steers=True, **UNCORRECTED),
    Kind("hand 24 m 8 s 1 Hz rtk", **HAND),
    Kind("hand 12 m 4 s 2 Hz rtk", boom_m=12.0, sections=4, hectares=1.0, rate_hz=2.0, **HAND),
    Kind("hand 24 m 8 s 0.5 Hz rtk steers", rate_hz=0.5, steers=True, hand=True, overlap_m=0.2),
    Kind("hand 24 m 8 s 1 Hz corrected", **HAND, **CORRECTED),
    Kind("hand 24 m 8 s 1 Hz uncorrected", **HAND, **UNCORRECTED),
    Kind("hand 36 m 12 s 10 Hz corrected steers ragged", boom_m=36.0, sections=12, hectares=5.0, rate_hz=10.0,
         shape="ragged", steers=True, hand=True, overlap_m=0.2, **CORRECTED),
    Kind("auto 24 m 8 s 1 Hz rtk 16 ha", hectares=16.0, true_cell_m=0.15),
)  # fmt: skip


LAYOUTS = {
    "auto 24 m 8 s 1 Hz rtk": (4, 24), "auto 24 m 8 s 1 Hz rtk steers": (4, 24), "auto 12 m 6 s 1 Hz rtk": (3, 12),
    "auto 36 m 9 s 1 Hz rtk steers": (3, 36),
}  # fmt: skip
"""Numbers of equal groups whose savings are scored, by kind."""


@dataclass(frozen=True)
class Score:
    """What intervals did in worlds of one kind, for one quantity."""

    worlds: int
    held: float
    best: float
    read: float
    half_width: float
    rms: float
    truth: float


Row = tuple[float, float, float, float, float]
"""Truth, as read, best, low, high."""


def world_rows(kind: Kind, seed: int) -> dict[str, Row]:
    """One world of a kind."""
    layouts = LAYOUTS.get(kind.name, ())
    world = make_world(kind, seed, layouts=layouts)
    settings = AuditSettings(groups=tuple(str(groups) for groups in layouts), cell_m=0.15)
    with tempfile.TemporaryDirectory() as folder:
        log, machine, boundary = world.write(Path(folder))
        audit = compute(prepare([log], machine, boundary, settings))
    found = estimated(audit).estimate
    return {
        line.quantity: (world.truth[line.quantity], line.read, line.best, line.low, line.high)
        for line in found.headlines
        if line.quantity in world.truth
    }


def score(rows: list[Row]) -> Score:
    """What intervals did over worlds."""
    truth, read, best, low, high = np.array(rows).T
    mean = float(truth.mean())
    told = abs(mean) >= LEAST_TOLD
    return Score(
        len(rows), float(np.mean((low <= truth) & (truth <= high))), float(best.mean()) / mean if told else np.nan,
        float(read.mean()) / mean if told else np.nan, float(np.median((high - low) / 2)),
        float(np.sqrt(np.mean((best - truth) ** 2))), mean,
    )  # fmt: skip


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    asked = sys.argv[2:]
    kinds = [kind for number, kind in enumerate(KINDS) if not asked or {kind.name, str(number)} & set(asked)]
    tell = functools.partial(print, flush=True)
    tell("| kind | quantity | truth, % | held, % | best / truth | read / truth | half-width | rms error |")
    tell("|---|---|---|---|---|---|---|---|")
    for kind in kinds:
        worlds = [world_rows(kind, seed) for seed in range(count)]
        for name in (*QUANTITIES, *(name for name in worlds[0] if name.startswith("saved"))):
            s = score([world[name] for world in worlds])
            told = SHORT.get(name, name)
            tell(f"| {kind.name} | {told} | {s.truth:.2f} | {100 * s.held:.0f} | {s.best:.2f} | {s.read:.2f} | "
                 f"{s.half_width:.2f} | {s.rms:.2f} |")  # fmt: skip


if __name__ == "__main__":
    main()
