"""Alarms and actions of a job as a page tells them."""

from __future__ import annotations

from typing import Any

from markupsafe import Markup

from swathledger.report.numbers import Figures, layout_words
from swathledger.words import Words
from swathledger.words.numbers import shown

FIRST = 3
"""So many actions stand at the top of a page; the rest are folded away."""
VALUES = {
    "keep_off": "small_area",
    "look_again": "small_area",
    "catch_primes": "count",
    "controller_offset": "length",
    "shut_off": "seconds",
    "open": "seconds",
    "spacing": "length",
    "sideways": "length",
}
"""Kinds of quantity of what is to be set."""
WAYS = ("controller_offset", "shut_off", "open", "sideways", "spacing")
"""Actions whose value has a direction: late, right and wider are above 0."""


def alarm_words(figures: Figures, t: Words) -> list[Markup]:
    """Every alarm in a sentence."""
    out = []
    for i, alarm in enumerate(figures.get("alarm") or []):
        path = f"alarm/{i}"
        values: dict[str, Any] = {
            "area": figures.number(f"{path}/area_m2", "small_area"),
            "litres": figures.number(f"{path}/volume_l", "volume"),
            "distance": figures.number(f"{path}/distance_m", "length", 0),
            "product": alarm["product"],
        }
        name = alarm["alarm"]
        with_litres = name == "excluded" or name.startswith("standing")
        form = "alarm.unmeasured." if with_litres and alarm["volume_l"] is None else "alarm.known."
        told = t(f"{form}{name}", **values)
        if "job" in alarm:  # of a season: whose it is
            out.append(t("alarm.of_job", field=alarm["field"], told=told))
        elif name != "over_label":
            out.append(told)
    if "jobs" in figures.document:
        return out
    # Doses stand with their product: results that are older than alarms have them too.
    for i, product in enumerate(figures.get("product/products") or []):
        if product["label"]["over_m2"]:
            over = figures.number(f"product/products/{i}/label/over_m2", "small_area")
            out.append(t("alarm.known.over_label", area=over, product=product["name"]))
    return out


def _value(action: dict[str, Any], path: str, figures: Figures) -> Markup | None:
    """What to set, or how much there is of it, in the unit that the action has."""
    kind = VALUES.get(action["action"])
    value = action["value"]
    if kind is None or value is None:
        return None
    digits = 1 if kind == "seconds" else 2 if kind == "length" else None
    # "line": the words say which way, the number how far
    return figures.element(f"{path}/value", f"line:{kind}", value, shown(kind, abs(value), figures.system, digits))


def _way(name: str, value: float | None) -> str:
    """Where the words of an action stand: by its direction, or without a value over a season."""
    if name not in WAYS:
        return "action.do."
    if value is None:
        return "action.season."
    return "action.late." if value > 0 else "action.early."


def action_rows(figures: Figures, t: Words) -> list[dict[str, Any]]:
    """Every action: what to do, what it would have saved, how it was found."""
    rows = []
    for i, action in enumerate(figures.get("action") or []):
        path, name = f"action/{i}", action["action"]
        way = _way(name, action["value"])
        layout = None if action["layout"] is None else layout_words(action["layout"], t, sentence=True)
        rows.append(
            {
                "name": name,
                "words": t(f"{way}{name}", layout=layout, value=_value(action, path, figures)),
                "help": t(f"action.help.{name}"),
                "saves": _saves(action, path, figures, t),
                "jobs": figures.number(f"{path}/jobs", "count") if "jobs" in action else None,
                "found": t(f"action.found.{action['found_by']}"),
            }
        )
    return rows


def _currency(figures: Figures) -> str | None:
    """Of the job's products, or of the season where it has one alone."""
    amounts = figures.get("totals/money")
    if amounts is None:
        code: str | None = figures.get("product/currency")
        return code
    return amounts[0]["currency"] if len(amounts) == 1 else None


def _saves(action: dict[str, Any], path: str, figures: Figures, t: Words) -> Markup | None:
    """What an action would have done: spray saved, ground not missed; None where neither is known."""
    saved = _spared(action, path, figures, t)
    if action.get("missed_m2") is None:
        return None if saved is None else t("action.saves", saved=saved)
    missed = figures.number(f"{path}/missed_m2", "small_area")
    if saved is None:
        return t("action.treats", missed=t("action.missed_only", missed=missed))
    return t("action.saves", saved=t("action.and_missed", saved=saved, missed=missed))


def _spared(action: dict[str, Any], path: str, figures: Figures, t: Words) -> Markup | None:
    """Spray that an action would have saved, with its interval and its worth."""
    if action["saved_l"] is None:
        return None if action["saved_m2"] is None else figures.number(f"{path}/saved_m2", "small_area")
    saved = figures.number(f"{path}/saved_l", "volume", 0 if action["saved_l"] >= 10 else 1)
    if action.get("low_l") is not None and action.get("high_l") is not None:
        digits = 0 if action["high_l"] >= 10 else 1
        ends = {end: figures.number(f"{path}/{end}_l", "volume", digits) for end in ("low", "high")}
        saved = t("action.range", litres=saved, **ends)
    if action["saved_money"] is None or _currency(figures) is None:
        return saved
    money = figures.money(f"{path}/saved_money", _currency(figures))
    return t("action.and_money", litres=saved, money=money)
