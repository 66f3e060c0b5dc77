"""Positions from point geometry, brought to WGS84 degrees."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathledger.errors import LogError
from swathledger.notes import Note

Floats = NDArray[np.float64]


def points_of(wkb: Any, file: str) -> tuple[Floats, Floats]:
    """Read x and y of a column of WKB points, NaN where a row has none.

    Raises
    ------
    LogError
        Something other than points.
    """
    import shapely

    shapes = shapely.from_wkb(np.asarray(wkb.to_pylist(), dtype=object), on_invalid="ignore")
    kinds = shapely.get_type_id(shapes)
    multi = kinds == 4
    if multi.any():
        single = multi & (shapely.get_num_geometries(shapes) == 1)
        shapes[single] = shapely.get_geometry(shapes[single], 0)
        kinds = shapely.get_type_id(shapes)
    odd = (kinds != 0) & (kinds != -1)
    if odd.any():
        row = int(np.flatnonzero(odd)[0])
        raise LogError(
            f"feature {row + 1} is a {shapes[row].geom_type}, not a point.",
            file=file,
            hint="A log holds one point a row; is this a boundary?",
        )
    point = kinds == 0
    x, y = np.full(len(shapes), np.nan), np.full(len(shapes), np.nan)
    x[point], y[point] = shapely.get_x(shapes[point]), shapely.get_y(shapes[point])
    return x, y


def to_wgs84(x: Floats, y: Floats, crs: Any, file: str) -> tuple[Floats, Floats, tuple[Note, ...]]:
    """Latitude and longitude in degrees, and what was done.

    Parameters
    ----------
    x, y : (n,) float64
        In the order longitude or easting, latitude or northing.
    crs : anything pyproj understands, or None
        None: WGS84 is assumed and told.
    """
    if crs is None:
        return y, x, (Note.of("log.no_crs", file=file),)
    import pyproj

    try:
        source = pyproj.CRS.from_user_input(crs)
    except pyproj.exceptions.CRSError as error:
        raise LogError(
            f"its coordinate system is not understood: {error}.", file=file, hint="Export in WGS84 (EPSG:4326)."
        ) from error
    target = pyproj.CRS.from_epsg(4326)
    if source == target or source.to_authority() in (("OGC", "CRS84"), ("EPSG", "4326"), ("EPSG", "4979")):
        return y, x, ()
    transformer = pyproj.Transformer.from_crs(source, target, always_xy=True)
    known = np.isfinite(x) & np.isfinite(y)
    longitude, latitude = np.full(x.shape, np.nan), np.full(y.shape, np.nan)
    if known.any():
        longitude[known], latitude[known] = transformer.transform(x[known], y[known])
    return latitude, longitude, (Note.of("log.transformed", file=file, crs=source.name),)
