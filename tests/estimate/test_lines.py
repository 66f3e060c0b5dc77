"""Boundaries drawn as the sprayed edge lets them be, and which line a machine went by."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from drivekit import PLANE, ground, sprayer
from pathkit import START_S, log_from_path

from swathledger.estimate.fields import Edge, moved_ring
from swathledger.estimate.lines import followed, sprayed_edge
from swathledger.estimate.sizes import Sizes
from swathledger.machine.machine import Antenna
from swathledger.swath.build import build_swath

SIZES = Sizes(0.02, 60.0, 0.0, 0.03, 0.05, 0.1, True)
ROUND = shapely.Point(0, 0).buffer(150.0, quad_segs=64)


def round_driven(radius_m: np.ndarray):
    """A round along a circle in steps of about 3 m, its boom of 12 m reaching out to ``radius_m``."""
    angle = np.linspace(0.0, 2 * np.pi, radius_m.shape[0])
    r = radius_m - 6.0
    log = log_from_path(
        r * np.sin(angle), r * np.cos(angle), START_S + np.arange(angle.shape[0], dtype=float), PLANE,
        np.ones(angle.shape[0], bool), heading_deg=np.degrees(angle) + 90.0,
    )  # fmt: skip
    return build_swath(log, sprayer(antenna=Antenna()), PLANE)


def test_the_end_of_the_boom_is_as_far_out_as_it_was_driven() -> None:
    seen = sprayed_edge(round_driven(np.full(320, 150.2)), ground(ROUND))
    assert seen.away_m == pytest.approx(0.2, abs=0.02)
    # out of a circle about (0, 0): along the place itself
    at = np.array([shapely.get_coordinates(ROUND.exterior.interpolate(s))[0] for s in seen.station_m])
    assert (seen.out * at).sum(axis=1) == pytest.approx(150.0, rel=1e-3)
    assert 800 < seen.length_m < 960  # 2 pi 144 = 905 m of way


def test_a_hole_of_the_boundary_is_driven_along_too() -> None:
    holed = shapely.Polygon(shapely.Point(0, 0).buffer(400.0).exterior, [ROUND.exterior])
    seen = sprayed_edge(round_driven(np.full(320, 150.2)), ground(holed))
    # out of the field is into the hole, which the boom's end left by 0.2 m
    assert set(seen.ring.tolist()) == {1}
    assert seen.away_m == pytest.approx(-0.2, abs=0.02)


def test_whoever_keeps_to_the_line_went_by_it_and_who_does_not_went_by_another() -> None:
    rng = np.random.default_rng(5)
    by_it = followed(round_driven(150.0 + 0.02 * rng.standard_normal(320)), ground(ROUND), SIZES)
    assert by_it.inside < 0.1
    angle = np.linspace(0.0, 2 * np.pi, 320)
    wave = 0.12 * np.sin(3 * angle)
    other = followed(round_driven(150.0 + wave), ground(ROUND), SIZES)
    assert other.inside > 0.95
    (edge,) = other.edges
    assert edge is not None
    ring = np.array(ROUND.exterior.coords)
    mean = sum(moved_ring(ring, 0.1, 50.0, np.random.default_rng(k), s, edge) for k in range(20) for s in (1, -1)) / 40
    out = np.hypot(*mean.T) - 150.0
    turned = np.arctan2(ring[:, 0], ring[:, 1]) % (2 * np.pi)
    assert out == pytest.approx(np.interp(turned, angle, wave), abs=0.06)


def test_nothing_driven_along_the_line_tells_nothing() -> None:
    found = followed(round_driven(np.full(320, 120.0)), ground(ROUND), SIZES)
    assert (found.inside, found.scatter_m, found.edges) == (0.5, None, ())
    assert found.note().code == "estimate.boundary_not_followed"


def test_a_ring_is_drawn_as_conditional_gaussians_are() -> None:
    ring = np.array(ROUND.exterior.coords)
    station = np.array([0.0, 12.0, 300.0])
    where = [ROUND.exterior.interpolate(s).coords[0] for s in station]
    out = np.array(where) / 150.0
    edge = Edge(station, out, np.array([0.1, 0.12, -0.2]), 0.05, np.full((3, 3), 0.02**2))
    rng = np.random.default_rng(8)
    draws = np.stack([moved_ring(ring, 0.1, 50.0, rng, 1.0, edge) - ring for _ in range(1500)])
    # the oracle: weights of draws that know nothing by the likelihood of what was seen
    blind = np.stack([moved_ring(ring, 0.1, 50.0, rng) - ring for _ in range(12_000)])
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
    near = [int(np.abs(way - s).argmin()) for s in station]
    off = (blind[:, near] * out).sum(axis=2) - edge.away_m
    among = np.linalg.inv(0.05**2 * np.eye(3) + edge.shared_m2)
    weight = np.exp(-0.5 * np.einsum("ij,jk,ik->i", off, among, off))
    weight /= weight.sum()
    for point in (0, 20, near[2]):
        mean = weight @ blind[:, point]
        assert draws[:, point].mean(axis=0) == pytest.approx(mean, abs=0.02)
        spread = np.sqrt(weight @ (blind[:, point] - mean) ** 2)
        assert draws[:, point].std(axis=0) == pytest.approx(spread, rel=0.2)
    plus, minus = (moved_ring(ring, 0.1, 50.0, np.random.default_rng(3), s, edge) for s in (1.0, -1.0))
    assert (plus + minus)[near[0]] / 2 - ring[near[0]] == pytest.approx(draws[:, near[0]].mean(axis=0), abs=0.01)


def test_a_receiver_in_the_log_takes_its_share_of_what_is_seen() -> None:
    angle = np.linspace(0.0, 2 * np.pi, 320)
    swath = round_driven(150.0 + 0.2 * np.sin(4 * angle))
    for steers, least, most in ((True, 0.0, 0.06), (False, 0.2, 2.0)):
        found = followed(swath, ground(ROUND), replace(SIZES, receiver_m=0.8, receiver_time_s=300.0, steers=steers))
        (edge,) = found.edges
        assert edge is not None
        assert least**2 <= float(np.diag(edge.shared_m2).mean()) - 0.03**2 + 1e-12 < most**2 + 0.3**2
