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
@options.setting(
    "--strength",
    click.FloatRange(0, 1, min_open=True, max_open=True),
    "SHARE",
    "Share of full strength that ends the prime in the mixed model.",
    default=0.95,
)
@options.setting(
    "--residue",
    click.FloatRange(0, 1, min_open=True, max_open=True),
    "SHARE",
    "Share of the first strength that may be left after rinsing.",
    default=0.02,
)
@options.setting(
    "--rinses",
    click.IntRange(1, 50),
    "N",
    "Rinses to plan. Default: the fewest that the rinse tank holds water for, else 3.",
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


def _t(key: str, /, **values: object) -> str:
    from swathledger.words import words

    return words().line(f"prime.{key}", **values)


def _pct(share: float) -> str:
    return f"{100 * share:.3g} %"


def render(document: dict[str, Any], units: UnitSystem) -> list[str]:
    """Lines of the text that a person reads."""
    from swathledger.text import duration
    from swathledger.words.numbers import text
    from swathledger_cli.payback_text import closing

    def vol(litres: float | None) -> str:
        return text("volume", litres, units, 1)

    out = [_t("head", machine=document["machine"], n=document["nozzles"], sections=len(document["sections"])), ""]
    if document["prime"] is None:
        return [*out, _t("no_plumbing"), *closing(document)]
    out += _held(document["volumes"], units)
    prime, flow = document["prime"], document["flow"]
    waits = [row["plug_l"] for row in prime["sections"]]
    alike = max(waits) - min(waits) <= 1e-9 * max(waits)
    where = _t("alike") if alike and len(waits) > 1 else _t("in_section", n=prime["governing_section"])
    plug, mixed = (f"{duration(prime[key], _t('no_time')):>14}" for key in ("plug_s", "mixed_s"))
    out += [
        "",
        _t("open_spared" if document["recirculation"]["recirculates"] else "open"),
        _t("leaves", where=where),
        _t("least", litres=f"{vol(prime['plug_l']):>10}", time=plug),
        _t("most", litres=f"{vol(prime['mixed_l']):>10}", time=mixed, strength=_pct(prime["strength"])),
    ]
    if prime["plug_product_l"] > 1e-9 * prime["plug_l"]:
        out.append(_t("product_already", litres=vol(prime["plug_product_l"])))
    flows = {"flow": text("flow", flow["flow_l_s"], units, 1), "speed": text("speed", flow["speed_m_s"], units)}
    source = "assumed_speed" if flow["source"].endswith("speed") else flow["source"]
    out.append(_t(f"flow.{source}", **flows))
    if prime["mixed_l"] < prime["plug_l"]:
        out.append(_t("mixed_first"))
    tank_l = document["volumes"]["tank_l"]
    out += ["", *_recirculating(document["recirculation"], tank_l, vol), "", *_rinsing(document["rinse"], vol)]
    return [*out, *closing(document)]


def _held(volumes: dict[str, Any], units: UnitSystem) -> list[str]:
    from swathledger.units import to_face
    from swathledger.words.numbers import text

    def vol(litres: float | None) -> str:
        return text("volume", litres, units, 1)

    def bore(metres: float) -> str:
        return f"{metres * 1000:.4g} mm" if units == "metric" else f"{to_face('small_length', metres, 'us'):.3g} in"

    rows = []
    for line in volumes["lines"]:
        carries = line["carries"]
        if line["section"] is not None and carries != "all":
            carries = {"section": "one_section", "boom": "one_boom"}[carries]
        size = f"{line['count']} x {bore(line['inner_diameter_m'])} x {text('length', line['length_m'], units)}"
        rows.append((line["name"], size, vol(line["volume_l"]), _t(f"carries.{carries}", n=line["section"])))
    rows.append((_t("held"), "", vol(volumes["held_l"]), _t("carries.all")))
    rows.append((_t("bodies"), "", vol(volumes["nozzle_bodies_l"]), ""))
    count = volumes["dead_ends"]
    ends = (
        _t("dead_ends_some") if count is None else _t("dead_ends_none") if count == 0 else _t("dead_ends", count=count)
    )
    total = _t("swept_known" if None in (volumes["held_l"], volumes["nozzle_bodies_l"]) else "swept")
    wide = max(len(name) for name in (total, ends, *(row[0] for row in rows)))
    size_wide = max(len(row[1]) for row in rows)
    last = wide + size_wide + 2
    return [
        _t("holds"),
        *(f"  {a:<{wide}}  {b:<{size_wide}}  {c:>10}  {d}".rstrip() for a, b, c, d in rows),
        f"  {total:<{last}}  {vol(volumes['swept_l']):>10}",
        f"  {ends:<{last}}  {vol(volumes['dead_end_l']):>10}{'' if count == 0 else _t('dead_ends_help')}",
    ]


def _recirculating(found: dict[str, Any], tank_l: float | None, vol: Any) -> list[str]:
    between = {"low": vol(found["returned_low_l"]), "high": vol(found["returned_high_l"])}
    still = {"low": vol(found["still_poured_low_l"]), "high": vol(found["still_poured_high_l"])}
    whether = {True: "yes", False: "no", None: "unknown"}[found["recirculates"]]
    rest = "known" if found["nozzle_bodies_known"] else "more" if found["still_poured_low_l"] > 0 else "bodies"
    out = [_t("recirculating"), _t("return." + whether, **between), _t("still." + rest, **still)]
    if found["content_returned_l"] > 0:
        strength = found["strength_after_return"]
        words = {"water": vol(found["content_returned_l"]), "tank": vol(tank_l)}
        out.append(_t("after_rinse.product", litres=vol(found["product_after_rinse_l"])))
        out.append(
            _t("after_rinse.unknown", **words)
            if strength is None
            else _t("after_rinse.known", **words, strength=_pct(strength))
        )
    return out


def _rinsing(found: dict[str, Any] | None, vol: Any) -> list[str]:
    if found is None:
        return [_t("rinse"), _t("rinse_nothing")]
    tank = found["rinse_tank_l"]
    out = [
        _t("rinse"),
        _t("rinse_from", residue=_pct(found["residue"]), left=vol(found["residual_l"]), tank=vol(tank)),
        _t("rinse_columns"),
    ]
    for row in found["rows"]:
        fits = _t({True: "fits", False: "fits_not", None: "unknown"}[row["fits"]])
        left = _t("unknown") if row["residue_with_tank"] is None else _pct(row["residue_with_tank"])
        mark = _t("planned") if row["rinses"] == found["planned"]["rinses"] else ""
        out.append(
            f"    {row['rinses']:>6}  {vol(row['water_each_l']):>11}  {vol(row['water_total_l']):>12}  {fits:>13}  "
            f"{left:>21}{mark}"
        )
    if tank is not None and found["fewest_that_fit"] is None:
        out.append(_t("rinse_too_little"))
    return [*out, _t("rinse_steady", litres=vol(found["continuous_water_l"]))]
