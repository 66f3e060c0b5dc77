"""Priming: what leaves the nozzles before full-strength product reaches the farthest one.

Two models bracket the truth. In plug flow the product pushes the old content ahead of it and nothing mixes; in the
mixed model the way to the farthest nozzle behaves as one stirred vessel. Turbulent flow in smooth, full lines is near
the first; filters, sumps, air pockets and branches pull towards the second.

All nozzles are open and alike while the boom is primed, so flows are shares of the boom's flow Q and the volumes below
depend on no flow at all; only the times do.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from swathledger.errors import InputError
from swathledger.machine.plumbing import BoomFeed, Plumbing, PlumbingLine


def arrival_along_line_s(segment_l: Sequence[float], tap_flow_l_s: Sequence[float]) -> tuple[float, ...]:
    """Plug-flow arrival at each tap of a line that is tapped along its length.

    Segment j carries the flow of tap j and of all taps beyond it, so

        t_j = sum over i <= j of segment_i / (sum over k >= i of flow_k)                                      (P2)

    Parameters
    ----------
    segment_l : sequence of float
        Content of the line between one tap and the next, from the inlet, L; not negative.
    tap_flow_l_s : sequence of float
        Flow drawn by each tap, L/s; above zero.

    Returns
    -------
    tuple of float
        Seconds after product enters the line, one per tap; (P2) is a mass balance, exact in plug flow.

    Raises
    ------
    InputError
        Where lengths differ or a value is out of range.

    Examples
    --------
    Three taps of 1 L/s, segments of 3 L: 3/3, then 3/2, then 3/1 seconds.

    >>> arrival_along_line_s([3.0, 3.0, 3.0], [1.0, 1.0, 1.0])
    (1.0, 2.5, 5.5)
    """
    if len(segment_l) != len(tap_flow_l_s):
        raise InputError(f"{len(segment_l)} segments do not fit {len(tap_flow_l_s)} taps.")
    if any(not flow > 0 for flow in tap_flow_l_s) or any(not volume >= 0 for volume in segment_l):
        raise InputError("tap flows must be above 0 and segments must not be negative.")
    times = []
    now = 0.0
    for index, volume in enumerate(segment_l):
        now += volume / math.fsum(tap_flow_l_s[index:])
        times.append(now)
    return tuple(times)


def mixed_out_l(volume_l: float, strength: float) -> float:
    """Litres out of a stirred vessel until what leaves it has the stated strength.

        C / C0 = 1 - exp(-V / V0), so V = V0 * ln(1 / (1 - strength))                                         (P4)

    Parameters
    ----------
    volume_l : float
        Content V0, L.
    strength : float
        C/C0, 0 <= strength < 1.

    Examples
    --------
    >>> round(mixed_out_l(1.0, 0.95), 4)
    2.9957
    """
    if not 0 <= strength < 1:
        raise InputError(f"must be at least 0 and below 1, found {strength!r}.", column="strength")
    return -volume_l * math.log1p(-strength)


def pipe_out_l(volume_l: float, nozzles: int, feed: BoomFeed) -> float:
    """Litres out of ONE section's nozzles while plug flow comes from its inlet to its farthest nozzle.

    The nozzles stand evenly from the first to the last point of the pipe; the inlet is at one end or at the centre.
    A single nozzle is at the far end of its pipe.

    Parameters
    ----------
    volume_l : float
        Content of the section's pipe from first to last nozzle, L.
    nozzles : int
        Nozzles on it.
    feed : {"end", "centre"}
    """
    if nozzles == 1:
        return volume_l
    step = volume_l / (nozzles - 1)
    if feed == "end":
        segments = [0.0] + [step] * (nozzles - 1)
    else:  # the longer arm: an odd count has one nozzle at the inlet itself, which draws from no arm
        arm = nozzles // 2
        segments = [step if nozzles % 2 else step / 2.0] + [step] * (arm - 1)
    return arrival_along_line_s(segments, [1.0] * len(segments))[-1] * nozzles


@dataclass(frozen=True, slots=True)
class SectionPrime:
    """Plug flow to one section.

    Attributes
    ----------
    section : int
        From 1, left to right.
    hose_l, pipe_l : float
        Content of the hose to the section and of the pipe along its nozzles, L.
    out_l : float
        Litres out of the WHOLE boom until product is at the section's farthest nozzle.
    """

    section: int
    nozzles: int
    hose_l: float
    pipe_l: float
    out_l: float


@dataclass(frozen=True, slots=True)
class Prime:
    """What a prime pours out with the nozzles open; the two models bracket it.

    Attributes
    ----------
    swept_l : float
        Content displaced, L.
    plug_l : float
        Out of the nozzles, L, until product is at the farthest one, in plug flow.
    mixed_l : float
        The same until the farthest nozzle sprays at ``strength``, the way to it one stirred vessel.
    strength : float
        C/C0 asked of the mixed model.
    plug_product_l : float
        Of ``plug_l``, what left nearer nozzles as full-strength product already, L (``plug_l - swept_l``).
    governing_section : int
        Section with the farthest nozzle, in litres.
    """

    swept_l: float
    plug_l: float
    mixed_l: float
    strength: float
    plug_product_l: float
    governing_section: int
    sections: tuple[SectionPrime, ...]

    @property
    def low_l(self) -> float:
        """Lower end of the bracket, L; the mixed model below a strength of 1 - 1/e, plug flow above it."""
        return min(self.plug_l, self.mixed_l)

    @property
    def high_l(self) -> float:
        """Upper end of the bracket, L."""
        return max(self.plug_l, self.mixed_l)


def _prime(plumbing: Plumbing, lines: tuple[PlumbingLine, ...], held_l: float, strength: float) -> Prime:
    """Prime through the given lines, held volume and the nozzle bodies."""
    nozzles = plumbing.nozzle_count
    shared = held_l + math.fsum(plumbing.line_total_l(line) for line in lines if line.carries == "all")
    bodies = plumbing.nozzle_bodies_l or 0.0
    rows = []
    for index, count in enumerate(plumbing.sections):
        hose = math.fsum(plumbing.section_volume_l(line, index) for line in lines if line.carries == "section")
        pipe = math.fsum(plumbing.section_volume_l(line, index) for line in lines if line.carries == "boom")
        # (P1): a volume v passed at the share f of the boom's flow counts as v / f litres out of the whole boom.
        branch = (hose + pipe_out_l(pipe, count, plumbing.boom_feed)) * nozzles / count
        rows.append(SectionPrime(index + 1, count, hose, pipe, shared + branch + bodies))
    farthest = max(rows, key=lambda row: (row.out_l, -row.section))
    swept = shared + bodies + math.fsum(row.hose_l + row.pipe_l for row in rows)
    return Prime(
        swept_l=swept,
        plug_l=farthest.out_l,
        mixed_l=mixed_out_l(farthest.out_l, strength),
        strength=strength,
        plug_product_l=max(farthest.out_l - swept, 0.0),
        governing_section=farthest.section,
        sections=tuple(rows),
    )


def prime(plumbing: Plumbing, strength: float = 0.95) -> Prime | None:
    """Bracket of what leaves the nozzles before full-strength product reaches the farthest one.

    With V_i the volumes on the way to a nozzle and f_i the share of the boom's flow that passes each of them,

        plug = max over nozzles of sum(V_i / f_i),       mixed = plug * ln(1 / (1 - strength))                 (P1)

    ``plug`` is Q times the mean residence time on that way; where nothing branches off, it is the plain line volume
    and ``mixed`` the plain ``C / C0 = 1 - exp(-V / V0)``.

    Parameters
    ----------
    strength : float
        C/C0 that counts as full strength in the mixed model, 0 <= strength < 1.

    Returns
    -------
    Prime or None
        None where the plumbing gives neither lines nor a held volume.
    """
    if plumbing.swept_l is None:
        return None
    return _prime(plumbing, plumbing.lines, plumbing.held_l or 0.0, strength)


@dataclass(frozen=True, slots=True)
class Recirculation:
    """What priming through a return to the tank keeps off the ground.

    Attributes
    ----------
    open_low_l, open_high_l : float
        Poured by priming through open nozzles, L (the bracket of `Prime`).
    still_low_l, still_high_l : float
        Still poured with recirculation, L: nozzle bodies where known, and lines marked ``recirculated = false``.
    returned_low_l, returned_high_l : float
        The difference: litres that go to the tank instead, L, product and the lines' old content together.
    open_swept_l, still_swept_l : float
        Old content that leaves first, L, through open nozzles and with recirculation.
    open_product_l, still_product_l : float
        Of the plug-flow figures, what follows it out of nearer nozzles at full strength, L.
    nozzle_bodies_known : bool
        False: what the nozzle bodies hold is not given and ``returned`` is an upper figure.
    """

    open_low_l: float
    open_high_l: float
    still_low_l: float
    still_high_l: float
    open_swept_l: float
    still_swept_l: float
    open_product_l: float
    still_product_l: float
    nozzle_bodies_known: bool

    @property
    def returned_low_l(self) -> float:
        """Lower end, L."""
        return self.open_low_l - self.still_low_l

    @property
    def returned_high_l(self) -> float:
        """Upper end, L."""
        return self.open_high_l - self.still_high_l

    @property
    def returned_content_l(self) -> float:
        """Old content of lines and held volume that goes into the tank, L: water after a rinse, else product."""
        return self.open_swept_l - self.still_swept_l

    @property
    def product_after_rinse_l(self) -> float:
        """Product kept of a prime that begins with water in the lines, L, in plug flow; not below 0."""
        return max(self.open_product_l - self.still_product_l, 0.0)

    def strength_in_tank(self, tank_l: float | None) -> float | None:
        """Share of full strength once the lines' water is mixed into a full tank: ``T / (T + V)``; None: T unknown.

        T litres at full strength fill lines that hold V litres of water, which come back: T of product in T + V. A tank
        that is less than full is thinned more.
        """
        return None if tank_l is None else tank_l / (tank_l + self.returned_content_l)


def recirculation(plumbing: Plumbing, strength: float = 0.95) -> Recirculation | None:
    """Compare priming through open nozzles with priming through a return to the tank.

    The figure is the same whether the boom recirculates already or not: for a boom that does, what it spares; for one
    that does not, what a return line would spare. Lines marked ``recirculated = false`` stay to be primed through the
    nozzles. None where no volume is known.
    """
    full = prime(plumbing, strength)
    if full is None:
        return None
    rest = _prime(plumbing, tuple(line for line in plumbing.lines if line.recirculated is False), 0.0, strength)
    return Recirculation(
        open_low_l=full.low_l,
        open_high_l=full.high_l,
        still_low_l=rest.low_l,
        still_high_l=rest.high_l,
        open_swept_l=full.swept_l,
        still_swept_l=rest.swept_l,
        open_product_l=full.plug_product_l,
        still_product_l=rest.plug_product_l,
        nozzle_bodies_known=plumbing.nozzle_body_l is not None,
    )


ASSUMED_SPEED_M_S = 5.0
"""Speed taken where flow must be worked out from a rate and none is given: 18 km/h, 11 mph."""


@dataclass(frozen=True, slots=True)
class FlowBasis:
    """Flow of the whole boom and where it is from.

    Attributes
    ----------
    flow_l_s : float or None
        L/s; None: not known.
    source : {"given", "nozzle", "rate", "rate and assumed speed", "unknown"}
    speed_m_s : float or None
        Speed used with a rate, m/s.
    """

    flow_l_s: float | None
    source: str
    speed_m_s: float | None = None


def boom_flow(
    plumbing: Plumbing,
    *,
    flow_l_s: float | None = None,
    rate_l_m2: float | None = None,
    width_m: float | None = None,
    speed_m_s: float | None = None,
) -> FlowBasis:
    """Flow of the whole boom: as given, else nozzles x nozzle flow, else rate x width x speed, else not known.

    Parameters
    ----------
    flow_l_s : float, optional
        Given flow, L/s; wins over all else.
    rate_l_m2, width_m : float, optional
        Set rate and working width.
    speed_m_s : float, optional
        Speed for the rate; `ASSUMED_SPEED_M_S` where None, and ``source`` says so.
    """
    for name, value in (("flow_l_s", flow_l_s), ("speed_m_s", speed_m_s)):
        if value is not None and not 0 < value < math.inf:
            raise InputError(f"must be a positive number, found {value!r}.", column=name)
    if flow_l_s is not None:
        return FlowBasis(flow_l_s, "given")
    if plumbing.nozzle_flow_l_s is not None:
        return FlowBasis(plumbing.nozzle_flow_l_s * plumbing.nozzle_count, "nozzle")
    if rate_l_m2 is None or width_m is None:
        return FlowBasis(None, "unknown")
    if speed_m_s is not None:
        return FlowBasis(rate_l_m2 * width_m * speed_m_s, "rate", speed_m_s)
    return FlowBasis(rate_l_m2 * width_m * ASSUMED_SPEED_M_S, "rate and assumed speed", ASSUMED_SPEED_M_S)
