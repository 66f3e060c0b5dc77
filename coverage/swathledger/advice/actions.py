"""Actions: what would have saved most on this very drive, the most first. Nothing is listed without evidence."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import msgspec

from swathledger.documents.advice import LedgerAction
from swathledger.documents.ledger import Ledger, LedgerEstimate

LEAST_SHARE: Final = 0.0005
"""An action that saves less than this share of what was laid is not worth a line."""
LEAST_AGAIN_M2: Final = 25.0
"""Less missed ground than this is not worth a look."""


def actions_of(
    ledger: Ledger, fitted: Iterable[LedgerAction] = (), *, by_hand: bool = True
) -> tuple[LedgerAction, ...]:
    """What to do, by what it would have saved: by money where prices are known, else litres, else ground.

    Parameters
    ----------
    ledger : Ledger
    fitted : iterable of LedgerAction
        What the drive says of the machine's set-up, see :mod:`swathledger.advice.setup`.
    by_hand : bool
        Whether a hand may have switched the sections; where a controller did, its delays say what the model's own line
        would.

    Returns
    -------
    tuple of LedgerAction
        ``look_again`` last: it saves nothing, and names ground that was missed.
    """
    set_up = [_priced(action, ledger) for action in fitted]
    switching = _switching(ledger) if by_hand else []
    found = [*set_up, *_resolution(ledger), *switching, *_exclusions(ledger), *_primes(ledger)]
    least = LEAST_SHARE * (ledger.area.applied_m2 if ledger.volume is None else ledger.volume.applied_l)
    worth = sorted(
        (action for action in found if _size(action, ledger) > least), key=lambda action: -_size(action, ledger)
    )
    again = ledger.area.skip_beyond_tolerance_m2
    last = [LedgerAction(action="look_again", found_by="ledger", value=again)] if again >= LEAST_AGAIN_M2 else []
    return (*worth, *last)


def _priced(action: LedgerAction, ledger: Ledger) -> LedgerAction:
    return msgspec.structs.replace(action, saved_money=money_of(ledger, action.saved_l))


def _size(action: LedgerAction, ledger: Ledger) -> float:
    """What actions are ranked by: litres, or ground where the log tells none.

    Ground that was missed weighs as what would have gone on it. Products cost the same a litre all over a field, so
    litres rank as money does.
    """
    missed = action.missed_m2 or 0.0
    if ledger.volume is None:
        return (action.saved_m2 or 0.0) + missed
    applied = ledger.area.applied_m2
    return (action.saved_l or 0.0) + (missed * ledger.volume.applied_l / applied if applied > 0 else 0.0)


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
    saved = step.saved_l if best is None else best
    low, high = litres(None if about is None else about.low), litres(None if about is None else about.high)
    # no layout saves more than was over-applied, whatever the model lays of its own
    most_m2 = ledger.area.over_application_m2
    most_l = None if ledger.volume is None else ledger.volume.over_applied_l
    if saved is not None and most_l is not None:
        saved, low, high = (None if value is None else min(value, most_l) for value in (saved, low, high))
    money = step.saved_money
    if saved is not None and step.saved_l and money is not None:
        money *= saved / step.saved_l
    return [
        LedgerAction(
            action="finer_groups", found_by="replay", saved_l=saved, saved_m2=min(step.saved_m2, most_m2),
            saved_money=money, low_l=low, high_l=high, level=None if about is None else about.level,
            layout=layout.label,
        )
    ]  # fmt: skip


def _switching(ledger: Ledger) -> list[LedgerAction]:
    """Today's groups switched as the model would: what hand switching, or valves that do not keep to the file, cost.

    Of what the log reads, that which its rows add of themselves is taken off: the estimate's saving against the log,
    less that of resolution. The ends of its interval are those of the saving against the log, less the same.
    """
    label = None if ledger.model is None else ledger.model.claimed_by
    layout = next((row for row in ledger.replay if row.label == label), None)
    step = None if layout is None else layout.step("model")
    if step is None or step.saved_m2 <= 0:
        return []
    whole, finer = _estimate(ledger, f"saved_vs_log_pct:{label}"), _estimate(ledger, f"saved_pct:{label}")
    litres, low, high, level = step.saved_l, None, None, None
    if whole is not None and finer is not None and litres is not None and whole.best is not None:
        per_pct = _per_pct(ledger)
        timing = layout.step("timing") if layout is not None else None
        rest = (finer.best or 0.0) * per_pct + (0.0 if timing is None else timing.saved_l or 0.0)
        litres = whole.best * per_pct - rest
        low = None if whole.low is None else max(whole.low * per_pct - rest, 0.0)
        high = None if whole.high is None else whole.high * per_pct - rest
        level = whole.level
    if litres is not None and litres <= 0:
        return []
    return [
        LedgerAction(
            action="switching", found_by="replay", saved_l=litres, saved_m2=step.saved_m2,
            saved_money=money_of(ledger, litres), low_l=low, high_l=high, level=level,
        )
    ]  # fmt: skip


def _per_pct(ledger: Ledger) -> float:
    """Litres of one per cent of what was laid; what left the boom at a standstill is in no saving."""
    volume = ledger.volume
    return 0.0 if volume is None else (volume.applied_l - (volume.standing_l or 0.0)) / 100.0


def _exclusions(ledger: Ledger) -> list[LedgerAction]:
    """Keep off waterways and strips: what was laid inside exclusions."""
    area = ledger.area.excluded_m2
    if area <= 0:
        return []
    litres = None if ledger.volume is None else ledger.volume.excluded_l
    about = _estimate(ledger, "excluded_pct")

    def end(pct: float | None) -> float | None:
        return None if litres is None or about is None or not about.read or pct is None else litres * pct / about.read

    low, high = (None, None) if about is None else (end(about.low), end(about.high))
    return [
        LedgerAction(
            action="keep_off", found_by="ledger", saved_l=litres, saved_m2=area, saved_money=money_of(ledger, litres),
            value=area, low_l=low, high_l=high, level=None if low is None or about is None else about.level,
        )
    ]  # fmt: skip


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
