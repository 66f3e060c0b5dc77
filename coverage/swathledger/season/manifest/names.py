"""Names of folders made from names that people gave: safe on every system, and never leading out of a folder."""

from __future__ import annotations

import re

from swathledger.text import MOST_CHARACTERS, is_reserved

UNLABELLED = "all"
"""Folder of the jobs that carry no client label."""
TABLES = ("fields.parquet", "fields.csv", "replay.parquet", "season.gpkg", "season.json", "season.html")
"""Files of a season and of each client's binder, in the order written: the page is made from those before it."""
_TAKEN = frozenset({*TABLES, "season.pdf", "written.json"})

_SAFE = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_.-]*")


def name_fault(name: str) -> str | None:
    """What is wrong with a name that a folder is to have, in plain words; None where nothing is.

    Examples
    --------
    >>> name_fault("F01-2020-01-02") is None
    True
    >>> name_fault("../F01")
    'must be letters, digits, dot, dash and underscore, and begin with a letter, digit or underscore'
    """
    if not _SAFE.fullmatch(name):
        return "must be letters, digits, dot, dash and underscore, and begin with a letter, digit or underscore"
    if name.endswith("."):
        return "must not end with a dot"
    if len(name) > MOST_CHARACTERS:
        return f"must have at most {MOST_CHARACTERS} characters"
    if name.casefold() in _TAKEN:
        return "is the name of a table that stands beside the jobs"
    if is_reserved(name):
        return "is a name that some systems keep for themselves"
    return None
