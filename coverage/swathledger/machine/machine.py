"""The machine behind a log, in frozen parts; what a file may say of each, and what it means, stands at its field."""

from __future__ import annotations

import datetime as dt
from dataclasses import asdict, dataclass, field, fields
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from swathledger.errors import MachineError
from swathledger.machine.keys import key
from swathledger.machine.plumbing import Plumbing
from swathledger.machine.products import Product


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


GroupWord = Literal["boom", "nozzle", "limit"]


@dataclass(frozen=True, slots=True)
class Antenna:
    """Where the receiver is, and how good."""

    # No machine that may use a road is longer than 20 m, and no boom reaches farther to one side: more is centimetres.
    ahead_of_boom_m: float = key(
        "receiver ahead of the boom line, at most 20 m; negative: behind it. 0 where left out, and told",
        0.0,
        least=-20,
        most=20,
    )
    right_of_centre_m: float = key(
        "receiver right of the boom's centre, at most 20 m; negative: left of it. 0 where left out, and told",
        0.0,
        least=-20,
        most=20,
    )
    gnss_sigma_m: float | None = key(
        "one standard deviation of its position; sets the tolerance below which a strip is no evidence", above=0
    )
    steers: bool | None = key(
        "whether the log's receiver steers the machine: then the log lies on the plan and the machine beside it. "
        "Where left out intervals hold both"
    )


@dataclass(frozen=True, slots=True)
class Errors:
    """How far off what is known may be, one standard deviation each; 0 where it is known for sure."""

    antenna_m: float | None = key("place of the receiver on the machine, ahead and to the right each", least=0, most=5)
    latency_s: float | None = key("delay between positions and states in the log", least=0, most=10)
    boundary_m: float | None = key("boundary and exclusions, on one axis", least=0, most=20)
    heading_deg: float | None = key("logged headings, anew in every row", least=0, most=30, shown="degrees")
    receiver_time_s: float | None = key("time over which the receiver's error goes by", above=0, most=86400)


@dataclass(frozen=True, slots=True)
class Hitch:
    """Trailed boom. With one, :attr:`Antenna.ahead_of_boom_m` is 0: these two lengths say where the boom is."""

    antenna_to_hitch_m: float = key("from the receiver back to the hitch pin, 0 or more", least=0, needed=True)
    hitch_to_boom_m: float = key("from the hitch pin back to the boom line, above 0", above=0, needed=True)


# Longer than a minute is no valve but a value in milliseconds.
def _delay(means: str, both: str | None = None) -> Any:
    return key(means, 0.0, least=0, most=60, both=both)


@dataclass(frozen=True, slots=True)
class Valves:
    """Valve delays and the controller's anticipation, s. A field added here is a key of every table that has valves."""

    on_delay_s: float = _delay("from the command to spray")
    off_delay_s: float = _delay("from the command to no spray")
    look_ahead_on_s: float = _delay("how far ahead the controller acts for opening", "look_ahead_s")
    look_ahead_off_s: float = _delay("how far ahead the controller acts for shutting", "look_ahead_s")
    minimum_on_s: float = _delay("a valve once open stays open so long")


@dataclass(frozen=True, slots=True)
class Controller(Valves):
    """Valves of a replayed layout, and when it opens and shuts them.

    ``off_when_covered`` is None where the audit's own setting holds.
    """

    off_when_covered: float | None = key(
        "a group shuts when this share of its footprint is treated or off target; 1 where left out",
        above=0,
        most=1,
        shown="share, above 0 to 1",
    )
    overlap_margin_m: float | None = key(
        "how far to overlap ground treated before; negative leaves a gap. Where left out, groups shut by the tolerance",
        least=-10,
        most=10,
    )
    boundary_margin_m: float = key(
        "how far to treat beyond the boundary, never into an exclusion; negative: kept away from both",
        0.0,
        least=-10,
        most=10,
    )

    @property
    def valves(self) -> Valves:
        """Its valves alone."""
        return Valves(**{field.name: getattr(self, field.name) for field in fields(Valves)})


@dataclass(frozen=True, slots=True)
class ReplayLayout(Controller):
    """A layout with valves and margins of its own; what its table leaves out is ``[replay]``'s, else ``[valves]``'.

    ``off_when_covered`` is None where the table has none: then the audit's own holds.
    """

    name: str | None = key("what reports call it; no word of `groups`")
    groups: GroupWord | int | tuple[int, ...] | None = key(
        '`"boom"`, `"nozzle"`, `"limit"`, a number of equal groups, or a list of nozzles per group, left to right',
        least=1,
        shown="word, count or list",
    )
    width_m: float | None = key("groups of about this width, in place of `groups`", above=0)


@dataclass(frozen=True, slots=True)
class ReplaySettings(Controller):
    """Which outlet groups to replay, and under which valves; what is left out of its valves is ``[valves]``'."""

    groups: tuple[GroupWord | int, ...] | None = key(
        '`"boom"`, `"nozzle"`, `"limit"`, or a number of equal groups', least=1, shown="list"
    )
    widths_m: tuple[float, ...] = key("groups of about this width", (), above=0)
    nozzles_per_group: tuple[tuple[int, ...], ...] = key(
        "layouts written out, each adding up to the nozzle count", (), least=1, shown="list of lists"
    )
    agreement_pct: float | None = key(
        "below this agreement with what the valves did, the report warns that the model does not match the machine",
        least=0,
        most=100,
        shown="%",
    )
    layouts: tuple[ReplayLayout, ...] = key("layouts with valves of their own", ())
    controller: Literal["file", "fitted"] | None = key(
        "whose delays, threshold and margin the replay runs on: this file's, or those fitted to the log's own moments "
        "of switching where they agree clearly better with it. `file` where left out"
    )

    @property
    def words(self) -> tuple[str, ...] | None:
        """The groups as ``--groups`` takes them; None where none are named."""
        return None if self.groups is None else tuple(str(group) for group in self.groups)


@dataclass(frozen=True, slots=True)
class LogOptions:
    """How to read the log's file; each overrules what would be found by looking."""

    start: dt.datetime | dt.date | str | None = key(
        "when a log in seconds from its start began, `2026-03-04T07:30:00+08:00`", shown="date and time"
    )
    time_zone: str | None = key('of times without an offset: `"Australia/Perth"`, `"+08:00"`')
    time_format: str | None = key("pattern of the times, in the codes of C's `strftime`")
    delimiter: str | None = key('one character, or `"tab"`')
    decimal: Literal[".", ","] | None = key("mark of the decimals")
    encoding: str | None = key('such as `"utf-8"`, `"cp1252"`')
    skip_rows: int | None = key("lines before the header", least=0)
    crs: str | None = key('projection of positions in metres (`x_m`, `y_m`): `"EPSG:32632"`')
    layer: str | None = key("layer of a GeoPackage; sheet of a workbook")
    time_unit: Literal["days", "hhmmss"] | None = key(
        'what times as plain numbers are: `"days"` of a spreadsheet (since 1899-12-30), or clock times such as 73005 '
        '(`"hhmmss"`, 07:30:05)'
    )
    add_weeks: int | None = key(
        "weeks to be added to every date: 1024 where the receiver's week counter had run over; 0: the dates are right",
        least=-4096,
        most=4096,
        shown="count",
    )
    heading_unit: Literal["deg", "rad"] | None = key("unit of logged headings; degrees where left out")
    heading_sense: Literal["clockwise", "counterclockwise"] | None = key(
        "way in which logged headings grow; clockwise where left out"
    )
    heading_zero_deg: float | None = key(
        "true direction, degrees clockwise from north, in which the logged heading is 0: 90 for mathematical angles, "
        "180 for a compass mounted backwards",
        least=-360,
        most=360,
        shown="degrees",
    )
    heading_lag_s: float | None = key("how late logged headings come", least=-60, most=60)
    states: dict[str, str] | None = key(
        'what the codes of states mean: `{"0" = "shut", "1" = "open", "2" = "open"}`; words of any language too',
        shown='table of `"open"` and `"shut"`',
    )
    blank_state: Literal["unchanged", "open", "shut"] | None = key("what an empty state means")
    state_mask: Literal["bits", "hex", "decimal"] | None = key(
        "how `section_mask` or `nozzle_mask` is written: a string of 0 and 1 whose first sign is the left-most outlet, "
        "or a number whose lowest bit is"
    )
    mask_first: Literal["left", "right"] | None = key(
        "the outlet that a mask begins with; the left-most where left out"
    )
    ignore: tuple[str, ...] | None = key('columns of ours that are not to be read, `["heading_deg"]`', shown="list")
    task: str | None = key("of ISO 11783-10 task data: the task to read, by identifier or designator")
    time_log: str | tuple[str, ...] | None = key(
        'of task data: the time log or logs to read, `"TLG00003"`', shown="text or list"
    )

    def given(self) -> dict[str, object]:
        """What is not None, by name, as :func:`swathledger.log.read.read_log` takes it."""
        named = ((field.name, getattr(self, field.name)) for field in fields(self))
        return {name: value for name, value in named if value is not None}


_UNTOLD_PLUMBING = Plumbing()
_UNTOLD_REPLAY = ReplaySettings()


@dataclass(frozen=True, slots=True)
class Machine:
    """A sprayer as the machine file gives it, SI.

    Attributes
    ----------
    columns : dict
        Our column name to the file's header.
    set_rate_l_m2 : float or None
        Intended rate where the log has none.
    plumbing : Plumbing
        With the boom's sections, also where the file says nothing of it.
    replay : ReplaySettings
        Resolved over ``valves``, also where the file says nothing of it; ``valves`` stay those of the logged layout.
    source : tuple of (str, str) or None
        Name and sha256 of the file.
    antenna_assumed : tuple of str
        Offsets of the antenna that the file leaves out and that are not known otherwise: taken as 0.
    """

    name: str
    boom: Boom
    antenna: Antenna = Antenna()
    hitch: Hitch | None = None
    valves: Valves = Valves()
    columns: dict[str, str] = field(default_factory=dict)
    log_options: LogOptions = LogOptions()
    set_rate_l_m2: float | None = None
    plumbing: Plumbing = _UNTOLD_PLUMBING
    products: tuple[Product, ...] = ()
    replay: ReplaySettings = _UNTOLD_REPLAY
    errors: Errors = Errors()
    source: tuple[str, str] | None = None
    antenna_assumed: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.plumbing is _UNTOLD_PLUMBING:
            object.__setattr__(self, "plumbing", Plumbing(self.boom.sections))
        if self.replay is _UNTOLD_REPLAY:
            object.__setattr__(self, "replay", ReplaySettings(**asdict(self.valves)))

    @property
    def gnss_sigma_m(self) -> float | None:
        """Horizontal sigma of the receiver, where the user states it, m."""
        return self.antenna.gnss_sigma_m
