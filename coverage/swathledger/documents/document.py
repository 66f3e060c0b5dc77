"""What all documents share: rounding, text, reading with plain errors, schema numbers and their upgrades.

A document is a frozen structure whose fields are the keys of its JSON, in order. It is built by the stage that knows
the figures, and whoever reads it back gets the same structure or an error that names the file and the key.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, ClassVar, TypeVar

import msgspec

from swathledger.errors import InputError
from swathledger.notes import Note

T = TypeVar("T")
D = TypeVar("D", bound="Document")
P = TypeVar("P", bound="Table")
Upgrade = Callable[[dict[str, Any]], dict[str, Any]]


class Table(msgspec.Struct, frozen=True, kw_only=True):
    """A table of a document. Fields without a default were always written; absent knowledge is None, never 0."""


class Document(Table, frozen=True, kw_only=True):
    """A whole file.

    Attributes
    ----------
    KIND : str
        Middle part of its schema, ``swathledger/KIND/NUMBER``.
    NUMBER : int
        Of the schema that is written.
    COMMAND : str
        What writes it.
    UPGRADES : mapping of int to callable
        Plain values of a number to those of the next.
    """

    KIND: ClassVar[str]
    NUMBER: ClassVar[int] = 1
    COMMAND: ClassVar[str]
    UPGRADES: ClassVar[Mapping[int, Upgrade]] = {}

    @classmethod
    def schema_name(cls) -> str:
        """The text under ``schema``."""
        return f"swathledger/{cls.KIND}/{cls.NUMBER}"


class NoteCode(Table, frozen=True, kw_only=True):
    """A note as code and values, see :class:`swathledger.notes.Note`: pages say it in their language and units."""

    code: str
    values: dict[str, Any] = msgspec.field(default_factory=dict)

    @classmethod
    def of(cls, note: Note) -> NoteCode:
        """The code of a note."""
        return cls(**note.document())


def rounded(value: T, digits: int = 12, nothing: float = 1e-9) -> T:
    """Numbers to some significant digits, below ``nothing`` 0: free of the last bits' noise; not finite is None.

    Goes into structures, mappings and sequences; texts, whole numbers, flags and None stay as they are.

    Examples
    --------
    >>> rounded([0.1 + 0.2, 1e-12, float("nan"), 3])
    [0.3, 0.0, None, 3]
    """
    return _rounded(value, digits, nothing)  # type: ignore[no-any-return]  # each branch gives what it was given


def _rounded(value: Any, digits: int, nothing: float) -> Any:
    if isinstance(value, float):
        if not math.isfinite(value):
            return None
        return 0.0 if abs(value) < nothing else float(f"{value:.{digits}g}")
    if isinstance(value, msgspec.Struct):
        fields = ((name, getattr(value, name)) for name in value.__struct_fields__)
        return type(value)(**{name: _rounded(item, digits, nothing) for name, item in fields})
    if isinstance(value, Mapping):
        return {key: _rounded(item, digits, nothing) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return type(value)(_rounded(item, digits, nothing) for item in value)
    return value


def plain(document: Table) -> dict[str, Any]:
    """The same as dicts, lists and plain values, keys in the order of the model."""
    out: dict[str, Any] = msgspec.json.decode(msgspec.json.encode(document))
    return out


def dump(document: Document) -> bytes:
    """UTF-8 text: the same document gives the same bytes."""
    return (json.dumps(plain(document), indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()


def taken(kind: type[P], source: object, **own: Any) -> P:
    """A table whose fields are attributes of the same name of a carrier, but for those given.

    Raises
    ------
    AttributeError
        The carrier lacks one.
    """
    names = (name for name in kind.__struct_fields__ if name not in own)
    return kind(**{name: getattr(source, name) for name in names}, **own)


def parse(kind: type[D], data: bytes, file: str) -> D:
    """A document from its text. Keys that the model does not know are passed over.

    Raises
    ------
    InputError
        It is no JSON, of another kind, newer than this program, or a value is not of its type; says which.
    """
    hint = f"Run {kind.COMMAND} again."
    try:
        raw = msgspec.json.decode(data)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise InputError(f"is no JSON ({error}).", file=file, hint=hint) from None
    return converted(kind, raw, file)


def converted(kind: type[D], raw: Any, file: str) -> D:
    """A document from plain values; raises as :func:`parse`."""
    hint = f"Run {kind.COMMAND} again."
    stated = raw.get("schema") if isinstance(raw, dict) else None
    found = re.fullmatch(rf"swathledger/{kind.KIND}/([1-9]\d{{0,3}})", stated) if isinstance(stated, str) else None
    if found is None:
        raise InputError(f"is not of the schema {kind.schema_name()}: found {stated!r}.", file=file, hint=hint)
    number = int(found[1])
    if number > kind.NUMBER:
        raise InputError(
            f"is of the schema {stated}; this version reads up to {kind.schema_name()}.",
            file=file,
            hint="Update swathledger.",
        )
    try:
        for step in range(number, kind.NUMBER):
            raw = kind.UPGRADES[step](raw)
        return msgspec.convert(raw | {"schema": kind.schema_name()}, kind)
    except msgspec.ValidationError as error:
        what, _, path = str(error).partition(" - at ")
        key = path.strip("`").removeprefix("$.") or None
        what = what[:1].lower() + what[1:]
        raise InputError(f"cannot be used: {what}.", file=file, column=key, hint=hint) from None
    except (AttributeError, KeyError, TypeError, IndexError) as error:  # an upgrade met a table that is none
        raise InputError(f"cannot be used: an older form of it is not whole ({error}).", file=file, hint=hint) from None


def load(kind: type[D], path: Path) -> D:
    """Read a document from its file.

    Raises
    ------
    InputError
        It cannot be read, or as :func:`parse`.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(
            f"cannot be read ({error.strerror or error}).", file=str(path), hint=f"Run {kind.COMMAND} first."
        ) from None
    return parse(kind, data, str(path))


def reason(error: InputError) -> str:
    """What is wrong with a document, without the file's name and the hint: for lists of what was set aside."""
    return f"{error.column or ''} {error.what}".strip().removesuffix(".")


def json_schema(kind: type[Document]) -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of a document as it is written."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": kind.schema_name(),
        **msgspec.json.schema(kind),
    }
