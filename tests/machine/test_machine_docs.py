"""docs/machine.md names every key that a machine file may hold, and its example is a right file."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import BaseModel

from swathledger.log.columns import KNOWN
from swathledger.machine.read import machine_from_mapping
from swathledger.machine.spec import MachineSpec


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


def test_every_key_is_told(page: str) -> None:
    told = set(re.findall(r"`\[*([a-z_0-9.]+)\]*`", page)) | {
        part for name in re.findall(r"`\[+([a-z.]+)\]+`", page) for part in name.split(".")
    }
    # `ahead_of_boom_m`, `_in`, `_ft` tells three keys
    for first, rest in re.findall(r"`([a-z_0-9]+)_m`((?:, `_[a-z]+`)+)", page):
        told |= {first + suffix for suffix in re.findall(r"`(_[a-z]+)`", rest)}
    assert set(keys(MachineSpec)) - told == set()


def test_every_column_is_told(page: str) -> None:
    assert set(KNOWN) - set(re.findall(r"`([a-z_0-9]+)`", page)) == set()


def test_the_example_is_right(page: str) -> None:
    example = re.search(r"```toml\n(.*?)```", page, re.DOTALL)
    assert example is not None
    machine = machine_from_mapping(tomllib.loads(example[1]))
    assert machine.boom.nozzle_count == 48
