"""Modules that may be called: ``swathledger.audit`` is a stage, ``swathledger.audit(...)`` the library's function."""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import Any


class _Called(ModuleType):
    def __call__(self, *args: Any, **named: Any) -> Any:
        """The function of the same name in :mod:`swathledger.library`."""
        return import_module("swathledger.library").public(self.__name__.rpartition(".")[2])(*args, **named)


def callable_module(name: str) -> None:
    """Let a module be called (as the data model of the language provides for, by its ``__class__``).

    The stages ``audit``, ``season``, ``study`` and ``simulate`` bear the names of what a user wants done; once one of
    them has been imported, its package's attribute is the module, and would hide a function of that name.
    """
    sys.modules[name].__class__ = _Called
