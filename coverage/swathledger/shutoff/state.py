"""What the replay kernels work on: the drive, the cells, and what is known of past treatments."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

N_MASK = 63
"""The lower six bits of a cell's state: its separate treatments."""
MAX_SLOTS = 65535
TILE_BITS = 4
"""Cells are grouped in tiles of 16 x 16, so that untouched ground is told without looking at its cells."""


class Drive(NamedTuple):
    """The recorded drive as the kernel wants it; ``p`` poses, ``p - 1`` steps.

    Attributes
    ----------
    x, y, right_x, right_y, time_s : (p,) float64
    moving : (p - 1,) bool, linked and not standing
    linked : (p - 1,) bool
    wanted : (p - 1,) bool
    distance_m, dose : (p - 1,) float64; dose in L/m2 (0 where unknown)
    reverse : (p - 1,) bool
    pass_id : (p - 1,) int64
    line_of_pass : (passes,) int64
    heading_deg : (p,) float64
    """

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    right_x: NDArray[np.float64]
    right_y: NDArray[np.float64]
    time_s: NDArray[np.float64]
    moving: NDArray[np.bool_]
    linked: NDArray[np.bool_]
    wanted: NDArray[np.bool_]
    distance_m: NDArray[np.float64]
    dose: NDArray[np.float64]
    reverse: NDArray[np.bool_]
    pass_id: NDArray[np.int64]
    line_of_pass: NDArray[np.int64]
    heading_deg: NDArray[np.float64]


class Ground(NamedTuple):
    """Cells of one layout, row 0 southmost.

    Attributes
    ----------
    state : (rows, columns) uint8
    slot : (rows, columns) uint16, of the last treatment; 0 is never
    first : uint16, a value a tile of cells: the slot that touched any of them first; 0 is never
    """

    state: NDArray[np.uint8]
    slot: NDArray[np.uint16]
    first: NDArray[np.uint16]
    h: float
    first_row: int
    first_column: int


class Slots(NamedTuple):
    """What is known of each slot; index 0 is unused."""

    pass_id: NDArray[np.int32]
    line: NDArray[np.int32]
    time_s: NDArray[np.float64]
    heading_deg: NDArray[np.float32]
