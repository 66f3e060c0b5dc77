"""What a user may set for one audit, checked once and carried unchanged."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from swathledger.errors import InputError


@dataclass(frozen=True, slots=True)
class AuditSettings:
    """Settings of one audit; ``None`` means "derived from the log, and said so".

    Attributes
    ----------
    cell_m : float or None
        Side of a cell, m. None: 0.1 m, and never more than a quarter of the nozzle spacing.
    max_gap_s : float or None
        A longer time between rows ends the ribbon, s. None: 6 x the log's median step, at least 6 s.
    bridge_s : float or None
        Longer gaps, up to this, are bridged where straight with spraying on at both ends, and told as assumed, s.
        None: none.
    tolerance_m : float or None
        Strips narrower than this are not evidence, m. None: twice the GNSS sigma where known, else 0.10 m.
    groups : tuple of str or None
        Outlet groups to replay: ``boom``, ``nozzle``, ``limit``, or a number of equal groups. None: those of the
        machine file's ``[replay]`` table, else boom, 9, 6, 3, nozzle and limit. Empty: no replay.
    off_when_covered : float or None
        Share of a group's footprint that must be treated or off target before the group shuts, above 0 to 1. None:
        the machine file's, else 1.0.
    field_id : str or None
        Which field of the boundary file. None: the one the log lies in.
    units : {"metric", "us"}
        Units at the faces.
    product : str or None
        What was in the tank where the log names no product, as an entry of a log's product column would: several are
        joined by ``+``. None: all products of the machine file.
    threads : int
        Threads of the kernels; changes no byte of any result.
    interval : bool
        Whether every headline gets its best estimate and interval, from redrawn drives.
    """

    cell_m: float | None = None
    max_gap_s: float | None = None
    bridge_s: float | None = None
    tolerance_m: float | None = None
    groups: tuple[str, ...] | None = None
    off_when_covered: float | None = None
    field_id: str | None = None
    units: Literal["metric", "us"] = "metric"
    product: str | None = None
    threads: int = 1
    interval: bool = True

    def __post_init__(self) -> None:
        for name in ("cell_m", "max_gap_s", "bridge_s"):
            value = getattr(self, name)
            if value is not None and not 0 < value < float("inf"):
                raise InputError(f"must be a positive number, found {value!r}.", column=name)
        for name in ("tolerance_m",):
            value = getattr(self, name)
            if value is not None and not 0 <= value < float("inf"):
                raise InputError(f"must not be negative, found {value!r}.", column=name)
        if self.off_when_covered is not None and not 0 < self.off_when_covered <= 1:
            raise InputError(
                f"must be above 0 and at most 1, found {self.off_when_covered!r}.", column="off_when_covered"
            )
        if self.product is not None and not self.product.strip():
            raise InputError("names no product.", column="product", hint="Leave it out, or name what was in the tank.")
        if self.threads < 1:
            raise InputError(f"must be at least 1, found {self.threads!r}.", column="threads")
