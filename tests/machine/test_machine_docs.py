"""docs/machine.md names every key that a machine file may hold, and its example is a right file."""

from __future__ import annotations

import re
import runpy
import tomllib
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import BaseModel

from swathledger.machine.file import MachineFile, schema
from swathledger.machine.keys import file_model
from swathledger.machine.machine import Valves
from swathledger.machine.read import machine_from_mapping
from swathledger.units import UNITS


def keys(model: type[BaseModel]) -> Iterator[str]:
    for name, info in model.model_fields.items():
        yield name
        for inner in models_in(info.annotation):
            yield from keys(inner)


def models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for argument in get_args(annotation):
        yield from models_in(argument)


@pytest.fixture(scope="module")
def page(repository: Path) -> str:
    return (repository / "docs" / "machine.md").read_text(encoding="utf-8")


def test_tables_are_those_of_the_keys(repository: Path, page: str) -> None:
    made = runpy.run_path(str(repository / "docs" / "generate_machine.py"))
    assert made["page"](page) == page, "run make docs-commands"
    assert page.count("<!-- keys: ") == len(made["PARTS"])


def test_every_key_is_told(page: str) -> None:
    told: set[str] = set()
    for names in re.findall(r"^\| (`[^|]*`) \|", page, re.MULTILINE):
        first, *others = re.findall(r"`(\w+)`", names)
        stem = max((first.removesuffix(f"_{unit.suffix}") for unit in UNITS), key=lambda s: len(first) - len(s))
        told |= {first, *(stem + end for end in others)}
    tables = set(re.findall(r"`\[+([a-z.]+)\]+`", page))
    assert set(keys(file_model(MachineFile))) - told - {part for name in tables for part in name.split(".")} == set()


def test_a_setting_of_the_valves_is_in_the_schema_of_every_table_that_has_valves() -> None:
    parts = schema()["$defs"]
    for name in ("Valves", "ReplaySettings", "ReplayLayout"):
        assert {field.name for field in fields(Valves)} <= set(parts[name]["properties"])
        delay = parts[name]["properties"]["on_delay_s"]
        assert delay["description"] == "from the command to spray"
        assert {"minimum": 0.0, "maximum": 60.0}.items() <= delay["anyOf"][0].items()
    assert "held_gal" in parts["Plumbing"]["properties"]
    assert schema()["required"] == ["name", "boom"]


def test_the_example_is_right(page: str) -> None:
    example = re.search(r"```toml\n(.*?)```", page, re.DOTALL)
    assert example is not None
    machine = machine_from_mapping(tomllib.loads(example[1]))
    assert machine.boom.nozzle_count == 48
