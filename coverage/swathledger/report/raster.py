"""``cover.tif``: times treated, dose and class of every cell as a Cloud Optimized GeoTIFF.

Bands of cells are streamed into a plain GeoTIFF as they are made; GDAL's COG driver then lays it out anew. Memory does
not grow with the field.
"""

from __future__ import annotations

from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

import numpy as np
from numpy.typing import NDArray

from swathledger._private import gdal_error
from swathledger.errors import OutputError
from swathledger.grid.frame import Frame
from swathledger.grid.mask import OUTSIDE
from swathledger.grid.tally import CLASSES
from swathledger.ledger.accounting import BandRaster
from swathledger.units import l_ha_from_l_m2
from swathledger.words import words

NODATA: Final = -1.0
"""Ground beyond the boundary that nothing was sprayed on."""
BAND_TIMES, BAND_DOSE, BAND_CLASS = 1, 2, 3
NAMES: Final = ("times treated", "dose", "class")
GDAL_CACHE_BYTES: Final = 128 << 20
"""Least cache of blocks; wide fields have more, see :func:`cache_bytes`."""
_TILE: Final = 512
_KEPT_BITS: Final = 11
"""Mantissa bits of a dose that are kept: right to 1 part in 4,096, and a third smaller when compressed."""


def rounded_dose(dose: NDArray[np.float32]) -> NDArray[np.float32]:
    """Doses to the nearest value of 11 mantissa bits: at most 1 part in 4,096 away; whole numbers up to 4,096 stay."""
    drop = 23 - _KEPT_BITS
    bits = np.ascontiguousarray(dose, dtype=np.float32).view(np.uint32)
    half = np.uint32(1 << (drop - 1))
    return ((bits + half) & np.uint32(0xFFFFFFFF << drop & 0xFFFFFFFF)).view(np.float32)


def cache_bytes(columns: int) -> int:
    """Cache that GDAL needs to lay a raster of so many columns out in tiles.

    A row of tiles is made from 512 rows of three bands. Where these do not fit, every tile reads all of them again: on
    a field 3 km wide some sixty times.
    """
    return max(GDAL_CACHE_BYTES, 2 * 3 * 4 * _TILE * columns)


class CoverRaster:
    """A sink that writes ``cover.tif``.

    Use it as a context: bands are handed to :meth:`add` in any order, :meth:`finish` makes the file. Without
    :meth:`finish` nothing is left behind.

    Parameters
    ----------
    folder : Path
        Where the temporary file lives while bands come in.
    proj4 : str
        The field's plane.
    rate_l_m2 : float or None
        Set rate where it is one number: doses are then in L/ha; None: in units of the set rate.
    threads : int
        Threads that compress; no byte of the file changes.

    Raises
    ------
    OutputError
        The disk is full or cannot be written.
    """

    def __init__(self, folder: Path, frame: Frame, proj4: str, rate_l_m2: float | None, threads: int = 1) -> None:
        self._frame = frame
        self._threads = threads
        self._dose_scale = np.float32(1.0 if rate_l_m2 is None else l_ha_from_l_m2(rate_l_m2))
        self.dose_unit = "share of the set rate" if rate_l_m2 is None else "L/ha"
        self._path = folder / ".cover.part.tif"
        self._proj4 = proj4
        self._times_sum = 0
        self._file: Any = None

    def __enter__(self) -> Self:
        import rasterio

        frame = self._frame
        self._env = rasterio.Env(GDAL_CACHEMAX=cache_bytes(frame.columns))
        self._env.__enter__()
        try:
            # Strips of one row: each is written once, whatever the heights of the bands that come in.
            self._file = rasterio.open(
                self._path,
                "w",
                driver="GTiff",
                width=frame.columns,
                height=frame.rows,
                count=3,
                dtype="float32",
                nodata=NODATA,
                crs=self._proj4,
                interleave="band",
                blockysize=1,
                compress="ZSTD",
                zstd_level=1,
                bigtiff="IF_SAFER",
                transform=rasterio.Affine(frame.cell_m, 0.0, frame.west_m, 0.0, -frame.cell_m, frame.north_m),
            )
        except _gdal_errors() as error:
            self._env.__exit__(None, None, None)
            raise _output_error(self._path, error) from error
        return self

    def add(self, band: BandRaster) -> None:
        """Take one band."""
        from rasterio.windows import Window

        rows = band.count.shape[0]
        beyond = (band.mask == OUTSIDE) & (band.count == 0)
        self._times_sum += int(band.count.sum(dtype=np.int64))
        top = self._frame.rows - band.first_row - rows
        window = Window(0, top, self._frame.columns, rows)
        dose = rounded_dose(band.dose * self._dose_scale)
        try:
            for number, values in ((BAND_TIMES, band.count), (BAND_DOSE, dose), (BAND_CLASS, band.classes)):
                out = values.astype(np.float32)
                out[beyond] = NODATA
                self._file.write(out[::-1], number, window=window)
        except _gdal_errors() as error:
            raise _output_error(self._path, error) from error

    def _describe(self) -> None:
        file = self._file
        for number, name in enumerate(NAMES, start=1):
            file.set_band_description(number, name)
        file.set_band_unit(BAND_TIMES, "times")
        file.set_band_unit(BAND_DOSE, self.dose_unit)
        file.set_band_unit(BAND_CLASS, "class code")
        t = words().line
        file.update_tags(BAND_TIMES, MEANING=t("raster.times"))
        file.update_tags(BAND_DOSE, MEANING=t("raster.dose_l_ha" if self.dose_unit == "L/ha" else "raster.dose_share"))
        legend = {f"CLASS_{code}": f"{name}: {t(f'raster.class.{name}')}" for code, name in enumerate(CLASSES)}
        file.update_tags(BAND_CLASS, **legend)
        file.update_tags(TITLE=t("raster.title"), CELL_M=f"{self._frame.cell_m:.12g}", CAUTION=t("raster.caution"))

    def finish(self, path: Path) -> None:
        """Write the Cloud Optimized GeoTIFF; what was streamed is removed.

        Raises
        ------
        OutputError
            It cannot be written whole.
        """
        import rasterio
        import rasterio.shutil

        try:
            self._describe()
            self._file.close()
            # Nearest: an overview keeps the shares of counts and classes, where a mean would invent classes and a
            # mode would wipe out narrow strips. No predictor: measured, both make these bands larger. DEFLATE rather
            # than ZSTD (a quarter smaller): every reader has it.
            rasterio.shutil.copy(
                self._path,
                path,
                driver="COG",
                compress="DEFLATE",
                predictor="NO",
                blocksize=_TILE,
                overview_resampling="nearest",
                overviews="IGNORE_EXISTING",
                bigtiff="IF_SAFER",
                num_threads=self._threads,
            )
            # A full disk may show only when the last blocks are flushed, without an error: count again.
            if times_sum(path) != self._times_sum:
                raise OutputError(f"{path.name}: was not written whole; is the disk full?")
        except _gdal_errors() as error:
            raise _output_error(path, error) from error

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self._file.close()
        finally:
            self._env.__exit__(None, None, None)
            self._path.unlink(missing_ok=True)


def times_sum(path: Path) -> int:
    """Sum of the times treated over a cover.tif, cells without data left out."""
    import rasterio

    total = 0
    with rasterio.open(path, driver="GTiff") as file:
        for _, window in file.block_windows(BAND_TIMES):
            block = file.read(BAND_TIMES, window=window)
            total += int(block[block > 0].sum(dtype=np.float64))
    return total


def _gdal_errors() -> tuple[type[Exception], ...]:
    """What rasterio raises when GDAL cannot write; some of it only under its private name."""
    from rasterio.errors import RasterioError

    return OSError, RasterioError, gdal_error()


def _output_error(path: Path, error: Exception) -> OutputError:
    return OutputError(f"{path.name}: cannot be written ({error}). Is there room on the disk, and may it be written?")
