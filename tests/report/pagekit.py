"""Reads a page as the tests look at it."""

from __future__ import annotations

from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import TYPE_CHECKING, Any

from swathledger.units import QUANTITIES, UnitSystem

if TYPE_CHECKING:
    from playwright.sync_api import Page

RULES = """() => {
  const bad = [];
  const seen = e => e.getClientRects().length > 0 && getComputedStyle(e).visibility !== "hidden";
  let level = 0;
  for (const h of document.querySelectorAll("h1,h2,h3,h4")) {
    const now = Number(h.tagName[1]);
    if (seen(h) && now > level + 1) bad.push(`heading jumps to ${h.tagName}: ${h.textContent}`);
    if (seen(h)) level = now;
  }
  if (document.querySelectorAll("h1").length !== 1) bad.push("not one h1");
  if (!document.documentElement.lang) bad.push("no language");
  const ids = [...document.querySelectorAll("[id]")].map(e => e.id);
  if (new Set(ids).size !== ids.length) bad.push("an id twice");
  for (const e of document.querySelectorAll("[aria-labelledby],[aria-describedby]"))
    for (const id of (e.getAttribute("aria-labelledby") || e.getAttribute("aria-describedby")).split(" "))
      if (!document.getElementById(id)) bad.push(`no element ${id}`);
  for (const e of document.querySelectorAll("svg:not([aria-hidden])"))
    if (!e.closest("[aria-hidden]") && !e.getAttribute("aria-label")) bad.push("a drawing without words");
  for (const e of document.querySelectorAll("input,select"))
    if (!e.labels.length) bad.push(`no label: ${e.outerHTML}`);
  for (const e of document.querySelectorAll("button,a"))
    if (!(e.textContent.trim() || e.getAttribute("aria-label"))) bad.push(`no name: ${e.outerHTML}`);
  for (const e of document.querySelectorAll("th")) if (!e.scope) bad.push(`no scope: ${e.textContent}`);
  const rgb = text => text.match(/[0-9.]+/g).map(Number);
  const light = ([r, g, b]) => [r, g, b].map(v => v / 255)
    .map(v => v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
  for (const e of document.querySelectorAll("body *:not(svg *)")) {
    if (!seen(e) || ![...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim())) continue;
    let back = e;
    while (back && (rgb(getComputedStyle(back).backgroundColor)[3] ?? 1) === 0) back = back.parentElement;
    const a = light(rgb(getComputedStyle(e).color));
    const b = back ? light(rgb(getComputedStyle(back).backgroundColor)) : 1;
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (ratio < 4.5) bad.push(`contrast ${ratio.toFixed(2)}: ${e.textContent.trim().slice(0, 40)}`);
  }
  return bad;
}"""
"""Rules of access in the browser: WCAG AA contrast, labels, names, headings in order; returns what breaks them."""


class Reader(HTMLParser):
    """Collects every marked number, all text outside of style, and every tag."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.numbers: list[tuple[dict[str, str], str]] = []
        self.text: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self._open: dict[str, str] | None = None
        self._style = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._style = tag in {"style", "script"}
        if tag == "data":
            self._open = {key: value or "" for key, value in attrs}

    def handle_endtag(self, tag: str) -> None:
        self._style = False
        if tag == "data":
            self._open = None

    def handle_data(self, data: str) -> None:
        if self._open is not None:
            self.numbers.append((self._open, data))
        if not self._style:
            self.text.append(data)


def read(page: bytes) -> Reader:
    reader = Reader()
    reader.feed(page.decode())
    return reader


def value_of(key: str, at: Callable[[str], Any]) -> float | None:
    """What a ``data-key`` names: a path, ``one less others``, or ``one of another`` in per cent; None: unknown."""
    part, _, whole = key.partition(" of ")
    first, *less = (at(path) for path in part.split(" less "))
    if first is None:
        return None
    value = first - sum(less)
    return float(100.0 * value / at(whole) if whole else value)


def says(shown: str, kind: str, value: float, system: UnitSystem, currency: str) -> None:
    """Check a number as shown against its SI value: the unit of its kind, and half of the last digit at most.

    ``line:kind`` is a line of a table that adds up as shown: there it may be off by one in the last digit, and its sign
    stands before it.
    """
    line, _, kind = kind.rpartition(":")
    value, most = (abs(value), 1.0) if line else (value, 0.5)
    number, _, unit = shown.partition("\u00a0")
    if kind == "money":
        assert unit == currency
    elif kind in QUANTITIES:
        face = QUANTITIES[kind].face(system)
        assert unit == face.symbol, kind
        value = value / face.si_per_unit
    elif kind == "grams":
        value = value / {"g": 1.0, "kg": 1000.0, "lb": 453.59237}[unit]
    elif kind == "mass":
        value = value / {"kg": 1.0, "lb": 0.45359237}[unit]
    else:
        assert unit == {"pct": "%", "seconds": "s"}.get(kind, "")
    decimals = len(number.partition(".")[2])
    off = abs(float(number.replace(",", "")) - value)
    assert off <= most * 10.0**-decimals * (1 + 1e-9), (shown, value)


def opened(page: Page, path: Path, width: int) -> tuple[list[str], list[str]]:
    """Open a page that must not scroll sideways; what it complains of and what it asks for, from now on."""
    complaints: list[str] = []
    requests: list[str] = []
    page.on("console", lambda message: complaints.append(message.text))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("request", lambda request: requests.append(request.url))
    page.set_viewport_size({"width": width, "height": 900})
    page.goto(path.as_uri())
    scroll = page.evaluate("[document.documentElement.scrollWidth, document.documentElement.clientWidth]")
    assert scroll[0] <= scroll[1], "no sideways scroll"
    return complaints, requests
