"""Product and water of primes and rinses are booked apart: mass balances of whole cycles, and break-even ground."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import ledgerkit as kit
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathledger.errors import InputError
from swathledger.machine.plumbing import BoomFeed, Plumbing, PlumbingLine
from swathledger.money.budget import RetrofitCase, partial_budget, payback
from swathledger.money.ledgers import JobLedger, PrimeSeen
from swathledger.money.poured import PrimesKept, poured_by_primes, primes_kept
from swathledger.money.retrofit import Retrofit, RetrofitTerms, retrofit
from swathledger.money.sensitivity import tornado
from swathledger.plumbing.prime import Recirculation, recirculation

GAL, IN, FT = 3.785411784, 0.0254, 0.3048
BORE_M = (4.0 / math.pi / 1000.0) ** 0.5  # a line of this bore holds a litre a metre

# docs/plumbing.md: 120 ft, 72 nozzles at 20 in, nine sections of eight fed at their centre
EXAMPLE = Plumbing(
    (8,) * 9,
    held_l=5 * GAL,
    lines=(
        PlumbingLine("main", 2 * IN, 25 * FT),
        PlumbingLine("hoses", 0.75 * IN, 52 * FT, "section"),
        PlumbingLine("pipe", 1 * IN, 7 * 20 * IN, "boom"),
    ),
)


def back(plumbing: Plumbing) -> Recirculation:
    found = recirculation(plumbing)
    assert found is not None
    return found


def kept(found: Recirculation, litres: list[float | None], rinses: float | None) -> PrimesKept:
    return primes_kept(found, [PrimeSeen("first_of_day", None, "", value) for value in litres], rinses)


# --- a whole cycle ----------------------------------------------------------------------------------------------------
def test_a_prime_and_a_rinse_of_the_example_are_29_gallons_and_not_53() -> None:
    found = back(EXAMPLE)
    one = kept(found, [], 1.0)
    # lines and held volume hold 5 + 4.1 + 10.7 + 4.3 = 24.1 gal, 29.4 gal leave before the farthest nozzle has product
    assert one.litres(1.0) / GAL == pytest.approx(5.3, abs=0.05)
    assert found.returned_content_l / GAL == pytest.approx(24.1, abs=0.05)
    assert (one.litres(1.0) + found.returned_content_l) / GAL == pytest.approx(29.4, abs=0.05)
    # with product in the lines a prime pours 29.4 gal of it, and no rinse follows
    assert kept(found, [], 0.0).litres(1.0) / GAL == pytest.approx(29.4, abs=0.05)


def arrivals(sections: list[int], feed: BoomFeed, shared: float, hoses: list[float], pipe_l: float) -> list[float]:
    """Time at which product is at each nozzle, each of 1 L/s; pipes share ``pipe_l`` out by nozzles. Plain, from the
    inlet on: content over flow, piece by piece."""
    total, out = sum(sections), []
    for n, hose in zip(sections, hoses, strict=True):
        start, pipe = shared / total + hose / n, pipe_l * n / total
        gap = pipe / (n - 1) if n > 1 else pipe
        if n == 1:
            out.append(start + pipe)
        elif feed == "end":
            now = start
            for k in range(n):
                now += 0.0 if k == 0 else gap / (n - k)
                out.append(now)
        else:
            out += [start] * (n % 2)
            for _ in range(2):
                now, arm = start, n // 2
                for k in range(arm):
                    now += (gap / 2 if k == 0 and n % 2 == 0 else gap) / (arm - k)
                    out.append(now)
    return out


@given(
    st.lists(st.integers(1, 9), min_size=1, max_size=6), st.floats(0.5, 30.0), st.floats(0.1, 10.0),
    st.floats(0.1, 20.0), st.floats(0.0, 0.3), st.sampled_from(["end", "centre"]),
)  # fmt: skip
def test_product_after_a_rinse_is_what_each_nozzle_sprays_of_it(
    sections: list[int], main: float, hose: float, pipe: float, body: float, feed: BoomFeed
) -> None:
    lines = (
        PlumbingLine("main", BORE_M, main),
        PlumbingLine("hoses", BORE_M, hose, "section"),
        PlumbingLine("pipe", BORE_M, pipe, "boom", count=1),
    )
    found = back(Plumbing(tuple(sections), lines=lines, boom_feed=feed, nozzle_body_l=body))
    nozzles = sum(sections)
    times = arrivals(sections, feed, main + body * nozzles, [hose] * len(sections), pipe)
    last = max(times)
    assert found.open_product_l == pytest.approx(sum(last - at for at in times), abs=1e-9)
    assert found.open_swept_l == pytest.approx(sum(times))  # the water before it: all that the lines held
    # one prime and one rinse pour each litre once
    one = kept(found, [], 1.0)
    assert one.litres(1.0) + found.returned_content_l == pytest.approx(found.returned_low_l)
    assert one.after_rinse_l <= one.full_l + 1e-9


# Main 8 L and held 5 L return; a tail of 2 L and bodies of 4 x 0.25 L do not. Two sections of two nozzles, fed at the
# end by 6 L of pipe each: a gap of 6 L through the far nozzle alone takes 12 L a section, 24 L in all.
TWO = Plumbing(
    (2, 2),
    held_l=5.0,
    nozzle_body_l=0.25,
    boom_feed="end",
    lines=(
        PlumbingLine("main", BORE_M, 8.0),
        PlumbingLine("tail", BORE_M, 2.0, recirculated=False),
        PlumbingLine("pipe", BORE_M, 6.0, "boom"),
    ),
)


def test_a_measured_prime_by_hand() -> None:
    found = back(TWO)
    # open: 5 + 8 + 2 + 1 + 24 = 40 L, of it 28 L of old content, 12 L of product; with a return 3 L, all old content
    assert (found.open_low_l, found.open_swept_l, found.open_product_l) == pytest.approx((40.0, 28.0, 12.0))
    assert (found.still_low_l, found.still_swept_l, found.still_product_l) == pytest.approx((3.0, 3.0, 0.0))
    assert found.returned_content_l == pytest.approx(25.0)
    # 50 L measured: 22 L after 28 of water, or 47 L beside the 3 that still leave; of 20 L nothing, or 17
    assert (kept(found, [50.0], 1.0).after_rinse_l, kept(found, [50.0], 1.0).full_l) == pytest.approx((22.0, 47.0))
    assert (kept(found, [20.0], 1.0).after_rinse_l, kept(found, [20.0], 1.0).full_l) == pytest.approx((0.0, 17.0))
    assert kept(found, [2.0], 1.0).full_l == 0.0
    mixed = kept(found, [50.0, 20.0, None], 1.0)
    assert (mixed.after_rinse_l, mixed.full_l) == pytest.approx(((22 + 0 + 12) / 3, (47 + 17 + 37) / 3))


def test_a_pipe_that_does_not_return_is_still_primed_with_product() -> None:
    pipe = replace(TWO.lines[2], recirculated=False)
    found = back(replace(TWO, lines=(*TWO.lines[:2], pipe)))
    # still: 2 + 1 + 24 = 27 L, of it 15 L of old content and 12 L of product: nothing of that is kept after a rinse
    assert (found.still_low_l, found.still_swept_l, found.still_product_l) == pytest.approx((27.0, 15.0, 12.0))
    assert kept(found, [], 1.0).after_rinse_l == 0.0
    assert kept(found, [50.0], 1.0).after_rinse_l == pytest.approx(22.0 - 12.0)


@pytest.mark.parametrize(
    ("rinses", "litres", "wet"),
    [
        (4.0, 4 * 12.0 + 6 * 37.0, 4.0),  # fewer rinses than primes
        (10.0, 10 * 12.0, 10.0),
        (25.0, 10 * 12.0, 10.0),  # more
        (0.0, 10 * 37.0, 0.0),  # never rinsed: always product in the lines
        (None, 10 * 12.0, 10.0),  # not known: the lower
    ],
)
def test_as_many_primes_as_rinses_begin_with_water(rinses: float | None, litres: float, wet: float) -> None:
    found = back(TWO)
    year = poured_by_primes(kept(found, [], rinses), 10.0, found, [])
    assert year.litres_a_year == pytest.approx(litres)
    assert year.litres_each == pytest.approx(litres / 10.0)
    assert (year.after_rinse_a_year, year.water_a_year_l) == (wet, pytest.approx(wet * 25.0))
    none = poured_by_primes(kept(found, [], rinses), 0.0, found, [])
    assert (none.litres_a_year, none.water_a_year_l) == (0.0, 0.0)


def test_what_is_kept_has_limits() -> None:
    PrimesKept(0.0, 0.0, None)
    for bad in ((-1.0, 2.0), (3.0, 2.0), (0.0, math.inf)):
        with pytest.raises(InputError):
            PrimesKept(*bad, None)


# --- a full tank thinned ----------------------------------------------------------------------------------------------
def test_the_lines_water_thins_the_tank() -> None:
    found = back(TWO)
    assert found.strength_in_tank(475.0) == pytest.approx(0.95)  # 475 in 500
    assert found.strength_in_tank(None) is None


# --- break-even ground ------------------------------------------------------------------------------------------------
CASE = RetrofitCase(
    price=1000.0, life_years=5, interest=0.0, area_a_year_m2=100.0, product_cost_per_m2=2.0, saved_share=0.5,
    currency="ABC", spray_cost_per_l=0.5, prime_saved_l_a_year=22.0,
    primes_by_ground=PrimesKept(1.0, 3.0, 4.0, primes_per_m2=0.1),
)  # fmt: skip


def test_break_even_ground_has_its_own_primes() -> None:
    # 1,000 over 5 years: 200 a year. A m2 brings 1 of product. Ten primes on 100 m2: 4 of 1 L and 6 of 3 L, 22 L.
    # On A m2: A + 0.5 (4 + 3 (0.1 A - 4)) = 200, so 1.15 A = 204
    found = payback(CASE)
    assert found.break_even_area_m2 == pytest.approx(204.0 / 1.15)
    assert payback(CASE.on_ground(204.0 / 1.15)).net_a_year == pytest.approx(0.0, abs=1e-9)
    # as many rinses as that: every prime after one. A + 0.5 x 0.1 A = 200
    rinsed = replace(CASE, primes_by_ground=PrimesKept(1.0, 3.0, 100.0, 0.1), prime_saved_l_a_year=10.0)
    assert payback(rinsed).break_even_area_m2 == pytest.approx(200.0 / 1.05)
    unknown = replace(rinsed, primes_by_ground=PrimesKept(1.0, 3.0, None, 0.1))
    assert payback(unknown).break_even_area_m2 == pytest.approx(200.0 / 1.05)
    # a stated number of primes stays as it is: A + 11 = 200
    assert payback(replace(CASE, primes_by_ground=None)).break_even_area_m2 == pytest.approx(189.0)
    # primes of the ground's own are no reason to say "any": 100 m2 pay for a price of 50 by priming alone, 10 do not
    small = payback(replace(CASE, price=50.0))
    assert small.break_even_product_cost_per_m2 == 0.0
    assert small.break_even_area_m2 == pytest.approx(10.0 / 1.05)
    # priming alone carries it where no product is spared: 0.15 A = 204; and nothing does where neither is
    assert payback(replace(CASE, saved_share=0.0)).break_even_area_m2 == pytest.approx(204.0 / 0.15)
    none = replace(CASE, saved_share=0.0, primes_by_ground=PrimesKept(0.0, 0.0, None, 0.1), prime_saved_l_a_year=0.0)
    assert payback(none).break_even_area_m2 is None
    assert payback(replace(CASE, other_saving_a_year=200.0)).break_even_area_m2 == 0.0


def test_ground_that_is_moved_takes_its_primes_along() -> None:
    (row,) = tornado(CASE, {"area_a_year_m2": (75.0, 125.0)})
    # 7.5 primes: 4 + 3.5 x 3 = 14.5 L; 12.5: 4 + 8.5 x 3 = 29.5 L, at 0.5 each; less 200
    assert (row.outcome_low, row.outcome_base, row.outcome_high) == pytest.approx((-117.75, -89.0, -60.25))
    with pytest.raises(InputError, match="not a number of this case"):
        tornado(CASE, {"primes_by_ground": (0.0, 1.0)})


def sprayed(name: str, **more: Any) -> JobLedger:
    done = kit.layout("logged", applied_m2=1000.0, volume_l=100.0)
    table = kit.ledger(
        field={"id": name},
        area={"covered_m2": 1000.0},
        replay=[kit.layout("nozzle", applied_m2=950.0, volume_l=95.0)],
        model=kit.model(as_logged=done, logged_layout=done),
        product=kit.product(cost_per_m2=0.5, spray_rate_l_m2=0.1, currency="ABC"),
        **more,
    )
    return JobLedger(name, "c", table)


def season(**terms: Any) -> Retrofit:
    rows = [
        {
            "start": f"2025-09-0{day}T12:00:00Z", "start_s": 0.0, "latitude": 0.0, "longitude": 0.0,
            "occasion": "first_of_day", "break_s": None, "event": None, "measured": False, "litres_l": None,
        }
        for day in (1, 2, 3)
    ]  # fmt: skip
    jobs = [sprayed("a", standing=kit.standing(likely_primes=rows, unmeasured_primes=3)), sprayed("b")]
    given = {"price": 1000.0, "interest": 0.05, "plumbing": TWO, "baseline": "logged", "resamples": 99} | terms
    return retrofit(jobs, RetrofitTerms(**given))


@pytest.mark.parametrize(("rinses", "price"), [(None, 90_000.0), (0.0, 90_000.0), (2.0, 90_000.0), (1000.0, 900_000.0)])
def test_a_season_of_the_break_even_ground_comes_to_nothing(rinses: float | None, price: float) -> None:
    ground = payback(season(rinses_a_year=rinses, price=price).case).break_even_area_m2
    assert ground is not None
    assert ground > 0.0
    there = season(rinses_a_year=rinses, price=price, area_a_year_m2=ground)
    assert there.prime is not None
    assert (there.prime.times_a_year < 1000.0) or rinses != 1000.0  # fewer primes than rinses is one of the cases
    assert payback(there.case).net_a_year == pytest.approx(0.0, abs=1e-6)


def test_notes_say_what_the_lines_were_taken_to_hold() -> None:
    def codes(**terms: Any) -> set[str]:
        return {note.code for note in season(**terms).assumptions}

    dilutes, unknown = "money.return_dilutes", "money.primes_unknown_lines"
    after, more, ground = "money.primes_after_rinse", "money.rinses_without_primes", "money.primes_follow_ground"
    every = {dilutes, unknown, after, more, ground}
    assert codes() & every == {dilutes, unknown}
    assert codes(rinses_a_year=2.0) & every == {dilutes, after, ground}
    assert codes(rinses_a_year=5.0) & every == {dilutes, after, more, ground}
    assert codes(rinses_a_year=5.0, primes_a_year=6.0) & every == {dilutes, after}
    assert codes(rinses_a_year=0.0) & every == set()


# --- nothing named that is absent -------------------------------------------------------------------------------------
def test_a_budget_names_no_interest_where_there_is_none_and_no_loss_of_worth_where_it_keeps_it() -> None:
    plain = replace(CASE, primes_by_ground=None, prime_saved_l_a_year=0.0)
    line = partial_budget(plain).lines[-1]
    assert (line.label, line.amount) == ("depreciation", pytest.approx(200.0))
    assert not any("interest" in factor.what or "%" in factor.what for factor in line.factors)
    kept_worth = replace(plain, salvage=1000.0, interest=0.1)
    assert [line.label for line in partial_budget(kept_worth).lines][1:] == ["interest on the salvage value"]
    assert [line.label for line in partial_budget(replace(kept_worth, interest=0.0)).lines] == [
        "product no longer over-applied"
    ]
    assert partial_budget(replace(kept_worth, interest=0.0)).net == pytest.approx(100.0)
