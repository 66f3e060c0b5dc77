"""The text that ``swathledger payback`` prints."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from swathledger.units import QUANTITIES
from swathledger.words import words
from swathledger.words.numbers import text

if TYPE_CHECKING:
    from swathledger.units import UnitSystem

BAR = 16
_MOST_SET_ASIDE = 8


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


def _t(key: str, /, **values: object) -> str:
    return words().line(f"payback.{key}", **values)


def _years(value: float | None) -> str:
    return _t("never") if value is None else _t("years", n=f"{value:.1f}")


def _between(low: str, high: str) -> str:
    return low if low == high else _t("between", low=low, high=high)


def _ordered(low: float | None, high: float | None) -> tuple[float | None, float | None]:
    """Smaller first; "never" last."""
    if low is None or (high is not None and high < low):
        return high, low
    return low, high


def _area(value: float, units: UnitSystem) -> str:
    small = value < 100 * QUANTITIES["area"].face(units).si_per_unit
    return text("area", value, units, 1 if small else 0)


def _price_of(kind: str, value: float | None, units: UnitSystem, currency: str, digits: int) -> str:
    """Money an area or a volume."""
    face = QUANTITIES[kind].face(units)
    return _t("none") if value is None else f"{value * face.si_per_unit:,.{digits}f} {currency}/{face.symbol}"


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
        *closing(document),
    ]


def _head(document: dict[str, Any]) -> list[str]:
    ledgers, baseline, aside = document["ledgers"], document["baseline"], document["ledgers"]["set_aside"]
    known = words().find("payback.baseline")
    base = known.get(baseline) or _t("layout", name=repr(baseline))
    fields, jobs = _t("fields", count=ledgers["fields"]), _t("jobs", count=ledgers["used"])
    out = [
        _t("head", layout=repr(document["layout"]), base=base),
        _t("from", jobs=jobs, fields=fields, area=_area(ledgers["covered_m2"], document["units"])),
    ]
    out += [_t("not_used", name=item["name"], reason=item["reason"]) for item in aside[:_MOST_SET_ASIDE]]
    if len(aside) > _MOST_SET_ASIDE:
        out.append(_t("not_used_more", n=len(aside) - _MOST_SET_ASIDE))
    return out + [_t("warning", text=warning) for warning in document["warnings"]]


def _held(interval: dict[str, Any]) -> dict[str, str]:
    """Level of an interval, and what it is over."""
    return {"level": f"{100 * interval['level']:g}", "holds": _t("holds." + interval["holds"])}


def _saving(document: dict[str, Any]) -> list[str]:
    saving, currency, units = document["saving"], document["currency"], document["units"]
    interval = saving["interval"]
    out = [
        "",
        _t("saving"),
        _t(
            "product",
            amount=money(saving["product_a_year"], currency),
            share=f"{100 * saving['share_saved']:.3g}",
            area=_area(document["case"]["area_a_year_m2"], units),
        ),
    ]
    out.append(_t("best", read=f"{100 * saving['share_read']:.3g}") if saving["estimated"] else _t("read"))
    if saving["product_low"] is not None:
        ends = _between(money(saving["product_low"], currency), money(saving["product_high"], currency))
        drawn = _t("drawn." + interval["drawn"], count=interval["fields"])
        key = "interval_errors" if interval["holds"] == "errors" else "interval"
        out.append(_t(key, ends=ends, drawn=drawn, draws=f"{interval['resamples']:,}", seed=interval["seed"],
                      **_held(interval)))  # fmt: skip
    if saving["steps"]:
        out.append(_t("steps"))
        for line in saving["steps"]:
            paid = _t("paid_from") if line["step"] == document["baseline"] else ""
            out.append(f"    {100 * line['share']:+6.2f} %  {_t('step.' + line['step'])}{paid}")
    for key in ("prime", "rinse"):
        found = document[key]
        if found is not None:
            seen = key == "prime" and found["seen"]
            out.append(
                _t(
                    "kept." + key,
                    amount=money(saving[f"{key}_a_year"], currency),
                    times=f"{found['times_a_year']:,.3g}",
                    litres=text("volume", found["litres_each"], units, 1),
                    seen=_t("seen", n=found["seen"], measured=found["measured"]) if seen else "",
                )
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
    rows.append((_t("net"), "", money(budget["net"], currency, sign=True, digits=2)))
    wide = [max(len(row[k]) for row in rows) for k in range(3)]
    out = [f"  {label:<{wide[0]}}  {how:<{wide[1]}}  {amount:>{wide[2]}}" for label, how, amount in rows]
    return ["", _t("budget"), *out[:-1], f"  {'-' * (sum(wide) + 4)}", out[-1]]


def _pays(document: dict[str, Any]) -> list[str]:
    result, currency, units, case = document["result"], document["currency"], document["units"], document["case"]
    low, high = result["low"], result["high"]

    def spread(key: str, show: Any) -> str:
        if low is None or high is None:
            return ""
        ends = _ordered(low[key], high[key])
        return _t("spread", ends=_between(show(ends[0]), show(ends[1])))

    def amount(value: float) -> str:
        return money(value, currency)

    rate, whole = result["internal_rate_of_return"], result["break_even_units"]
    area = f"{whole:,} {QUANTITIES['area'].face(units).symbol}" if whole else ""
    return [
        "",
        _t("when"),
        *([] if low is None else [_t("spreads", **_held(document["saving"]["interval"]))]),
        _t("verdict.yes" if result["net_present_value"] > 0 else "verdict.no", years=f"{case['life_years']:g}"),
        _t("row.payback", value=_years(result["simple_payback_years"]), spread=spread("simple_payback_years", _years)),
        *(
            [
                _t(
                    "row.interest",
                    value=_years(result["discounted_payback_years"]),
                    interest=f"{100 * case['interest']:g}",
                )
            ]
            if case["interest"]
            else []
        ),
        _t("row.value", value=amount(result["net_present_value"]), spread=spread("net_present_value", amount)),
        _t("row.rate_none") if rate is None else _t("row.rate", value=f"{100 * rate:.1f}"),
        _t("row.even_without")
        if whole == 0
        else _t(
            "row.even",
            area=_t("even.no_area" if whole is None else "even.area", area=area),
            cost=_price_of("area", result["break_even_product_cost_per_m2"], units, currency, 2),
            now=_price_of("area", case["product_cost_per_m2"], units, currency, 2),
        ),
    ]


def _input(name: str, value: float, document: dict[str, Any]) -> str:
    units, currency = document["units"], document["currency"]
    if name == "area_a_year_m2":
        return _area(value, units)
    if name == "product_cost_per_m2":
        return _price_of("area", value, units, currency, 2)
    if name in {"saved_share", "interest"}:
        return f"{100 * value:.3g} %"
    if name in {"prime_saved_l_a_year", "rinse_saved_l_a_year"}:
        return text("volume", value, units, 0)
    if name == "life_years":
        return _t("years", n=f"{value:g}")
    if name == "spray_cost_per_l":
        return _price_of("volume", value, units, currency, 3)
    return money(value, currency)


def _tornado(document: dict[str, Any]) -> list[str]:
    rows = [row for row in document["tornado"] if row["swing"] > 0]
    if not rows:
        return []
    currency = document["currency"]
    base = rows[0]["outcome_base"]
    widest = max(max(abs(row["outcome_low"] - base), abs(row["outcome_high"] - base)) for row in rows)
    lines = []
    for row in rows:
        ends = (row["outcome_low"], row["outcome_high"])
        left = round(BAR * (base - min(*ends, base)) / widest) if widest > 0 else 0
        right = round(BAR * (max(*ends, base) - base) / widest) if widest > 0 else 0
        lines.append(
            (
                _t("input." + row["name"]),
                _t("between", low=_input(row["name"], row["low"], document),
                   high=_input(row["name"], row["high"], document)),
                f"{'#' * left:>{BAR}}|{'#' * right:<{BAR}}",
                _t("between", low=money(ends[0], currency, sign=True), high=money(ends[1], currency, sign=True)),
            )
        )  # fmt: skip
    wide = [max(len(line[k]) for line in lines) for k in range(2)]
    head = _t("matters", base=money(base, currency, sign=True))
    if document["saving"]["product_low"] is not None:
        head += "\n" + _t("matters_saved", **_held(document["saving"]["interval"]))
    return ["", head, *(f"  {a:<{wide[0]}}  {b:<{wide[1]}}  {bar}  {d}" for a, b, bar, d in lines)]


def _season(document: dict[str, Any]) -> list[str]:
    units, balance, standing = document["units"], document["balance"], document["standing"]

    def vol(litres: float | None) -> str:
        return text("volume", litres, units, 1)

    out = []
    if balance is not None:
        rows = [(_t("litres.logged"), balance["logged_l"]), (_t("litres.on_target"), balance["on_target_l"])]
        rows += [(words().line("cause.name." + row["cause"]), row["volume_l"]) for row in balance["by_cause"]]
        rows.append((_t("litres.standing"), balance["standing_l"]))
        rows.append((_t("litres.unexplained"), balance["unexplained_l"]))
        wide = max(len(vol(value)) for _, value in rows)
        lines = [f"  {name:<30}  {vol(value):>{wide}}" for name, value in rows]
        if balance["unexplained_pct"] is not None:
            lines[-1] += _t("litres.share", pct=f"{balance['unexplained_pct']:+.2f}")
        out += ["", _t("litres.head", jobs=_t("jobs", count=balance["jobs"])), *lines]
        if balance["jobs_without_litres"]:
            out.append(_t("litres.without", n=balance["jobs_without_litres"]))
    if standing["likely_primes"] or standing["litres_l"]:
        grams = standing["active_g"]
        active = "" if grams is None else _t("poured.active", grams=f"{grams:,.0f}")
        out += [
            "",
            _t("poured.head"),
            _t("poured.measured", litres=vol(standing["litres_l"]), active=active, more=standing["unmeasured"]),
            _t("poured.primes", n=standing["likely_primes"], measured=standing["measured_primes"]),
            *_kept(standing, vol),
            _t("poured.caution"),
        ]
    return out


def _kept(standing: dict[str, Any], vol: Any) -> list[str]:
    """What a recirculating boom would have kept, as far as the ledgers' machines tell."""
    measured = standing["recirculating_would_keep_l"]
    low, high = (standing[f"recirculating_would_keep_estimated_{end}_l"] for end in ("low", "high"))
    parts = [] if measured is None else [_t("poured.of_measured", litres=vol(measured))]
    if low is not None and high is not None:
        parts.append(_t("poured.of_others", low=vol(low), high=vol(high)))
    return [_t("poured.kept", parts=_t("poured.and").join(parts))] if parts else []


def closing(document: dict[str, Any]) -> list[str]:
    """What was assumed, and the cautions."""
    t, out = words(), []
    if document["assumptions"]:
        out += ["", t.line("terminal.assumed"), *(f"  - {note}" for note in document["assumptions"])]
    return [*out, "", t.line("terminal.caution"), *(f"  - {note}" for note in document["cautions"])]
