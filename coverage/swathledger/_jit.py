"""The one place where numba is imported.

numba looks for the optional package ``coverage`` (coverage.py) when it loads. Run from a checkout, Python finds
the source root ``coverage/`` as an empty namespace package instead, and numba fails on it. While numba loads,
a namespace package of that name is therefore hidden; a real coverage.py is left alone.
"""

from __future__ import annotations

import hashlib
import importlib.util
import logging
import os
import sys
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from types import ModuleType
from typing import Any, TypeVar

from swathledger._private import guard_kernel_cache, kernel_cache_file
from swathledger.text import printable

F = TypeVar("F", bound=Callable[..., Any])

_NAME = "coverage"
_log = logging.getLogger(__name__)


def _is_real_package() -> bool:
    """Whether ``import coverage`` would find a package with a file of its own."""
    try:
        spec = importlib.util.find_spec(_NAME)
    except (ImportError, ValueError):
        return False
    return spec is not None and spec.origin is not None


def _load_numba() -> ModuleType:
    """Import numba with the source root ``coverage/`` out of its sight."""
    if "numba" in sys.modules or _is_real_package():
        import numba

        return numba
    held = sys.modules.get(_NAME)
    sys.modules[_NAME] = None  # type: ignore[assignment]  # None makes `import coverage` raise ImportError
    try:
        import numba
    finally:
        if held is None:
            del sys.modules[_NAME]
        else:
            sys.modules[_NAME] = held
    return numba


numba = _load_numba()


def jit_enabled() -> bool:
    """Whether kernels are compiled (``NUMBA_DISABLE_JIT`` unset or 0)."""
    return os.environ.get("NUMBA_DISABLE_JIT", "0") in {"", "0"}


@lru_cache(maxsize=1)
def kernel_stamp() -> str:
    """Hash of the source of every module that holds kernels."""
    here = Path(__file__).parent
    digest = hashlib.sha256()
    for path in [Path(__file__), *sorted(here.glob("grid/*.py")), *sorted(here.glob("shutoff/*.py"))]:
        digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


def njit(function: F) -> F:
    """Compile a kernel: no GIL, cached on disk, IEEE arithmetic (no fast-math, so results are the same everywhere).

    numba takes a kernel on disk as fresh while its own file is unchanged, although kernels of other files are compiled
    into it: after a change of those it would go on with the old ones. Its stamp is therefore tied to all kernel files.
    """
    return _compiled(function, {})


def njit_bare(function: F) -> F:
    """Compile as :func:`njit`, without counting references to arrays: for what is called for every row.

    Counting costs two atomic operations for every array that a call touches, far more than the cells of a short row.
    Such a kernel makes no arrays (views of those it was given are fine), nor do those that it calls.
    """
    return _compiled(function, {"_nrt": False})


def njit_inline(function: F) -> F:
    """Compile as :func:`njit_bare`, and put the body in place of every call: for what is called for every cell."""
    return _compiled(function, {"_nrt": False, "inline": "always"})


_said: set[str] = set()


def _told(what: str, error: Exception) -> None:
    """Say, once, why compiling takes its time."""
    if what in _said:
        return
    _said.add(what)
    reason = " ".join(f"{type(error).__name__}: {error}".split())
    help_ = "What is broken is written anew." if what == "read" else "NUMBA_CACHE_DIR names a folder to keep them in."
    words = "Compiled kernels cannot be %s on disk and are compiled now, which takes up to a minute. %s (%s)"
    _log.warning(words, what, help_, printable(reason))


def _compiled(function: F, options: dict[str, Any]) -> F:
    def compiled(*, cache: bool) -> F:
        out: F = numba.njit(cache=cache, nogil=True, error_model="numpy", **options)(function)
        return out

    if not jit_enabled():
        return compiled(cache=True)
    try:
        kernel = compiled(cache=True)
    except RuntimeError as error:  # neither beside the package nor in a home of the user's may anything be written
        _told("kept", error)
        return compiled(cache=False)
    file = kernel_cache_file(kernel)
    if file is None:  # another numba: rather compile every time than run an old kernel
        return compiled(cache=False)
    file._source_stamp = (file._source_stamp, kernel_stamp())
    guard_kernel_cache(kernel, _told)
    return kernel
