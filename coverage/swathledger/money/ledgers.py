"""Reading the ledgers of a season back: what each layout spared, what products cost, what was poured."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from swathledger.errors import InputError
from swathledger.ledger.balance import LAID, Balance

SCHEMA = "swathledger/ledger/1"
LOGGED = "logged"
MODEL = "model"


@dataclass(frozen=True, slots=True)
class Laid:
    """What one layout laid: litres (None where unknown) and ground, each time counted, m2."""

    volume_l: float | None
    applied_m2: float


@dataclass(frozen=True, slots=True)
class PrimeSeen:
    """A likely prime of a ledger.

    Attributes
    ----------
    occasion : str
    day : int or None
        Number of the local solar day; None where the log has no absolute time.
    start : str
        UTC, ISO 8601; "" where not known.
    litres : float or None
        Measured litres; None where the log does not tell.
    returned_low_l, returned_high_l : float or None
        Bracket of what a return to the tank keeps of one prime, from the ledger's machine; None where its lines are
        not known, or all of its primes are measured.
    """

    occasion: str
    day: int | None
    start: str
    litres: float | None
    returned_low_l: float | None = None
    returned_high_l: float | None = None


@dataclass(frozen=True, slots=True)
class JobLedger:
    """The part of one ``ledger.json`` that money needs.

    Attributes
    ----------
    name : str
        Folder of the ledger, relative to the season's.
    field : str
        Client folder and field: jobs on one field are not independent of each other.
    machine : str
    covered_m2 : float
        Target ground treated at least once.
    laid : mapping of str to Laid
        By layout label; ``logged`` what was really done, ``model`` the log's own layout under the controller model.
    agreement_pct : float or None
    trusted : bool or None
        Whether the model agrees with the log well enough; None where that is not known.
    derived : bool
        Whether the boundary was derived from the ground covered.
    spray_rate_l_m2, cost_per_m2 : float or None
    currency : str or None
    balance : Balance or None
    standing_l : float or None
    measured, unmeasured : int
        Standing discharges with and without measured litres.
    standing_active_g, standing_money : float or None
        What the standing litres held.
    primes : tuple of PrimeSeen
    kept_l : float or None
        Of the measured primes, what a recirculating boom would have kept.
    """

    name: str
    field: str
    machine: str
    covered_m2: float
    laid: Mapping[str, Laid]
    agreement_pct: float | None
    trusted: bool | None
    derived: bool
    spray_rate_l_m2: float | None
    cost_per_m2: float | None
    currency: str | None
    balance: Balance | None
    standing_l: float | None
    measured: int
    unmeasured: int
    standing_active_g: float | None
    standing_money: float | None
    primes: tuple[PrimeSeen, ...]
    kept_l: float | None

    def spared_m2(self, baseline: str, layout: str) -> float | None:
        """Ground's worth of product at the set rate that ``layout`` lays less than ``baseline``; None: not replayed.

        From litres where both are known, else from ground. Negative where the layout lays more.
        """
        base, fine = self.laid.get(baseline), self.laid.get(layout)
        if base is None or fine is None:
            return None
        if base.volume_l is not None and fine.volume_l is not None and self.spray_rate_l_m2:
            return (base.volume_l - fine.volume_l) / self.spray_rate_l_m2
        return base.applied_m2 - fine.applied_m2


@dataclass(frozen=True, slots=True)
class SetAsideLedger:
    """A ledger that is not used, and why."""

    name: str
    reason: str


def find_ledgers(folder: Path) -> list[Path]:
    """Every ``ledger.json`` in a folder and below it, sorted; hidden folders are left out."""

    def walk(place: Path) -> Iterator[Path]:
        for item in sorted(place.iterdir()):
            if item.is_dir() and not item.is_symlink() and not item.name.startswith("."):
                yield from walk(item)
            elif item.name == "ledger.json" and item.is_file():
                yield item

    return list(walk(folder))


def _number(value: Any) -> float | None:
    good = isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)
    return float(value) if good else None


def _table(value: Any) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


def _rows(value: Any) -> list[dict[str, Any]]:
    return [item for item in value if isinstance(item, dict)] if isinstance(value, list) else []


def _laid(row: dict[str, Any]) -> Laid | None:
    applied = _number(row.get("applied_m2"))
    return None if applied is None else Laid(_number(row.get("volume_l")), applied)


def _prime(row: dict[str, Any], standing: dict[str, Any]) -> PrimeSeen:
    start = row.get("start") if isinstance(row.get("start"), str) else ""
    longitude, day = _number(row.get("longitude")), None
    if start and longitude is not None:
        try:
            seconds = datetime.fromisoformat(start).timestamp()
        except ValueError:
            start = ""
        else:
            day = math.floor((seconds + longitude * 240.0) / 86400.0)  # four minutes of sun a degree
    unmeasured = _number(standing.get("unmeasured_primes"))
    low, high = (_number(standing.get(f"recirculating_would_keep_estimated_{end}_l")) for end in ("low", "high"))
    return PrimeSeen(
        str(row.get("occasion", "")),
        day,
        start or "",
        _number(row.get("litres_l")),
        low / unmeasured if low is not None and unmeasured else None,
        high / unmeasured if high is not None and unmeasured else None,
    )


def _balance(document: dict[str, Any]) -> Balance | None:
    table = _table(document.get("balance"))
    logged, target = _number(table.get("logged_l")), _number(table.get("on_target_l"))
    if logged is None or target is None:
        return None
    by_cause = {str(row.get("cause")): _number(row.get("volume_l")) or 0.0 for row in _rows(table.get("by_cause"))}
    standing = _number(table.get("standing_l"))
    return Balance(logged, target, {cause: by_cause.get(cause, 0.0) for cause in LAID}, standing)


def ledger_from(document: Any, name: str, client: str = "") -> JobLedger:
    """Read a document of ``ledger.json``; what a ledger of an earlier version lacks is not known.

    Raises
    ------
    InputError
        It is no ledger.
    """
    table = _table(document)
    if table.get("schema") != SCHEMA:
        raise InputError(f"is no ledger: its schema is {table.get('schema')!r}.", file=name)
    area, model, product = (_table(table.get(key)) for key in ("area", "model", "product"))
    standing, volume, field = (_table(table.get(key)) for key in ("standing", "volume", "field"))
    covered = _number(area.get("covered_m2"))
    if covered is None:
        raise InputError("does not say how much ground was covered.", file=name)
    named = [(str(row.get("label")), row) for row in _rows(table.get("replay"))]
    named += [(LOGGED, _table(model.get("as_logged"))), (MODEL, _table(model.get("logged_layout")))]
    laid = {label: found for label, row in named if (found := _laid(row)) is not None}
    rate = _number(product.get("spray_rate_l_m2")) or _number(volume.get("set_rate_l_m2"))
    done = laid.get(LOGGED)
    if rate is None and done is not None and done.volume_l is not None and done.applied_m2 > 0:
        rate = done.volume_l / done.applied_m2
    trusted = model.get("trusted")
    currency = product.get("currency")
    poured = _table(product.get("standing"))
    return JobLedger(
        name=name,
        field=f"{client}/{field.get('id')}",
        machine=str(_table(table.get("provenance")).get("machine", "")),
        covered_m2=covered,
        laid=laid,
        agreement_pct=_number(model.get("section_seconds_agreement_pct")),
        trusted=trusted if isinstance(trusted, bool) else None,
        derived=field.get("boundary") == "derived",
        spray_rate_l_m2=rate,
        cost_per_m2=_number(product.get("cost_per_m2")),
        currency=currency if isinstance(currency, str) else None,
        balance=_balance(table),
        standing_l=_number(standing.get("litres_l")),
        measured=int(_number(standing.get("measured")) or 0),
        unmeasured=int(_number(standing.get("unmeasured")) or 0),
        standing_active_g=_number(poured.get("active_g")),
        standing_money=_number(poured.get("money")),
        primes=tuple(_prime(row, standing) for row in _rows(standing.get("likely_primes"))),
        kept_l=_number(standing.get("recirculating_would_keep_l")),
    )


def read_ledgers(folder: Path) -> tuple[list[JobLedger], list[SetAsideLedger]]:
    """Read every ledger below a folder; those that cannot be read are set aside by name.

    Raises
    ------
    InputError
        There is none.
    """
    found: list[JobLedger] = []
    aside: list[SetAsideLedger] = []
    for path in find_ledgers(folder):
        inner = path.parent.relative_to(folder)
        name = inner.as_posix() if inner.parts else path.parent.name
        client = inner.parts[-2] if len(inner.parts) > 1 else ""
        try:
            found.append(ledger_from(json.loads(path.read_bytes()), name, client))
        except OSError as error:
            aside.append(SetAsideLedger(name, f"cannot be read ({error.strerror or error})"))
        except (ValueError, RecursionError):
            aside.append(SetAsideLedger(name, "ledger.json is no JSON; run the audit again"))
        except InputError as error:
            aside.append(SetAsideLedger(name, error.what))
    if not found:
        what = "there is no ledger.json in this folder or below it."
        if aside:
            what = f"none of {len(aside)} ledgers can be used; {aside[0].name}: {aside[0].reason}."
        raise InputError(what, file=str(folder), hint="Give the folder that `season` or `audit` wrote.")
    return found, aside


def distinct_primes(ledgers: Sequence[JobLedger]) -> list[PrimeSeen]:
    """Likely primes of a season.

    A log that begins in the middle of a day makes its first spray look like the day's first. Of the unmeasured first
    sprays of one machine's day only the earliest counts, and none where one of that day was measured.
    """
    out: list[PrimeSeen] = []
    firsts: dict[tuple[str, int], list[PrimeSeen]] = {}
    for ledger in ledgers:
        for prime in ledger.primes:
            if prime.occasion == "first_of_day" and prime.day is not None:
                firsts.setdefault((ledger.machine, prime.day), []).append(prime)
            else:
                out.append(prime)
    for same in firsts.values():
        measured = [prime for prime in same if prime.litres is not None]
        out += measured or [min(same, key=lambda prime: prime.start)]
    return out
