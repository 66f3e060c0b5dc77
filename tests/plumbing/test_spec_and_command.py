"""The [plumbing] table, from TOML to the text a person reads."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from swathledger.errors import MachineError
from swathledger.machine.plumbing import Plumbing
from swathledger.machine.read import machine_from_mapping, read_machine
from swathledger.words import say_all
from swathledger_cli.main import cli

GAL = 3.785411784

MACHINE = """
name = "Sprayer A"
[boom]
nozzle_count = 8
nozzle_spacing_m = 0.5
sections = [4, 4]
"""
PLUMBING = """
[plumbing]
recirculating = false
held_l = 10
rinse_tank_l = 200
residual_l = 4
dead_ends = 2
dead_end_length_m = 0.1
dead_end_diameter_mm = 25
nozzle_body_ml = 20
boom_feed = "end"
[[plumbing.lines]]
name = "main hose"
carries = "all"
inner_diameter_mm = 50
length_m = 5
[[plumbing.lines]]
name = "boom pipe"
carries = "boom"
inner_diameter_in = 1
length_ft = 6
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "sprayer a.toml"
    path.write_text(text, encoding="utf-8")
    return path


def plumbing(table: dict[str, Any], *sections: int) -> Plumbing:
    boom = {"nozzle_spacing_m": 0.5, "sections": list(sections)}
    return machine_from_mapping({"name": "m", "boom": boom, "plumbing": table}).plumbing


def run(*arguments: str) -> str:
    result = CliRunner().invoke(cli, ["prime", *arguments])
    assert result.exit_code == 0, result.output
    return result.stdout


def test_both_unit_systems_give_the_same_plumbing() -> None:
    metric = {"held_l": 5 * GAL, "lines": [{"inner_diameter_mm": 25.4, "length_m": 3.048, "carries": "boom"}]}
    us = {"held_gal": 5.0, "lines": [{"inner_diameter_in": 1.0, "length_ft": 10.0, "carries": "boom"}]}
    one, other = plumbing(metric, 4, 4), plumbing(us, 4, 4)
    assert one.swept_l == pytest.approx(other.swept_l)
    assert one.held_l == pytest.approx(other.held_l)
    # 2 x pi/4 x 0.0254^2 x 3.048 m3
    assert one.lines_l == pytest.approx(2 * 1.5444, abs=1e-4)


def test_guesses_are_told() -> None:
    found = plumbing({"lines": [{"inner_diameter_mm": 25.0, "length_m": 1.0}]}, 4)
    assert any("line 1" in note and "whole flow" in note for note in say_all(found.assumptions))
    assert any("pipe along the nozzles is not counted" in note for note in say_all(found.assumptions))
    assert found.recirculates is None
    assert plumbing({}, 4).assumptions == ()


def test_every_fault_is_told_at_once() -> None:
    table = {
        "held_l": -1.0,
        "tank_l": 1.0,
        "lines": [{"length_m": 1.0}, {"inner_diameter_mm": 20.0, "inner_diameter_in": 1.0, "length_m": 2.0}],
        "lenght": 3,
    }
    with pytest.raises(MachineError) as caught:
        plumbing(table, 4)
    words = str(caught.value)
    assert "4 faults" in words
    for part in ("plumbing.held_l", "plumbing.lines[1]", "plumbing.lines[2]", "plumbing.lenght"):
        assert part in words
    line = {"inner_diameter_mm": 20.0, "length_m": 1.0, "section": 3}
    with pytest.raises(MachineError, match="serves section 3, the boom has 1 to 2"):
        plumbing({"lines": [line | {"carries": "section"}]}, 4, 4)
    with pytest.raises(MachineError, match="needs carries"):
        plumbing({"lines": [line | {"section": 1}]}, 4, 4)
    with pytest.raises(MachineError, match="3 hoses cannot be shared out evenly over 2 sections"):
        plumbing({"lines": [{"inner_diameter_mm": 20, "length_m": 1, "carries": "section", "count": 3}]}, 4, 4)


def test_json_by_hand(tmp_path: Path) -> None:
    path = write(tmp_path, MACHINE + PLUMBING)
    found = json.loads(run("--machine", str(path), "--flow-l-min", "60", "--json"))
    main = 3.14159265 / 4 * 0.05**2 * 5 * 1000  # 9.817 L
    pipe = 3.14159265 / 4 * 0.0254**2 * 6 * 0.3048 * 1000  # 0.927 L a section
    bodies = 8 * 0.02
    assert found["schema"] == "swathledger/prime/1"
    assert found["volumes"]["swept_l"] == pytest.approx(10 + main + 2 * pipe + bodies)
    assert found["volumes"]["dead_ends"] == 4  # two in each of two sections
    assert found["volumes"]["dead_end_l"] == pytest.approx(4 * 3.14159265 / 4 * 0.025**2 * 0.1 * 1000)
    # end-fed, four nozzles, three gaps: (1/3 + 1/2 + 1) x pipe / 3 per nozzle, 8 nozzles
    plug = 10 + main + bodies + 8 * pipe / 3 * (1 / 3 + 1 / 2 + 1)
    assert found["prime"]["plug_l"] == pytest.approx(plug)
    assert found["prime"]["plug_s"] == pytest.approx(plug)  # 60 L/min is 1 L/s
    assert found["prime"]["mixed_l"] == pytest.approx(plug * 2.995732)
    assert found["rinse"]["residual_l"] == pytest.approx(found["volumes"]["swept_l"] + 4)
    assert len(found["rinse"]["rows"]) == 5
    assert found["recirculation"]["still_poured_low_l"] == pytest.approx(bodies)
    # after a rinse: lines and held volume go into the tank as water, what the near nozzles spray is product
    water = 10 + main + 2 * pipe
    assert found["recirculation"]["content_returned_l"] == pytest.approx(water)
    assert found["recirculation"]["product_after_rinse_l"] == pytest.approx(plug - bodies - water)
    assert found["recirculation"]["strength_after_return"] is None  # the tank's size is not given


def test_what_a_return_does_to_the_tank_is_told(tmp_path: Path) -> None:
    # 10 L held and a main hose of 9.817 L: 19.8 L of water and two pipes of 0.93 L: 21.67 L. 500 in 521.67
    path = tmp_path / "m.toml"
    for litres, share in ((500, "95.8 %"), (1000, "97.9 %")):
        path.write_text(MACHINE + PLUMBING.replace("[plumbing]", f"[plumbing]\ntank_l = {litres}", 1), encoding="utf-8")
        words = run("--machine", str(path))
        assert f"is thinned to {share} of its strength" in words
        assert "21.7 L of water into the tank" in words
    path.write_text(MACHINE + PLUMBING, encoding="utf-8")
    assert "tank_l in [plumbing] tells by how much" in run("--machine", str(path))


def test_unknown_stays_null(tmp_path: Path) -> None:
    text = MACHINE + '[plumbing]\n[[plumbing.lines]]\ninner_diameter_mm = 25\nlength_m = 4\ncarries = "boom"\n'
    path = write(tmp_path, text)
    found = json.loads(run("--machine", str(path), "--json"))
    assert found["flow"] == {"flow_l_s": None, "source": "unknown", "speed_m_s": None}
    assert found["prime"]["plug_s"] is None
    for key in ("held_l", "nozzle_bodies_l", "dead_end_l", "rinse_tank_l"):
        assert found["volumes"][key] is None
    assert found["recirculation"]["recirculates"] is None
    assert found["rinse"]["rows"][0]["fits"] is None
    words = run("--machine", str(path))
    assert "time unknown" in words
    assert "Whether this boom recirculates is unknown" in words
    assert "rinse tank unknown" in words


def test_text_says_assumptions_and_cautions(tmp_path: Path) -> None:
    path = write(tmp_path, MACHINE + "[rate]\nset_rate_l_ha = 150\n" + PLUMBING)
    words = run("--machine", str(path), "--rinses", "4")
    # 0.015 L/m2 x 4 m x 5 m/s x 60 = 18 L/min
    assert "18.0 L/min" in words
    assert "ASSUMED speed" in words
    planned = [line for line in words.splitlines() if "<- planned" in line]
    assert [line.split()[0] for line in planned] == ["4"]
    assert "Prime and rinse water is pesticide" in words
    assert "label and local law come first" in words
    us = run("--machine", str(path), "--units", "us", "--speed-mph", "6")
    assert "gal" in us
    assert " L/min" not in us
    assert "6.0 mph" in us


def test_a_machine_without_plumbing_is_told_what_to_add(tmp_path: Path) -> None:
    path = write(tmp_path, MACHINE)
    assert "[[plumbing.lines]]" in run("--machine", str(path))
    assert json.loads(run("--machine", str(path), "--json"))["prime"] is None


def test_bad_calls(tmp_path: Path) -> None:
    path = str(write(tmp_path, MACHINE + PLUMBING))
    both = CliRunner().invoke(cli, ["prime", "--machine", path, "--flow-l-min", "3", "--flow-gal-min", "1"])
    assert both.exit_code == 2
    assert "not both" in both.output
    for option, value in (("--residue", "2"), ("--strength", "1"), ("--flow-l-min", "-3"), ("--rinses", "0")):
        assert CliRunner().invoke(cli, ["prime", "--machine", path, option, value]).exit_code == 2


def test_us_units_of_every_key(tmp_path: Path) -> None:
    us = PLUMBING.replace("held_l = 10", "held_gal = 2").replace("residual_l = 4", "residual_gal = 1")
    us = us.replace("rinse_tank_l = 200", "rinse_tank_gal = 50\ntank_gal = 800\nnozzle_flow_gal_min = 0.3")
    us = us.replace("dead_end_length_m = 0.1", "dead_end_length_in = 4").replace(
        "dead_end_diameter_mm = 25", "dead_end_diameter_in = 1"
    )
    found = read_machine(write(tmp_path, MACHINE + us)).plumbing
    assert found.held_l == pytest.approx(2 * GAL)
    assert found.residual_l == pytest.approx(GAL)
    assert found.rinse_tank_l == pytest.approx(50 * GAL)
    assert found.tank_l == pytest.approx(800 * GAL)
    assert found.nozzle_flow_l_s == pytest.approx(0.3 * GAL / 60)
    assert found.dead_end_l == pytest.approx(4 * 3.14159265 / 4 * 1 * 4 / 231 * GAL)
