"""Plausibility bands: simulated drives beside field studies. Bands, never equalities; docs/validation.md tells all."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from drivekit import PLANE, ground
from pathkit import logged
from replaykit import identities, machine, named, replay_of, replayed

from swathledger.simulate.drive import DriveSettings
from swathledger.simulate.fields import random_field
from swathledger.simulate.run import RunSettings, simulate_field

#: Cut in over-application from one section to seven, per cent of the field, median of 44 fields: Larson et al.,
#: Precision Agriculture, doi 10.1007/s11119-015-9404-y (seen). The study's working widths are not known to us.
PUBLISHED = {0.01: 3.00, 0.02: 9.65, 0.03: 13.50}
AREAS_M2 = {0.01: 300_000.0, 0.02: 120_000.0, 0.03: 60_000.0}


def cut_pct(perimeter_to_area: float, seed: int, width_m: float, cell_m: float) -> float:
    """Over-application of one valve less that of seven, per cent of the field, on one manual drive."""
    field = ground(random_field(perimeter_to_area, AREAS_M2[perimeter_to_area], seed).boundary)
    sprayer = machine(width_m, 56)
    driven = simulate_field(field, sprayer, RunSettings(drive=DriveSettings(control="manual", seed=seed)))
    audit = replayed(logged(driven, PLANE), sprayer, field, groups=("boom", "7"), cell_m=cell_m)
    identities(audit)
    one, seven = named(audit, "boom"), named(audit, "7")
    return 100 * (one.m2("over_application") - seven.m2("over_application")) / one.m2("target")


def test_cut_from_one_to_seven_groups_is_of_the_published_order():
    # two fields a band, coarse cells: within a factor of three of the published median, and rising
    cuts = [np.mean([cut_pct(band, seed, 18.0, 0.5) for seed in (0, 1)]) for band in PUBLISHED]
    for found, published in zip(cuts, PUBLISHED.values(), strict=True):
        assert published / 3 < found < published * 3
    assert cuts[0] < cuts[1] < cuts[2]


@pytest.mark.slow
@pytest.mark.parametrize("width", [18.0, 28.0])
def test_medians_of_twelve_fields_a_band(width):
    cuts = [[cut_pct(band, seed, width, 0.25) for seed in range(12)] for band in PUBLISHED]
    medians = [float(np.median(band)) for band in cuts]
    said = ", ".join(f"{m:.1f} % ({min(band):.1f} to {max(band):.1f})" for m, band in zip(medians, cuts, strict=True))
    print(f"\n{width:g} m: {said}")  # noqa: T201  # for docs/validation.md
    assert medians[0] < medians[1] < medians[2]
    for found, published in zip(medians, PUBLISHED.values(), strict=True):
        assert published / 2.5 < found < published * 2.5


def field_with_ponds(seed: int, area_m2: float = 600_000.0):
    """A large field with five ponds of 25 to 45 m across, each with its buffer of 5 m, all excluded."""
    shape = random_field(0.008, area_m2, seed)
    rng = np.random.default_rng(seed)
    inner = shape.boundary.buffer(-90)
    x0, y0, x1, y1 = inner.bounds
    ponds: list[shapely.Polygon] = []
    while len(ponds) < 5:
        pond = shapely.Point(rng.uniform(x0, x1), rng.uniform(y0, y1)).buffer(rng.uniform(12.5, 22.5) + 5.0)
        if inner.contains(pond) and all(pond.distance(other) > 80 for other in ponds):
            ponds.append(pond)
    return ground(shape.boundary, shapely.union_all(ponds))


@pytest.mark.slow
def test_single_nozzles_against_sections_of_ten_to_fifteen_feet():
    """The trade says 3 to 5 % of product (common practice, no source); see docs/validation.md for why less is found."""
    found = []
    for seed in range(4):
        field, sprayer = field_with_ponds(seed), machine(36.0, 72)
        driven = simulate_field(field, sprayer, RunSettings(drive=DriveSettings(control="manual", seed=seed)))
        audit = replayed(
            logged(driven, PLANE), sprayer, field, groups=("boom", "8", "12", "nozzle", "limit"), cell_m=0.25
        )
        identities(audit)
        applied = {r.layout.name: r.m2("applied") for r in replay_of(audit).results}
        target = named(audit, "boom").m2("target")
        found.append(
            [100 * (applied[k] - applied["nozzle"]) / applied[k] for k in ("8", "12")]
            + [100 * named(audit, k).m2("over_application") / target for k in ("boom", "8", "12", "nozzle")]
        )
    table = np.array(found)
    print("\nnozzle against 8 x 4.5 m, 12 x 3 m, %; over boom, 8, 12, nozzle, %:\n", table.round(2))  # noqa: T201  # as above
    # single nozzles always save against sections, less against narrower ones, and never as much as the trade's 5 %
    assert bool((table[:, 0] > table[:, 1]).all())
    assert bool((table[:, 1] > 0.1).all())
    assert bool((table[:, 0] < 5.0).all())
