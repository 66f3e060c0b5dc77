"""Names of folders made from names that people gave: safe on every system, and never leading out of a folder."""

from __future__ import annotations

import re
import unicodedata

MOST_CHARACTERS = 80
UNLABELLED = "all"
"""Folder of the jobs that carry no client label."""

_SAFE = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_.-]*")
_RESERVED = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])(\..*)?", re.IGNORECASE)


def slug(text: str, fallback: str = "unnamed") -> str:
    """A folder name for any text: letters, digits, dash and underscore; accents are taken off, never empty.

    Examples
    --------
    >>> slug("Möhre & Söhne / ..")
    'Mohre-Sohne'
    >>> slug("../..")
    'unnamed'
    """
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    out = re.sub(r"[^A-Za-z0-9_]+", "-", plain).strip("-")[:MOST_CHARACTERS].strip("-") or fallback
    return f"{out}_" if _RESERVED.fullmatch(out) else out


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
    if _RESERVED.fullmatch(name):
        return "is a name that some systems keep for themselves"
    return None
