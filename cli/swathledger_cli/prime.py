"""``swathledger prime``: line volume, priming and rinsing of a machine."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from swathledger_cli import options, progress
from swathledger_cli.options import PositiveFloat
from swathledger_cli.unit_options import in_units

if TYPE_CHECKING:
    from swathledger.units import UnitSystem

CARRIES = {"all": "whole flow", "section": "to sections", "boom": "along nozzles"}
NO_PLUMBING = """\
The machine file gives no lines and no held volume, so nothing can be reckoned. Add, for instance:

  [plumbing]
  held_l = 20                  # sump, pump and filters
  [[plumbing.lines]]
  name = "main hose"
  carries = "all"              # "section": hose to a section; "boom": pipe along its nozzles
  inner_diameter_mm = 51
  length_m = 8
"""


@click.command(name="prime")
@options.machine_option(required=True)
@in_units("flow", "flow_l_s", "flow", PositiveFloat(), "Flow of the whole boom while priming, L/min.")
@in_units(
    "speed",
    "speed_m_s",
    "speed",
    PositiveFloat(),
    "Speed that goes with the set rate, km/h, where flow is not given. Default: 18.",
)
@click.option(
    "--strength",
    type=click.FloatRange(0, 1, min_open=True, max_open=True),
    default=0.95,
    show_default=True,
    metavar="SHARE",
    help="Share of full strength that ends the prime in the mixed model.",
)
@click.option(
    "--residue",
    type=click.FloatRange(0, 1, min_open=True, max_open=True),
    default=0.02,
    show_default=True,
    metavar="SHARE",
    help="Share of the first strength that may be left after rinsing.",
)
@click.option(
    "--rinses",
    type=click.IntRange(1, 50),
    metavar="N",
    help="Rinses to plan. Default: the fewest that the rinse tank holds water for, else 3.",
)
@options.units_option()
@options.json_option()
def command(
    machine: Path,
    flow_l_s: float | None,
    speed_m_s: float | None,
    strength: float,
    residue: float,
    rinses: int | None,
    units: UnitSystem,
    as_json: bool,
) -> None:
    """Work out line volume, priming and rinsing of a machine.

    Reads the [plumbing] table of the machine file and prints what the lines hold, what a prime pours out before
    full-strength product is at the farthest nozzle (two models bracket it), how long it takes, the water for 1 to 5
    rinses, what dead ends keep back, and what a recirculating boom would return to the tank.

    Prime and rinse water is pesticide. The product label and local law come first.
    """
    from swathledger.machine.read import read_machine
    from swathledger.plumbing.summary import prime_document

    document = prime_document(
        read_machine(machine), flow_l_s=flow_l_s, speed_m_s=speed_m_s, strength=strength, residue=residue, rinses=rinses
    )
    if as_json:
        import json

        progress.show_json(json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False))
        return
    progress.show("\n".join(render(document, units)))


def _pct(share: float) -> str:
    return f"{100 * share:.3g} %"


def render(document: dict[str, Any], units: UnitSystem) -> list[str]:
    """Lines of the text that a person reads."""
    from swathledger.text import duration
    from swathledger.words.numbers import text

    def vol(litres: float | None) -> str:
        return text("volume", litres, units, digits=1)

    out = [f"{document['machine']}: {document['nozzles']} nozzles in {len(document['sections'])} sections", ""]
    if document["prime"] is None:
        return [*out, NO_PLUMBING, *_closing(document)]
    out += _held(document["volumes"], units)
    prime, flow = document["prime"], document["flow"]
    plug, mixed = (duration(prime[key], "time unknown") for key in ("plug_s", "mixed_s"))
    waits = [row["plug_l"] for row in prime["sections"]]
    alike = max(waits) - min(waits) <= 1e-9 * max(waits)
    where = "alike in all sections" if alike and len(waits) > 1 else f"section {prime['governing_section']}"
    spared = ", if the return is not used" if document["recirculation"]["recirculates"] else ""
    out += [
        "",
        f"PRIME THROUGH OPEN NOZZLES{spared}",
        f"  Leaves the nozzles before product at full strength reaches the farthest one ({where}):",
        f"    at least  {vol(prime['plug_l']):>10}  {plug:>14}   plug flow: product pushes the old "
        "content ahead, nothing mixes",
        f"    at most   {vol(prime['mixed_l']):>10}  {mixed:>14}   mixed: one stirred vessel, to "
        f"{_pct(prime['strength'])} strength",
    ]
    if prime["plug_product_l"] > 1e-9 * prime["plug_l"]:
        out.append(
            f"  At least {vol(prime['plug_product_l'])} of it is product already: nearer nozzles spray it while the "
            "farthest still waits."
        )
    out.append(f"  {_flow_words(flow, units)}")
    if prime["mixed_l"] < prime["plug_l"]:
        out.append("  Below 63 % strength the mixed model comes first: read the two the other way round.")
    out += ["", *_recirculating(document["recirculation"], vol), "", *_rinsing(document["rinse"], vol)]
    return [*out, *_closing(document)]


def _held(volumes: dict[str, Any], units: UnitSystem) -> list[str]:
    from swathledger.units import to_face
    from swathledger.words.numbers import text

    def vol(litres: float | None) -> str:
        return text("volume", litres, units, digits=1)

    def bore(metres: float) -> str:
        return f"{metres * 1000:.4g} mm" if units == "metric" else f"{to_face('small_length', metres, 'us'):.3g} in"

    rows = []
    for line in volumes["lines"]:
        section = "" if line["section"] is None else f" {line['section']}"
        place = f"to section{section}" if line["carries"] == "section" and section else CARRIES[line["carries"]]
        if line["carries"] == "boom" and section:
            place = f"along nozzles of section{section}"
        rows.append(
            (
                line["name"],
                f"{line['count']} x {bore(line['inner_diameter_m'])} x {text('length', line['length_m'], units)}",
                vol(line["volume_l"]),
                place,
            )
        )
    rows.append(("sump, pump and filters", "", vol(volumes["held_l"]), "whole flow"))
    rows.append(("nozzle bodies", "", vol(volumes["nozzle_bodies_l"]), ""))
    count = volumes["dead_ends"]
    ends = {None: "dead ends", 0: "no dead ends", 1: "1 dead end"}.get(count, f"{count} dead ends")
    total = "swept by flow, known parts" if None in (volumes["held_l"], volumes["nozzle_bodies_l"]) else "swept by flow"
    wide = max(len(name) for name in (total, ends, *(row[0] for row in rows)))
    size = max(len(row[1]) for row in rows)
    out = ["WHAT IT HOLDS"]
    out += [f"  {a:<{wide}}  {b:<{size}}  {c:>10}  {d}".rstrip() for a, b, c, d in rows]
    out.append(f"  {total:<{wide + size + 2}}  {vol(volumes['swept_l']):>10}")
    tail = "" if count == 0 else "  flow passes them by: open their caps, or they feed old product back"
    out.append(f"  {ends:<{wide + size + 2}}  {vol(volumes['dead_end_l']):>10}{tail}")
    return out


def _flow_words(flow: dict[str, Any], units: UnitSystem) -> str:
    from swathledger.words.numbers import text

    amount = text("flow", flow["flow_l_s"], units, digits=1)
    speed = text("speed", flow["speed_m_s"], units)
    return {
        "given": f"Times are for the flow given, {amount}.",
        "nozzle": f"Times are for {amount}: the machine's nozzles times their flow in [plumbing].",
        "rate": f"Times are for {amount}: the set rate over the whole boom at {speed}.",
        "rate and assumed speed": f"Times are for {amount}: the set rate over the whole boom at {speed}, an ASSUMED "
        "speed; give --speed-km-h, --speed-mph or a flow.",
        "unknown": "Times are unknown: give --flow-l-min, or nozzle_flow_l_min in [plumbing], or a set rate in [rate].",
    }[flow["source"]]


def _recirculating(found: dict[str, Any], vol: Any) -> list[str]:
    between = f"{vol(found['returned_low_l'])} to {vol(found['returned_high_l'])}"
    if found["recirculates"]:
        words = f"  This boom recirculates: priming through the return keeps {between} off the ground."
    elif found["recirculates"] is None:
        words = f"  Whether this boom recirculates is unknown. A boom that does would return {between} to the tank."
    else:
        words = f"  This boom does not recirculate. One that does would return {between} to the tank."
    still = f"{vol(found['still_poured_low_l'])} to {vol(found['still_poured_high_l'])}"
    if found["nozzle_bodies_known"]:
        rest = f"  Still out of the nozzles: {still}."
    elif found["still_poured_low_l"] > 0:
        rest = f"  Still out of the nozzles: {still}, and the content of the nozzle bodies (unknown)."
    else:
        rest = "  Still out of the nozzles: the content of the nozzle bodies (unknown)."
    return ["RECIRCULATING", words, rest]


def _rinsing(found: dict[str, Any] | None, vol: Any) -> list[str]:
    if found is None:
        return ["RINSE", "  Nothing is held, so nothing is to be rinsed."]
    tank = found["rinse_tank_l"]
    out = [
        "RINSE",
        f"  From full strength down to {_pct(found['residue'])} with {vol(found['residual_l'])} left in the system "
        f"each time; rinse tank {vol(tank)}.",
        f"    {'rinses':>6}  {'water each':>11}  {'water in all':>12}  {'fits the tank':>13}  "
        f"{'left, whole tank used':>21}",
    ]
    for row in found["rows"]:
        fits = {True: "yes", False: "no", None: "unknown"}[row["fits"]]
        left = "unknown" if row["residue_with_tank"] is None else _pct(row["residue_with_tank"])
        mark = "  <- planned" if row["rinses"] == found["planned"]["rinses"] else ""
        out.append(
            f"    {row['rinses']:>6}  {vol(row['water_each_l']):>11}  {vol(row['water_total_l']):>12}  {fits:>13}  "
            f"{left:>21}{mark}"
        )
    if tank is not None and found["fewest_that_fit"] is None:
        out.append(
            "  The rinse tank holds too little for any of these: refill it, drain the lines first, or count on "
            "the last column only."
        )
    out.append(f"  Running the water through steadily instead would take {vol(found['continuous_water_l'])}.")
    return out


def _closing(document: dict[str, Any]) -> list[str]:
    out = []
    if document["assumptions"]:
        out += ["", "ASSUMED", *(f"  - {note}" for note in document["assumptions"])]
    return [*out, "", "CAUTION", *(f"  - {note}" for note in document["cautions"])]
