"""A right machine file becomes the carrier, in SI whatever units it was written in."""

from __future__ import annotations

import hashlib
import pickle
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathledger.errors import MachineError
from swathledger.machine.machine import Machine, ReplaySettings, Valves
from swathledger.machine.plumbing import Plumbing
from swathledger.machine.read import machine_from_mapping, machine_from_width, read_machine

WHOLE = """
name = "Trailed 24"
[boom]
nozzle_count = 48
nozzle_spacing_m = 0.5
sections = [9, 10, 10, 10, 9]
[antenna]
right_of_centre_m = -0.15
gnss_sigma_m = 0.02
[hitch]
antenna_to_hitch_m = 1.2
hitch_to_boom_m = 6.5
[valves]
on_delay_s = 0.4
off_delay_s = 0.3
look_ahead_s = 0.5
look_ahead_on_s = 0.7
minimum_on_s = 0.2
[columns]
time = "timestamp"
section = "Sec{}"
counter_m2 = "machine_total_area_m2"
[log]
time_zone = "Australia/Perth"
start = 2026-03-04T07:30:00+08:00
delimiter = ";"
[rate]
set_rate_l_ha = 100
[replay]
groups = ["boom", 9, 6, "nozzle", "limit"]
widths_ft = [10, 20]
nozzles_per_group = [[24, 24], [9, 10, 10, 10, 9]]
off_when_covered = 0.5
look_ahead_s = 0.9
agreement_pct = 90
[plumbing]
recirculating = false
held_gal = 2
dead_ends = [2, 2, 2, 2, 2]
rinse_tank_l = 300
[[plumbing.lines]]
name = "main"
inner_diameter_in = 1.5
length_ft = 100
[[plumbing.lines]]
inner_diameter_mm = 19
length_m = 24
carries = "boom"
[[products]]
name = "herbicide A"
rate = 2.0
unit = "pt/ac"
price = 5.0
active_ingredient_lb_gal = 4.0
label_maximum_rate = 3.0
[[products]]
name = "fungicide B"
rate = 250
unit = "g/ha"
price = 0.04
active_ingredient_g_kg = 500
"""


def written(tmp_path: Path, text: str, name: str = "sprayer.toml") -> Path:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def test_the_whole_file(tmp_path: Path) -> None:
    path = written(tmp_path, WHOLE)
    machine = read_machine(path)
    assert machine.name == "Trailed 24"
    # 48 nozzles of 0.5 m: 24 m, 12 m to each side
    np.testing.assert_allclose(machine.boom.nozzle_edges_m, np.arange(49) * 0.5 - 12.0)
    assert machine.boom.sections == (9, 10, 10, 10, 9)
    assert machine.antenna.ahead_of_boom_m == 0.0
    assert machine.antenna.right_of_centre_m == -0.15
    assert machine.gnss_sigma_m == 0.02
    assert machine.hitch is not None
    assert (machine.hitch.antenna_to_hitch_m, machine.hitch.hitch_to_boom_m) == (1.2, 6.5)
    assert machine.valves.look_ahead_on_s == 0.7
    assert machine.valves.look_ahead_off_s == 0.5
    assert (machine.valves.on_delay_s, machine.valves.off_delay_s, machine.valves.minimum_on_s) == (0.4, 0.3, 0.2)
    assert machine.columns["section"] == "Sec{}"
    assert machine.log_options.delimiter == ";"
    assert set(machine.log_options.given()) == {"time_zone", "start", "delimiter"}
    # 100 L over 10,000 m2
    assert machine.set_rate_l_m2 == pytest.approx(0.01)
    assert machine.source == ("sprayer.toml", hashlib.sha256(WHOLE.encode()).hexdigest())


def test_us_spellings_become_metric(tmp_path: Path) -> None:
    machine = read_machine(written(tmp_path, WHOLE))
    main = machine.plumbing.lines[0]
    # 1.5 in = 38.1 mm, 100 ft = 30.48 m, 2 gal = 7.570823568 L
    assert (main.name, main.inner_diameter_m, main.length_m) == ("main", pytest.approx(0.0381), pytest.approx(30.48))
    assert machine.plumbing.lines[1].name == "line 2"
    assert machine.plumbing.held_l == pytest.approx(7.570823568)
    assert machine.replay.widths_m == pytest.approx([3.048, 6.096])
    assert machine.replay.look_ahead_on_s == machine.replay.look_ahead_off_s == 0.9
    herbicide, fungicide = machine.products
    # 1 pt = 0.473176473 L, 1 ac = 0.40468564224 ha: 2 pt/ac = 2.338489 L/ha; 5 a pint = 10.56688 a litre
    assert herbicide.measure == "L"
    assert herbicide.rate_per_m2 == pytest.approx(2.338489e-4, abs=1e-10)
    assert herbicide.label_max_per_m2 == pytest.approx(3.507734e-4, abs=1e-10)
    assert herbicide.price == pytest.approx(10.56688, abs=1e-5)
    # 4 lb/gal = 4 * 453.59237 g / 3.785411784 L
    assert herbicide.active_g_per_unit == pytest.approx(479.3057, abs=1e-4)
    assert fungicide.measure == "kg"
    assert (fungicide.rate_per_m2, fungicide.price) == (pytest.approx(0.25e-4), pytest.approx(40.0))
    assert fungicide.active_g_per_unit == 500.0


def test_a_length_may_be_in_any_unit_of_length() -> None:
    raw = {"name": "m", "boom": {"width_m": 9.0}, "antenna": {"right_of_centre_cm": -15}}
    assert machine_from_mapping(raw).antenna.right_of_centre_m == -0.15


LAYOUTS = """
name = "m"
[boom]
nozzle_count = 48
nozzle_spacing_m = 0.5
[valves]
on_delay_s = 0.4
off_delay_s = 0.3
look_ahead_s = 0.5
minimum_on_s = 0.1
[replay]
off_delay_s = 0.8
off_when_covered = 0.7
overlap_margin_m = 0.2
[[replay.layouts]]
name = "slow sections"
groups = 6
[[replay.layouts]]
name = "fast nozzles"
groups = "nozzle"
on_delay_s = 0.05
look_ahead_s = 0.1
look_ahead_off_s = 0.2
off_when_covered = 0.5
overlap_margin_in = -10
boundary_margin_m = 0.3
[[replay.layouts]]
groups = [24, 24]
minimum_on_s = 0
[[replay.layouts]]
width_ft = 10
"""


def test_a_layout_takes_what_it_leaves_out_from_the_tables_above_it(tmp_path: Path) -> None:
    machine = read_machine(written(tmp_path, LAYOUTS))
    assert machine.valves == Valves(0.4, 0.3, 0.5, 0.5, 0.1)  # stay the logged layout's
    slow, fast, listed, wide = machine.replay.layouts
    assert (slow.name, slow.groups, slow.width_m) == ("slow sections", 6, None)
    # [valves], but for the off delay and the margin of [replay]
    assert (slow.on_delay_s, slow.off_delay_s, slow.look_ahead_on_s, slow.look_ahead_off_s) == (0.4, 0.8, 0.5, 0.5)
    assert (slow.minimum_on_s, slow.overlap_margin_m, slow.boundary_margin_m) == (0.1, 0.2, 0.0)
    assert slow.off_when_covered is None  # the audit's own, which [replay] sets unless the command line does
    assert machine.replay.off_when_covered == 0.7
    assert (fast.on_delay_s, fast.off_delay_s, fast.look_ahead_on_s, fast.look_ahead_off_s) == (0.05, 0.8, 0.1, 0.2)
    assert (fast.off_when_covered, fast.boundary_margin_m) == (0.5, 0.3)
    assert fast.overlap_margin_m == pytest.approx(-0.254)
    assert (listed.name, listed.groups, listed.minimum_on_s) == (None, (24, 24), 0.0)
    assert (wide.groups, wide.width_m) == (None, pytest.approx(3.048))


def test_a_machine_by_hand_replays_under_its_own_valves() -> None:
    boom = machine_from_width(12).boom
    assert Machine("m", boom, valves=Valves(0.4, 0.2)).replay == ReplaySettings(0.4, 0.2)
    assert Machine("m", boom).plumbing.sections == boom.sections


@pytest.mark.parametrize(
    ("boom", "count", "width", "sections"),
    [
        ({"width_m": 9.0}, 1, 9.0, (1,)),
        ({"width_ft": 30.0}, 1, 9.144, (1,)),
        ({"nozzle_count": 72, "width_m": 36.0}, 72, 36.0, (72,)),
        ({"nozzle_count": 72, "nozzle_spacing_in": 20.0}, 72, 36.576, (72,)),
        ({"sections": [3, 4, 3], "nozzle_spacing_m": 0.5}, 10, 5.0, (3, 4, 3)),
        ({"sections": [3, 4, 3], "width_m": 5.0}, 10, 5.0, (3, 4, 3)),
        ({"width_m": 24.0, "nozzle_spacing_m": 0.5}, 48, 24.0, (48,)),
        ({"section_widths_m": [3.0, 6.0, 3.0]}, 3, 12.0, (1, 1, 1)),
        ({"section_widths_ft": [10.0, 10.0]}, 2, 6.096, (1, 1)),
    ],
)
def test_ways_to_give_a_boom(boom: dict[str, object], count: int, width: float, sections: tuple[int, ...]) -> None:
    built = machine_from_mapping({"name": "m", "boom": boom}).boom
    assert built.nozzle_count == count
    assert built.width_m == pytest.approx(width, rel=1e-12)
    assert built.sections == sections
    assert built.nozzle_edges_m[0] == pytest.approx(-width / 2)


def test_unequal_section_widths_keep_their_edges() -> None:
    boom = machine_from_mapping({"name": "m", "boom": {"section_widths_m": [3.0, 6.0, 3.0]}}).boom
    np.testing.assert_allclose(boom.nozzle_edges_m, [-6.0, -3.0, 3.0, 6.0])


@given(st.integers(1, 200), st.floats(0.1, 0.9))
def test_boom_is_centred_and_adds_up(count: int, spacing: float) -> None:
    boom = machine_from_mapping({"name": "m", "boom": {"nozzle_count": count, "nozzle_spacing_m": spacing}}).boom
    assert boom.width_m == pytest.approx(count * spacing)
    np.testing.assert_allclose(boom.nozzle_edges_m, -boom.nozzle_edges_m[::-1], atol=1e-9)


def test_antenna_in_feet_and_inches() -> None:
    machine = machine_from_mapping(
        {"name": "m", "boom": {"width_m": 9.0}, "antenna": {"ahead_of_boom_ft": 10.0, "right_of_centre_in": -10.0}}
    )
    assert machine.antenna.ahead_of_boom_m == pytest.approx(3.048)
    assert machine.antenna.right_of_centre_m == pytest.approx(-0.254)


def test_rate_in_gallons_an_acre() -> None:
    machine = machine_from_mapping({"name": "m", "boom": {"width_m": 9.0}, "rate": {"set_rate_gal_ac": 10.0}})
    # 37.85411784 L on 4046.8564224 m2
    assert machine.set_rate_l_m2 == pytest.approx(37.85411784 / 4046.8564224)


def test_nothing_said_is_nothing_known() -> None:
    machine = machine_from_mapping({"name": "m", "boom": {"width_m": 9.0}})
    assert machine.set_rate_l_m2 is None
    assert machine.gnss_sigma_m is None
    assert machine.hitch is None
    assert machine.plumbing == Plumbing((1,))
    assert machine.replay == ReplaySettings()
    assert machine.products == ()
    assert machine.source is None


def test_hitch_lengths_replace_ahead_of_boom() -> None:
    raw = {
        "name": "m",
        "boom": {"width_m": 24.0},
        "antenna": {"ahead_of_boom_m": 7.7},
        "hitch": {"antenna_to_hitch_m": 1.2, "hitch_to_boom_m": 6.5},
    }
    assert machine_from_mapping(raw).antenna.ahead_of_boom_m == 0.0


def test_machine_of_a_width() -> None:
    machine = machine_from_width(12, "spreader")
    assert machine.name == "spreader"
    assert machine.boom.width_m == 12.0
    assert machine.boom.nozzle_count == 1


@pytest.mark.parametrize("width", [0.0, -3.0, float("nan"), float("inf"), 5000.0])
def test_machine_of_no_width(width: float) -> None:
    with pytest.raises(MachineError):
        machine_from_width(width)


@pytest.mark.parametrize("name", ["with space.toml", "hästar.toml", "up!down.toml"])
def test_odd_paths(tmp_path: Path, name: str) -> None:
    path = written(tmp_path, 'name = "m"\n[boom]\nwidth_m = 9\n', name)
    assert read_machine(path).source is not None


def test_byte_order_mark_is_passed_over(tmp_path: Path) -> None:
    path = tmp_path / "m.toml"
    path.write_bytes(b"\xef\xbb\xbf" + b'name = "m"\n[boom]\nwidth_m = 9\n')
    assert read_machine(path).name == "m"


def test_the_machine_travels_to_another_process(tmp_path: Path) -> None:
    machine = read_machine(written(tmp_path, WHOLE))
    again = pickle.loads(pickle.dumps(machine))  # noqa: S301 - our own bytes
    np.testing.assert_array_equal(again.boom.nozzle_edges_m, machine.boom.nozzle_edges_m)
    assert again.plumbing == machine.plumbing
