"""The ledgers of a season as money reads them: what each layout laid, what products cost, what was poured."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from swathledger.documents.document import load, reason
from swathledger.documents.ledger import Ledger, LedgerEstimate
from swathledger.documents.poured import LedgerStanding, StandingPrime
from swathledger.documents.replay import LedgerLayout
from swathledger.errors import InputError
from swathledger.estimate.shared import Part, line_of, parts_of, stretch_of
from swathledger.ledger.balance import LAID, Balance

LOGGED = "logged"
MODEL = "model"
RESOLUTION = "resolution"
"""Baselines beside labels of the replay."""


@dataclass(frozen=True, slots=True)
class PrimeSeen:
    """A likely prime of a ledger.

    Attributes
    ----------
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
    """One ledger of a season.

    Attributes
    ----------
    name : str
        Folder of the ledger, relative to the season's.
    client : str
        Folder of the client; "" where there is none.
    """

    name: str
    client: str
    ledger: Ledger

    @property
    def field(self) -> str:
        """Client folder and field: jobs on one field are not independent of each other."""
        return f"{self.client}/{self.ledger.field.id}"

    @property
    def covered_m2(self) -> float:
        """Target ground treated at least once."""
        return self.ledger.area.covered_m2

    @property
    def laid(self) -> Mapping[str, LedgerLayout]:
        """Layouts by label; ``logged`` what was really done, ``model`` the log's own layout under the model."""
        model = self.ledger.model
        own = {} if model is None else {LOGGED: model.as_logged, MODEL: model.logged_layout}
        return {row.label: row for row in self.ledger.replay} | own

    @property
    def trusted(self) -> bool | None:
        """Whether the model agrees with the log well enough; None where that is not known."""
        return None if self.ledger.model is None else self.ledger.model.trusted

    @property
    def derived(self) -> bool:
        """Whether the boundary was derived from the ground covered."""
        return self.ledger.field.boundary == "derived"

    @property
    def cost_per_m2(self) -> float | None:
        """Money of all products of one application."""
        return None if self.ledger.product is None else self.ledger.product.cost_per_m2

    @property
    def currency(self) -> str | None:
        """Of that money."""
        return None if self.ledger.product is None else self.ledger.product.currency

    @property
    def spray_rate_l_m2(self) -> float | None:
        """Of the products' table, else the set rate, else the mean of what was laid; None where nothing tells."""
        product, volume, model = self.ledger.product, self.ledger.volume, self.ledger.model
        if product is not None and product.spray_rate_l_m2:
            return product.spray_rate_l_m2
        if volume is not None and volume.set_rate_l_m2:
            return volume.set_rate_l_m2
        if model is None or model.as_logged.volume_l is None or model.as_logged.applied_m2 <= 0:
            return None
        return model.as_logged.volume_l / model.as_logged.applied_m2

    @property
    def balance(self) -> Balance | None:
        """Mass balance; None where no litres are known."""
        table = self.ledger.balance
        if table is None:
            return None
        by_cause = {row.cause: row.volume_l for row in table.by_cause}
        laid = {cause: by_cause.get(cause, 0.0) for cause in LAID}
        return Balance(table.logged_l, table.on_target_l, laid, table.standing_l)

    @property
    def primes(self) -> tuple[PrimeSeen, ...]:
        """Likely primes."""
        standing = self.ledger.standing
        return () if standing is None else tuple(_prime(row, standing) for row in standing.likely_primes)

    def errors_of(self, line: LedgerEstimate, number: str = "") -> tuple[Part, ...]:
        """Errors of one headline, each with the jobs that share it; ``number`` tells jobs of one name apart."""
        made = self.ledger.provenance
        lines = self.ledger.estimate or ()
        return parts_of(line, lines, job=number or self.name, machine=made.machine, client=self.client)

    def spared_m2(self, baseline: str, layout: str) -> float | None:
        """Ground's worth of product at the set rate that ``layout`` lays less than ``baseline``; None: not replayed.

        From litres where both are known, else from ground. Negative where the layout lays more. The baseline
        ``resolution`` stands for the line of that name: groups alone, under one model and at equal cover.
        """
        if baseline == RESOLUTION:
            return self.step_m2(layout, RESOLUTION)
        base, fine = self.laid.get(baseline), self.laid.get(layout)
        if base is None or fine is None:
            return None
        if base.volume_l is not None and fine.volume_l is not None and self.spray_rate_l_m2:
            return (base.volume_l - fine.volume_l) / self.spray_rate_l_m2
        return base.applied_m2 - fine.applied_m2

    def best_spared_m2(self, baseline: str, layout: str) -> tuple[float, tuple[Part, ...]] | None:
        """:meth:`spared_m2` by the best estimate, with its errors; None where there is no estimate of it.

        There are estimates against ``resolution`` and ``logged``; per cent of what was done.
        """
        quantity = {RESOLUTION: "saved_pct:", LOGGED: "saved_vs_log_pct:"}.get(baseline)
        line = None if quantity is None else line_of(self.ledger.estimate or (), quantity + layout)
        row, done = self.laid.get(layout), self.laid.get(LOGGED)
        if line is None or line.best is None or row is None or done is None:
            return None
        step = row.step(RESOLUTION) if baseline == RESOLUTION else None
        litres = row.volume_l if step is None else step.saved_l
        rate, whole = self.spray_rate_l_m2, done.applied_m2
        if litres is not None and done.volume_l is not None and rate:
            whole = done.volume_l / rate
        stretch = max(stretch_of(line))
        errors = tuple(part.times(stretch * whole / 100.0) for part in self.errors_of(line))
        return line.best * whole / 100.0, errors

    def step_m2(self, layout: str, step: str) -> float | None:
        """Ground's worth of product that one line of a layout's saving spares; None where it has no such line."""
        row = self.laid.get(layout)
        line = None if row is None else row.step(step)
        if line is None:
            return None
        rate = self.spray_rate_l_m2
        return line.saved_l / rate if line.saved_l is not None and rate else line.saved_m2


@dataclass(frozen=True, slots=True)
class SetAsideLedger:
    """A ledger that is not used, and why."""

    name: str
    reason: str


def _prime(row: StandingPrime, standing: LedgerStanding) -> PrimeSeen:
    start, day = row.start or "", None
    if start:
        try:
            seconds = datetime.fromisoformat(start).timestamp()
        except ValueError:
            start = ""
        else:
            day = math.floor((seconds + row.longitude * 240.0) / 86400.0)  # four minutes of sun a degree
    unseen = standing.unmeasured_primes
    low, high = standing.recirculating_would_keep_estimated_low_l, standing.recirculating_would_keep_estimated_high_l
    return PrimeSeen(
        row.occasion,
        day,
        start,
        row.litres_l,
        low / unseen if low is not None and unseen else None,
        high / unseen if high is not None and unseen else None,
    )


def find_ledgers(folder: Path) -> list[Path]:
    """Every ``ledger.json`` in a folder and below it, sorted; hidden folders are left out."""

    def walk(place: Path) -> Iterator[Path]:
        for item in sorted(place.iterdir()):
            if item.is_dir() and not item.is_symlink() and not item.name.startswith("."):
                yield from walk(item)
            elif item.name == "ledger.json" and item.is_file():
                yield item

    return list(walk(folder))


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
            found.append(JobLedger(name, client, load(Ledger, path)))
        except InputError as error:
            aside.append(SetAsideLedger(name, reason(error)))
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
    for job in ledgers:
        for prime in job.primes:
            if prime.occasion == "first_of_day" and prime.day is not None:
                firsts.setdefault((job.ledger.provenance.machine, prime.day), []).append(prime)
            else:
                out.append(prime)
    for same in firsts.values():
        measured = [prime for prime in same if prime.litres is not None]
        out += measured or [min(same, key=lambda prime: prime.start)]
    return out
