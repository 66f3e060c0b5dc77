"""What a stage assumed, guessed or found odd, as a code and its values.

No stage writes sentences: `swathledger.words` has one for every code, in a file a language, and shows the values in the
units asked for.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Measure:
    """A number of a kind of quantity.

    Attributes
    ----------
    value : float or None
        In the inside unit of its kind (SI); None where unknown.
    kind : str
        As in `swathledger.words.numbers.shown`, e.g. ``"length"``.
    """

    value: float | None
    kind: str


@dataclass(frozen=True, slots=True)
class Note:
    """One thing to be told.

    Attributes
    ----------
    code : str
        ``stage.what``: the key of its sentence in the files of words.
    values : tuple of (str, value)
        What the sentence names: short texts, counts, other numbers with their kind, and notes within it. A sentence
        that has forms for one and for many chooses by the value ``count``.
    """

    code: str
    values: tuple[tuple[str, Any], ...] = ()

    @classmethod
    def of(cls, code: str, /, **values: str | float | Measure | Note | tuple[Any, ...]) -> Note:
        """A note with its values by name.

        Examples
        --------
        >>> Note.of("swath.narrow", count=3, width=Measure(24.0, "length")).document()
        {'code': 'swath.narrow', 'values': {'count': 3, 'width': {'value': 24.0, 'kind': 'length'}}}
        """
        return cls(code, tuple(values.items()))

    def document(self) -> dict[str, Any]:
        """As plain JSON values; `from_document` is the inverse."""
        return {"code": self.code, "values": {name: _plain(value) for name, value in self.values}}

    @classmethod
    def from_document(cls, document: dict[str, Any]) -> Note:
        """The note of a stored document."""
        return cls(document["code"], tuple((name, _typed(value)) for name, value in document["values"].items()))


def _plain(value: Any) -> Any:
    if isinstance(value, Note):
        return value.document()
    if isinstance(value, Measure):
        return {"value": value.value, "kind": value.kind}
    return [_plain(item) for item in value] if isinstance(value, tuple) else value


def _typed(value: Any) -> Any:
    if isinstance(value, dict):
        return Note.from_document(value) if "code" in value else Measure(value["value"], value["kind"])
    return tuple(_typed(item) for item in value) if isinstance(value, list) else value
