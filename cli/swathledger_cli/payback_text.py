"""The text that ``swathledger payback`` prints."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from swathledger.units import QUANTITIES
from swathledger.words.numbers import text

if TYPE_CHECKING:
    from swathledger.units import UnitSystem

INPUTS = {
    "price": "price of the retrofit",
    "life_years": "life",
    "interest": "interest",
    "area_a_year_m2": "ground sprayed a year",
    "product_cost_per_m2": "product cost",
    "saved_share": "share of product saved",
    "maintenance_a_year": "maintenance",
    "salvage": "salvage value",
    "prime_saved_l_a_year": "spray kept, priming",
    "rinse_saved_l_a_year": "spray kept, rinsing",
    "spray_cost_per_l": "product in the spray",
    "other_saving_a_year": "other saving",
}
BASELINES = {
    "resolution": "today's groups: resolution alone, under one model and at equal cover",
    "logged": "what was logged",
    "model": "today's layout under the controller model",
}
STEPS = {
    "model": "from what was done to today's layout under the model",
    "timing": "timing: today's valves against the layout's",
    "resolution": "resolution: the groups alone",
    "floor": "left to a valve for every cell",
}
CAUSES = {
    "outside": "outside the boundary",
    "excluded": "on excluded ground",
    "turn": "twice in turns",
    "restart": "twice at restarts",
    "guidance": "twice beside passes",
    "crossing": "twice at headlands and points",
}
BAR = 16


def money(value: float, currency: str, *, sign: bool = False, digits: int = 0) -> str:
    """An amount with its currency, thousands separated.

    Examples
    --------
    >>> money(-1234.5, "ABC", sign=True, digits=2)
    '-1,234.50 ABC'
    """
    number = f"{value:{'+' if sign else ''},.{digits}f}"
    if not number.strip("+-0.,"):
        number = number.lstrip("+-")
    return f"{number} {currency}"


def _years(value: float | None) -> str:
    return "never" if value is None else f"{value:.1f} years"


def _between(low: str, high: str) -> str:
    return low if low == high else f"{low} to {high}"


def _ordered(low: float | None, high: float | None) -> tuple[float | None, float | None]:
    """Smaller first; "never" last."""
    if low is None or (high is not None and high < low):
        return high, low
    return low, high


def _area(value: float, units: UnitSystem) -> str:
    small = value < 100 * QUANTITIES["area"].face(units).si_per_unit
    return text("area", value, units, digits=1 if small else 0)


def _per_area(value: float | None, units: UnitSystem, currency: str, digits: int = 2) -> str:
    face = QUANTITIES["area"].face(units)
    return "none" if value is None else f"{value * face.si_per_unit:,.{digits}f} {currency}/{face.symbol}"


def _factor(factor: dict[str, Any]) -> str:
    value, unit = factor["value"], factor["unit"]
    if unit == "share":
        return f"{100 * value:.5g} %"
    if unit == "1/year":
        return f"{value:.6f}" if "factor" in factor["what"] else f"{100 * value:g} %"
    digits = (1 if unit in {"ha", "ac", "L", "gal"} else 2) if abs(value) >= 1000 else 2 if abs(value) >= 100 else 4
    number = f"{value:,.{digits}f}"
    return f"{number.rstrip('0').rstrip('.')} {unit}"


def render(document: dict[str, Any]) -> list[str]:
    """Lines of the text that a person reads."""
    return [
        *_head(document),
        *_saving(document),
        *_budget(document),
        *_pays(document),
        *_tornado(document),
        *_season(document),
        *_closing(document),
    ]


def _head(document: dict[str, Any]) -> list[str]:
    units, ledgers = document["units"], document["ledgers"]
    base = BASELINES.get(document["baseline"], f"the layout {document['baseline']!r}")
    fields = f"{ledgers['fields']} field{'s' if ledgers['fields'] != 1 else ''}"
    jobs = f"{ledgers['used']} job{'s' if ledgers['used'] != 1 else ''}"
    out = [
        f"PAYBACK of {document['layout']!r} shutoff against {base}",
        f"  From {jobs} on {fields}, {_area(ledgers['covered_m2'], units)} of ground sprayed.",
    ]
    out += [f"  Not used: {item['name']}: {item['reason']}." for item in ledgers["set_aside"][:8]]
    if len(ledgers["set_aside"]) > 8:
        out.append(f"  Not used: {len(ledgers['set_aside']) - 8} more, see --json.")
    out += [f"  NOTE  {warning}" for warning in document["warnings"]]
    return out


def _saving(document: dict[str, Any]) -> list[str]:
    saving, currency, units = document["saving"], document["currency"], document["units"]
    case, interval = document["case"], saving["interval"]
    out = [
        "",
        "SAVING A YEAR",
        f"  Product no longer over-applied: {money(saving['product_a_year'], currency)}, "
        f"{100 * saving['share_saved']:.3g} % of the product on {_area(case['area_a_year_m2'], units)}.",
    ]
    if saving["product_low"] is not None:
        out.append(
            f"  As far as these fields tell, with {100 * interval['level']:g} % confidence: "
            f"{_between(money(saving['product_low'], currency), money(saving['product_high'], currency))} "
            f"({interval['fields']} fields drawn {interval['resamples']:,} times, seed {interval['seed']})."
        )
    if saving["steps"]:
        out.append("  The way from what was done, at equal cover (share of the product):")
        for line in saving["steps"]:
            paid = "  <- paid from" if line["step"] == document["baseline"] else ""
            out.append(f"    {100 * line['share']:+6.2f} %  {STEPS[line['step']]}{paid}")
    for key, word in (("prime", "priming"), ("rinse", "rinsing")):
        found = document[key]
        if found is not None:
            note = ""
            if key == "prime" and found["seen"]:
                note = f"; the ledgers show {found['seen']}, {found['measured']} of them measured"
            out.append(
                f"  Spray kept in the tank by {word} through a return: {money(saving[f'{key}_a_year'], currency)}, "
                f"{found['times_a_year']:,.3g} x {text('volume', found['litres_each'], units, digits=1)}{note}."
            )
    return out


def _budget(document: dict[str, Any]) -> list[str]:
    currency, budget = document["currency"], document["budget"]
    rows = [
        (
            line["label"],
            " x ".join(_factor(factor) for factor in line["factors"]),
            money(line["amount"] if line["gain"] else -line["amount"], currency, sign=True, digits=2),
        )
        for line in budget["lines"]
    ]
    rows.append(("net of a year", "", money(budget["net"], currency, sign=True, digits=2)))
    wide = [max(len(row[k]) for row in rows) for k in range(3)]
    out = ["", "PARTIAL BUDGET OF A YEAR (each line is the product of its numbers)"]
    for number, (label, how, amount) in enumerate(rows):
        if number == len(rows) - 1:
            out.append(f"  {'-' * (sum(wide) + 4)}")
        out.append(f"  {label:<{wide[0]}}  {how:<{wide[1]}}  {amount:>{wide[2]}}")
    return out


def _pays(document: dict[str, Any]) -> list[str]:
    result, currency, units, case = document["result"], document["currency"], document["units"], document["case"]
    low, high = result["low"], result["high"]

    def spread(key: str, show: Any) -> str:
        if low is None or high is None:
            return ""
        ends = _ordered(low[key], high[key])
        return f"  (interval: {_between(show(ends[0]), show(ends[1]))})"

    def amount(value: float) -> str:
        return money(value, currency)

    rate = result["internal_rate_of_return"]
    whole = result["break_even_units"]
    unit = QUANTITIES["area"].face(units).symbol
    even = "no area would do" if whole is None else f"{whole:,} {unit} a year"
    if whole == 0:
        even = "any: priming, rinsing and other savings pay for it alone"
    verdict = (
        "pays for itself within its life"
        if result["net_present_value"] > 0
        else ("does not pay for itself within its life")
    )
    return [
        "",
        "WHEN IT PAYS",
        f"  On these numbers it {verdict} of {case['life_years']:g} years.",
        f"  Payback           {_years(result['simple_payback_years'])}{spread('simple_payback_years', _years)}",
        f"  With interest     {_years(result['discounted_payback_years'])} at {100 * case['interest']:g} %",
        f"  Present value     {amount(result['net_present_value'])} over its life{spread('net_present_value', amount)}",
        f"  Rate of return    {'none' if rate is None else f'{100 * rate:.1f} % a year'}",
        f"  Breaks even at    {even}, or at products of "
        f"{_per_area(result['break_even_product_cost_per_m2'], units, currency)} an application "
        f"(now {_per_area(case['product_cost_per_m2'], units, currency)})",
    ]


def _input(name: str, value: float, document: dict[str, Any]) -> str:
    units, currency = document["units"], document["currency"]
    if name == "area_a_year_m2":
        return _area(value, units)
    if name == "product_cost_per_m2":
        return _per_area(value, units, currency)
    if name in {"saved_share", "interest"}:
        return f"{100 * value:.3g} %"
    if name in {"prime_saved_l_a_year", "rinse_saved_l_a_year"}:
        return text("volume", value, units, digits=0)
    if name == "life_years":
        return f"{value:g} years"
    if name == "spray_cost_per_l":
        face = QUANTITIES["volume"].face(units)
        return f"{value * face.si_per_unit:.3f} {currency}/{face.symbol}"
    return money(value, currency)


def _tornado(document: dict[str, Any]) -> list[str]:
    rows = [row for row in document["tornado"] if row["swing"] > 0]
    if not rows:
        return []
    currency = document["currency"]
    base = rows[0]["outcome_base"]
    widest = max(max(abs(row["outcome_low"] - base), abs(row["outcome_high"] - base)) for row in rows)
    stands = money(base, currency, sign=True)
    out = ["", f"WHAT MATTERS MOST (net of a year, {stands} as it stands; one input at a time)"]
    lines = []
    for row in rows:
        ends = (row["outcome_low"], row["outcome_high"])
        left = round(BAR * (base - min(*ends, base)) / widest) if widest > 0 else 0
        right = round(BAR * (max(*ends, base) - base) / widest) if widest > 0 else 0
        lines.append(
            (
                INPUTS.get(row["name"], row["name"]),
                f"{_input(row['name'], row['low'], document)} to {_input(row['name'], row['high'], document)}",
                f"{'#' * left:>{BAR}}|{'#' * right:<{BAR}}",
                f"{money(ends[0], currency, sign=True)} to {money(ends[1], currency, sign=True)}",
            )
        )
    wide = [max(len(line[k]) for line in lines) for k in range(2)]
    out += [f"  {a:<{wide[0]}}  {b:<{wide[1]}}  {bar}  {d}" for a, b, bar, d in lines]
    return out


def _season(document: dict[str, Any]) -> list[str]:
    units, balance, standing = document["units"], document["balance"], document["standing"]

    def vol(litres: float | None) -> str:
        return text("volume", litres, units, digits=1)

    out = []
    if balance is not None:
        jobs = f"{balance['jobs']} job{'s' if balance['jobs'] != 1 else ''}"
        rows = [("logged", balance["logged_l"]), ("on target", balance["on_target_l"])]
        rows += [(CAUSES.get(row["cause"], row["cause"]), row["volume_l"]) for row in balance["by_cause"]]
        rows += [("poured at standstill", balance["standing_l"]), ("unexplained", balance["unexplained_l"])]
        wide = max(len(vol(value)) for _, value in rows)
        out += ["", f"WHERE THE LITRES WENT ({jobs} that log rate or flow)"]
        for name, value in rows:
            pct = balance["unexplained_pct"]
            tail = f"  ({pct:+.2f} % of the logged)" if name == "unexplained" and pct is not None else ""
            out.append(f"  {name:<30}  {vol(value):>{wide}}{tail}")
        if balance["jobs_without_litres"]:
            out.append(f"  {balance['jobs_without_litres']} more log neither rate nor flow.")
    if standing["likely_primes"] or standing["litres_l"]:
        grams = standing["active_g"]
        active = "" if grams is None else f", {grams:,.0f} g of active ingredient"
        out += [
            "",
            "STANDING DISCHARGES",
            f"  Measured: {vol(standing['litres_l'])}{active}; {standing['unmeasured']} more without litres in the "
            "log.",
            f"  Likely primes: {standing['likely_primes']}, {standing['measured_primes']} of them measured.",
            *_kept(standing, vol),
            "  Prime and rinse water is pesticide: keep it off bare ground, away from wells, drains and water.",
        ]
    return out


def _kept(standing: dict[str, Any], vol: Any) -> list[str]:
    """What a recirculating boom would have kept, as far as the ledgers' machines tell."""
    measured = standing["recirculating_would_keep_l"]
    low, high = (standing[f"recirculating_would_keep_estimated_{end}_l"] for end in ("low", "high"))
    parts = [] if measured is None else [f"{vol(measured)} of the measured"]
    if low is not None and high is not None:
        parts.append(f"{vol(low)} to {vol(high)} of the others, by the sizes of the lines")
    return [f"  A recirculating boom would have kept {' and '.join(parts)}."] if parts else []


def _closing(document: dict[str, Any]) -> list[str]:
    out = []
    if document["assumptions"]:
        out += ["", "ASSUMED", *(f"  - {note}" for note in document["assumptions"])]
    return [*out, "", "CAUTION", *(f"  - {note}" for note in document["cautions"])]
