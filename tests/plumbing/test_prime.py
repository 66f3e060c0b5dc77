"""Prime models on lines a reader can solve, against independent oracles, and as properties."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from swathledger.errors import InputError, MachineError
from swathledger.machine.plumbing import Plumbing, PlumbingLine, line_volume_l
from swathledger.plumbing.prime import (
    ASSUMED_SPEED_M_S,
    arrival_along_line_s,
    boom_flow,
    mixed_out_l,
    pipe_out_l,
    prime,
    recirculation,
)

LITRE = (4.0 / math.pi / 1000.0) ** 0.5  # inner diameter of a line that holds one litre a metre
POSITIVE = st.floats(0.01, 100.0)


def litres(name: str, volume: float, carries: str = "all", **more: object) -> PlumbingLine:
    return PlumbingLine(name, LITRE, volume, carries, **more)  # type: ignore[arg-type]


def test_a_plain_line_primes_with_its_own_volume() -> None:
    found = prime(Plumbing(sections=(1,), held_l=3.0, lines=(litres("main", 7.0),)))
    assert found is not None
    assert found.plug_l == pytest.approx(10.0)
    assert found.plug_product_l == pytest.approx(0.0)
    assert found.mixed_l == pytest.approx(10.0 * math.log(20.0))  # 1 - exp(-V/10) = 0.95


def test_a_hose_to_one_of_four_sections_counts_four_times() -> None:
    # 2 L in the hose at a quarter of the flow: 8 L leave the boom while it fills; the four hoses hold 8 L in all.
    found = prime(Plumbing(sections=(5, 5, 5, 5), lines=(litres("hoses", 2.0, "section"),)))
    assert found is not None
    assert found.plug_l == pytest.approx(8.0)
    assert found.swept_l == pytest.approx(8.0)
    # one hose of 3 L to section 3: 12 L leave before its nozzles have product, and the 9 L beyond it are product
    uneven = prime(Plumbing(sections=(5, 5, 5, 5), lines=(litres("hose", 3.0, "section", section=3),)))
    assert uneven is not None
    assert (uneven.governing_section, uneven.plug_l, uneven.swept_l) == (3, pytest.approx(12.0), pytest.approx(3.0))
    assert uneven.plug_product_l == pytest.approx(9.0)


def test_pipe_fed_at_end_and_at_centre_by_hand() -> None:
    # Four nozzles, three gaps of 2 L. End fed: 2/3 + 2/2 + 2/1 per nozzle = 11/3, x 4 nozzles.
    assert pipe_out_l(6.0, 4, "end") == pytest.approx(4 * 11 / 3)
    # Centre fed: half a gap at two nozzles, then a gap at one: 1/2 + 2 = 5/2, x 4.
    assert pipe_out_l(6.0, 4, "centre") == pytest.approx(4 * 5 / 2)
    # Five nozzles, four gaps of 2 L, one nozzle at the inlet: 2/2 + 2/1 = 3, x 5.
    assert pipe_out_l(8.0, 5, "centre") == pytest.approx(15.0)
    assert pipe_out_l(8.0, 1, "centre") == pytest.approx(8.0)


def test_bleeding_line_against_parcels_pushed_step_by_step() -> None:
    # Oracle: a marker carried by the local flow in short steps of time, on unequal segments and taps.
    segments, taps = [1.0, 2.5, 0.7, 1.3], [0.5, 0.2, 0.4, 0.3]
    expected = []
    where, now, dt = 0.0, 0.0, 1e-4
    edges = np.cumsum(segments)
    while len(expected) < len(taps):
        segment = int(np.searchsorted(edges, where, side="right"))
        where += sum(taps[segment:]) * dt
        now += dt
        if where >= edges[len(expected)] - 1e-12:
            expected.append(now)
    assert arrival_along_line_s(segments, taps) == pytest.approx(expected, abs=1e-3)


def test_equal_taps_sum_to_the_harmonic_number_and_the_last_segment_governs() -> None:
    n, volume, flow = 36, 9.0, 0.6
    arrival = arrival_along_line_s([volume / n] * n, [flow / n] * n)
    assert arrival[-1] == pytest.approx(volume / flow * sum(1.0 / k for k in range(1, n + 1)))
    # the last segment alone takes V / Q
    assert arrival[-1] - arrival[-2] == pytest.approx(volume / flow)


def test_many_taps_tend_to_the_logarithm() -> None:
    # flow falls along a line that bleeds evenly as Q (1 - x/L), so Q t = V ln(1 / (1 - x/L))
    n, volume = 2000, 5.0  # 1 L/s in all, so seconds are litres out
    arrival = arrival_along_line_s([volume / n] * n, [1.0 / n] * n)
    for share in (0.25, 0.5, 0.9):
        # tap j is reached when (j + 1) / n of the pipe is full; the sum runs half a tap behind the integral
        assert arrival[round(share * n) - 1] == pytest.approx(-volume * math.log(1.0 - share), rel=2.5e-3)


def test_mixed_model_against_the_differential_equation() -> None:
    # dC/dV = (1 - C) / V0, integrated in litres out
    v0 = 4.2
    solved = solve_ivp(lambda _v, c: (1 - c) / v0, (0.0, mixed_out_l(v0, 0.9)), [0.0], rtol=1e-10, atol=1e-12)
    assert solved.y[0, -1] == pytest.approx(0.9, abs=1e-8)


@given(st.integers(1, 40), POSITIVE, st.sampled_from(["end", "centre"]))
def test_tapping_along_the_line_never_primes_sooner_than_its_volume(n: int, volume: float, feed: str) -> None:
    out = pipe_out_l(volume, n, feed)  # type: ignore[arg-type]
    assert out >= volume * (1 - 1e-12)
    if n >= 2:
        assert pipe_out_l(volume, n, "centre") <= pipe_out_l(volume, n, "end") * (1 + 1e-12)


@given(st.lists(st.integers(1, 12), min_size=1, max_size=8), POSITIVE, POSITIVE, POSITIVE, st.floats(0.64, 0.999))
def test_bracket_and_balance(sections: list[int], main: float, hose: float, pipe: float, strength: float) -> None:
    plumbing = Plumbing(
        sections=tuple(sections),
        held_l=1.0,
        lines=(litres("m", main), litres("h", hose, "section"), litres("p", pipe, "boom", count=1)),
    )
    found = prime(plumbing, strength)
    assert found is not None
    # what lies in the sections adds up to what the lines hold
    in_sections = sum(row.hose_l + row.pipe_l for row in found.sections)
    assert in_sections == pytest.approx(len(sections) * hose + pipe)
    assert found.swept_l == pytest.approx(1.0 + main + in_sections)
    # nothing can be at the farthest nozzle before all that is displaced has left
    assert found.plug_l >= found.swept_l * (1 - 1e-9)
    assert found.low_l == found.plug_l <= found.high_l == found.mixed_l
    # a wider line never primes with less
    wider = Plumbing(sections=tuple(sections), held_l=1.0, lines=(*plumbing.lines, litres("x", 1.0)))
    more = prime(wider, strength)
    assert more is not None
    assert more.plug_l == pytest.approx(found.plug_l + 1.0)


def test_recirculation_leaves_the_nozzle_bodies_and_lines_said_not_to_return() -> None:
    lines = (litres("main", 10.0), litres("hoses", 2.0, "section", recirculated=False))
    found = recirculation(Plumbing(sections=(4, 4), held_l=5.0, lines=lines, nozzle_body_l=0.05))
    assert found is not None
    # open: 5 + 10 + 2 x 2 + 8 x 0.05 = 19.4; still: hoses 4 + bodies 0.4
    assert (found.open_low_l, found.still_low_l, found.returned_low_l) == (
        pytest.approx(19.4),
        pytest.approx(4.4),
        pytest.approx(15.0),
    )
    assert found.returned_high_l == pytest.approx(15.0 * math.log(20.0))
    assert found.nozzle_bodies_known


def test_counts_shared_out_over_sections() -> None:
    plumbing = Plumbing(
        sections=(2, 6), lines=(litres("pipe", 4.0, "boom", count=2), litres("hoses", 1.0, "section", count=4))
    )
    # boom pipe of 8 L in all, by nozzles: 2 and 6 L; four hoses over two sections: two each
    assert [plumbing.section_volume_l(plumbing.lines[0], i) for i in (0, 1)] == pytest.approx([2.0, 6.0])
    assert [plumbing.section_volume_l(plumbing.lines[1], i) for i in (0, 1)] == pytest.approx([2.0, 2.0])
    with pytest.raises(MachineError, match="3 hoses cannot be shared out evenly over 2 sections"):
        Plumbing(sections=(2, 6), lines=(litres("hoses", 1.0, "section", count=3),))


def test_nothing_known_is_none_not_zero() -> None:
    bare = Plumbing(sections=(4,))
    assert prime(bare) is None
    assert recirculation(bare) is None
    assert bare.swept_l is None
    assert bare.dead_end_l is None
    assert Plumbing(sections=(4,), dead_ends=(0,)).dead_end_l == 0.0
    assert Plumbing(sections=(4,), dead_ends=(2,)).dead_end_l is None
    assert Plumbing(
        sections=(4,), dead_ends=2, dead_end_length_m=0.1, dead_end_diameter_m=0.1
    ).dead_end_l == pytest.approx(2 * 3.14159265 / 4 * 0.1**3 * 1000)


def test_of_sections_alike_the_first_governs() -> None:
    found = prime(Plumbing(sections=(4, 4, 4), held_l=1.0, lines=(litres("pipe", 1.0, "boom"),)))
    assert found is not None
    assert found.governing_section == 1
    later = prime(Plumbing(sections=(4, 4, 4), lines=(litres("hose", 1.0, "section", section=2),)))
    assert later is not None
    assert later.governing_section == 2


def test_flow_says_where_it_is_from() -> None:
    bare, sized = Plumbing(sections=(10,)), Plumbing(sections=(10,), nozzle_flow_l_s=0.02)
    assert boom_flow(bare).source == "unknown"
    assert boom_flow(bare).flow_l_s is None
    # 0.01 L/m2 x 20 m x 5 m/s = 1 L/s
    assumed = boom_flow(bare, rate_l_m2=0.01, width_m=20.0)
    assert (assumed.flow_l_s, assumed.source) == (pytest.approx(0.2 * ASSUMED_SPEED_M_S), "rate and assumed speed")
    assert boom_flow(bare, rate_l_m2=0.01, width_m=20.0, speed_m_s=2.0).flow_l_s == pytest.approx(0.4)
    assert boom_flow(sized, rate_l_m2=0.01, width_m=20.0).flow_l_s == pytest.approx(0.2)
    assert boom_flow(sized, flow_l_s=3.0) == boom_flow(bare, flow_l_s=3.0)


@pytest.mark.parametrize("bad", [0.0, -1.0, float("nan"), float("inf")])
def test_sizes_must_be_positive(bad: float) -> None:
    with pytest.raises(MachineError, match="positive number"):
        line_volume_l(bad, 1.0)
    with pytest.raises(InputError, match="positive number"):
        boom_flow(Plumbing(sections=(1,)), flow_l_s=bad)


def test_out_of_range_arguments() -> None:
    with pytest.raises(InputError, match="do not fit"):
        arrival_along_line_s([1.0], [1.0, 2.0])
    with pytest.raises(InputError, match="above 0"):
        arrival_along_line_s([1.0], [0.0])
    for share in (-0.1, 1.0):
        with pytest.raises(InputError):
            mixed_out_l(1.0, share)
