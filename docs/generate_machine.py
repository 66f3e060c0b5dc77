"""Write the tables of docs/machine.md from the keys of the machine's parts, so that the page cannot say anything else.

Run ``make docs-commands`` after a change; a test fails while the page is stale.
"""

from __future__ import annotations

import re
import textwrap
from pathlib import Path

from swathledger.log.columns import KNOWN
from swathledger.machine.file import BoomTable, RateTable
from swathledger.machine.keys import rows
from swathledger.machine.machine import Antenna, Errors, Hitch, LogOptions, ReplayLayout, ReplaySettings, Valves
from swathledger.machine.plumbing import Plumbing, PlumbingLine
from swathledger.machine.products import ProductTable

PAGE = Path(__file__).with_name("machine.md")
WIDTH = 120
PARTS = (
    Antenna, BoomTable, Errors, Hitch, PlumbingLine, LogOptions, Plumbing, ProductTable, RateTable, ReplaySettings,
    ReplayLayout, Valves,
)  # fmt: skip


def table(part: type) -> str:
    """The keys of a part as a table in Markdown."""
    lines = ["| key | unit | means |", "|---|---|---|"]
    return "\n".join([*lines, *(f"| {keys} | {unit} | {means} |" for keys, unit, means in rows(part))])


def columns() -> str:
    """The names of a log's columns."""
    names = [*KNOWN, "section_1` .. `section_k", "nozzle_1` .. `nozzle_k"]
    return textwrap.fill(", ".join(f"`{name}`" for name in names) + ".", WIDTH, break_on_hyphens=False)


def page(text: str) -> str:
    """The page with every marked place written anew."""
    made = {f"keys: {part.__name__}": table(part) for part in PARTS} | {"columns": columns()}

    def block(found: re.Match[str]) -> str:
        return f"<!-- {found[1]} -->\n\n{made[found[1]]}\n\n<!-- end -->"

    return re.sub(r"<!-- (keys: \w+|columns) -->\n.*?<!-- end -->", block, text, flags=re.DOTALL)


if __name__ == "__main__":
    PAGE.write_text(page(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
