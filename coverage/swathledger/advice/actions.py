"""Actions: what would have saved most on this very drive, the most first. Nothing is listed without evidence."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import msgspec

from swathledger.documents.advice import LedgerAction
from swathledger.documents.ledger import Ledger, LedgerEstimate

LEAST_SHARE: Final = 0.0005
"""An action that saves less than this share of what was laid is not worth a line."""
TIMED: Final = ("controller_offset", "shut_off", "open")
"""Actions on when sections move."""
LEAST_AGAIN_M2: Final = 25.0
"""Less missed ground than this is not worth a look."""


def actions_of(ledger: Ledger, fitted: Iterable[LedgerAction] = ()) -> tuple[LedgerAction, ...]:
    """What to do, by what it would have saved: by money where prices are known, else litres, else ground.

    Parameters
    ----------
    ledger : Ledger
    fitted : iterable of LedgerAction
        What the drive says of the machine's set-up, see :mod:`swathledger.advice.setup`.

    Returns
    -------
    tuple of LedgerAction
        ``look_again`` last: it saves nothing, and names ground that was missed.
    """
    set_up = [_priced(action, ledger) for action in fitted]
    # Delays read from the log say more exactly what the model's own line says of switching as a whole.
    timed = any(action.action in TIMED for action in set_up)
    switching = [] if timed else _switching(ledger)
    found = [*set_up, *_resolution(ledger), *switching, *_exclusions(ledger), *_primes(ledger)]
    laid = ledger.area.applied_m2 if ledger.volume is None else ledger.volume.applied_l
    least = LEAST_SHARE * laid
    worth = [action for action in found if (_size(action, ledger) or 0.0) > least]
    worth.sort(key=lambda action: -(_size(action, ledger) or 0.0))
    again = ledger.area.skip_beyond_tolerance_m2
    last = [LedgerAction(action="look_again", found_by="ledger", value=again)] if again >= LEAST_AGAIN_M2 else []
    return (*worth, *last)


def _priced(action: LedgerAction, ledger: Ledger) -> LedgerAction:
    return msgspec.structs.replace(action, saved_money=money_of(ledger, action.saved_l))


def _size(action: LedgerAction, ledger: Ledger) -> float | None:
    """What actions are ranked by. Products cost the same a litre all over a field, so litres rank as money does."""
    return action.saved_m2 if ledger.volume is None else action.saved_l


def money_of(ledger: Ledger, litres: float | None) -> float | None:
    """Worth of spray; None where litres or prices are not known."""
    product = ledger.product
    cost = None if product is None else product.cost_per_l
    return None if litres is None or cost is None else litres * cost


def _estimate(ledger: Ledger, quantity: str) -> LedgerEstimate | None:
    lines = ledger.estimate or ()
    return next((line for line in lines if line.quantity == quantity and line.best is not None), None)


def _resolution(ledger: Ledger) -> list[LedgerAction]:
    """Finer groups: the layout whose resolution the replay claims, with its interval."""
    label = None if ledger.model is None else ledger.model.claimed_by
    layout = next((row for row in ledger.replay if row.label == label), None)
    step = None if layout is None else layout.step("resolution")
    if layout is None or step is None or step.saved_m2 <= 0:
        return []
    about = _estimate(ledger, f"saved_pct:{label}")

    def litres(pct: float | None) -> float | None:
        """A share of what was done as litres, by what the replay's own share comes to."""
        if about is None or not about.read or pct is None or step.saved_l is None:
            return None
        return step.saved_l * pct / about.read

    best = litres(None if about is None else about.best)
    money = step.saved_money
    if best is not None and step.saved_l and money is not None:
        money *= best / step.saved_l
    return [
        LedgerAction(
            action="finer_groups", found_by="replay", saved_l=step.saved_l if best is None else best,
            saved_m2=step.saved_m2, saved_money=money, low_l=litres(None if about is None else about.low),
            high_l=litres(None if about is None else about.high), level=None if about is None else about.level,
            layout=layout.label,
        )
    ]  # fmt: skip


def _switching(ledger: Ledger) -> list[LedgerAction]:
    """Today's groups switched as the model would: what hand switching, or valves that do not keep to the file, cost."""
    label = None if ledger.model is None else ledger.model.claimed_by
    layout = next((row for row in ledger.replay if row.label == label), None)
    step = None if layout is None else layout.step("model")
    if step is None or step.saved_m2 <= 0:
        return []
    return [
        LedgerAction(
            action="switching", found_by="replay", saved_l=step.saved_l, saved_m2=step.saved_m2,
            saved_money=step.saved_money,
        )
    ]  # fmt: skip


def _exclusions(ledger: Ledger) -> list[LedgerAction]:
    """Keep off waterways and strips: what was laid inside exclusions."""
    area = ledger.area.excluded_m2
    if area <= 0:
        return []
    litres = None if ledger.volume is None else ledger.volume.excluded_l
    money = money_of(ledger, litres)
    return [
        LedgerAction(action="keep_off", found_by="ledger", saved_l=litres, saved_m2=area, saved_money=money, value=area)
    ]


def _primes(ledger: Ledger) -> list[LedgerAction]:
    """Catch primes instead of pouring them out: those whose litres were measured."""
    standing = ledger.standing
    if standing is None or standing.recirculates:
        return []
    litres = [prime.litres_l for prime in standing.likely_primes if prime.measured and prime.litres_l is not None]
    if not litres:
        return []
    total = sum(litres)
    return [
        LedgerAction(
            action="catch_primes", found_by="log", saved_l=total, saved_money=money_of(ledger, total),
            value=float(len(litres)),
        )
    ]  # fmt: skip
