"""Every figure of a machine's priming and of a job's standing, on sizes whose arithmetic fits a line."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely
from drivekit import PLANE, ground
from pathkit import log_from_path

from swathledger.errors import InputError
from swathledger.log.log import Log
from swathledger.machine.machine import Boom, Machine
from swathledger.machine.plumbing import Plumbing, PlumbingLine
from swathledger.plumbing.job import StandingJob, at_the_boom, reach_of, standing_of, standing_rows
from swathledger.plumbing.prime import (
    Recirculation,
    arrival_along_line_s,
    boom_flow,
    mixed_out_l,
    pipe_out_l,
    prime,
    recirculation,
)
from swathledger.plumbing.rinse import continuous_residue_share, residue_share, rinse_plan, water_for_residue_l
from swathledger.plumbing.standing import LikelyPrime, StandingDischarge, StandingReport, find_discharges, find_primes
from swathledger.plumbing.standing_log import standing_report
from swathledger.plumbing.summary import prime_document
from swathledger.swath.build import build_swath

BORE_M = (4.0 / math.pi / 1000.0) ** 0.5  # a line of this bore holds a litre a metre
LINES = (
    PlumbingLine("main", BORE_M, 6.0, "all"),
    PlumbingLine("hoses", BORE_M, 1.0, "section", recirculated=False),
    PlumbingLine("pipe", BORE_M, 2.0, "boom"),
)
FULL = Plumbing(
    (2, 4),
    lines=LINES,
    held_l=3.0,
    dead_ends=(1, 2),
    dead_end_length_m=0.5,
    dead_end_diameter_m=BORE_M,
    tank_l=800.0,
    rinse_tank_l=90.0,
    residual_l=4.0,
    nozzle_body_l=0.5,
    nozzle_flow_l_s=0.25,
)


def machine(plumbing: Plumbing, **more: Any) -> Machine:
    edges = np.linspace(-1.5, 1.5, plumbing.nozzle_count + 1)
    return Machine("m", Boom(edges, plumbing.sections), plumbing=plumbing, **more)


def codes(document: dict[str, Any]) -> set[str]:
    return {row["code"] for row in document["codes"]["assumptions"]}


def test_the_document_of_a_machine_whose_every_part_is_known() -> None:
    found = prime_document(machine(FULL))
    volumes = found["volumes"]
    # main 6; a hose of 1 and a pipe of 2 to each of two sections: 6 + 2 + 4 = 12; held 3; bodies 6 x 0.5 = 3
    assert [(row["name"], row["count"], row["volume_l"]) for row in volumes["lines"]] == [
        ("main", 1, pytest.approx(6.0)),
        ("hoses", 2, pytest.approx(2.0)),
        ("pipe", 2, pytest.approx(4.0)),
    ]
    assert (volumes["lines_l"], volumes["nozzle_bodies_l"], volumes["swept_l"]) == pytest.approx((12.0, 3.0, 18.0))
    assert (volumes["dead_ends"], volumes["dead_end_l"]) == (3, pytest.approx(1.5))
    # six nozzles of 0.25 L/s: 1.5 L/s
    assert found["flow"] == {"flow_l_s": 1.5, "source": "nozzle", "speed_m_s": None}
    # Through the whole boom 6 + 3 + 3 = 12. Section 1, two of six nozzles, fed at the centre: half the pipe's one gap
    # of 2 L at one nozzle = 1 each, so 2 with both; (1 + 2) x 6 / 2 = 9. Section 2, gaps of 2/3: 1/3 through two
    # nozzles and 2/3 through one = 1/6 + 2/3 = 5/6 a nozzle, four of them 10/3; (1 + 10/3) x 6 / 4 = 6.5.
    plug = found["prime"]
    assert [row["plug_l"] for row in plug["sections"]] == pytest.approx([21.0, 18.5])
    assert [row["plug_s"] for row in plug["sections"]] == pytest.approx([14.0, 18.5 / 1.5])
    assert (plug["governing_section"], plug["plug_l"], plug["plug_s"]) == (1, pytest.approx(21.0), pytest.approx(14.0))
    assert plug["plug_product_l"] == pytest.approx(21.0 - 18.0)
    assert plug["strength"] == 0.95
    assert plug["mixed_l"] == pytest.approx(21.0 * math.log(20.0))
    assert plug["mixed_s"] == pytest.approx(14.0 * math.log(20.0))
    # still poured by a boom with a return: bodies 3 and the hose of section 1, 1 x 6 / 2
    back = found["recirculation"]
    assert back["still_poured_low_l"] == pytest.approx(6.0)
    assert back["still_poured_low_s"] == pytest.approx(4.0)
    assert (back["returned_low_l"], back["returned_high_l"]) == pytest.approx((15.0, 15.0 * math.log(20.0)))
    assert back["nozzle_bodies_known"] is True
    # residual 18 + 4 = 22; down to 2 %: one rinse 22 x 49 = 1,078 L, three 66 x (50^(1/3) - 1) = 177.1, ...
    rinse = found["rinse"]
    assert (rinse["residual_l"], rinse["residue"], rinse["rinse_tank_l"]) == (pytest.approx(22.0), 0.02, 90.0)
    totals = [n * 22.0 * (50.0 ** (1 / n) - 1.0) for n in (1, 2, 3, 4, 5)]
    assert [row["water_total_l"] for row in rinse["rows"]] == pytest.approx(totals)
    assert [row["water_each_l"] for row in rinse["rows"]] == pytest.approx([t / n for n, t in enumerate(totals, 1)])
    assert [row["fits"] for row in rinse["rows"]] == [False] * 5  # the fewest litres, of five rinses, are 130.5
    assert rinse["fewest_that_fit"] is None
    assert rinse["planned"]["rinses"] == 3
    assert rinse["planned"]["water_total_l"] == pytest.approx(totals[2])
    assert [row["residue_with_tank"] for row in rinse["rows"][:2]] == pytest.approx([22 / 112, (22 / 67) ** 2])
    assert rinse["continuous_water_l"] == pytest.approx(22.0 * math.log(50.0))
    assert rinse["continuous_residue_with_tank"] == pytest.approx(math.exp(-90.0 / 22.0))
    assert codes(found) == set()


def test_more_rinses_than_five_are_all_listed_and_the_fewest_that_fit_are_planned() -> None:
    seven = prime_document(machine(FULL), rinses=7)["rinse"]
    assert [row["rinses"] for row in seven["rows"]] == [1, 2, 3, 4, 5, 6, 7]
    assert seven["planned"]["rinses"] == 7
    assert seven["planned"]["water_each_l"] == pytest.approx(22.0 * (50.0 ** (1 / 7) - 1.0))
    # two rinses take 44 x (50^0.5 - 1) = 267.1 L: the first that a tank of 268 L holds
    wide = prime_document(machine(replace(FULL, rinse_tank_l=268.0)))["rinse"]
    assert (wide["fewest_that_fit"], wide["planned"]["rinses"], wide["planned"]["fits"]) == (2, 2, True)
    assert len(wide["rows"]) == 5


def test_what_is_not_known_of_the_lines_is_said_and_nothing_else() -> None:
    known = {"nozzle_body_l": 0.5, "residual_l": 0.0}
    for plumbing, expected in (
        (Plumbing((4,), lines=LINES[:1], held_l=1.0, **known), set()),
        (Plumbing((4,), lines=LINES[:1], **known), {"plumbing.held_unknown"}),
        (Plumbing((4,), held_l=1.0, **known), {"plumbing.no_lines"}),
        (Plumbing((4,), held_l=1.0, residual_l=0.0), {"plumbing.no_lines"}),
        (Plumbing((4,), lines=LINES[:1], held_l=1.0, residual_l=0.0), {"plumbing.nozzle_bodies_unknown"}),
        (Plumbing((4,), lines=LINES[:1], held_l=1.0, nozzle_body_l=0.5), {"plumbing.residual_unknown"}),
        (Plumbing((4,)), set()),
    ):
        assert codes(prime_document(machine(plumbing))) == expected, plumbing
    nothing = prime_document(machine(Plumbing((4,), held_l=0.0, residual_l=0.0)))
    assert nothing["rinse"] is None
    assert nothing["prime"]["plug_l"] == 0.0
    assert prime_document(machine(Plumbing((4,))))["prime"] is None


def test_a_rinse_tank_of_unknown_size_fits_nothing_and_three_rinses_are_planned() -> None:
    rinse = prime_document(machine(replace(FULL, rinse_tank_l=None)), residue=0.5)["rinse"]
    assert rinse["planned"]["rinses"] == 3
    assert rinse["planned"]["fits"] is None
    assert rinse["continuous_residue_with_tank"] is None
    assert rinse["continuous_water_l"] == pytest.approx(22.0 * math.log(2.0))


def test_the_flow_of_the_document_is_the_rate_s_where_no_nozzle_is_known() -> None:
    bare = machine(replace(FULL, nozzle_flow_l_s=None), set_rate_l_m2=0.02)
    # 0.02 L/m2 x 3 m x 4 m/s = 0.24 L/s, and 5 m/s where no speed is said: 0.3
    assert prime_document(bare, speed_m_s=4.0)["flow"] == {
        "flow_l_s": pytest.approx(0.24),
        "source": "rate",
        "speed_m_s": 4.0,
    }
    assert prime_document(bare)["flow"] == {
        "flow_l_s": pytest.approx(0.3),
        "source": "rate and assumed speed",
        "speed_m_s": 5.0,
    }
    given = prime_document(bare, flow_l_s=0.5)
    assert given["prime"]["plug_s"] == pytest.approx(42.0)
    half = boom_flow(Plumbing((4,)), rate_l_m2=0.02)
    assert (half.flow_l_s, half.source) == (None, "unknown")


@pytest.mark.parametrize("strength", [0.0, 1.0, -0.1, 1.1])
def test_a_strength_is_a_share(strength: float) -> None:
    with pytest.raises(InputError, match="between 0 and 1"):
        prime_document(machine(FULL), strength=strength)


def test_limits_of_what_may_be_asked() -> None:
    assert mixed_out_l(5.0, 0.0) == 0.0
    with pytest.raises(InputError):
        mixed_out_l(5.0, 1.0)
    assert arrival_along_line_s([0.0, 2.0], [1.0, 0.5]) == (0.0, 4.0)  # an empty piece takes no time
    with pytest.raises(InputError):
        arrival_along_line_s([1.0, -0.5], [1.0, 1.0])
    with pytest.raises(InputError):
        arrival_along_line_s([1.0, 1.0], [1.0, 0.0])
    assert residue_share(2.0, 0.0, 3) == 1.0
    assert continuous_residue_share(2.0, 0.0) == 1.0
    assert continuous_residue_share(2.0, 2.0) == pytest.approx(math.exp(-1.0))
    assert water_for_residue_l(2.0, 1.0, 3) == 0.0
    assert rinse_plan(1.0, 0.25, rinse_tank_l=3.0).rows[0].fits is True  # 1 x (4 - 1) = 3 litres, and 3 there are
    assert len(rinse_plan(1.0).rows) == 5
    assert rinse_plan(1.0).residue == 0.02
    assert rinse_plan(1.0, 0.5, most=1).rows[0].water_total_l == pytest.approx(1.0)
    for call in (
        lambda: rinse_plan(1.0, 0.5, rinse_tank_l=0.0),
        lambda: rinse_plan(1.0, 0.5, rinse_tank_l=math.inf),
        lambda: rinse_plan(1.0, 0.5, most=0),
        lambda: residue_share(1.0, math.inf, 1),
        lambda: residue_share(math.inf, 1.0, 1),
        lambda: continuous_residue_share(1.0, math.inf),
        lambda: boom_flow(FULL, speed_m_s=0.0),
        lambda: boom_flow(FULL, flow_l_s=0.0),
    ):
        with pytest.raises(InputError):
            call()


def test_pipes_of_few_nozzles() -> None:
    assert pipe_out_l(6.0, 1, "end") == 6.0
    # two nozzles, one gap of 6 L. From the end: 6 L through the far one, so 12 out; from the centre 3 through each: 6
    assert (pipe_out_l(6.0, 2, "end"), pipe_out_l(6.0, 2, "centre")) == (12.0, 6.0)
    # three, gaps of 3. From the end: 3/2 + 3 = 4.5 a nozzle; from the centre: 3 through one = 3 a nozzle
    assert (pipe_out_l(6.0, 3, "end"), pipe_out_l(6.0, 3, "centre")) == (13.5, 9.0)


def test_below_a_strength_of_63_percent_the_mixed_model_is_the_lower_one() -> None:
    plain = Plumbing((1,), lines=LINES[:1])
    low, high = prime(plain, 0.5), prime(plain, 0.9)
    assert low is not None
    assert high is not None
    assert (low.low_l, low.high_l) == pytest.approx((6.0 * math.log(2.0), 6.0))
    assert (high.low_l, high.high_l) == pytest.approx((6.0, 6.0 * math.log(10.0)))
    back = recirculation(plain, 0.9)
    assert back is not None
    assert back.nozzle_bodies_known is False
    assert (back.still_low_l, back.still_high_l) == (0.0, 0.0)
    returns = recirculation(Plumbing((1,), lines=(replace(LINES[0], recirculated=True),)), 0.9)
    assert returns is not None
    assert returns.still_low_l == 0.0  # a line said to return is none that stays


# --- standing ---------------------------------------------------------------------------------------------------------
def event(start_s: float, litres: float | None) -> StandingDischarge:
    return StandingDischarge(start_s, 1.0, 0.0, 0.0, litres, None if litres is None else "flow")


def first(discharge: int | None) -> LikelyPrime:
    return LikelyPrime(0.0, 0.0, 0.0, "first_of_log", None, discharge)


def job(litres: list[float | None], primes: list[int | None], back: Recirculation | None) -> StandingJob:
    events = tuple(event(float(index), value) for index, value in enumerate(litres))
    report = StandingReport(events, tuple(first(index) for index in primes), ())
    return StandingJob(report, (), tuple(None for _ in litres), back, None, 0.3)


def test_what_a_return_would_have_kept_is_what_was_poured_less_what_still_is() -> None:
    back = Recirculation(20.0, 60.0, 1.5, 4.5, 18.0, 1.5, 2.0, 0.0, nozzle_bodies_known=True)
    # 10 - 1.5 and 4 - 1.5; of 1 L nothing, and never less than nothing; the second discharge was no prime
    assert job([10.0, 7.0, 4.0, 1.0], [0, 2, 3], back).kept_l == pytest.approx(8.5 + 2.5)
    assert job([10.0], [], back).kept_l == 0.0
    some = job([10.0, None], [0, 1, None], back)
    assert (some.kept_l, some.unmeasured_primes) == (pytest.approx(8.5), 2)
    assert job([None], [0], back).kept_l is None
    assert job([10.0], [0], None).kept_l is None


def test_litres_of_a_report_are_those_known() -> None:
    assert StandingReport((), (), ()).litres == 0.0
    some = StandingReport((event(0.0, 2.0), event(1.0, None), event(2.0, 3.5)), (first(None), first(0)), ())
    assert (some.litres, some.unmeasured, some.unseen_primes) == (5.5, 1, 1)
    assert StandingReport((event(0.0, None),), (), ()).litres is None


def test_wetted_ground_needs_width_and_footprint() -> None:
    time, zero, on = np.arange(3.0), np.zeros(3), np.ones(2, dtype=bool)
    width = np.array([4.0, 6.0])

    def wetted(**given: Any) -> float | None:
        (found,) = find_discharges(time, zero, zero, on, on, **given)
        return found.wetted_m2

    assert wetted(open_width_m=width, footprint_m=0.5) == 3.0
    assert wetted(open_width_m=width) is None
    assert wetted(footprint_m=0.5) is None
    assert wetted(open_width_m=np.array([4.0, np.nan]), footprint_m=0.5) is None


def test_events_are_joined_over_two_seconds_of_creeping_and_over_no_pause() -> None:
    zero = np.zeros(6)
    standing = np.array([True, False, False, True, False])
    on = np.ones(5, dtype=bool)
    at = np.arange(6.0)
    assert len(find_discharges(at, zero, zero, on, standing)) == 1  # 1 s to 3 s
    later = np.array([0.0, 1.0, 2.0, 3.001, 4.0, 5.0])
    assert len(find_discharges(later, zero, zero, on, standing)) == 2
    assert len(find_discharges(at, zero, zero, np.array([True, True, False, True, True]), standing)) == 2


@pytest.mark.parametrize(("longitude", "midnight_h"), [(90.0, 18.0), (-90.0, 6.0)])
def test_a_degree_is_four_minutes_of_sun(longitude: float, midnight_h: float) -> None:
    # Sprays end and begin 1,860 s apart around solar midnight; a second of sun more or less a degree would be 90 s.
    for begins_s, occasion in ((-1.0, "after_long_stop"), (0.0, "first_of_day"), (1859.0, "first_of_day")):
        time = 20_000 * 86400.0 + midnight_h * 3600.0 + begins_s + np.array([-1900.0, -1860.0, 0.0, 60.0])
        found = find_primes(time, np.zeros(4), np.full(4, longitude), np.array([True, False, True]))
        assert found[1].occasion == occasion, begins_s


def test_a_log_s_first_spray_after_a_known_one() -> None:
    time = 20_000 * 86400.0 + 43200.0 + np.array([0.0, 60.0])
    here, on = (np.zeros(2), np.zeros(2)), np.ones(1, dtype=bool)

    def found(before_s: float) -> list[tuple[str, float | None]]:
        primes = find_primes(time, *here, on, previous_spray_end_s=time[0] - before_s)
        return [(prime.occasion, prime.break_s) for prime in primes]

    assert found(1800.0) == []
    assert found(1801.0) == [("after_long_stop", 1801.0)]
    assert found(43200.0) == [("after_long_stop", 43200.0)]
    assert found(43201.0) == [("first_of_day", 43201.0)]


# --- from a log -------------------------------------------------------------------------------------------------------
WIDE = Machine("m", Boom(np.linspace(-6.0, 6.0, 13), (4, 4, 4)), plumbing=Plumbing((4, 4, 4), nozzle_flow_l_s=0.02))
FIELD = ground(shapely.box(-30.0, -50.0, 20.0, 150.0))


def drive(sections: tuple[bool, bool, bool] = (True, True, True), **logged: Any) -> Log:
    """Stands for 10 s at the origin with some sections open, looking north, and drives off at 5 m/s for 10 s."""
    y = np.concatenate((np.zeros(10), np.arange(11) * 5.0))
    opened = np.tile(sections, (21, 1))
    opened[-1] = False
    speed = np.where(np.arange(21) < 10, 0.0, 5.0)
    return log_from_path(
        np.zeros(21), y, 1.7e9 + np.arange(21.0), PLANE, opened, state_kind="section", heading_deg=0.0,
        speed_m_s=speed, **logged,
    )  # fmt: skip


def found_in(log: Log, sprayer: Machine = WIDE) -> StandingJob:
    return standing_of(log, sprayer, FIELD, build_swath(log, sprayer, PLANE, max_gap_s=6.0), max_gap_s=6.0)


def test_an_estimate_counts_the_open_nozzles_and_their_width() -> None:
    two = found_in(drive((True, False, True)))
    (discharge,) = two.report.discharges
    assert discharge.litres is None
    assert two.estimated_l == (pytest.approx(8 * 0.02 * 10.0),)  # eight nozzles, ten seconds
    assert discharge.wetted_m2 == pytest.approx(8.0 * 0.3)
    assert two.footprint_m == 0.3
    # measured litres need no estimate beside them
    assert found_in(drive(flow_l_s=np.full(21, 0.5))).report.litres == pytest.approx(5.0)
    assert found_in(drive(flow_l_s=np.full(21, 0.5))).estimated_l == (None,)
    # a single "nozzle" stands for a whole boom: its flow says nothing
    one = Machine("m", Boom(np.array([-6.0, 6.0]), (1,)), plumbing=Plumbing((1,), nozzle_flow_l_s=0.02))
    log = drive()
    assert found_in(replace(log, state=log.state[:, :1]), one).estimated_l == (None,)
    pair = Machine("m", Boom(np.array([-6.0, 0.0, 6.0]), (2,)), plumbing=Plumbing((2,), nozzle_flow_l_s=0.02))
    assert found_in(replace(log, state=log.state[:, :1]), pair).estimated_l == (pytest.approx(0.4),)


def test_the_reach_is_from_the_outermost_open_nozzles() -> None:
    # edges at 20 m right and 30 m left; sections of 4 m from -6
    for sections, expected in (((True, True, True), 14.0), ((True, False, False), 22.0), ((False, True, False), 18.0)):
        (reach,) = found_in(drive(sections)).reach
        assert reach.to_boundary_m == pytest.approx(expected, abs=1e-3), sections
        assert reach.to_exclusion_m is None


def test_the_reach_of_a_boom_that_looks_another_way() -> None:
    # looking 30 degrees east of north, right is (cos 30, -sin 30); the right section lies 2 to 6 m along it, the left
    # one as far behind: 6 cos 30 = 5.196 m nearer to the edge in the east, or 6 sin 30 = 3 m to the one in the north
    for sections, box, expected in (
        ((False, False, True), (-500.0, -500.0, 20.0, 500.0), 20.0 - 6 * math.cos(math.radians(30.0))),
        ((True, False, False), (-500.0, -500.0, 20.0, 500.0), 20.0 + 2 * math.cos(math.radians(30.0))),
        ((True, False, False), (-500.0, -500.0, 500.0, 20.0), 17.0),
        ((False, False, True), (-500.0, -20.0, 500.0, 500.0), 17.0),
    ):
        log = drive(sections)
        log = replace(log, heading_deg=np.full(21, 30.0))
        field = ground(shapely.box(*box))
        (reach,) = standing_of(log, WIDE, field, build_swath(log, WIDE, PLANE, max_gap_s=6.0), max_gap_s=6.0).reach
        assert reach.to_boundary_m == pytest.approx(expected, abs=1e-3), (sections, box)


def test_the_reach_of_a_boom_without_an_open_nozzle_is_its_centre_s() -> None:
    log = drive()
    swath = build_swath(log, WIDE, PLANE, max_gap_s=6.0)
    shut = np.zeros((20, 12), dtype=bool)
    (reach,) = reach_of(log, FIELD, swath, shut, (event(float(log.time_s[0]), 1.0),))
    assert reach.to_boundary_m == pytest.approx(20.0, abs=1e-3)
    # an event at the log's end is that of its last interval: at y = 45 of a field that ends at 150, 20 m to the right
    late = ground(shapely.box(-500.0, -500.0, 500.0, 60.0))
    (reach,) = reach_of(log, late, swath, shut, (event(float(log.time_s[-1]), 1.0),))
    assert reach.to_boundary_m == pytest.approx(15.0, abs=1e-3)


def test_rows_of_standing_and_spraying_are_the_swath_s() -> None:
    log = drive()
    standing, spraying = standing_rows(build_swath(log, WIDE, PLANE, max_gap_s=6.0), len(log))
    assert standing.shape == spraying.shape == (20,)
    assert standing.tolist() == [True] * 10 + [False] * 10
    assert spraying.all()


def test_a_place_is_the_boom_s() -> None:
    log = drive()
    moved = at_the_boom(log, FIELD, build_swath(log, WIDE, PLANE, max_gap_s=6.0))
    assert moved.latitude_deg == pytest.approx(log.latitude_deg, abs=1e-9)
    assert moved.longitude_deg == pytest.approx(log.longitude_deg, abs=1e-9)


def test_a_logged_width_is_what_is_wetted() -> None:
    log = drive()
    width = np.full(21, 7.0)
    width[3:5] = np.nan
    wide = replace(log, state=log.state[:, :1], state_kind="work", working_width_m=width)
    one = Machine("m", Boom(np.array([-6.0, 6.0]), (1,)))
    swath = build_swath(wide, one, PLANE, max_gap_s=6.0)
    assert swath.width_by_row
    (discharge, *_) = standing_of(wide, one, FIELD, swath, max_gap_s=6.0).report.discharges
    assert discharge.wetted_m2 == pytest.approx(12.0 * 0.3)  # the widest: the boom's own where none is logged
    narrow = replace(wide, working_width_m=np.where(np.arange(21) < 20, 7.0, 11.0))
    swath = build_swath(narrow, one, PLANE, max_gap_s=6.0)
    (discharge, *_) = standing_of(narrow, one, FIELD, swath, max_gap_s=6.0).report.discharges
    assert discharge.wetted_m2 == pytest.approx(7.0 * 0.3)


def test_a_log_of_two_rows_has_one_interval() -> None:
    log = drive(flow_l_s=np.full(21, 0.5))
    short = replace(
        log, time_s=log.time_s[:2], latitude_deg=log.latitude_deg[:2], longitude_deg=log.longitude_deg[:2],
        state=log.state[:2], speed_m_s=log.speed_m_s[:2], flow_l_s=log.flow_l_s[:2], heading_deg=log.heading_deg[:2],  # type: ignore[index]
        rate_l_m2=None,
    )  # fmt: skip
    on = np.ones(1, dtype=bool)
    assert standing_report(short, None, on, on).litres == pytest.approx(0.5)
    # a gap is longer than what is allowed, not as long
    assert standing_report(short, None, on, on, max_gap_s=1.0).litres == pytest.approx(0.5)
    assert standing_report(short, None, on, on, max_gap_s=0.999).discharges == ()


def test_where_nothing_tells_of_spraying_the_flow_does() -> None:
    flow = np.where(np.arange(21) < 4, 0.5, 0.0)
    log = drive(flow_l_s=flow)
    silent = replace(log, state=np.ones((21, 1), dtype=bool), state_kind="none")
    (discharge,) = found_in(silent).report.discharges
    assert (discharge.duration_s, discharge.litres) == (4.0, pytest.approx(2.0))
