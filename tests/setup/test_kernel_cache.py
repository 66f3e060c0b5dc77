"""Compiled kernels on disk are tied to the source of all kernels, not only to their own file."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from swathledger._jit import jit_enabled

ASK = """
from swathledger.grid.mask import _fill_mask, band_mask
from swathledger.grid.frame import Band
import numpy as np
band_mask(Band(0, 0, 2, 2, 0), 1.0, np.array([[0., 0., 2., 0.]]), np.empty((0, 4)))
print(sum(_fill_mask.stats.cache_hits.values()))
"""


@pytest.mark.slow
@pytest.mark.skipif(not jit_enabled(), reason="kernels are not compiled")
def test_a_change_in_one_kernel_file_makes_the_others_compile_again(tmp_path: Path, repository: Path) -> None:
    root = tmp_path / "coverage"
    shutil.copytree(repository / "coverage", root, ignore=shutil.ignore_patterns("__pycache__"))
    environment = {**os.environ, "PYTHONPATH": str(root), "NUMBA_CACHE_DIR": str(tmp_path / "cache")}

    def hits() -> int:
        out = subprocess.run(
            [sys.executable, "-c", ASK], env=environment, cwd=tmp_path, capture_output=True, text=True, check=True
        )
        return int(out.stdout)

    assert hits() == 0
    assert hits() == 1
    with (root / "swathledger" / "grid" / "pattern.py").open("a", encoding="utf-8") as file:
        file.write("\n")
    assert hits() == 0
