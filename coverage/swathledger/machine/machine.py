"""The carrier of the machine stage: what stands behind a log."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from swathledger.errors import MachineError


@dataclass(frozen=True, slots=True)
class Boom:
    """Nozzles on a boom, numbered 1.. from the left looking forward.

    Attributes
    ----------
    nozzle_edges_m : (nozzles + 1,) float64
        Lateral edges of each nozzle's strip, metres right of the boom centre, increasing. A boom-less machine of
        ``width_m`` alone has one "nozzle": edges ``(-width/2, width/2)``.
    sections : tuple of int
        Nozzles per section, left to right; sums to the nozzle count.
    """

    nozzle_edges_m: NDArray[np.float64]
    sections: tuple[int, ...]

    def __post_init__(self) -> None:
        edges = self.nozzle_edges_m
        if edges.ndim != 1 or edges.shape[0] < 2 or not bool(np.all(np.diff(edges) > 0)):
            raise MachineError("nozzle edges must increase from left to right")
        if any(count < 1 for count in self.sections) or sum(self.sections) != edges.shape[0] - 1:
            raise MachineError(
                f"sections {list(self.sections)} add up to {sum(self.sections)} nozzles, "
                f"the boom has {edges.shape[0] - 1}"
            )

    @property
    def nozzle_count(self) -> int:
        """Number of nozzles."""
        return int(self.nozzle_edges_m.shape[0] - 1)

    @property
    def width_m(self) -> float:
        """Working width, m."""
        return float(self.nozzle_edges_m[-1] - self.nozzle_edges_m[0])

    @property
    def nozzle_spacing_m(self) -> float:
        """Mean strip width of a nozzle, m."""
        return self.width_m / self.nozzle_count

    @property
    def section_widths_m(self) -> tuple[float, ...]:
        """Width of each section, left to right, m."""
        at = np.concatenate([[0], np.cumsum(self.sections)])
        return tuple(float(width) for width in np.diff(self.nozzle_edges_m[at]))

    @property
    def section_of_nozzle(self) -> NDArray[np.int64]:
        """(nozzles,) index of the section each nozzle belongs to, from 0."""
        return np.repeat(np.arange(len(self.sections)), self.sections)


@dataclass(frozen=True, slots=True)
class Antenna:
    """Where the antenna is: metres ahead of the boom line and right of its centre (both may be negative)."""

    ahead_of_boom_m: float = 0.0
    right_of_centre_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Hitch:
    """Trailed boom: the hitch lies ``antenna_to_hitch_m`` behind the antenna, the boom ``hitch_to_boom_m`` behind that.

    Where there is a hitch, :attr:`Antenna.ahead_of_boom_m` is 0: these two lengths say where the boom is.
    """

    antenna_to_hitch_m: float
    hitch_to_boom_m: float


@dataclass(frozen=True, slots=True)
class Valves:
    """Valve delays and the controller's anticipation, s."""

    on_delay_s: float = 0.0
    off_delay_s: float = 0.0
    look_ahead_on_s: float = 0.0
    look_ahead_off_s: float = 0.0
    minimum_on_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Machine:
    """A sprayer as the machine file gives it, SI.

    Attributes
    ----------
    columns : dict
        Our column name to the file's header.
    log_options : dict
        The ``[log]`` table: how to read (``start`` for seconds-from-start logs, ``time_zone`` for times without one,
        ``delimiter``, ``encoding``, ...).
    set_rate_l_m2 : float or None
        Intended rate where the log has none (``[rate] set_rate_l_ha`` or ``set_rate_gal_ac``).
    plumbing, products, replay : dict
        Checked tables of later stages, carried as plain mappings under the file's metric keys (``docs/machine.md``); US
        spellings have been turned into them.
    gnss_sigma_m : float or None
        ``[antenna] gnss_sigma_m``: horizontal sigma of the receiver, where the user states it.
    source : tuple of (str, str) or None
        Name and sha256 of the file.
    """

    name: str
    boom: Boom
    antenna: Antenna = Antenna()
    hitch: Hitch | None = None
    valves: Valves = Valves()
    columns: dict[str, str] = field(default_factory=dict)
    log_options: dict[str, object] = field(default_factory=dict)
    set_rate_l_m2: float | None = None
    plumbing: dict[str, object] = field(default_factory=dict)
    products: tuple[dict[str, object], ...] = ()
    replay: dict[str, object] = field(default_factory=dict)
    gnss_sigma_m: float | None = None
    source: tuple[str, str] | None = None
