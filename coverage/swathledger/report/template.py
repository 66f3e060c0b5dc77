"""What all pages share: their templates, filled in and sealed by a content policy."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from functools import lru_cache, partial
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from swathledger.documents.document import NoteCode, plain
from swathledger.notes import Note
from swathledger.report.map import COLOURS
from swathledger.units import UnitSystem
from swathledger.words import Words


@lru_cache
def _templates() -> Environment:
    """Templates of all pages; what is filled in is escaped."""
    return Environment(
        loader=PackageLoader("swathledger.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _sealed(text: str) -> tuple[Markup, str]:
    """A style sheet or script of ours, and its hash for the content policy."""
    digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode("ascii")
    return Markup(text), f"sha256-{digest}"  # noqa: S704  # our own files, filled in with numbers alone


@lru_cache
def _script(name: str) -> tuple[Markup, str]:
    source = files("swathledger.report") / "templates" / name
    return _sealed(source.read_text(encoding="utf-8"))


def sheet(*names: str, static: bool, **values: Any) -> str:
    """Style sheets one after the other, filled in."""
    environment = _templates()
    return "".join(environment.get_template(name).render(static=static, colours=COLOURS, **values) for name in names)


def told(t: Words, system: UnitSystem, codes: Sequence[NoteCode | dict[str, Any]] | None,
         sentences: Sequence[str]) -> Sequence[str]:  # fmt: skip
    """Notes of a document in the language and the units of the page, else as the document itself says them."""
    if codes is None or len(codes) != len(sentences):
        return sentences
    out = []
    for code, sentence in zip(codes, sentences, strict=True):
        try:
            out.append(t.say(Note.from_document(code if isinstance(code, dict) else plain(code)), system))
        except KeyError:  # of a later version
            out.append(sentence)
    return out


def page(
    template: str, t: Words, system: UnitSystem, *, style: str, script: str | None = None, static: bool, **values: Any
) -> bytes:
    """A page from its template.

    Parameters
    ----------
    template : str
        Its name.
    system : {"metric", "us"}
    style : str
        Of :func:`sheet`.
    script : str, optional
        File of the page's script.
    static : bool
        Without a script and with every figure laid out, as paper needs it.
    **values
        What else the template is filled in with.
    """
    style_text, style_hash = _sealed(style)
    script_text, script_hash = (Markup(""), "") if script is None else _script(script)
    filled = (
        _templates()
        .get_template(template)
        .render(
            t=t,
            t_list=t.items,
            told=partial(told, t, system),
            static=static,
            style=style_text,
            style_hash=style_hash,
            script=script_text,
            script_hash=script_hash,
            **values,
        )
    )
    return filled.lstrip().encode()
