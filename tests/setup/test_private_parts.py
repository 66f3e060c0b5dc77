"""Private parts of other libraries are still where we lean on them."""

from __future__ import annotations

import re
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import pytest

from swathledger import _private
from swathledger._jit import jit_enabled


@pytest.mark.skipif(not jit_enabled(), reason="kernels are not compiled")
def test_a_compiled_kernel_has_a_stamp_that_can_be_tied() -> None:
    from swathledger.grid.mask import _fill_mask

    file = _private.kernel_cache_file(_fill_mask)
    assert file is not None
    assert isinstance(file._source_stamp, tuple)
    assert _private.kernel_cache_file(object()) is None


def test_gdal_fails_with_the_error_that_is_named() -> None:
    import rasterio
    from rasterio.shutil import copy

    error = _private.gdal_error()
    assert issubclass(error, Exception)
    with pytest.raises((error, rasterio.errors.RasterioError)):
        copy("no such file.tif", "/nowhere/out.tif", driver="COG")


def test_workers_of_a_pool_can_be_ended() -> None:
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        assert _private.worker_processes(pool) == []
        assert pool.submit(abs, -3).result() == 3
        (process,) = _private.worker_processes(pool)
        assert process.is_alive()


def test_private_names_are_used_nowhere_else(repository: Path) -> None:
    leaning = re.compile(
        r"\b(?:numba|rasterio|pyogrio|pyarrow|shapely|click|pydantic|msgspec|concurrent|multiprocessing)(?:\.\w+)*\._[a-z]"
        r"|from (?:numba|rasterio|pyogrio|pyarrow|shapely|click|pydantic|msgspec)[\w.]* import _[a-z]"
        r'|getattr\([\w.]+, "_'
    )
    found = [
        f"{path.name}: {line.strip()}"
        for root in ("coverage", "cli")
        for path in (repository / root).rglob("*.py")
        if path.name != "_private.py"
        for line in path.read_text(encoding="utf-8").splitlines()
        if leaning.search(line)
    ]
    assert found == []
