"""Which libraries are in use, where their data lies, and whether two installations fight.

rasterio, pyogrio and pyproj each bring their own PROJ or GDAL. They live side by side as long as each finds its own
data; an environment variable that points all of them at one folder breaks that.
"""

from __future__ import annotations

import importlib.metadata
import os
import sys
from pathlib import Path
from typing import Final

CLASHING_VARIABLES: Final = ("PROJ_LIB", "PROJ_DATA", "GDAL_DATA", "GDAL_DRIVER_PATH")
"""Variables that point every PROJ or GDAL in the process at one folder."""


def versions() -> dict[str, str]:
    """Return name and version (with paths where they matter) of each library that can change a result.

    Returns
    -------
    dict of str to str
        A library that cannot be imported reads ``"not usable: ..."``; this never raises for one.
    """
    found: dict[str, str] = {"python": f"{sys.version.split()[0]} ({sys.executable})"}
    for name, probe in (
        ("numpy", _plain),
        ("scipy", _plain),
        ("pandas", _plain),
        ("pyarrow", _plain),
        ("pydantic", _plain),
        ("numba", _numba),
        ("shapely", _shapely),
        ("pyproj", _pyproj),
        ("rasterio", _rasterio),
        ("pyogrio", _pyogrio),
        ("geopandas", _plain),
    ):
        try:
            found[name] = probe(name)
        except Exception as error:  # noqa: BLE001  # whatever is broken there is what the reader wants to hear of
            found[name] = f"not usable: {type(error).__name__}: {error}"
    return found


def clashes() -> list[str]:
    """Return a plain sentence for each sign that installations of PROJ or GDAL fight; empty when there is none."""
    told = []
    for variable in CLASHING_VARIABLES:
        value = os.environ.get(variable)
        if not value:
            continue
        state = "which exists" if Path(value).exists() else "which does not exist"
        told.append(
            f"{variable} is set to {value}, {state}: it overrides the data that rasterio, pyogrio and pyproj bring "
            "along and may not match their versions. Unset it unless you know that it does."
        )
    for name, look_up in (("pyproj", _pyproj_knows_epsg), ("rasterio", _rasterio_knows_epsg)):
        try:
            look_up()
        except Exception as error:  # noqa: BLE001  # each library has its own kind of error for a missing or foreign database
            told.append(f"{name} cannot look up EPSG:4326 in its PROJ database: {error}")
    return told


def report() -> list[str]:
    """Return `versions` and `clashes` as lines to print."""
    found = versions()
    width = max(map(len, found))
    lines = [f"{name:<{width}}  {text}" for name, text in found.items()]
    lines += [f"clash: {sentence}" for sentence in clashes()] or ["No clash of PROJ or GDAL installations seen."]
    return lines


def _plain(name: str) -> str:
    return importlib.metadata.version(name)


def _numba(name: str) -> str:
    from swathledger._jit import jit_enabled, numba

    return f"{numba.__version__} (JIT {'on' if jit_enabled() else 'off'})"


def _shapely(name: str) -> str:
    import shapely

    return f"{shapely.__version__} (GEOS {shapely.geos_version_string})"


def _pyproj(name: str) -> str:
    import pyproj

    return f"{pyproj.__version__} (PROJ {pyproj.proj_version_str}, data {pyproj.datadir.get_data_dir()})"


def _rasterio(name: str) -> str:
    import rasterio
    from rasterio.env import GDALDataFinder, PROJDataFinder

    gdal_data = os.environ.get("GDAL_DATA") or GDALDataFinder().search() or "built in"
    proj_data = os.environ.get("PROJ_DATA") or os.environ.get("PROJ_LIB") or PROJDataFinder().search() or "built in"
    return (
        f"{rasterio.__version__} (GDAL {rasterio.__gdal_version__}, data {gdal_data}; "
        f"PROJ {rasterio.__proj_version__}, data {proj_data})"
    )


def _pyogrio(name: str) -> str:
    import pyogrio

    return (
        f"{pyogrio.__version__} (GDAL {pyogrio.__gdal_version_string__}, "
        f"data {pyogrio.get_gdal_data_path() or 'built in'})"
    )


def _pyproj_knows_epsg() -> None:
    from pyproj import CRS

    CRS.from_epsg(4326)


def _rasterio_knows_epsg() -> None:
    from rasterio.crs import CRS

    CRS.from_epsg(4326)
