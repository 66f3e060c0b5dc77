"""Faults of a machine file in plain words: where, what was found, what to do. All are told at once."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from swathledger.errors import MachineError

if TYPE_CHECKING:
    from pydantic import BaseModel, ValidationError
    from pydantic_core import ErrorDetails

Path = tuple[str | int, ...]

_WORDS = {
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "finite_number": "a finite number",
    "string_type": "text in quotes",
    "string_too_short": "text that is not empty",
    "bool_type": "true or false",
    "list_type": "a list in square brackets",
    "dict_type": "a table",
    "model_type": "a table",
    "too_short": "a list with at least one entry",
    "datetime_type": "a date and time",
    "date_type": "a date",
}


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault.

    Attributes
    ----------
    path : tuple of str and int
        Keys and list positions (from 0) down to the value.
    text : str
        What was found and what to do, one or more sentences.
    """

    path: Path
    text: str

    @property
    def dotted(self) -> str:
        """The path as a person writes it: ``plumbing.lines[2].length_m``, positions from 1."""
        out = ""
        for part in self.path:
            out += f"[{part + 1}]" if isinstance(part, int) else (f".{part}" if out else part)
        return out


def show(value: object) -> str:
    """A value as the file has it, shortened."""
    if isinstance(value, bool):
        text = "true" if value else "false"
    elif isinstance(value, str):
        text = f'"{value}"'
    elif isinstance(value, Mapping):
        text = "a table"
    elif isinstance(value, Sequence):
        text = "[" + ", ".join(show(item) for item in value) + "]"
    else:
        text = str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def near(name: str, known: Iterable[str]) -> str:
    """Hint naming the known names nearest to ``name``, or all of them when none is near."""
    names = sorted(known)
    folded = {candidate.lower(): candidate for candidate in names}
    hits = [folded[hit] for hit in difflib.get_close_matches(name.lower(), folded, n=3, cutoff=0.6)]
    if hits:
        return f"Did you mean {' or '.join(hits)}?"
    return f"Known here: {', '.join(names)}."


def from_pydantic(error: ValidationError, raw: Mapping[str, Any], root: type[BaseModel]) -> list[Fault]:
    """Translate pydantic's errors; the branches of one union become one fault."""
    wanted: dict[Path, list[str]] = {}
    out: dict[Path, Fault] = {}
    for detail in error.errors(include_url=False):
        path = _real_path(detail["loc"], raw, absent=detail["type"] == "missing")
        if detail["type"] == "missing":
            out[path] = Fault(path, "is missing.")
        elif detail["type"] == "extra_forbidden":
            known = _keys_at(root, path[:-1])
            out[path] = Fault(path, f"this key is not known. {near(str(path[-1]), known)}")
        else:
            wanted.setdefault(path, []).append(_wanted(detail))
            words = list(dict.fromkeys(wanted[path]))
            found = show(_value_at(raw, path))
            out[path] = Fault(path, f"found {found}; must be {' or '.join(words)}.")
    return list(out.values())


def _wanted(detail: ErrorDetails) -> str:
    """What pydantic asked for, in plain words."""
    kind, ctx = detail["type"], detail.get("ctx", {})
    if kind in _WORDS:
        return _WORDS[kind]
    if kind == "greater_than":
        return "above 0" if ctx["gt"] == 0 else f"above {ctx['gt']:g}"
    if kind == "greater_than_equal":
        return f"{ctx['ge']:g} or more"
    if kind == "less_than_equal":
        return f"at most {ctx['le']:g}"
    if kind == "literal_error":
        return str(ctx["expected"]).replace("'", '"')
    return detail["msg"].removeprefix("Input should be ")


def _real_path(loc: Sequence[str | int], raw: object, *, absent: bool) -> Path:
    """The part of pydantic's location that is in the file (union branches carry labels that are not).

    ``absent``: the last part is a key that is missing.
    """
    path: list[str | int] = []
    at: Any = raw
    for part in loc:
        if isinstance(at, Mapping) and isinstance(part, str) and (part in at or absent):
            path.append(part)
            at = at.get(part)
        elif isinstance(at, list) and isinstance(part, int) and part < len(at):
            path.append(part)
            at = at[part]
        else:
            break
    return tuple(path)


def _value_at(raw: object, path: Path) -> object:
    """The value in the file at a path that exists."""
    at: Any = raw
    for part in path:
        at = at[part]
    return at


def _keys_at(root: type[BaseModel], path: Path) -> list[str]:
    """Names a table may hold."""
    from pydantic import BaseModel

    model: Any = root
    for part in path:
        if isinstance(part, str) and isinstance(model, type) and issubclass(model, BaseModel):
            model = _model_in(model.model_fields[part].annotation)
    return list(model.model_fields) if isinstance(model, type) and issubclass(model, BaseModel) else []


def _model_in(annotation: Any) -> Any:
    """The model inside ``Model | None`` or ``list[Model]``."""
    from typing import get_args

    from pydantic import BaseModel

    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for arg in get_args(annotation) if (found := _model_in(arg)) is not None), None)


def line_of(text: str, path: Path) -> int | None:
    """1-based line where the key of a path stands, found by a plain search; None where it is not sure."""
    names = [part for part in path if isinstance(part, str)]
    if not names:
        return None
    whole, table, key = ".".join(names), ".".join(names[:-1]), names[-1]
    last = max(index for index, part in enumerate(path) if isinstance(part, str))
    # Position among [[tables]] of one name: of the table itself, or of the one the key is in.
    nth_whole = next((part for part in path[last:] if isinstance(part, int)), 0)
    nth_table = next((part for part in path[:last] if isinstance(part, int)), 0)
    here, seen = "", {table: -1, whole: -1}
    for number, line in enumerate(text.splitlines(), start=1):
        head = re.match(r"\s*\[{1,2}\s*([\w.\-\s]+?)\s*\]{1,2}\s*(#.*)?$", line)
        if head:
            here = head[1]
            if here in seen:
                seen[here] += 1
            if here == whole and seen[here] == nth_whole:
                return number
        elif (
            here == table
            and max(seen[here] if here else 0, 0) == nth_table
            and re.match(rf"""\s*["']?{re.escape(key)}["']?\s*=""", line)
        ):
            return number
    return None


def raise_all(faults: Sequence[Fault], file: str, text: str) -> None:
    """Raise one MachineError that tells every fault, in the order of the file; nothing when there is none."""
    if not faults:
        return
    placed = [(line_of(text, fault.path), fault) for fault in faults]
    placed.sort(key=lambda item: (item[0] or 0, item[1].dotted))
    lines = [f"  {fault.dotted or 'file'}{f' (line {line})' if line else ''}: {fault.text}" for line, fault in placed]
    count = "1 fault" if len(lines) == 1 else f"{len(lines)} faults"
    raise MachineError(f"{count} in the machine file:\n" + "\n".join(lines), file=file)
