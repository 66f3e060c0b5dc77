"""Private parts of other libraries that we lean on, gathered so that one test tells when one of them moves.

Each has no public way to the same end; why stands beside it. Nothing is imported here before it is asked for.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from contextlib import suppress
from multiprocessing.process import BaseProcess
from typing import Any


def kernel_cache_file(kernel: object) -> Any | None:
    """The file behind numba's cache of one kernel, with its ``_source_stamp``; None where numba keeps none like it.

    numba takes a kernel on disk as fresh while the kernel's own file is unchanged; there is no public way to tie it
    to the other files that it calls into.
    """
    file = getattr(getattr(kernel, "_cache", None), "_cache_file", None)
    return file if hasattr(file, "_source_stamp") else None


def gdal_error() -> type[Exception]:
    """What rasterio raises where GDAL fails below its own errors (a full disk, for one); it has no public name."""
    from rasterio._err import CPLE_BaseError

    error: type[Exception] = CPLE_BaseError
    return error


def worker_processes(executor: Executor) -> list[BaseProcess]:
    """Processes of a pool, to end them in the middle of a task: no public way before Python 3.14."""
    return list((getattr(executor, "_processes", None) or {}).values())


def guard_kernel_cache(kernel: object, told: Callable[[str, Exception], None]) -> None:
    """Let a kernel be compiled anew where what is on disk of it cannot be read, and used where it cannot be kept there.

    numba lets whatever it meets in a broken file through (an `EOFError` of an empty one, which a command line takes for
    the end of what was typed), and a full disk too. A file that cannot be read is emptied.

    Parameters
    ----------
    told : callable
        Is called with "read" or "kept" and the error.
    """
    cache: Any = getattr(kernel, "_cache", None)
    if not hasattr(cache, "load_overload") or not hasattr(cache, "save_overload"):
        return
    load, save = cache.load_overload, cache.save_overload

    def loaded(signature: Any, target: Any) -> Any:
        try:
            return load(signature, target)
        except Exception as error:  # noqa: BLE001  # any bytes may lie there, and raise anything
            told("read", error)
            with suppress(Exception):
                cache.flush()
            return None

    def saved(signature: Any, compiled: Any) -> None:
        try:
            save(signature, compiled)
        except Exception as error:  # noqa: BLE001  # only time is lost
            told("kept", error)

    cache.load_overload, cache.save_overload = loaded, saved
