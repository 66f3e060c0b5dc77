"""What every report is made from: one audited field."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from swathledger.checkup.checkup import Checkup
    from swathledger.documents.advice import LedgerAction
    from swathledger.estimate.carrier import Estimate
    from swathledger.field.field import Field
    from swathledger.fitted.carrier import Setup
    from swathledger.ledger.accounting import Accounting
    from swathledger.log.log import Log
    from swathledger.machine.machine import Machine
    from swathledger.money.account import ProductAccount
    from swathledger.notes import Note
    from swathledger.plumbing.job import StandingJob
    from swathledger.settings import AuditSettings
    from swathledger.shutoff.results import Replay
    from swathledger.swath.swath import Swath


Progress = Callable[[str, float], None]
"""Is told what is being done and which share of it is done, 0..1."""


@dataclass(frozen=True, slots=True)
class Prepared:
    """Everything that accounting needs, read and rebuilt; the settings have no None left.

    ``checkup`` is None where the log was made by the program and not by a machine; ``setup`` where the drive is too
    long to be looked at.
    """

    log: Log
    machine: Machine
    field: Field
    swath: Swath
    settings: AuditSettings
    assumptions: tuple[Note, ...]
    checkup: Checkup | None = None
    setup: Setup | None = None


@dataclass(frozen=True, slots=True)
class Audit:
    """All carriers of one audited field, with the settings as they came out.

    Attributes
    ----------
    log, machine, field, swath, accounting
        The carriers of the stages.
    replay : Replay or None
        None where no outlet groups were asked for.
    settings : AuditSettings
        With no None left: cell, gap and tolerance as used.
    assumptions : tuple of Note
        Every guess that was made, in the order of the stages, without repeats.
    standing : StandingJob or None
        Standing discharges, likely primes and stops; None: not looked for.
    products : ProductAccount or None
        None where neither machine file nor log names a product.
    estimate : Estimate or None
        Best estimates and intervals of the headlines; None: not asked for, or nothing to estimate.
    checkup : Checkup or None
        Whether the log is fit to use; None: not looked into.
    actions : tuple of LedgerAction
        What the drive says of the machine's set-up, with what it would have saved.
    by_hand : bool
        Whether a hand may have switched the sections.
    """

    log: Log
    machine: Machine
    field: Field
    swath: Swath
    accounting: Accounting
    replay: Replay | None
    settings: AuditSettings
    assumptions: tuple[Note, ...]
    standing: StandingJob | None = None
    products: ProductAccount | None = None
    estimate: Estimate | None = None
    checkup: Checkup | None = None
    actions: tuple[LedgerAction, ...] = ()
    by_hand: bool = True
