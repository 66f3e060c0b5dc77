"""Boundary files written for one test, in a place of our own invention."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import shapely

from swathledger.field.field import LocalPlane
from swathledger.field.plane import to_degrees


@pytest.fixture
def plane() -> LocalPlane:
    return LocalPlane(-33.0, 117.0)


@pytest.fixture
def degrees(plane: LocalPlane) -> Callable[[Any], Any]:
    """Move a geometry in metres east and north of 33 S 117 E to degrees."""
    return lambda geometry: to_degrees(geometry, plane)


@pytest.fixture
def geojson(tmp_path: Path) -> Callable[..., Path]:
    """Write features, each (properties, shapely geometry or GeoJSON mapping or None), as GeoJSON."""

    def write(*features: tuple[dict[str, Any], Any], name: str = "farm.geojson") -> Path:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        members = []
        for properties, geometry in features:
            shape = json.loads(shapely.to_geojson(geometry)) if isinstance(geometry, shapely.Geometry) else geometry
            members.append({"type": "Feature", "properties": properties, "geometry": shape})
        path.write_text(json.dumps({"type": "FeatureCollection", "features": members}), encoding="utf-8")
        return path

    return write
