"""Whatever stands in a machine file, the answer is a machine or a MachineError that names the place."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any, get_args

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel

from swathledger.errors import MachineError
from swathledger.machine.file import BoomTable, MachineFile
from swathledger.machine.keys import file_model
from swathledger.machine.read import machine_from_mapping

# what TOML can hold
VALUES = st.recursive(
    st.one_of(
        st.booleans(),
        st.integers(-5, 10**9),
        st.floats(allow_nan=True, allow_infinity=True),
        st.floats(0.1, 60),
        st.sampled_from(["", "boom", "L/ha", "utf-8", "UTC", "+", ";", "2026-03-04T07:30:00", "x" * 200, "\u0000"]),
        st.just(dt.date(2026, 3, 4)),
        st.just(dt.time(7, 30)),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(st.sampled_from(["name", "time", "length_m", "x"]), inner, max_size=3),
    ),
    max_leaves=3,
)


def tables_of(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for argument in get_args(annotation) for model in tables_of(argument)]


def mapping_for(model: type[BaseModel]) -> st.SearchStrategy[dict[str, Any]]:
    """Mappings with the model's own keys, values right or wrong."""
    fields: dict[str, st.SearchStrategy[Any]] = {}
    for name, info in model.model_fields.items():
        if name.endswith(("_cm", "_ft", "_qt", "_pt", "_fl_oz")):
            continue  # one twin of each kind is enough
        inner = tables_of(info.annotation)
        if inner and "list[" in str(info.annotation):
            fields[name] = st.one_of(st.lists(mapping_for(inner[0]), max_size=2), VALUES)
        elif inner:
            fields[name] = st.one_of(mapping_for(inner[0]), VALUES)
        else:
            fields[name] = VALUES
    return st.fixed_dictionaries({}, optional=fields)


@given(mapping_for(file_model(MachineFile)))
def test_a_machine_or_a_machine_error(raw: Mapping[str, Any]) -> None:
    try:
        machine = machine_from_mapping(raw)
    except MachineError as error:
        lines = str(error).splitlines()
        assert "fault" in lines[0]
        assert all(": " in line for line in lines[1:])
        return
    assert np.all(np.diff(machine.boom.nozzle_edges_m) > 0)
    assert sum(machine.boom.sections) == machine.boom.nozzle_count


@given(st.dictionaries(st.sampled_from(sorted(file_model(BoomTable).model_fields)), VALUES))
def test_any_boom_table(boom: dict[str, Any]) -> None:
    try:
        built = machine_from_mapping({"name": "m", "boom": boom}).boom
    except MachineError as error:
        told = str(error)
    else:
        told = "boom" if built.width_m > 0 else ""
    assert "boom" in told
