"""A simulated day through the whole audit: two charges at standstill, a refill and a rain stop."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely
from drivekit import PLANE, ground
from pathkit import log_from_path

from swathledger.audit import Prepared, compute
from swathledger.documents.document import plain
from swathledger.ledger.balance import balance_of, sum_of
from swathledger.log.log import Log
from swathledger.machine.machine import Antenna, Boom, Machine
from swathledger.machine.plumbing import Plumbing, PlumbingLine
from swathledger.plumbing.job import standing_of
from swathledger.report.document import ledger_of
from swathledger.settings import AuditSettings
from swathledger.swath.build import build_swath

START = 1_757_894_400.0  # 2025-09-15 00:00 UTC; at 148 degrees east the sun is near 10 in the morning
FLOW = 0.6  # L/s while driving: 100 L/ha on 12 m at 5 m/s = 0.01 L/m2 x 60 m2/s
CHARGE = (40.0, 20.0)  # s
CHARGE_FLOW = (1.0, 0.8)  # L/s: 40 L and 16 L
REFILL_S, RAIN_S = 600.0, 2700.0
SETTINGS = AuditSettings(cell_m=0.5, max_gap_s=6.0, tolerance_m=0.1, groups=())


def day(*, charges: bool = True) -> Log:
    """Three passes of 200 m side by side; one row a second, silent in the rain.

    Charge, pass 1, stand 600 s for a refill, pass 2, rain of 45 min with a silent log, charge, pass 3.
    """
    x: list[float] = []
    y: list[float] = []
    t: list[float] = []
    opened: list[bool] = []
    flow: list[float] = []
    now = START

    def row(px: float, py: float, on: bool, litres_s: float) -> None:
        nonlocal now
        x.append(px)
        y.append(py)
        t.append(now)
        opened.append(on)
        flow.append(litres_s)
        now += 1.0

    def stand(px: float, py: float, seconds: float, litres_s: float = 0.0) -> None:
        for _ in range(int(seconds)):
            row(px, py, litres_s > 0, litres_s)

    for number, px in enumerate((0.0, 12.0, 24.0)):
        if number != 1 and charges:
            which = 0 if number == 0 else 1
            stand(px, 0.0, CHARGE[which], CHARGE_FLOW[which])
        for k in range(40):
            row(px, 5.0 * k, True, FLOW)
        for k in range(40):  # drives back shut, over the next strip
            row(px + 0.3 * k, 200.0 - 5.0 * k, False, 0.0)
        if number == 0:
            stand(12.0, 0.0, REFILL_S)
        if number == 1:
            stand(24.0, 0.0, 5.0)
            now += RAIN_S
    speed = np.append(np.hypot(np.diff(x), np.diff(y)) / np.diff(t), 0.0)
    return log_from_path(
        np.array(x),
        np.array(y),
        np.array(t),
        PLANE,
        np.array(opened)[:, None],
        state_kind="work",
        speed_m_s=speed,
        rate_l_m2=0.01,
        flow_l_s=np.array(flow),
    )


def document_of(log: Log, plumbing: Plumbing | None = None) -> dict[str, Any]:
    machine = Machine("m", Boom(np.linspace(-6.0, 6.0, 25), (24,)), plumbing=plumbing or Plumbing((24,)))
    pond = shapely.box(-106.0, 0.0, -86.0, 40.0)  # its nearest side 86 m west of the first charge
    field = ground(shapely.box(-126.0, -10.0, 40.0, 210.0), pond)
    swath = build_swath(log, machine, field.plane, max_gap_s=6.0)
    return plain(ledger_of(compute(Prepared(log, machine, field, swath, SETTINGS, ()))))


def test_every_event_is_found_with_its_litres() -> None:
    found = document_of(day())
    standing = found["standing"]
    first, second = standing["events"]
    assert first["litres_l"] == pytest.approx(40.0, rel=0.01)  # 40 s x 1.0 L/s
    assert second["litres_l"] == pytest.approx(16.0, rel=0.01)  # 20 s x 0.8 L/s
    assert (first["start"], first["start_s"], first["duration_s"]) == ("2025-09-15T00:00:00Z", 0.0, 40.0)
    assert second["duration_s"] == 20.0
    assert [event["kind"] for event in standing["events"]] == ["measured", "measured"]
    assert [event["occasion"] for event in standing["events"]] == ["first_of_day", "after_long_stop"]
    assert first["to_boundary_m"] == pytest.approx(10.0, abs=0.01)
    assert first["to_exclusion_m"] == pytest.approx(86.0, abs=0.01)
    assert (first["nozzles_to_boundary_m"], first["nozzles_to_exclusion_m"]) == pytest.approx((10.0, 80.0), abs=0.01)
    assert first["inside_boundary"] is True
    assert first["wetted_m2"] == pytest.approx(12.0 * 0.3)  # the whole boom x the assumed footprint
    refill, rain = standing["stops"]
    assert refill["duration_s"] == pytest.approx(REFILL_S, abs=5.0)
    assert (refill["logged"], refill["long"]) == (True, False)
    assert rain["duration_s"] == pytest.approx(RAIN_S, abs=10.0)
    assert (rain["logged"], rain["long"]) == (False, True)
    assert (standing["measured"], standing["unmeasured"], standing["unmeasured_primes"]) == (2, 0, 0)
    assert standing["litres_l"] == pytest.approx(56.0, rel=0.01)
    # the ledger's litres of standing are the same litres
    assert found["volume"]["standing_l"] == pytest.approx(standing["litres_l"], rel=1e-9)
    assert next(row for row in found["cause"] if row["cause"] == "standing") == {
        "cause": "standing",
        "area_m2": 0.0,
        "volume_l": found["volume"]["standing_l"],
    }


def test_places_are_the_boom_s_and_reach_is_that_of_the_open_nozzles() -> None:
    # Heading north, antenna 3 m ahead of the boom and 1 m right of its centre: the boom stands 3 m south and 1 m west.
    # Only the left section is open, 6 m of it: from 7 m to 1 m west of the antenna's meridian.
    log = day()
    state = np.column_stack([log.state[:, 0], np.zeros(len(log), dtype=np.bool_)])
    machine = Machine("m", Boom(np.linspace(-6.0, 6.0, 25), (12, 12)), antenna=Antenna(3.0, 1.0))
    field = ground(shapely.box(-20.0, -10.0, 40.0, 210.0), shapely.box(-19.0, -5.0, -11.0, 5.0))
    log = replace(log, state=state, state_kind="section", heading_deg=np.zeros(len(log)))
    swath = build_swath(log, machine, field.plane, max_gap_s=6.0)
    first = plain(ledger_of(compute(Prepared(log, machine, field, swath, SETTINGS, ()))))["standing"]["events"][0]
    x, y = field.plane.forward(np.array([first["latitude"]]), np.array([first["longitude"]]))
    assert (float(x[0]), float(y[0])) == pytest.approx((-1.0, -3.0), abs=0.01)
    assert first["to_boundary_m"] == pytest.approx(7.0, abs=0.01)  # y = -3 to -10
    assert first["to_exclusion_m"] == pytest.approx(10.0, abs=0.01)  # x = -1 to -11
    assert first["nozzles_to_boundary_m"] == pytest.approx(7.0, abs=0.01)
    assert first["nozzles_to_exclusion_m"] == pytest.approx(4.0, abs=0.01)  # x = -7 to -11


def test_without_flow_the_litres_are_not_known() -> None:
    log = replace(day(), flow_l_s=None)
    found = document_of(log)
    standing = found["standing"]
    assert [event["litres_l"] for event in standing["events"]] == [None, None]
    assert [event["kind"] for event in standing["events"]] == ["likely_prime", "likely_prime"]
    assert (standing["litres_l"], standing["unmeasured"], standing["unmeasured_primes"]) == (None, 2, 2)
    assert found["volume"]["standing_l"] is None
    assert found["balance"]["standing_l"] is None
    assert next(row for row in found["cause"] if row["cause"] == "standing")["volume_l"] is None
    assert len(standing["stops"]) == 2
    # The boom's nozzles at 1.5 L/min for 40 s: 24 x 1.5 / 60 x 40 = 24 L. An estimate, never taken as measured.
    guessed = document_of(log, Plumbing((24,), nozzle_flow_l_s=1.5 / 60))["standing"]
    assert guessed["events"][0]["estimated_l"] == pytest.approx(24.0)
    assert guessed["estimated_l"] == pytest.approx(36.0)
    assert (guessed["events"][0]["litres_l"], guessed["litres_l"]) == (None, None)


def test_one_missing_flow_makes_the_event_unknown_and_not_smaller() -> None:
    log = day()
    assert log.flow_l_s is not None
    flow = log.flow_l_s.copy()
    flow[10] = np.nan
    standing = document_of(replace(log, flow_l_s=flow))["standing"]
    assert [event["litres_l"] for event in standing["events"]] == [None, pytest.approx(16.0)]
    assert (standing["litres_l"], standing["unmeasured"]) == (pytest.approx(16.0), 1)


def test_charges_add_no_ground() -> None:
    with_charges, without = document_of(day()), document_of(day(charges=False))
    for key in ("applied_m2", "covered_m2", "over_application_m2"):
        assert with_charges["area"][key] == pytest.approx(without["area"][key], abs=1.0), key
    assert without["standing"]["events"] == []
    assert without["standing"]["litres_l"] == 0.0  # none poured, and known to be none


def test_what_recirculating_would_have_kept() -> None:
    # One main hose of 10 L content: 1000 pi/4 0.05^2 x 5.092958 = 10.000 L; nozzle bodies 24 x 50 mL = 1.2 L.
    plumbing = Plumbing((24,), lines=(PlumbingLine("main", 0.05, 5.0929582, "all"),), nozzle_body_l=0.05)
    standing = document_of(day(), plumbing)["standing"]
    # 40 and 16 L poured; 1.2 L would still leave the nozzles each time
    assert standing["recirculating_would_keep_l"] == pytest.approx(56.0 - 2 * 1.2)
    unseen = document_of(replace(day(), flow_l_s=None), plumbing)["standing"]
    assert unseen["recirculating_would_keep_l"] is None
    assert unseen["recirculating_would_keep_estimated_low_l"] == pytest.approx(2 * 10.0, rel=1e-6)


def test_reach_is_from_the_outer_edge_of_the_outermost_open_nozzle() -> None:
    log = day()
    machine = Machine("m", Boom(np.linspace(-6.0, 6.0, 25), (24,)))
    for right, left, expected in ((8.0, -50.0, 2.0), (50.0, -9.0, 3.0)):  # the boom reaches 6 m to either side
        field = ground(shapely.box(left, -10.0, right, 210.0))
        swath = build_swath(log, machine, field.plane, max_gap_s=6.0)
        first = standing_of(log, machine, field, swath, max_gap_s=6.0).reach[0]
        assert first.to_boundary_m == pytest.approx(expected, abs=0.01)
        assert first.to_exclusion_m is None


def test_litres_poured_at_standstill_are_in_the_base_of_no_saving() -> None:
    log = day()
    machine = Machine("m", Boom(np.linspace(-6.0, 6.0, 25), (24,)))
    field = ground(shapely.box(-10.0, -10.0, 40.0, 210.0))
    swath = build_swath(log, machine, field.plane, max_gap_s=6.0)
    found = plain(ledger_of(compute(Prepared(log, machine, field, swath, replace(SETTINGS, groups=("boom",)), ()))))
    # 128 L were logged, 56 of them standing: what was laid while driving is 72 L
    laid = found["model"]["as_logged"]["volume_l"]
    assert laid == pytest.approx(72.0, rel=5e-3)
    (boom,) = found["replay"]
    assert boom["saved_l"] == pytest.approx(laid - boom["volume_l"], abs=1e-6)


def test_mass_balance_closes_over_a_job_and_a_season() -> None:
    found = document_of(day())
    balance = found["balance"]
    parts = balance["on_target_l"] + sum(row["volume_l"] for row in balance["by_cause"]) + balance["standing_l"]
    assert balance["logged_l"] == pytest.approx(parts + balance["unexplained_l"], rel=1e-9)
    # three passes of 200 m x 0.6 L/s x 40 s = 72 L, and 56 L standing
    assert balance["logged_l"] == pytest.approx(72.0 + 56.0)
    assert abs(balance["unexplained_pct"]) < 0.5
    assert balance["unexplained_pct"] == pytest.approx(-found["volume"]["closure_pct"])
    machine = Machine("m", Boom(np.linspace(-6.0, 6.0, 25), (24,)))
    field = ground(shapely.box(-10.0, -10.0, 40.0, 210.0))
    swath = build_swath(day(), machine, field.plane, max_gap_s=6.0)
    volumes = compute(Prepared(day(), machine, field, swath, SETTINGS, ())).accounting.volumes
    assert volumes is not None
    one, other = balance_of(volumes), balance_of(volumes, standing_known=False)
    both = sum_of([one, other])
    assert both is not None
    assert both.standing_l == one.standing_l  # what is known of it
    assert both.logged_l == pytest.approx(
        both.on_target_l + both.over_applied_l + (both.standing_l or 0.0) + both.unexplained_l
    )
    assert sum_of([]) is None
