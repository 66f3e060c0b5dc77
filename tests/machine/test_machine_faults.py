"""A wrong machine file: every fault told at once, each with its place, what was found and what to do."""

from __future__ import annotations

import pickle
import tomllib
from pathlib import Path
from typing import Any

import pytest

from swathledger.errors import MachineError
from swathledger.machine.read import machine_from_mapping, read_machine

SIX = """\
name = "Sprayer"
[boom]
nozzle_count = 72
nozzle_spacing_m = "0.5"
sections = [9, 9]
[antenna]
ahead_of_boom_m = nan
[valves]
on_delay = 0.4
off_delay_s = -1
[rate]
set_rate_l_ha = true
"""


def told(tmp_path: Path, text: str) -> str:
    path = tmp_path / "sprayer.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(MachineError) as caught:
        read_machine(path)
    return str(caught.value)


def told_of(raw: dict[str, Any]) -> str:
    with pytest.raises(MachineError) as caught:
        machine_from_mapping(raw)
    return str(caught.value)


def test_six_faults_all_told(tmp_path: Path) -> None:
    text = told(tmp_path, SIX)
    assert "sprayer.toml: 6 faults" in text
    assert 'boom.nozzle_spacing_m (line 4): found "0.5"; must be a number.' in text
    assert "boom.sections (line 5): found [9, 9], which add up to 18 nozzles, but nozzle_count is 72" in text
    assert "antenna.ahead_of_boom_m (line 7): found nan; must be a finite number." in text
    assert "valves.on_delay (line 9): this key is not known. Did you mean on_delay_s" in text
    assert "valves.off_delay_s (line 10): found -1; must be 0 or more." in text
    assert "rate.set_rate_l_ha (line 12): found true; must be a number." in text
    assert len(text.splitlines()) == 7


def test_faults_come_in_the_order_of_the_file(tmp_path: Path) -> None:
    lines = told(tmp_path, SIX).splitlines()[1:]
    numbers = [int(line.split("(line ")[1].split(")")[0]) for line in lines]
    assert numbers == sorted(numbers)


def test_the_error_travels_between_processes(tmp_path: Path) -> None:
    path = tmp_path / "sprayer.toml"
    path.write_text(SIX)
    with pytest.raises(MachineError) as caught:
        read_machine(path)
    assert str(caught.value) in str(pickle.loads(pickle.dumps(caught.value)))  # noqa: S301 - our own bytes


def test_toml_syntax_gives_the_line(tmp_path: Path) -> None:
    text = told(tmp_path, 'name = "m"\n[boom]\nwidth_m = = 3\n')
    assert "not valid TOML" in text
    assert "line 3" in text


def test_key_given_twice(tmp_path: Path) -> None:
    assert "not valid TOML" in told(tmp_path, 'name = "m"\nname = "n"\n')


@pytest.mark.parametrize("content", ["", "  \n\n"])
def test_empty_file(tmp_path: Path, content: str) -> None:
    assert "the file is empty" in told(tmp_path, content)


def test_only_comments(tmp_path: Path) -> None:
    text = told(tmp_path, "# nothing\n")
    assert "name: is missing." in text
    assert "boom: is missing." in text


def test_absent_file(tmp_path: Path) -> None:
    with pytest.raises(MachineError, match="no such machine file"):
        read_machine(tmp_path / "absent.toml")


def test_a_folder(tmp_path: Path) -> None:
    with pytest.raises(MachineError, match="this is a folder"):
        read_machine(tmp_path)


@pytest.mark.parametrize("data", [b"\x00\x01\x02name", b"\xff\xfe\x00\x81", bytes(range(256))])
def test_binary(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "m.toml"
    path.write_bytes(data)
    with pytest.raises(MachineError, match=r"binary|not text"):
        read_machine(path)


def test_latin_letters_tell_the_line(tmp_path: Path) -> None:
    path = tmp_path / "m.toml"
    path.write_bytes('# a\nname = "Bögel"\n'.encode("latin-1"))
    with pytest.raises(MachineError, match="row 2.*UTF-8"):
        read_machine(path)


def base(**tables: Any) -> dict[str, Any]:
    return {"name": "m", "boom": {"nozzle_count": 10, "nozzle_spacing_m": 0.5}, **tables}


@pytest.mark.parametrize(
    ("boom", "words"),
    [
        ({}, "the width is missing"),
        ({"nozzle_count": 0, "nozzle_spacing_m": 0.5}, "boom.nozzle_count: found 0; must be 1 or more."),
        ({"nozzle_count": 2.5, "nozzle_spacing_m": 0.5}, "boom.nozzle_count: found 2.5; must be a whole number."),
        ({"nozzle_count": True, "width_m": 5.0}, "boom.nozzle_count: found true; must be a whole number."),
        ({"nozzle_count": 10}, "the width is missing"),
        ({"nozzle_spacing_m": 0.5}, "without nozzle_count, sections or a width"),
        ({"width_m": float("inf")}, "boom.width_m: found inf; must be a finite number."),
        ({"width_m": -9.0}, "boom.width_m: found -9.0; must be above 0."),
        ({"width_m": 9.0, "width_ft": 30.0}, "boom.width_ft: width_m is given too; give one of them."),
        (
            {"nozzle_count": 72, "nozzle_spacing_m": 0.5, "nozzle_spacing_in": 20.0},
            "boom.nozzle_spacing_in: nozzle_spacing_m is given too",
        ),
        ({"nozzle_count": 72, "nozzle_spacing_m": 0.5, "width_m": 24.0}, "72 nozzles at 0.5 m are 36 m"),
        ({"width_m": 24.2, "nozzle_spacing_m": 0.5, "sections": []}, "a list with at least one entry"),
        ({"width_m": 10.2, "nozzle_spacing_m": 1.0}, "not a whole number of nozzles"),
        ({"nozzle_count": 72, "nozzle_spacing_m": 50.0}, "expected 0.05 to 10 m. Is the unit right?"),
        ({"width_m": 3600.0}, "expected 0.05 to 200 m. Is the unit right?"),
        ({"section_widths_m": [3.0], "width_m": 3.0}, "stands for a boom without nozzles, but width_m is given too"),
        ({"sections": [9, 0], "nozzle_spacing_m": 0.5}, "boom.sections[2]: found 0; must be 1 or more."),
        ({"sections": "9,9", "nozzle_spacing_m": 0.5}, 'boom.sections: found "9,9"; must be a list'),
        ({"nozzel_count": 9, "width_m": 4.5}, "boom.nozzel_count: this key is not known. Did you mean nozzle_count"),
    ],
)
def test_boom(boom: dict[str, Any], words: str) -> None:
    assert words in told_of({"name": "m", "boom": boom})


@pytest.mark.parametrize(
    ("tables", "words"),
    [
        ({"bom": {}}, "bom: this key is not known. Did you mean boom"),
        ({"antenna": 7}, "antenna: found 7; must be a table."),
        ({"antenna": {"gnss_sigma_m": 0}}, "antenna.gnss_sigma_m: found 0; must be above 0."),
        ({"hitch": {"hitch_to_boom_m": 6.5}}, "hitch.antenna_to_hitch_m: is missing"),
        ({"hitch": {"antenna_to_hitch_m": -1.0, "hitch_to_boom_m": 6.5}}, "hitch.antenna_to_hitch_m: found -1.0"),
        (
            {"hitch": {"antenna_to_hitch_m": 1.0, "hitch_to_boom_m": 6.0}, "antenna": {"ahead_of_boom_m": 2.0}},
            "antenna.ahead_of_boom_m: makes 2 m, but [hitch] adds up to 7 m",
        ),
        ({"valves": {"on_delay_s": 400}}, "valves.on_delay_s: found 400; must be at most 60."),
        (
            {"columns": {"latitud": "lat"}},
            "columns.latitud: this is not one of our column names. Did you mean latitude?",
        ),
        ({"columns": {"time": 3}}, "columns.time: found 3; must be text in quotes."),
        ({"log": {"time_zone": "Mars/North"}}, 'log.time_zone: found "Mars/North", which is no time zone'),
        ({"log": {"start": "yesterday"}}, "log.start: found"),
        ({"log": {"start": 5}}, "log.start: found 5; must be a date and time or a date or text in quotes."),
        ({"log": {"delimiter": ";;"}}, "log.delimiter: found"),
        ({"log": {"encoding": "klingon"}}, "log.encoding: found"),
        ({"log": {"tiem_zone": "UTC"}}, "log.tiem_zone: this key is not known. Did you mean time_zone"),
        ({"rate": {"set_rate_l_ha": 100.0, "set_rate_gal_ac": 10.0}}, "set_rate_l_ha is given too"),
        ({"rate": {"set_rate_l_ha": 0.0}}, "rate.set_rate_l_ha: found 0.0; must be above 0."),
        (
            {"replay": {"groups": ["boom", "nozle"]}},
            'replay.groups[2]: found "nozle"; must be "boom", "nozzle" or "limit"',
        ),
        ({"replay": {"groups": [11]}}, "replay.groups[1]: found 11 groups; the boom has only 10 nozzles."),
        ({"replay": {"nozzles_per_group": [[5, 6]]}}, "replay.nozzles_per_group[1]: found [5, 6], which add up to 11"),
        ({"replay": {"off_when_covered": 50}}, "replay.off_when_covered: found 50; must be at most 1."),
        ({"replay": {"agreement_pct": 101.0}}, "replay.agreement_pct: found 101.0; must be at most 100."),
        (
            {"plumbing": {"lines": [{"length_m": 3.0}]}},
            "plumbing.lines[1].inner_diameter_mm: is missing; it is needed (inner_diameter_m, ",
        ),
        (
            {"plumbing": {"lines": [{"length_m": 3.0, "inner_diameter_mm": 0.025}]}},
            "plumbing.lines[1].inner_diameter_mm: makes 0.025 mm",
        ),
        ({"plumbing": {"held_l": -1.0}}, "plumbing.held_l: found -1.0; must be 0 or more."),
        ({"plumbing": {"held_l": 1.0, "held_gal": 1.0}}, "plumbing.held_gal: held_l is given too"),
        ({"plumbing": {"recirculating": "yes"}}, 'plumbing.recirculating: found "yes"; must be true or false.'),
        (
            {"plumbing": {"lines": [{"inner_diameter_mm": 9.0, "length_m": 1.0, "carries": "section", "section": 3}]}},
            "plumbing.lines: line 'line 1' serves section 3, the boom has 1 to 1.",
        ),
        ({"replay": {"layouts": [{"name": "a"}]}}, "replay.layouts[1].groups: is missing; give groups or width_m."),
        ({"replay": {"layouts": [{"groups": 2, "width_m": 3.0}]}}, "replay.layouts[1].width_m: groups is given too"),
        ({"replay": {"layouts": [{"groups": 11}]}}, "replay.layouts[1].groups: found 11 groups; the boom has only 10"),
        ({"replay": {"layouts": [{"groups": [5, 6]}]}}, "replay.layouts[1].groups: found [5, 6], which add up to 11"),
        ({"replay": {"layouts": [{"groups": "nozle"}]}}, 'replay.layouts[1].groups: found "nozle"; must be "boom"'),
        ({"replay": {"layouts": [{"name": "Limit", "groups": 2}]}}, 'found "Limit", which stands for another layout'),
        (
            {"replay": {"layouts": [{"name": "a", "groups": 2}, {"name": "A ", "groups": 5}]}},
            'replay.layouts[2].name: found "A " a second time',
        ),
        (
            {"replay": {"layouts": [{"groups": 2, "overlap_margin_m": -11.0}]}},
            "replay.layouts[1].overlap_margin_m: found -11.0; must be -10 or more.",
        ),
        ({"replay": {"layouts": [{"groups": 2, "on_delay_s": 61}]}}, "replay.layouts[1].on_delay_s: found 61"),
        ({"replay": {"layouts": [{"groups": 2, "off_when_covered": 0}]}}, "off_when_covered: found 0; must be above 0"),
        ({"replay": {"layouts": [{"groups": 2, "on_dely_s": 1}]}}, "Did you mean on_delay_s"),
        ({"products": [{"name": "A"}, {"name": "a "}]}, 'products[2].name: found "a " a second time'),
        ({"products": [{}]}, "products[1].name: is missing."),
        ({"products": [{"name": "herbicide A", "rate": 2.0}]}, "products[1].unit: is missing"),
        ({"products": [{"name": "herbicide A", "rate": 2.0, "unit": "l/acre"}]}, "products[1].unit: found"),
        ({"products": [{"name": "A", "currency": "dollars"}]}, "products[1].currency: found"),
        (
            {"products": [{"name": "A", "unit": "L/ha", "active_ingredient_g_kg": 500.0}]},
            "does not fit a product measured by volume",
        ),
        (
            {"products": [{"name": "A", "active_ingredient_g_l": 1.0, "active_ingredient_lb_gal": 1.0}]},
            "active_ingredient_g_l is given too",
        ),
    ],
)
def test_other_tables(tables: dict[str, Any], words: str) -> None:
    assert words in told_of(base(**tables))


def test_dead_ends_by_section() -> None:
    raw = base(plumbing={"dead_ends": [1, 2, 3]})
    raw["boom"]["sections"] = [5, 5]
    assert "one for each of the 2" in told_of(raw)


def test_a_list_of_one_line_of_a_second_product_is_found(tmp_path: Path) -> None:
    text = told(tmp_path, 'name = "m"\n[boom]\nwidth_m = 9\n[[products]]\nname = "A"\n[[products]]\nname = 5\n')
    assert "products[2].name (line 7): found 5" in text


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("ahead_of_boom_m = 320", "at most 20"),
        ("ahead_of_boom_cm = 3200", "at most 2000"),
        ("right_of_centre_m = -25", "-20 or more"),
    ],
)
def test_no_antenna_is_farther_from_the_boom_than_a_machine_is_long(line, told):
    raw = tomllib.loads(f'name = "far"\n[boom]\nwidth_m = 24\n[antenna]\n{line}\n')
    with pytest.raises(MachineError, match=told):
        machine_from_mapping(raw)
