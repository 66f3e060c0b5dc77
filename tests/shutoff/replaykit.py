"""Drives whose replay can be worked out by hand, and one call from a log to its replay.

Found through ``pythonpath`` in pyproject.toml.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field

import numpy as np
import shapely
from drivekit import PLANE, ground, placed
from pathkit import Floats, PlanePath, line_path, log_of
from shapely import MultiPolygon, Polygon

from swathledger.audit import Prepared, compute, resolve
from swathledger.field.field import Field
from swathledger.log.log import Log
from swathledger.machine.machine import Boom, Machine, Valves
from swathledger.machine.read import machine_from_mapping
from swathledger.report.audited import Audit
from swathledger.settings import AuditSettings
from swathledger.shutoff.results import LayoutResult, Replay
from swathledger.swath.build import build_swath

ALL_WORDS = ("boom", "2", "4", "8", "24", "nozzle", "limit")
STEP_M = 0.1
"""The controller's longest step."""


def machine(
    width_m: float = 36.0,
    nozzles: int = 72,
    sections: Sequence[int] | None = None,
    *,
    valves: Valves | None = None,
    replay: dict[str, object] | None = None,
) -> Machine:
    edges = np.linspace(-width_m / 2, width_m / 2, nozzles + 1)
    counts = tuple(sections) if sections is not None else (nozzles,)
    own = valves or Valves()
    if replay is None:
        return Machine("test", Boom(edges, counts), valves=own)
    boom = {"nozzle_count": nozzles, "width_m": width_m, "sections": list(counts)}
    table = machine_from_mapping({"name": "test", "boom": boom, "valves": asdict(own), "replay": replay})
    return Machine("test", Boom(edges, counts), valves=own, replay=table.replay)


def replayed(log: Log, sprayer: Machine, where: Field, **settings: object) -> Audit:
    """From a log to its audit with replay; ``settings`` go to :class:`AuditSettings`."""
    final, _ = resolve(AuditSettings(**settings), log, sprayer)  # type: ignore[arg-type]  # passed on as given
    swath = build_swath(log, sprayer, where.plane, max_gap_s=final.max_gap_s)
    return compute(Prepared(log, sprayer, where, swath, final, ()))


def replay_of(audit: Audit) -> Replay:
    assert audit.replay is not None
    return audit.replay


def named(audit: Audit, name: str) -> LayoutResult:
    """The result of one layout, by the word it was asked for."""
    return next(r for r in replay_of(audit).results if r.layout.name == name)


def every_result(audit: Audit) -> tuple[LayoutResult, ...]:
    replay = replay_of(audit)
    return (*replay.results, replay.logged, replay.as_logged)


def identities(audit: Audit) -> None:
    """The design's identities, exact in cells, for every layout, the logged one and what was really done."""
    targets = set()
    for r in every_result(audit):
        c = r.cells
        assert c["applied"] == c["covered"] + c["overlap_extra"] + c["outside"] + c["excluded"], r.layout.name
        assert c["target"] == c["covered"] + c["skip"], r.layout.name
        assert c["covered"] == c["single"] + c["overlap"], r.layout.name
        assert c["over_application"] == c["overlap_extra"] + c["outside"] + c["excluded"], r.layout.name
        assert sum(r.by_cause_cells.values()) == c["over_application"], r.layout.name
        assert r.by_cause_cells["outside"] == c["outside"], r.layout.name
        assert r.by_cause_cells["excluded"] == c["excluded"], r.layout.name
        assert r.by_cause_cells["standing"] == 0, r.layout.name
        assert all(v >= 0 for v in c.values()), r.layout.name
        targets.add(c["target"])
    assert len(targets) == 1


@dataclass(frozen=True, slots=True)
class Crossing:
    """One crossing of a straight edge; drawn with the drive along north and the edge through (0, 0).

    Attributes
    ----------
    angle_deg : float
        Between the direction of driving and the edge.
    leaving : bool
        From ground to be treated into ground not to be treated, or the other way.
    treated : bool
        The edge is that of ground treated before, by two passes along it; else it is the field's boundary.
    start_m : float
        Shift of the drive's rows along the way: another phase of the control steps.
    origin : (float, float)
        Where (0, 0) is put; off the corners of cells.
    """

    angle_deg: float
    bearing_deg: float = 0.0
    leaving: bool = True
    treated: bool = False
    width_m: float = 36.0
    nozzles: int = 72
    off: float = 1.0
    tolerance_m: float = 0.0
    speed_m_s: float = 5.0
    row_s: float = 1.0
    start_m: float = 0.0
    valves: Valves = field(default_factory=Valves)
    origin: tuple[float, float] = (3.217, -1.834)
    cell_m: float = 0.1

    @property
    def reach_m(self) -> float:
        """Half the way on which the boom stands across the edge."""
        return self.width_m / 2 / np.tan(np.radians(self.angle_deg))

    def waste_m2(self, groups: int, tolerance_m: float = 0.0) -> float:
        """Ground wasted by groups that shut only when wholly across: ``groups`` triangles, ``w^2 / (2 tan t)`` each.

        Group width, less what ``tolerance_m`` beside treated ground counts as treated; geometry.
        """
        w = self.width_m / groups - tolerance_m
        return groups * max(w, 0.0) ** 2 / (2 * np.tan(np.radians(self.angle_deg)))

    def audit(self, groups: Sequence[str] = ALL_WORDS) -> Audit:
        lead = 30.0
        first, last = -self.reach_m - lead + self.start_m, self.reach_m + lead
        t = np.radians(self.angle_deg)
        along = np.array([np.sin(t), np.cos(t)])  # of the edge
        behind = np.array([-along[1], along[0]])  # to the side that the drive comes from
        if behind[1] > 0:
            behind = -behind
        inward = behind if self.leaving else -behind
        length = 2 * (abs(first) + last) + 4 * self.width_m
        half_plane = Polygon(
            [
                along * length,
                -along * length,
                -along * length + inward * length * 2,
                along * length + inward * length * 2,
            ]
        )
        frame = shapely.box(-self.width_m, first - 10, self.width_m, last + 10)
        pass_ = line_path([0.0], [last - first], origin=(0.0, first), speed_m_s=self.speed_m_s, step_s=self.row_s)
        if self.treated:
            # passes along the edge, on the side that is not to be treated again, deep enough that the slanting boom
            # stays on them
            side = -inward
            deep = max(2, int(np.ceil((2 * self.reach_m + lead + 5) * np.sin(t) / self.width_m)))
            whole: PlanePath | None = None
            for k in range(deep):
                middle = side * (k + 0.5) * self.width_m
                way = 2 * self.reach_m + 2 * lead + 3 * self.width_m
                start = middle - along * way / 2
                one = line_path(
                    [0.0],
                    [way],
                    bearing_deg=self.angle_deg,
                    origin=tuple(start),
                    speed_m_s=self.speed_m_s,
                    step_s=self.row_s,
                )
                whole = one if whole is None else whole.then(one, 60.0)
            assert whole is not None
            path = whole.then(pass_, 60.0)
            xs, ys = path.x_m, path.y_m
            r = self.width_m
            boundary = shapely.box(xs.min() - r, ys.min() - r, xs.max() + r, ys.max() + r)
        else:
            path = pass_
            boundary = shapely.intersection(half_plane, frame)
        log = log_of(path.rotated(self.bearing_deg).moved(*self.origin), PLANE, state_kind="work", rate_l_m2=0.02)
        return replayed(
            log,
            machine(self.width_m, self.nozzles, valves=self.valves),
            ground(placed(boundary, self.bearing_deg, self.origin)),
            groups=tuple(groups),
            off_when_covered=self.off,
            tolerance_m=self.tolerance_m,
            cell_m=self.cell_m,
        )


def block(
    path: PlanePath,
    sprayer: Machine,
    boundary: Polygon | MultiPolygon,
    exclusions: Polygon | MultiPolygon | None = None,
    *,
    rate_l_m2: float | None = 0.02,
    state_kind: str = "work",
    speed_m_s: Floats | None = None,
    cell_m: float = 0.1,
    **settings: object,
) -> Audit:
    """A path driven and logged by a machine on a field, replayed; one state a row for the whole boom."""
    log = log_of(path, PLANE, state_kind=state_kind, rate_l_m2=rate_l_m2, speed_m_s=speed_m_s)  # type: ignore[arg-type]  # one of the kinds
    return replayed(log, sprayer, ground(boundary, exclusions), cell_m=cell_m, **settings)
