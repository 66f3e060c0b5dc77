"""The lists ``alarm`` and ``action`` of ``ledger.json``: what must be looked at first, and what to do about it."""

from __future__ import annotations

from swathledger.documents.document import Table


class LedgerAlarm(Table, frozen=True, kw_only=True):
    """Something that may harm, whatever it is worth; see :mod:`swathledger.advice.alarms`.

    ``distance_m`` is to the exclusion or boundary that ``alarm`` names; null where it does not apply or is not known.
    """

    alarm: str
    area_m2: float | None = None
    volume_l: float | None = None
    distance_m: float | None = None
    product: str | None = None


class LedgerAction(Table, frozen=True, kw_only=True):
    """Something to do, and what it would have saved on this very drive; see :mod:`swathledger.advice.actions`.

    ``low_l`` and ``high_l`` hold what it would have saved in ``level`` of drives, null where that is not known;
    ``found_by`` says how it was found: ``replay``, ``ledger``, ``log`` or ``fit``. ``value`` is what to set, in the
    unit that the action has, null where nothing is to be set. ``missed_m2`` is ground that would not
    have been missed, null where that is none.
    """

    action: str
    found_by: str
    saved_l: float | None = None
    saved_m2: float | None = None
    saved_money: float | None = None
    low_l: float | None = None
    high_l: float | None = None
    level: float | None = None
    layout: str | None = None
    value: float | None = None
    missed_m2: float | None = None
