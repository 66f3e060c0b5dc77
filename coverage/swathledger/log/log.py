"""The carrier of the log stage: a clean, time-ordered recorded drive."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from swathledger.errors import LogError
from swathledger.notes import Note

StateKind = Literal["section", "nozzle", "work", "none"]


@dataclass(frozen=True, slots=True)
class SetAside:
    """Rows of a log that were not used, by reason.

    Attributes
    ----------
    reason : str
        Short stable name, for instance ``"duplicate"`` or ``"impossible_jump"``.
    count : int
        Number of rows.
    example : str or None
        Where the first of them stands (file, row) and what was found there.
    """

    reason: str
    count: int
    example: str | None = None


@dataclass(frozen=True, slots=True)
class LogQuality:
    """What is known of a log's fitness.

    Attributes
    ----------
    epochs : int
        Rows read from all files.
    used : int
        Rows kept. ``epochs - used`` equals the sum of ``set_aside`` counts.
    set_aside : tuple of SetAside
        Rows not used, sorted by reason.
    columns_understood : tuple of (str, str)
        Our name and the file's header it was read from, e.g. ``("time", "timestamp")``.
    columns_ignored : tuple of str
        Headers that nothing was read from.
    median_step_s : float
        Median time between neighbouring kept rows, s.
    gnss_sigma_m : float or None
        Horizontal position sigma where the log tells it (``hdop`` times an assumed range error is NOT used); else None.
    warnings : tuple of Note
        Plain sentences: every guess that was made (swapped axes, assumed UTC, ...).
    """

    epochs: int
    used: int
    set_aside: tuple[SetAside, ...]
    columns_understood: tuple[tuple[str, str], ...]
    columns_ignored: tuple[str, ...]
    median_step_s: float
    gnss_sigma_m: float | None = None
    warnings: tuple[Note, ...] = ()


@dataclass(frozen=True, slots=True)
class Log:
    """A cleaned drive, SI units, strictly increasing time.

    Attributes
    ----------
    time_s : (n,) float64
        UTC seconds since 1970-01-01 (leap seconds ignored), strictly increasing. For logs that give only seconds from
        an unknown start, seconds since that start with ``time_is_absolute`` False.
    latitude_deg, longitude_deg : (n,) float64
        WGS84 degrees.
    state_kind : {"section", "nozzle", "work", "none"}
        What ``state`` columns stand for. ``"work"``: one column, the whole working width. ``"none"``: nothing
        recorded; ``state`` is (n, 1) and all True (the ledger says so).
    state : (n, k) bool
        Open (True) or shut, left to right looking forward. A row's state holds until the next row.
        ``master`` shut has already been applied (all shut).
    heading_deg : (n,) float64 or None
        Logged heading, degrees clockwise from north, NaN where a row lacks it. None: not logged.
    speed_m_s : (n,) float64 or None
        Logged ground speed; negative where the machine reverses (by sign or by gear column). NaN where lacking.
    reverse : (n,) bool or None
        True where the log says the machine drives backwards.
    working_width_m : (n,) float64 or None
        Logged working width, NaN where lacking.
    rate_l_m2 : (n,) float64 or None
        Applied or set rate, L/m2 (1 L/ha = 1e-4 L/m2), NaN where lacking.
    flow_l_s : (n,) float64 or None
        Flow of the whole boom, L/s, NaN where lacking.
    product : tuple of str or None
        One name per row where logged ("" where lacking).
    hdop : (n,) float64 or None
    extra : dict of str to (n,) float64
        Other numeric columns asked for by a ``[columns]`` entry (for instance a machine's own area counter).
    time_is_absolute : bool
    inputs : tuple of (str, str)
        Name and sha256 of each file read, in the order given.
    quality : LogQuality
    """

    time_s: NDArray[np.float64]
    latitude_deg: NDArray[np.float64]
    longitude_deg: NDArray[np.float64]
    state_kind: StateKind
    state: NDArray[np.bool_]
    quality: LogQuality
    inputs: tuple[tuple[str, str], ...]
    heading_deg: NDArray[np.float64] | None = None
    speed_m_s: NDArray[np.float64] | None = None
    reverse: NDArray[np.bool_] | None = None
    working_width_m: NDArray[np.float64] | None = None
    rate_l_m2: NDArray[np.float64] | None = None
    flow_l_s: NDArray[np.float64] | None = None
    product: tuple[str, ...] | None = None
    hdop: NDArray[np.float64] | None = None
    extra: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    time_is_absolute: bool = True

    def __post_init__(self) -> None:
        n = self.time_s.shape[0]
        if self.state.ndim != 2 or self.state.shape[0] != n or self.state.shape[1] < 1:
            raise LogError(f"state must be ({n}, k) with k >= 1, found {self.state.shape}")
        for name in (
            "latitude_deg",
            "longitude_deg",
            "heading_deg",
            "speed_m_s",
            "reverse",
            "working_width_m",
            "rate_l_m2",
            "flow_l_s",
            "hdop",
        ):
            value = getattr(self, name)
            if value is not None and value.shape != (n,):
                raise LogError(f"{name} must have one value a row ({n}), found shape {value.shape}")
        if n > 1 and not bool(np.all(np.diff(self.time_s) > 0)):
            raise LogError("times must increase strictly; clean the log first")
        for name in ("time_s", "latitude_deg", "longitude_deg"):
            if not bool(np.all(np.isfinite(getattr(self, name)))):
                raise LogError(f"{name} must be finite; clean the log first")

    def __len__(self) -> int:
        return int(self.time_s.shape[0])
