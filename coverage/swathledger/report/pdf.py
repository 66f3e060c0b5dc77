"""PDF of a page, by WeasyPrint (extra ``pdf``), from the page's static form.

Drawings inside a page are laid out by WeasyPrint as pictures: the page's style sheet does not reach into them, colours
may not be variables and lines do not keep their width. So the rules for drawings are put into each drawing here.
"""

from __future__ import annotations

import hashlib
import os
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final

from swathledger.errors import InputError, OutputError

EXTRA: Final = "pip install 'swathledger[pdf]'"
STAMP: Final = b"\n% swathledger report\n"
_DRAWN: Final = re.compile(
    r"^[^@{}]*\.(?:edge|exclusion|pass|arrow|standing|stop|swatch|fill|axis|grid|line|dot|floor|done-|bar-(?:back|fill)"
    r"|chart|shape|spark|dose-|field|mark|halo|ground text)"
)
_RULE: Final = re.compile(r"([^{}]+)\{([^{}]*)\}")
_VARIABLE: Final = re.compile(r"(--[a-z]+):([^;}]+)")
_FIXED: Final = re.compile(r"vector-effect:non-scaling-stroke;?")
_WIDTH: Final = re.compile(r"stroke-width:([0-9.]+)")
_DRAWING: Final = re.compile(r'<svg((?: class="[^"]*")?) viewBox="([-0-9. ]+)"([^>]*)>')
_SHEET: Final = re.compile(r"<style>(.*?)</style>", re.DOTALL)
_EPOCH: Final = "SOURCE_DATE_EPOCH"
_GROUND_PX: Final = 700.0
"""Width that lines of a map were drawn for."""


def _drawing_rules(sheet: str) -> list[tuple[str, str]]:
    """Rules of the style sheet that style parts of drawings, media rules left out."""
    plain = re.sub(r"@[a-z-]+[^{]*\{(?:[^{}]*\{[^{}]*\})*[^{}]*\}", "", sheet)
    known = dict(_VARIABLE.findall(sheet))
    out = []
    for selector, body in _RULE.findall(plain):
        if _DRAWN.match(selector.strip()):
            resolved = re.sub(r"var\((--[a-z]+)\)", lambda found: known.get(found[1], "#000"), body)
            out.append((selector.strip(), resolved))
    return out


def static_html(page: str) -> str:
    """A static page with the rules for drawings inside each drawing."""
    found = _SHEET.search(page)
    rules = _drawing_rules(found[1]) if found is not None else []

    def styled(match: re.Match[str]) -> str:
        kind, box, rest = match[1], match[2], match[3]
        scale = max(float(box.split()[2]), float(box.split()[3])) / _GROUND_PX if "ground" in kind else 1.0
        lines = []
        for selector, body in rules:
            if selector.startswith(".chart" if "ground" in kind else ".ground"):
                continue
            kept = body
            if _FIXED.search(body):
                kept = _WIDTH.sub(lambda width: f"stroke-width:{float(width[1]) * scale:.3f}", _FIXED.sub("", body))
            lines.append(f"{selector.replace('.chart ', '').replace('.ground ', '')}{{{kept}}}")
        return f'<svg{kind} viewBox="{box}"{rest}><style>{"".join(lines)}</style>'

    return _DRAWING.sub(styled, page)


@contextmanager
def _fixed_clock() -> Iterator[None]:
    """Where HarfBuzz's subsetter is missing, fontTools writes the hour into every font; hold it."""
    if _EPOCH in os.environ:
        yield
        return
    os.environ[_EPOCH] = "0"
    try:
        yield
    finally:
        del os.environ[_EPOCH]


def weasyprint_module() -> Any:
    """WeasyPrint, loaded.

    Without HarfBuzz's subsetter it warns as it loads and writes the same pages with larger fonts: what only a later
    version will need is no news to who asks for a page.

    Raises
    ------
    InputError
        WeasyPrint is not installed.
    OutputError
        Its system libraries (pango) are not.
    """
    try:
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", "HarfBuzz-Subset will be required", DeprecationWarning)
            import weasyprint
    except ImportError:
        raise InputError("PDF needs WeasyPrint, which is not installed.", hint=f"{EXTRA}, or print the page from a "
                         "browser.") from None  # fmt: skip
    except OSError as error:
        raise OutputError(
            f"PDF needs the system library pango, which cannot be loaded ({str(error).splitlines()[0]}). Install pango "
            "(Debian: libpango-1.0-0 libpangoft2-1.0-0), or print the page from a browser."
        ) from None
    return weasyprint


def pdf_of(page: bytes) -> bytes:
    """PDF of a static page; nothing is fetched.

    Raises
    ------
    InputError
        WeasyPrint is not installed.
    OutputError
        Its system libraries (pango) are not, or it cannot lay the page out.
    """
    weasyprint = weasyprint_module()
    from weasyprint import urls

    # Pictures within the page are all that a page ever asks for: no other protocol is spoken.
    fetcher = urls.URLFetcher(allowed_protocols=("data",))
    document = weasyprint.HTML(string=static_html(page.decode()), url_fetcher=fetcher, base_url="about:blank")
    try:
        with _fixed_clock():
            made: bytes = document.write_pdf(pdf_identifier=hashlib.sha256(page).digest()[:16])
    except Exception as error:  # its layout gives up on some pages with bare assertions
        raise OutputError(
            f"WeasyPrint cannot lay this page out ({type(error).__name__}: {error}). Print the page from a browser."
        ) from error
    # A comment after the end: readers pass over it, and it tells our own file from others.
    return made + STAMP
