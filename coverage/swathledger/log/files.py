"""Small helpers for files, shared by the format modules."""

from __future__ import annotations

import hashlib
import tempfile
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_BLOCK = 1 << 20
_SHAPEFILE_PARTS = (".shp", ".shx", ".dbf", ".prj", ".cpg")


def sha256_of(path: Path) -> str:
    """Hex digest of a file's bytes."""
    digest = hashlib.sha256()
    with path.open("rb") as stream:
        while block := stream.read(_BLOCK):
            digest.update(block)
    return digest.hexdigest()


def parts_of(path: Path) -> list[Path]:
    """The file itself and, for a shapefile, those that belong to it."""
    if path.suffix.lower() != ".shp":
        return [path]
    return sorted(
        other for other in path.parent.iterdir() if other.stem == path.stem and other.suffix.lower() in _SHAPEFILE_PARTS
    )


@contextmanager
def gdal_warnings(heard: list[str]) -> Iterator[None]:
    """Gather what GDAL warns of into ``heard`` instead of printing it."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        yield
    heard += [str(item.message) for item in caught]


@contextmanager
def plain_path(path: Path) -> Iterator[Path]:
    """A path that GDAL takes as it is: ``!`` marks a member of an archive there, so such a file is linked elsewhere.

    Where links cannot be made the file is copied.
    """
    if "!" not in str(path.absolute()):
        yield path
        return
    with tempfile.TemporaryDirectory(prefix="swathledger-") as folder:
        stem = "log"
        for part in parts_of(path):
            target = Path(folder) / (stem + part.suffix)
            try:
                target.symlink_to(part.resolve())
            except OSError:
                target.write_bytes(part.read_bytes())
        yield Path(folder) / (stem + path.suffix)
