"""Keys of the machine file, told once: beside the fields of the frozen parts that they become.

``on_delay_s: float = key("from the command to spray", 0.0, least=0, most=60)`` is all that the parser, the table in the
docs and the JSON schema know of that key. A field whose name ends in a unit may be written in every unit of that
dimension of :data:`swathledger.units.UNITS`; the part holds the unit of its own name.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import math
import types
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

from swathledger.units import UNITS, Unit, named

_INSIDE = {"l_s": "flow", "l_m2": "rate"}
"""Ends of the parts' own names that are no unit a file would use."""
_PLAIN = {float: "number", int: "count", bool: "true, false", str: "text", dt.datetime: "date and time"}


@dataclass(frozen=True, slots=True)
class Key:
    """What a file may hold under one key.

    Attributes
    ----------
    means : str
        For the docs.
    above, least, most : float or None
        Bounds of a number, or of each number of a list, in the field's own unit.
    likely : (float, float) or None
        Outside of these the unit is likely wrong: refused.
    file : str or None
        The key, where it differs from the field's name; its end is the unit preferred in messages.
    both : str or None
        Another key that stands for this one where this one is not given.
    shown : str or None
        What the docs say in place of the unit.
    choices : tuple of str
        The only texts that may stand here.
    """

    means: str
    above: float | None = None
    least: float | None = None
    most: float | None = None
    likely: tuple[float, float] | None = None
    needed: bool = False
    file: str | None = None
    both: str | None = None
    shown: str | None = None
    choices: tuple[str, ...] = ()


def key(means: str, default: Any = None, **more: Any) -> Any:
    """A dataclass field that a file may give."""
    return dataclasses.field(default=default, metadata={"key": Key(means, **more)})


@dataclass(frozen=True, slots=True)
class Entry:
    """One key of a part, with the names that it may go by.

    Attributes
    ----------
    field : str
        Of the part.
    hint : type
        Of the part's field, "or None" taken off.
    names : mapping of str to Unit or None
        Preferred first.
    size : float
        One of the field's own unit, in the unit inside of its dimension.
    """

    field: str
    hint: Any
    key: Key
    names: Mapping[str, Unit | None]
    size: float = 1.0

    def given(self, table: Mapping[str, Any]) -> list[str]:
        """Which of the names a table has."""
        return [name for name in self.names if name in table]

    def own(self, value: Any, name: str) -> Any:
        """A number (or list of numbers) given under a name, in the field's own unit."""
        unit = self.names[name]
        if unit is None:
            return value
        return (
            tuple(self.own(item, name) for item in value) if isinstance(value, list) else unit.inside(value) / self.size
        )


def _end(name: str) -> tuple[str, Unit | None]:
    ends = [unit for unit in UNITS if name.endswith(f"_{unit.suffix}")]
    unit = max(ends, key=lambda found: len(found.suffix), default=None)
    return (name, None) if unit is None else (name.removesuffix(f"_{unit.suffix}"), unit)


def _entry(name: str, hint: Any, found: Key) -> Entry:
    bare = _without_none(hint)
    numbers = bare is float or get_args(bare)[:1] == (float,)
    inside = next((end for end in _INSIDE if name.endswith(f"_{end}")), None)
    stem, unit = _end(name)
    if not numbers or (unit is None and inside is None):
        return Entry(name, bare, found, {found.file or name: None})
    if inside is not None:
        stem, dimension, size = name.removesuffix(f"_{inside}"), _INSIDE[inside], 1.0
    else:
        dimension, size = (unit or UNITS[0]).dimension, (unit or UNITS[0]).si_per_unit
    names = named(stem, dimension)
    first = found.file if found.file in names else name if name in names else next(iter(names))
    return Entry(name, bare, found, {first: names[first], **names}, size)


def _without_none(hint: Any) -> Any:
    if get_origin(hint) in (Union, types.UnionType):
        left = tuple(item for item in get_args(hint) if item is not type(None))
        return left[0] if len(left) == 1 else Union[left]  # noqa: UP007 - of a tuple
    return hint


@cache
def entries(part: Any) -> tuple[Entry, ...]:
    """The keys of a part, in the order of its fields."""
    hints = get_type_hints(part)
    return tuple(
        _entry(field.name, hints[field.name], field.metadata["key"])
        for field in dataclasses.fields(part)
        if "key" in field.metadata
    )


def part_in(hint: Any) -> type | None:
    """The part inside ``Part`` or ``tuple[Part, ...]``; None where there is none."""
    if dataclasses.is_dataclass(hint) and isinstance(hint, type):
        return hint
    return next((found for item in get_args(hint) if (found := part_in(item)) is not None), None)


# --- the file's model ----------------------------------------------------------------------------------------------
@cache
def file_model(part: type, lenient: bool = False) -> Any:
    """The pydantic model of the table that a part is read from; ``lenient``: nothing is needed in it."""
    from pydantic import ConfigDict, Field, create_model

    fields: dict[str, Any] = {}
    for entry in entries(part):
        for name in (*entry.names, *((entry.key.both,) if entry.key.both else ())):
            unit = entry.names.get(name)
            kind = _annotation(entry, entry.hint, entry.size / unit.si_per_unit if unit is not None else 1.0, lenient)
            alone = entry.key.needed and len(entry.names) == 1 and not lenient
            about = Field(... if alone else None, description=entry.key.means)
            fields.setdefault(name, (kind if alone else kind | None, about))
    config = ConfigDict(extra="forbid", frozen=True, title=part.__name__)
    return create_model(part.__name__, __config__=config, __doc__=str(part.__doc__).partition("\n")[0], **fields)


def _annotation(entry: Entry, hint: Any, scale: float, lenient: bool) -> Any:
    from pydantic import Field

    found = entry.key
    if hint is float or hint is int:
        bounds: dict[str, Any] = {"gt": found.above, "ge": found.least, "le": found.most}
        if hint is float:
            bounds = {name: None if bound is None else bound * scale for name, bound in bounds.items()}
            return Annotated[float, Field(strict=True, allow_inf_nan=False, **bounds)]
        return Annotated[int, Field(strict=True, **bounds)]
    if found.choices:
        return Literal[found.choices]
    if hint is str:
        return Annotated[str, Field(strict=True, min_length=1)]
    if get_origin(hint) is Literal:
        return hint
    if get_origin(hint) is tuple:
        item = get_args(hint)[0]
        inner = _annotation(entry, item, scale, lenient)
        return list[inner] if part_in(item) else Annotated[list[inner], Field(min_length=1)]  # type: ignore[valid-type]
    if get_origin(hint) is dict:
        return dict[str, Annotated[str, Field(strict=True, min_length=1)]]
    if get_origin(hint) in (Union, types.UnionType):
        inside = tuple(_annotation(entry, item, scale, lenient) for item in get_args(hint))
        return Union[inside]  # noqa: UP007 - of a tuple
    if part_in(hint):
        return file_model(hint, lenient)
    return Annotated[hint, Field(strict=True)]


Part = TypeVar("Part")


def given_in(part: type, table: Any) -> dict[str, Any]:
    """Values of the fields that a checked table gives, in the fields' own units."""
    out: dict[str, Any] = {}
    for entry in entries(part):
        name = next((name for name in entry.names if getattr(table, name) is not None), None)
        value: Any = None if name is None else getattr(table, name)
        inner = part_in(entry.hint)
        if name is not None and inner is not None:
            many = isinstance(value, list)
            out[entry.field] = tuple(build(inner, item) for item in value) if many else build(inner, value)
        elif name is not None:
            out[entry.field] = _frozen(entry.own(value, name))
        elif entry.key.both and getattr(table, entry.key.both) is not None:
            out[entry.field] = getattr(table, entry.key.both)
    return out


def build(part: type[Part], table: Any) -> Part:
    """The part that a checked table gives; as it is by default where there is no table."""
    return part() if table is None else part(**given_in(part, table))


def _frozen(value: Any) -> Any:
    return tuple(_frozen(item) for item in value) if isinstance(value, list) else value


def refuse_outside(part: Any, error: type[Exception]) -> None:
    """Raise where a number of a part is outside the bounds of its key; a part built by hand is checked like a file."""
    for entry in entries(part.__class__):
        value = getattr(part, entry.field)
        if isinstance(value, int | float) and not isinstance(value, bool) and not _within(value, entry.key):
            raise error(f"found {value!r}; must be {_words(entry.key)}.", column=entry.field)  # type: ignore[call-arg]


def _within(value: float, found: Key) -> bool:
    return (
        math.isfinite(value)
        and (found.above is None or value > found.above)
        and (found.least is None or value >= found.least)
        and (found.most is None or value <= found.most)
    )


def _words(found: Key) -> str:
    bounds = ((found.above, "above {:g}"), (found.least, "{:g} or more"), (found.most, "at most {:g}"))
    return " and ".join(["a finite number", *(words.format(bound) for bound, words in bounds if bound is not None)])


# --- the docs' table -----------------------------------------------------------------------------------------------
def rows(part: type) -> Iterator[tuple[str, str, str]]:
    """For the docs: the names of each key, its unit, what it means. Nested tables are left out."""
    told: set[str] = set()
    for entry in entries(part):
        if part_in(entry.hint) is not None:
            continue
        first, *others = entry.names
        stem = _end(first)[0]
        text = ", ".join([f"`{first}`", *(f"`{name.removeprefix(stem)}`" for name in others)])
        units = ", ".join(unit.symbol for unit in entry.names.values() if unit is not None)
        many = "list of " if get_origin(entry.hint) is tuple else ""
        kind = get_args(entry.hint)[0] if many else entry.hint
        choices = entry.key.choices or (get_args(kind) if get_origin(kind) is Literal else ())
        words = ", ".join(f'`"{word}"`' for word in choices) or _PLAIN.get(kind, "")
        yield (
            text,
            entry.key.shown or many + (units or words),
            entry.key.means + ("; needed" if entry.key.needed else ""),
        )
        if entry.key.both and entry.key.both not in told:
            told.add(entry.key.both)
            yield f"`{entry.key.both}`", units, "stands for both of its kind where they are not given"
