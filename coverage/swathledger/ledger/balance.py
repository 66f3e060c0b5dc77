"""Mass balance: logged = on target + over-applied by cause + standing + unexplained."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from swathledger.grid.causes import LAID
from swathledger.ledger.accounting import Volumes

__all__ = ["LAID", "Balance", "balance_of", "sum_of"]


@dataclass(frozen=True, slots=True)
class Balance:
    """Litres of a job, or of many. ``logged_l = on_target_l + over_applied_l + standing_l + unexplained_l``.

    Attributes
    ----------
    logged_l : float
        What the log says left the boom.
    on_target_l : float
        First treatment of target ground.
    by_cause_l : mapping of cause to float
        Over-application laid while driving.
    standing_l : float or None
        Poured at standstill; None where the log records none of the litres: it then is no part of ``logged_l`` either,
        and counts as nothing in the balance.
    """

    logged_l: float
    on_target_l: float
    by_cause_l: Mapping[str, float]
    standing_l: float | None

    @property
    def over_applied_l(self) -> float:
        """All causes laid while driving."""
        return math.fsum(self.by_cause_l.values())

    @property
    def unexplained_l(self) -> float:
        """What is logged and not found on any ground; negative where more is found than logged."""
        return self.logged_l - self.on_target_l - self.over_applied_l - (self.standing_l or 0.0)

    @property
    def unexplained_pct(self) -> float | None:
        """The same as a share of what was logged, per cent; None where nothing was logged."""
        return 100.0 * self.unexplained_l / self.logged_l if self.logged_l > 0 else None


def balance_of(volumes: Volumes, *, standing_known: bool = True) -> Balance:
    """The balance of one job."""
    return Balance(
        volumes.logged_l,
        volumes.target_l,
        {cause: volumes.by_cause_l[cause] for cause in LAID},
        volumes.standing_l if standing_known else None,
    )


def sum_of(balances: Iterable[Balance]) -> Balance | None:
    """The balance of many jobs; None of none. Standing litres are None where no job knows them."""
    listed = list(balances)
    if not listed:
        return None
    standing = [balance.standing_l for balance in listed if balance.standing_l is not None]
    return Balance(
        math.fsum(balance.logged_l for balance in listed),
        math.fsum(balance.on_target_l for balance in listed),
        {cause: math.fsum(balance.by_cause_l.get(cause, 0.0) for balance in listed) for cause in LAID},
        math.fsum(standing) if standing else None,
    )
