"""Private parts of other libraries that we lean on, gathered so that one test tells when one of them moves.

Each has no public way to the same end; why stands beside it. Nothing is imported here before it is asked for.
"""

from __future__ import annotations

from concurrent.futures import Executor
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
