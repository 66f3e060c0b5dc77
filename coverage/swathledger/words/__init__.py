"""Every sentence that people read, in one file a language.

``en.toml`` has all of them and stands for what another file lacks. A language is one more file of that form, here or
wherever the user keeps it.
"""

from __future__ import annotations

import gettext
import string
import tomllib
from collections.abc import Callable, Iterable, Mapping
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

from markupsafe import Markup

from swathledger.errors import InputError
from swathledger.notes import Measure, Note
from swathledger.units import UnitSystem
from swathledger.words.numbers import text

ENGLISH: Final = "en"


class Words:
    """Sentences by dotted key.

    Parameters
    ----------
    table : dict
        As read from a file of words.
    """

    def __init__(self, table: dict[str, Any]) -> None:
        self._table = table
        self._plural: Callable[[int], int] = gettext.c2py(table["plural"])

    def find(self, key: str) -> Any:
        """The sentence, forms or table under a key.

        Raises
        ------
        KeyError
        """
        value: Any = self._table
        for part in key.split("."):
            value = value[part]
        return value

    def __call__(self, key: str, /, **values: object) -> Markup:
        """The sentence of a key with its names filled in; what is filled in is escaped unless it is markup.

        Where it has forms for one and for many, the value ``count`` chooses.

        Raises
        ------
        KeyError
            The language lacks the key, or the sentence names something that is not given.
        """
        sentence = Markup(self._form(key, values))  # noqa: S704  # a file of words, never what a log brings
        return sentence.format(**values) if values else sentence

    def line(self, key: str, /, **values: object) -> str:
        """As when called, but plain text: for a terminal."""
        return self._form(key, values).format(**values)

    def below(self, start: str) -> Callable[..., str]:
        """`line` for the keys that begin with ``start``, as in ``below("terminal.")("season.done", ...)``."""
        return lambda key, /, **values: self.line(start + key, **values)

    def _form(self, key: str, values: Mapping[str, Any]) -> str:
        """The sentence of a key, or that of its forms which goes with the value ``count``."""
        text = self.find(key)
        if isinstance(text, list):
            text = text[self._plural(int(values["count"]))]
        if not isinstance(text, str):
            raise KeyError(key)
        return text

    def items(self, key: str) -> list[Markup]:
        """The sentences of a list."""
        return [Markup(text) for text in self.find(key)]  # noqa: S704  # as above

    def say(self, note: Note, units: UnitSystem = "metric") -> str:
        """The sentence of a note, plain text.

        Raises
        ------
        KeyError
            There is no sentence for its code, or it names a value that the note lacks.
        """
        values = dict(note.values)
        sentence = self._form(f"note.{note.code}", values)
        return sentence.format(**{name: self._shown(value, units) for name, value in values.items()})

    def _shown(self, value: Any, units: UnitSystem) -> Any:
        if isinstance(value, Note):
            return self.say(value, units)
        if isinstance(value, Measure):
            return _Shown(value, units)
        if isinstance(value, tuple):
            between = "; " if any(isinstance(item, Note) for item in value) else ", "
            shown = [self._shown(item, units) for item in value]
            for item in shown[:-1]:
                if isinstance(item, _Shown):
                    item.unit = False  # once, at the end
            return _Listed(shown, between)
        return value


class _Shown:
    """A measure in a sentence: ``{width}``, ``{width:1}`` with one decimal, ``{width:.4g}`` with four digits."""

    def __init__(self, measure: Measure, units: UnitSystem) -> None:
        self._measure, self._units, self.unit = measure, units, True

    def __format__(self, spec: str) -> str:
        value, kind = self._measure.value, self._measure.kind
        digits = int(spec) if spec.isdigit() else spec or None
        return text(kind, value, self._units, digits, unit=self.unit)


class _Listed:
    """Several values in a sentence, each shown in the same way."""

    def __init__(self, items: list[Any], between: str) -> None:
        self._items, self._between = items, between

    def __format__(self, spec: str) -> str:
        return self._between.join(format(item, spec) for item in self._items)


def say(note: Note, units: UnitSystem = "metric", language: str = ENGLISH) -> str:
    """The sentence of a note in a language, its values in the units asked for."""
    return words(language).say(note, units)


def say_all(notes: Iterable[Note], units: UnitSystem = "metric", language: str = ENGLISH) -> list[str]:
    """The sentences of notes."""
    return [say(note, units, language) for note in notes]


def languages() -> list[str]:
    """Languages that come with the program."""
    return sorted(item.name.removesuffix(".toml") for item in _folder().iterdir() if item.name.endswith(".toml"))


def _folder() -> Any:
    return files("swathledger.words")


@lru_cache
def words(language: str = ENGLISH) -> Words:
    """Words of a language.

    Parameters
    ----------
    language : str
        One of `languages`, or the path of a file of words. What it lacks is said in English.

    Raises
    ------
    InputError
        There is no such language or file, or the file has a key or names a value that the English one does not.
    """
    english = _read(ENGLISH, (_folder() / f"{ENGLISH}.toml").read_text(encoding="utf-8"))
    if language == ENGLISH:
        return Words(english)
    try:
        inside = language in languages()
        source = _folder() / f"{language}.toml" if inside else Path(language)
        table = _read(source.name, source.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError):
        raise InputError(
            f"there are no words for the language {language!r}.",
            hint=f"Known: {', '.join(languages())}; or give the path of a file of words.",
        ) from None
    return Words(_over(english, table, source.name))


def _read(name: str, text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"is no TOML ({error}).", file=name) from None


def _over(base: dict[str, Any], table: dict[str, Any], file: str, above: str = "") -> dict[str, Any]:
    """The sentences of one file laid over those of another, each checked to name nothing else."""
    out = dict(base)
    for name, value in table.items():
        key = f"{above}{name}"
        if name not in base:
            raise InputError(f"{key} is no key of the words.", file=file, hint="Take the keys of the English file.")
        if type(value) is not type(base[name]):
            raise InputError(f"{key} is not of the form that it has in the English file.", file=file)
        if isinstance(value, dict):
            out[name] = _over(base[name], value, file, f"{key}.")
            continue
        strange = sorted(names_in(value) - names_in(base[name]))
        if strange:
            raise InputError(f"{key} names {', '.join(strange)}, which is not given to it.", file=file)
        out[name] = value
    return out


def names_in(sentence: str | list[str]) -> set[str]:
    """Names in braces of a sentence or of its forms."""
    forms = [sentence] if isinstance(sentence, str) else sentence
    return {name for form in forms for _, name, _, _ in string.Formatter().parse(form) if name}
