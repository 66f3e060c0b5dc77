"""Results as GeoDataFrames."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from swathledger.errors import InputError
from swathledger.report.frames import frames
from swathledger.report.vector import LAYERS


def test_layers_on_the_fields_plane_have_their_areas(written: Any) -> None:
    found = frames(written.folder)
    assert set(found) <= set(LAYERS)
    assert {"boundary", "passes", "overlap"} <= set(found)
    boundary = found["boundary"]
    assert boundary.crs == "OGC:CRS84" or boundary.crs.to_epsg() == 4326
    plane = boundary.to_crs(written.document["provenance"]["projection"])
    assert float(plane.area.sum()) == pytest.approx(written.document["field"]["boundary_area_m2"], rel=1e-6)


def test_a_folder_without_results_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="holds neither ledger.gpkg nor season.gpkg"):
        frames(tmp_path)
