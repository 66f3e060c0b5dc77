"""The sentences of the pages, in one file a language."""

from __future__ import annotations

import tomllib
from functools import lru_cache
from importlib.resources import files
from typing import Any

from markupsafe import Markup


class Words:
    """Sentences by dotted key.

    Parameters
    ----------
    table : dict
        As read from a ``words_xx.toml``.
    """

    def __init__(self, table: dict[str, Any]) -> None:
        self._table = table

    def _find(self, key: str) -> Any:
        value: Any = self._table
        for part in key.split("."):
            value = value[part]
        return value

    def __call__(self, key: str, /, **values: object) -> Markup:
        """The sentence of a key with its names filled in; what is filled in is escaped unless it is markup.

        Raises
        ------
        KeyError
            The language lacks the key, or the sentence names something that is not given.
        """
        text = self._find(key)
        if not isinstance(text, str):
            raise KeyError(key)
        sentence = Markup(text)  # noqa: S704  # our own file, never the user's
        return sentence.format(**values) if values else sentence

    def items(self, key: str) -> list[Markup]:
        """The sentences of a list."""
        return [Markup(text) for text in self._find(key)]  # noqa: S704  # our own file, never the user's


@lru_cache
def words(language: str = "en") -> Words:
    """Words of a language that there is a file for."""
    source = files("swathledger.report") / "templates" / f"words_{language}.toml"
    return Words(tomllib.loads(source.read_text(encoding="utf-8")))
