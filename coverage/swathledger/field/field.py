"""The carrier of the field stage: boundary and exclusions on a local equal-area plane."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

import numpy as np
import shapely
from shapely import MultiPolygon, Polygon

from swathledger.errors import FieldError
from swathledger.geodesy import metres_per_degree
from swathledger.notes import Note

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from pyproj import Transformer

_SNAPPED_M = 0.001


@dataclass(frozen=True, slots=True)
class LocalPlane:
    """Lambert azimuthal equal-area projection on WGS84, centred on a field; x east, y north, metres.

    Attributes
    ----------
    latitude_0_deg, longitude_0_deg : float
        Centre, rounded to 1e-6 degree so that the projection can be written down.
    """

    latitude_0_deg: float
    longitude_0_deg: float

    @property
    def proj4(self) -> str:
        """PROJ definition, as printed in the provenance."""
        return (
            f"+proj=laea +lat_0={self.latitude_0_deg:.6f} +lon_0={self.longitude_0_deg:.6f} "
            "+datum=WGS84 +units=m +no_defs"
        )

    def forward(
        self, latitude_deg: NDArray[np.float64], longitude_deg: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """WGS84 degrees to plane metres (x east, y north).

        Longitudes that differ by whole turns are the same, so a field across 180 degrees is whole.
        """
        return _projection(self.proj4).transform(longitude_deg, latitude_deg)

    def inverse(
        self, x_m: NDArray[np.float64], y_m: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Plane metres to WGS84 degrees (latitude, longitude in -180..180)."""
        projection = _projection(self.proj4)
        longitude, latitude = projection.transform(x_m, y_m, direction="INVERSE")
        # PROJ's inverse may end its series early and be off by 1 mm (seen in 9.5); its forward is not. One step mends.
        x_back, y_back = projection.transform(longitude, latitude)
        longitude, latitude = projection.transform(2 * x_m - x_back, 2 * y_m - y_back, direction="INVERSE")
        near = np.hypot(x_m, y_m) < _SNAPPED_M
        if np.any(near) and abs(self.latitude_0_deg) < 90.0:
            # What is within 0.64 mm of the centre comes out as the centre; the rest of the way is straight.
            north_m, east_m = metres_per_degree(self.latitude_0_deg)
            x_back, y_back = projection.transform(longitude, latitude)
            latitude = np.where(near, latitude + (y_m - y_back) / north_m, latitude)
            longitude = np.where(near, longitude + (x_m - x_back) / east_m, longitude)
        return latitude, longitude


@lru_cache(maxsize=256)
def _projection(proj4: str) -> Transformer:
    """Degrees to plane as one PROJ pipeline: no datum step, no database, the same everywhere; safe across threads."""
    from pyproj import Transformer

    step = proj4.replace("+datum=WGS84", "+ellps=WGS84").replace(" +no_defs", "")
    return Transformer.from_pipeline(f"+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step {step}")


@dataclass(frozen=True, slots=True)
class Field:
    """One field on its own plane.

    Attributes
    ----------
    boundary : shapely Polygon or MultiPolygon, plane metres, valid, not empty. Holes are ground beyond the boundary.
    exclusions : shapely geometry, plane metres, valid, clipped to the boundary, possibly empty.
    geodesic_area_m2 : float
        Area of the boundary on the WGS84 ellipsoid (pyproj.Geod), beside the plane's.
    recorded_area_m2 : float or None
        Area that the file's own records hold for the field, where there is such a column.
    notes : tuple of Note
        What was mended or assumed, as plain sentences.
    inputs : tuple of (str, str)
        Name and sha256 of each file read.
    """

    field_id: str
    plane: LocalPlane
    boundary: Polygon | MultiPolygon
    exclusions: Polygon | MultiPolygon
    source: Literal["given", "derived"]
    geodesic_area_m2: float
    recorded_area_m2: float | None = None
    notes: tuple[Note, ...] = ()
    inputs: tuple[tuple[str, str], ...] = ()

    def __post_init__(self) -> None:
        if self.boundary.is_empty or not self.boundary.is_valid:
            raise FieldError(f"field {self.field_id!r}: the boundary is empty or invalid")
        if not self.exclusions.is_valid:
            raise FieldError(f"field {self.field_id!r}: the exclusions are invalid")

    @property
    def target(self) -> Polygon | MultiPolygon:
        """Boundary minus exclusions."""
        return shapely.difference(self.boundary, self.exclusions)  # type: ignore[return-value]  # polygon minus polygon

    @property
    def boundary_area_m2(self) -> float:
        """Plane area of the boundary."""
        return float(self.boundary.area)

    @property
    def exclusion_area_m2(self) -> float:
        """Plane area of the exclusions inside the boundary."""
        return float(self.exclusions.area)
