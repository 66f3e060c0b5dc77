"""Standing discharges, likely primes and stops on days whose every event is known."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from swathledger.errors import LogError
from swathledger.field.field import Field, LocalPlane
from swathledger.log.log import Log, LogQuality
from swathledger.machine.read import machine_from_width
from swathledger.plumbing.job import standing_rows
from swathledger.plumbing.standing import StandingReport, find_discharges, find_primes, find_stops, runs
from swathledger.plumbing.standing_log import standing_report, with_distances
from swathledger.swath.build import build_swath

PLANE = LocalPlane(-33.5, 148.25)
MORNING_S = 1_760_000_400.0 - 1_760_000_400.0 % 86400.0 + 22 * 3600.0  # 22:00 UTC is about 08:00 at 148 degrees east
FLOW_L_S = 2.0
STEPS = (
    # what, seconds, speed m/s, spraying, flow L/s
    ("charge at the field's corner", 60, 0.0, True, 1.5),
    ("work", 600, 4.0, True, FLOW_L_S),
    ("refill", 900, 0.0, False, 0.0),
    ("second charge", 45, 0.0, True, 1.2),
    ("work", 300, 4.0, True, FLOW_L_S),
    ("rain", 3000, 0.0, False, 0.0),
    ("work again", 300, 4.0, True, FLOW_L_S),
)


def day(*, flow: bool = True, speed: bool = True, noise_m: float = 0.0, step_s: float = 1.0) -> Log:
    """One day on a line running east from the plane's origin; each row's state holds to the next."""
    v: list[float] = []
    on: list[bool] = []
    q: list[float] = []
    for _, seconds, pace, spraying, litres in STEPS:
        n = round(seconds / step_s)
        v += [pace] * n
        on += [spraying] * n
        q += [litres] * n
    v, on, q = [*v, 0.0], [*on, False], [*q, 0.0]
    n = len(v)
    x = np.concatenate(([0.0], np.cumsum(np.array(v[:-1]) * step_s)))
    rng = np.random.default_rng(7)
    wobble = rng.normal(0.0, noise_m, size=(2, n)) if noise_m else np.zeros((2, n))
    latitude, longitude = PLANE.inverse(x + wobble[0], np.zeros(n) + wobble[1])
    return Log(
        time_s=MORNING_S + step_s * np.arange(n),
        latitude_deg=np.asarray(latitude),
        longitude_deg=np.asarray(longitude),
        state_kind="section",
        state=np.array(on)[:, None],
        quality=LogQuality(n, n, (), (), (), step_s),
        inputs=(),
        speed_m_s=np.array(v) if speed else None,
        flow_l_s=np.array(q) if flow else None,
    )


FIELD = Field(
    field_id="paddock 1",
    plane=PLANE,
    boundary=shapely.box(-50.0, -100.0, 6000.0, 200.0),
    exclusions=shapely.MultiPolygon([shapely.box(-40.0, 30.0, 0.0, 40.0)]),
    source="given",
    geodesic_area_m2=6050.0 * 300.0,
)


def reported(log: Log, field: Field | None = None, **more: Any) -> StandingReport:
    """On the standing and spraying of the swath, as an audit has them."""
    swath = build_swath(log, machine_from_width(12), PLANE, max_gap_s=6.0)
    return standing_report(log, field, *standing_rows(swath, len(log)), max_gap_s=6.0, **more)


@pytest.mark.parametrize("speed", [True, False], ids=["logged speed", "from the track"])
def test_every_event_of_the_day_is_found(speed: bool) -> None:
    report = reported(day(speed=speed), FIELD)
    first, second = report.discharges
    # 60 s at 1.5 L/s and 45 s at 1.2 L/s
    assert (first.litres, second.litres) == (pytest.approx(90.0, rel=0.01), pytest.approx(54.0, rel=0.01))
    assert report.litres == pytest.approx(144.0, rel=0.01)
    assert first.litres_source == "flow"
    assert (first.duration_s, second.duration_s) == (pytest.approx(60.0, abs=1.0), pytest.approx(45.0, abs=1.0))
    assert first.start_time_s == MORNING_S
    assert second.start_time_s == MORNING_S + 60 + 600 + 900
    assert report.unmeasured == 0
    # the first charge stands at the origin: 50 m from the west edge, 30 m below the exclusion
    assert first.distance_to_boundary_m == pytest.approx(50.0, abs=0.01)
    assert first.distance_to_exclusion_m == pytest.approx(30.0, abs=0.01)
    assert first.inside_boundary is True
    # stops: the refill of 15 min and the rain of 50; only the second is long
    assert [(stop.duration_s, stop.long, stop.logged) for stop in report.stops] == [
        (pytest.approx(900, abs=2), False, True),
        (pytest.approx(3000, abs=2), True, True),
    ]
    # likely primes: the day's first spray, which the log shows, and the one after the rain, which it does not
    assert [(prime.occasion, prime.discharge) for prime in report.primes] == [
        ("first_of_day", 0),
        ("after_long_stop", None),
    ]
    assert report.primes[1].break_s == pytest.approx(3000, abs=2)
    assert (first.occasion, second.occasion) == ("first_of_day", "in_work")
    assert report.unseen_primes == 1


def test_litres_are_unknown_without_flow() -> None:
    report = reported(day(flow=False), FIELD)
    assert [event.litres for event in report.discharges] == [None, None]
    assert report.litres is None
    assert report.unmeasured == 2
    assert [event.wetted_m2 for event in report.discharges] == [None, None]


def test_nozzle_flow_stands_in_and_says_so() -> None:
    log = day(flow=False)
    report = reported(
        log,
        open_nozzles=np.full(len(log) - 1, 20),
        nozzle_flow_l_s=0.03,
        open_width_m=np.full(len(log) - 1, 10.0),
        footprint_m=0.4,
    )
    # 60 s x 20 nozzles x 0.03 L/s
    assert report.discharges[0].litres == pytest.approx(36.0)
    assert report.discharges[0].litres_source == "nozzle"
    assert report.discharges[0].wetted_m2 == pytest.approx(4.0)
    assert report.discharges[0].distance_to_boundary_m is None


def test_one_missing_flow_makes_the_event_unknown_not_smaller() -> None:
    log = day()
    assert log.flow_l_s is not None
    log.flow_l_s[30] = np.nan
    report = reported(log)
    assert [event.litres is None for event in report.discharges] == [True, False]
    assert report.litres == pytest.approx(54.0)
    assert report.unmeasured == 1


@pytest.mark.parametrize("step_s", [0.1, 0.5, 1.0])
def test_noise_of_a_corrected_receiver_hides_no_event(step_s: float) -> None:
    report = reported(day(speed=False, noise_m=0.02, step_s=step_s))
    assert [event.litres for event in report.discharges] == [pytest.approx(90, rel=0.01), pytest.approx(54, rel=0.01)]


def test_a_gap_is_neither_spraying_nor_flow() -> None:
    log = day()
    keep = np.ones(len(log), dtype=bool)
    keep[20:50] = False  # 30 s of the first charge are missing: 20 s before the gap, of which the last row's is unknown
    cut = replace(
        log,
        time_s=log.time_s[keep],
        latitude_deg=log.latitude_deg[keep],
        longitude_deg=log.longitude_deg[keep],
        state=log.state[keep],
        speed_m_s=log.speed_m_s[keep],
        flow_l_s=log.flow_l_s[keep],  # type: ignore[index]
    )
    report = reported(cut)
    assert [event.litres for event in report.discharges] == pytest.approx([19 * 1.5, 10 * 1.5, 54.0])


def test_days_turn_by_the_sun_and_work_through_midnight_is_not_cut() -> None:
    # at 150 degrees east solar midnight is 14:00 UTC; spray 13:50-14:10, pause 2 h, spray again, pause 9 h, spray
    start = 20_000 * 86400.0 + 13.0 * 3600 + 50 * 60
    time = start + np.array([0.0, 1200.0, 8400.0, 9000.0, 41400.0, 42000.0])
    on = np.array([True, False, True, False, True])
    where = np.zeros(6), np.full(6, 150.0)
    found = find_primes(time, *where, on)
    assert [prime.occasion for prime in found] == ["first_of_day", "after_long_stop", "after_long_stop"]
    later = find_primes(time + 86400.0 * np.array([0, 0, 0, 0, 1, 1]), *where, on)
    assert [prime.occasion for prime in later] == ["first_of_day", "after_long_stop", "first_of_day"]
    # known to have sprayed ten minutes before the log began: no prime at its start
    known = find_primes(time, *where, on, previous_spray_end_s=start - 600.0)
    assert [prime.occasion for prime in known] == ["after_long_stop", "after_long_stop"]
    undated = find_primes(time, *where, on, time_is_absolute=False)
    assert [prime.occasion for prime in undated] == ["first_of_log", "after_long_stop", "after_long_stop"]


def test_the_sun_s_day_turns_earlier_in_the_east() -> None:
    # Pause from 13:00 to 15:00 UTC. Solar midnight is 14:00 UTC at 150 degrees east, and 22:00 at 30 degrees east.
    time = 20_000 * 86400.0 + 3600.0 * np.array([12.0, 13.0, 15.0, 16.0])
    on = np.array([True, False, True])
    for longitude, occasion in ((150.0, "first_of_day"), (30.0, "after_long_stop"), (-150.0, "after_long_stop")):
        found = find_primes(time, np.zeros(4), np.full(4, longitude), on)
        assert [prime.occasion for prime in found] == ["first_of_day", occasion], longitude
    # at 150 degrees west it is 10:00 UTC: a pause from 9 to 11 turns the day there, and there alone
    for longitude, occasion in ((-150.0, "first_of_day"), (150.0, "after_long_stop")):
        found = find_primes(time - 4 * 3600.0, np.zeros(4), np.full(4, longitude), on)
        assert found[1].occasion == occasion, longitude


def test_a_break_of_half_an_hour_is_not_yet_long() -> None:
    time = 20_000 * 86400.0 + np.array([0.0, 60.0, 1860.0, 1920.0])
    on = np.array([True, False, True])
    assert len(find_primes(time, np.zeros(4), np.zeros(4), on)) == 1
    late = time + np.array([0.0, 0.0, 0.5, 0.5])
    assert [prime.break_s for prime in find_primes(late, np.zeros(4), np.zeros(4), on)] == [None, 1800.5]


def test_a_discharge_lies_at_the_mean_of_its_places_and_wets_its_widest() -> None:
    time = np.arange(4.0)
    on = np.ones(3, dtype=bool)
    (event,) = find_discharges(
        time,
        np.array([1.0, 2.0, 6.0, 9.0]),
        np.array([4.0, 4.0, 7.0, 9.0]),
        on,
        on,
        open_width_m=np.array([3.0, 12.0, 6.0]),
        footprint_m=0.5,
        open_nozzles=np.array([6, 24, 12]),
        nozzle_flow_l_s=0.02,
    )
    assert (event.latitude_deg, event.longitude_deg) == (3.0, 5.0)
    assert event.wetted_m2 == 6.0
    assert event.litres == pytest.approx(42 * 0.02)


def test_two_minutes_are_a_stop_and_half_an_hour_is_not_yet_long() -> None:
    off = np.zeros(3, dtype=bool)
    standing = np.array([True, False, True])
    zero = np.zeros(4)
    found = find_stops(np.array([0.0, 120.0, 200.0, 2000.0]), zero, zero, off, standing, off)
    assert [(stop.duration_s, stop.long) for stop in found] == [(120.0, False), (1800.0, False)]
    found = find_stops(np.array([0.0, 119.0, 200.0, 2001.0]), zero, zero, off, standing, off)
    assert [(stop.duration_s, stop.long) for stop in found] == [(1801.0, True)]


def test_a_short_creep_does_not_split_an_event() -> None:
    time = np.arange(8.0)
    zero = np.zeros(8)
    on = np.ones(7, dtype=bool)
    standing = np.array([True, True, True, False, True, True, False])
    (event,) = find_discharges(time, zero, zero, on, standing, flow_l_s=np.ones(8))
    assert (event.duration_s, event.litres) == (5.0, 5.0)  # the moving second is not counted
    assert len(find_discharges(time, zero, zero, on, standing, join_s=0.5)) == 2


@given(st.lists(st.booleans(), max_size=30))
def test_runs_rebuild_the_mask(mask: list[bool]) -> None:
    rebuilt = np.zeros(len(mask), dtype=bool)
    for first, last in runs(np.array(mask, dtype=bool)):
        assert last > first
        assert not rebuilt[first:last].any()
        rebuilt[first:last] = True
    assert rebuilt.tolist() == mask


@given(
    st.lists(st.tuples(st.booleans(), st.booleans(), st.floats(0, 5)), min_size=1, max_size=40), st.floats(0.1, 10.0)
)
def test_litres_of_all_events_add_up_to_what_was_logged(rows: list[tuple[bool, bool, float]], step: float) -> None:
    on, standing, flow = (np.array(column) for column in zip(*rows, strict=True))
    time = step * np.arange(len(rows) + 1)
    zero = np.zeros(len(rows) + 1)
    events = find_discharges(time, zero, zero, on, standing, flow_l_s=np.append(flow, 0.0))
    expected = float((flow * np.diff(time))[on & standing].sum())
    assert sum(event.litres or 0.0 for event in events) == pytest.approx(expected, abs=1e-9)


def test_wrong_shapes_and_empty_logs() -> None:
    time = np.arange(3.0)
    with pytest.raises(LogError, match="spraying must have 2 values"):
        find_discharges(time, time, time, np.ones(3, dtype=bool), np.ones(2, dtype=bool))
    assert with_distances((), FIELD) == ()
    one = day()
    short = replace(
        one,
        time_s=one.time_s[:1],
        latitude_deg=one.latitude_deg[:1],
        longitude_deg=one.longitude_deg[:1],
        state=one.state[:1],
        speed_m_s=None,
        flow_l_s=None,
    )
    assert standing_report(short, None, np.zeros(0, dtype=bool), np.zeros(0, dtype=bool)).litres == 0.0
