"""cover.tif: cells as they were counted, laid out as a Cloud Optimized GeoTIFF."""

from __future__ import annotations

import itertools
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from swathledger.errors import OutputError
from swathledger.grid.frame import Frame
from swathledger.grid.tally import CLASSES
from swathledger.ledger.accounting import BandRaster
from swathledger.report.raster import NODATA, CoverRaster, cache_bytes, rounded_dose, times_sum


@dataclass(frozen=True)
class Directory:
    """What one image file directory of a classic TIFF says."""

    offset: int
    width: int
    height: int
    tile: tuple[int, int]
    tile_offsets: list[int]


def directories(content: bytes) -> list[Directory]:
    """Directories of a little-endian classic TIFF in their order, read by hand (TIFF 6.0, section 2)."""
    mark, version, offset = struct.unpack_from("<2sHI", content, 0)
    assert (mark, version) == (b"II", 42)
    sizes = {1: "B", 2: "B", 3: "H", 4: "I", 12: "d"}
    out = []
    while offset:
        (entries,) = struct.unpack_from("<H", content, offset)
        values: dict[int, list[Any]] = {}
        for entry in range(entries):
            place = offset + 2 + 12 * entry
            tag, kind, count = struct.unpack_from("<HHI", content, place)
            letter = sizes.get(kind)
            if letter is None:
                continue
            form = f"<{count}{letter}"
            start = place + 8 if struct.calcsize(form) <= 4 else struct.unpack_from("<I", content, place + 8)[0]
            values[tag] = list(struct.unpack_from(form, content, start))
        out.append(
            Directory(
                offset,
                values[256][0],
                values.get(257, [0])[0],
                (values.get(322, [0])[0], values.get(323, [0])[0]),
                values.get(324, []),
            )
        )
        (offset,) = struct.unpack_from("<I", content, offset + 2 + 12 * entries)
    return out


PROJ4 = "+proj=laea +lat_0=-33.500000 +lon_0=148.000000 +datum=WGS84 +units=m +no_defs"

# Five by five cells, north up as it is drawn; row 0 of a band is the southmost.
COUNT = np.array(
    [
        [0, 0, 0, 1, 0],  # nothing but one cell treated outside
        [0, 1, 1, 1, 0],
        [0, 1, 2, 3, 0],  # an overlap of two cells
        [0, 0, 1, 1, 0],  # west: a skip
        [0, 0, 0, 1, 0],  # an exclusion, one cell of it treated
    ],
    np.uint8,
)
MASK = np.array([[0, 0, 0, 0, 0], [0, 1, 1, 1, 0], [0, 1, 1, 1, 0], [0, 1, 1, 1, 0], [0, 2, 2, 2, 0]], np.uint8)
CLASS = np.array([[0, 0, 0, 4, 0], [0, 1, 1, 1, 0], [0, 1, 2, 2, 0], [0, 3, 1, 1, 0], [0, 6, 6, 5, 0]], np.uint8)


def bands(heights: list[int]) -> list[BandRaster]:
    """The five rows as bands from south to north."""
    out, first = [], 0
    for height in heights:
        own = slice(first, first + height)
        count, classes, mask = COUNT[::-1][own], CLASS[::-1][own], MASK[::-1][own]
        zero = np.zeros(count.shape, np.uint8)
        out.append(BandRaster(first, count, count.astype(np.float32), classes, zero, zero, mask))
        first += height
    return out


def cover(folder: Path, heights: list[int], rate_l_m2: float | None = 0.008) -> Path:
    path = folder / "cover.tif"
    with CoverRaster(folder, Frame(0.5, 10, -2, 5, 5), PROJ4, rate_l_m2) as raster:
        for band in bands(heights):
            raster.add(band)
        raster.finish(path)
    return path


def test_every_cell_stands_where_it_was(tmp_path: Path) -> None:
    beyond = (MASK == 0) & (COUNT == 0)
    with rasterio.open(cover(tmp_path, [5])) as file:
        assert np.array_equal(file.read(1), np.where(beyond, NODATA, COUNT))
        assert np.array_equal(file.read(3), np.where(beyond, NODATA, CLASS))
        assert np.array_equal(file.read(2), np.where(beyond, NODATA, 80.0 * COUNT))  # 0.008 L/m2 = 80 L/ha
        assert file.nodatavals == (NODATA,) * 3
        # column -2 and row 10 at 0.5 m: west edge -1 m; north edge (10 + 5) 0.5 = 7.5 m
        assert file.transform == rasterio.Affine(0.5, 0, -1.0, 0, -0.5, 7.5)
        assert file.descriptions == ("times treated", "dose", "class")
        assert file.units == ("times", "L/ha", "class code")
        assert file.crs.to_dict()["proj"] == "laea"
        assert file.crs.to_dict()["lat_0"] == -33.5
        tags = file.tags(3)
        assert [tags[f"CLASS_{code}"].split(":")[0] for code in range(len(CLASSES))] == list(CLASSES)


def test_dose_is_a_share_where_the_rate_is_not_one_number(tmp_path: Path) -> None:
    with rasterio.open(cover(tmp_path, [5], None)) as file:
        assert file.units[1] == "share of the set rate"
        assert file.read(2)[2, 3] == 3.0


def test_same_bytes_whatever_the_threads(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    count = rng.integers(0, 3, (1100, 1300)).astype(np.uint8)  # three tiles by three
    zero = np.zeros_like(count)
    band = BandRaster(0, count, count.astype(np.float32), count, zero, zero, zero + 1)
    made = []
    for threads in (1, 2, 4):
        folder = tmp_path / str(threads)
        folder.mkdir()
        with CoverRaster(folder, Frame(0.5, 0, 0, 1100, 1300), PROJ4, 0.008, threads) as raster:
            raster.add(band)
            raster.finish(folder / "cover.tif")
        made.append((folder / "cover.tif").read_bytes())
    assert made[0] == made[1] == made[2]


def test_a_row_of_tiles_fits_the_cache() -> None:
    for columns in (1, 20_000, 32_000, 1_000_000):
        assert cache_bytes(columns) >= 512 * columns * 3 * 4  # rows, columns, bands, bytes of a float


@pytest.mark.parametrize("heights", [[1, 1, 1, 1, 1], [2, 3], [4, 1]])
def test_same_bytes_whatever_the_bands(tmp_path: Path, heights: list[int]) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    assert cover(tmp_path / "a", heights).read_bytes() == cover(tmp_path / "b", [5]).read_bytes()


def test_nothing_is_left_of_what_was_not_finished(tmp_path: Path) -> None:
    def begin() -> None:
        with CoverRaster(tmp_path, Frame(0.5, 0, 0, 5, 5), PROJ4, None) as raster:
            raster.add(bands([5])[0])
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        begin()
    assert list(tmp_path.iterdir()) == []


def test_a_place_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="cannot be written"):
        CoverRaster(tmp_path / "absent", Frame(0.5, 0, 0, 5, 5), PROJ4, None).__enter__()


@given(st.floats(min_value=0.0, max_value=1e6, width=32))
def test_doses_are_right_to_one_part_in_4096(value: float) -> None:
    dose = np.array([value], np.float32)
    out = float(rounded_dose(dose)[0])
    # relative to the value's own power of two, half a step of 2^-11; tiny values have none
    assert abs(out - value) <= max(value / 4096.0, 1e-38)


def test_whole_doses_stay() -> None:
    whole = np.arange(0, 2049, dtype=np.float32)
    assert np.array_equal(rounded_dose(whole), whole)


# --- of a whole audit -------------------------------------------------------------------------------------------------
def test_sums_are_those_of_the_ledger(written: Any) -> None:
    folder, audit = written.folder, written.audit
    cells = audit.accounting.areas.cells
    with rasterio.open(folder / "cover.tif") as file:
        times, classes = file.read(1), file.read(3)
    data = times != NODATA

    def of(name: str) -> NDArray[np.bool_]:
        return np.asarray(classes == CLASSES.index(name))

    assert times[data].sum() == cells["applied"] == times_sum(folder / "cover.tif")
    assert of("single").sum() == cells["single"]
    assert of("overlap").sum() == cells["overlap"]
    assert (times[of("overlap")] - 1).sum() == cells["overlap_extra"]
    assert of("skip").sum() == cells["skip"]
    assert times[of("outside")].sum() == cells["outside"]
    assert times[of("excluded")].sum() == cells["excluded"]
    assert data.sum() == cells["boundary"] + of("outside").sum()
    assert not of("untouched").any(), "untouched ground beyond the boundary is nodata"
    assert np.all(times[of("excluded_clear")] == 0)
    assert of("excluded_clear").sum() > 0
    assert np.array_equal(data, classes != NODATA)


def test_doses_close_against_the_litres(written: Any) -> None:
    folder, audit = written.folder, written.audit
    with rasterio.open(folder / "cover.tif") as file:
        dose = file.read(2).astype(np.float64)
    laid = dose[dose > 0].sum() * audit.accounting.areas.cell_m**2
    # the rate was set at 100 L/ha, 0.01 L/m2, and is logged with its wavering of up to 2 %, which averages out
    assert laid * 0.01 == pytest.approx(audit.accounting.volumes.applied_l, rel=5e-3)


def test_it_is_a_valid_cloud_optimized_geotiff(written: Any) -> None:
    path: Path = written.folder / "cover.tif"
    content = path.read_bytes()
    assert b"GDAL_STRUCTURAL_METADATA_SIZE" in content[:100]
    assert b"LAYOUT=IFDS_BEFORE_DATA" in content[:400]
    found = directories(content)
    # OGC 21-026: full resolution first, overviews by falling size, all tiled, directories before any tile ...
    assert len(found) >= 2
    sizes = [(d.width, d.height) for d in found]
    assert sizes == sorted(sizes, reverse=True)
    assert all(d.tile == (512, 512) for d in found)
    assert max(d.offset for d in found) < min(min(d.tile_offsets) for d in found)
    # ... and the tiles of the smallest overview first
    starts = [min(d.tile_offsets) for d in found]
    assert starts == sorted(starts, reverse=True)
    for larger, smaller in itertools.pairwise(found):
        assert abs(2 * smaller.width - larger.width) <= 1


def test_directories_are_read_as_the_tiff_standard_says() -> None:
    # a little-endian TIFF with one directory of one entry, ImageWidth (256) = 7 as SHORT, no more directories
    tiny = struct.pack("<2sHI", b"II", 42, 8) + struct.pack("<HHHIHHI", 1, 256, 3, 1, 7, 0, 0)
    assert [d.width for d in directories(tiny)] == [7]
