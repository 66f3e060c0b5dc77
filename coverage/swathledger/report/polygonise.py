"""From classes of cells to polygons: connected pieces of overlap, skip, outside, excluded or spared ground.

Bands of cells come south to north. Pieces are labelled and outlined band by band; those that meet at a seam are joined,
so a piece is the same whatever the bands. Its area is counted in cells before its outline is smoothed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from swathledger.grid.causes import CAUSES
from swathledger.grid.frame import Frame
from swathledger.grid.tally import EXCLUDED_TREATED, NOT_RECORDED, OUTSIDE_TREATED, OVERLAP, SKIP
from swathledger.ledger.accounting import BandRaster
from swathledger.shutoff.over_applied import CellRuns

SMALLEST_PIECE_M2: Final = 1.0
"""Smaller pieces are counted, not drawn."""
OUTLINE_CELLS: Final = 1.0
"""Outlines are smoothed by up to this much, in cells: sample points fray every edge by about one."""
KINDS: Final = {
    "overlap": OVERLAP,
    "skip": SKIP,
    "outside": OUTSIDE_TREATED,
    "excluded": EXCLUDED_TREATED,
    "not_recorded": NOT_RECORDED,
}
_CLASS_STEP: Final = 16
"""A cell's key is its class times this plus its cause."""


@dataclass(frozen=True, slots=True)
class Piece:
    """One connected piece of ground of one kind and cause.

    Attributes
    ----------
    kind : str
        ``overlap``, ``skip``, ``outside``, ``excluded``, ``not_recorded`` or ``spared``.
    cause : str or None
        Of overlap and spared ground.
    cells : int
        Cells of the piece, before smoothing.
    treatments : int
        Sum of the times treated over those cells.
    dose : float
        Sum of the doses over those cells, in units of the set rate.
    outline : Polygon or MultiPolygon
        Smoothed, plane metres.
    """

    kind: str
    cause: str | None
    cells: int
    treatments: int
    dose: float
    outline: Polygon | MultiPolygon


@dataclass(frozen=True, slots=True)
class Pieces:
    """All pieces of one source, and what was too small to draw.

    Attributes
    ----------
    drawn : tuple of Piece
        By kind, then largest first.
    small_count, small_cells : dict of kind to int
        Pieces below :data:`SMALLEST_PIECE_M2`.
    """

    drawn: tuple[Piece, ...]
    small_count: dict[str, int]
    small_cells: dict[str, int]
    cell_m: float

    def of(self, kind: str) -> list[Piece]:
        """Return the pieces of one kind."""
        return [piece for piece in self.drawn if piece.kind == kind]


class PieceCollector:
    """Outlines pieces of keyed cells, band by band.

    Parameters
    ----------
    read_key : callable
        Gives kind and cause of a key (1..255).

    Notes
    -----
    Pieces are connected over sides of cells (not corners), as their outlines are.
    """

    def __init__(self, frame: Frame, read_key: Callable[[int], tuple[str, str | None]]) -> None:
        self._frame = frame
        self._read_key = read_key
        self._parent: list[int] = [0]
        self._key: list[int] = [0]
        self._stats: list[NDArray[np.float64]] = [np.zeros((3, 1))]
        self._count = 1
        self._outlines: dict[int, list[Polygon]] = {}
        self._seam_row = 0
        self._seam_labels: NDArray[np.int32] | None = None
        self._seam_keys: NDArray[np.uint8] | None = None

    def add(
        self,
        first_row: int,
        keys: NDArray[np.uint8],
        times: NDArray[np.uint8] | None = None,
        dose: NDArray[np.float32] | None = None,
    ) -> None:
        """Take the next band to the north; key 0 is no piece."""
        labels = self._label(keys, times, dose)
        if self._seam_labels is not None and self._seam_keys is not None and first_row == self._seam_row:
            touching = (self._seam_keys == keys[0]) & (keys[0] > 0)
            for a, b in np.unique(np.stack([self._seam_labels[touching], labels[0][touching]]), axis=1).T.tolist():
                self._join(a, b)
        self._seam_row = first_row + keys.shape[0]
        self._seam_labels, self._seam_keys = labels[-1].copy(), keys[-1].copy()
        self._outline(first_row, labels)

    def _label(
        self, keys: NDArray[np.uint8], times: NDArray[np.uint8] | None, dose: NDArray[np.float32] | None
    ) -> NDArray[np.int32]:
        from scipy import ndimage

        labels = np.zeros(keys.shape, np.int32)
        start = self._count
        for key in np.flatnonzero(np.bincount(keys.ravel(), minlength=256)).tolist():
            if key == 0:
                continue
            chosen = keys == key
            found, number = ndimage.label(chosen)
            labels[chosen] = found[chosen] + (self._count - 1)
            self._parent.extend(range(self._count, self._count + number))
            self._key.extend([key] * number)
            self._count += number
        where = labels > 0
        local = labels[where] - start
        size = self._count - start
        stats = np.zeros((3, size))
        stats[0] = np.bincount(local, minlength=size)
        if times is not None:
            stats[1] = np.bincount(local, times[where].astype(np.float64), minlength=size)
        if dose is not None:
            stats[2] = np.bincount(local, dose[where].astype(np.float64), minlength=size)
        self._stats.append(stats)
        return labels

    def _root(self, label: int) -> int:
        while self._parent[label] != label:
            self._parent[label] = self._parent[self._parent[label]]
            label = self._parent[label]
        return label

    def _join(self, a: int, b: int) -> None:
        a, b = self._root(a), self._root(b)
        self._parent[max(a, b)] = min(a, b)

    def _outline(self, first_row: int, labels: NDArray[np.int32]) -> None:
        from rasterio.features import shapes
        from rasterio.transform import Affine

        rows = np.flatnonzero(labels.any(axis=1))
        if rows.size == 0:
            return
        low, high = int(rows[0]), int(rows[-1]) + 1
        part = labels[low:high]
        # Cell coordinates of the frame, y north: outlines stay whole numbers until they are smoothed.
        to_cells = Affine.translation(0.0, first_row + low)
        for shape, label in shapes(part, mask=part > 0, transform=to_cells):
            rings = shape["coordinates"]
            self._outlines.setdefault(int(label), []).append(Polygon(rings[0], rings[1:]))

    def finish(self) -> Pieces:
        """Join what met at seams, smooth and sort."""
        stats = np.concatenate(self._stats, axis=1)
        groups: dict[int, list[int]] = {}
        for label in range(1, self._count):
            groups.setdefault(self._root(label), []).append(label)
        cell = self._frame.cell_m
        least = SMALLEST_PIECE_M2 / cell**2
        drawn: list[Piece] = []
        small_count: dict[str, int] = {}
        small_cells: dict[str, int] = {}
        for root, members in groups.items():
            kind, cause = self._read_key(self._key[root])
            cells, treatments, dose = stats[:, members].sum(axis=1).tolist()
            if cells < least:
                small_count[kind] = small_count.get(kind, 0) + 1
                small_cells[kind] = small_cells.get(kind, 0) + int(cells)
                continue
            parts = [outline for label in members for outline in self._outlines[label]]
            drawn.append(Piece(kind, cause, int(cells), int(treatments), float(dose), self._smooth(parts)))
        drawn.sort(key=lambda p: (p.kind, -p.cells, p.cause or "", p.outline.bounds))
        return Pieces(tuple(drawn), small_count, small_cells, cell)

    def _smooth(self, parts: list[Polygon]) -> Polygon | MultiPolygon:
        # From a true corner and without points in the middle of a side: seams between bands leave such points, and the
        # smoothing must not depend on them.
        whole = shapely.simplify(shapely.normalize(shapely.union_all(parts)), 0.0)
        smooth = shapely.simplify(whole, OUTLINE_CELLS, preserve_topology=True)
        smooth = smooth if smooth.is_valid and not smooth.is_empty else whole
        frame = self._frame
        offset = np.array([frame.first_column, frame.first_row])
        moved = shapely.transform(smooth, lambda xy: (xy + offset) * frame.cell_m)
        return _polygonal(shapely.normalize(moved))  # the same ring starts whatever the bands


def _polygonal(geometry: BaseGeometry) -> Polygon | MultiPolygon:
    if not isinstance(geometry, (Polygon, MultiPolygon)):
        raise TypeError(f"a piece's outline is a polygon, found {geometry.geom_type}")
    return geometry


def _audit_key(key: int) -> tuple[str, str | None]:
    kinds = {code: kind for kind, code in KINDS.items()}
    kind = kinds[key // _CLASS_STEP]
    return kind, CAUSES[key % _CLASS_STEP] if kind == "overlap" else None


def audit_pieces(frame: Frame) -> tuple[PieceCollector, Callable[[BandRaster], None]]:
    """A collector of all :data:`KINDS` of ground (overlap by cause) beyond tolerance, and its sink."""
    collector = PieceCollector(frame, _audit_key)

    def sink(band: BandRaster) -> None:
        keys = np.zeros(band.classes.shape, np.uint8)
        kept = band.kept > 0
        for kind, code in KINDS.items():
            chosen = kept & (band.classes == code)
            keys[chosen] = code * _CLASS_STEP
            if kind == "overlap":
                keys[chosen] += band.cause[chosen]
        collector.add(band.first_row, keys, band.count, band.dose)

    return collector, sink


def spared_pieces(spared: CellRuns) -> Pieces:
    """Over-applied ground that finer shutoff would have spared, by the log's cause."""
    collector = PieceCollector(spared.frame, lambda key: ("spared", CAUSES[key]))
    for first_row, codes in spared.bands():
        collector.add(first_row, codes)
    return collector.finish()
