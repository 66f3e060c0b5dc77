"""Reading and cleaning of recorded drives.

``read_log`` turns files into one :class:`Log`; ``assess`` says what that log is worth. Both are loaded on first use,
so that importing this package stays cheap.
"""

from __future__ import annotations

from typing import Any

_HOMES = {
    "read_log": "swathledger.log.read",
    "assess": "swathledger.log.quality",
    "LogReport": "swathledger.log.quality",
    "is_log": "swathledger.log.formats",
    "sniff": "swathledger.log.formats",
    "Log": "swathledger.log.log",
    "LogQuality": "swathledger.log.log",
    "SetAside": "swathledger.log.log",
}


def __getattr__(name: str) -> Any:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(home), name)
