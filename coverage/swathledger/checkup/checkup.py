"""The carrier of the check-up: a log as it will be used, and what speaks against it."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal

from swathledger.log.log import Log
from swathledger.log.quality import LogReport
from swathledger.notes import Measure, Note

Fitness = Literal["fit", "doubtful", "unfit"]
Weight = Literal["told", "doubtful", "unfit"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was found.

    Attributes
    ----------
    note : Note
        What it is, and what to do about it.
    weight : {"told", "doubtful", "unfit"}
        ``"told"``: changes no figure, and is told with the assumptions. ``"doubtful"``: something was set aside and
        replaced, or two readings are possible. ``"unfit"``: the figures would be of another drive than the true one.
    """

    note: Note
    weight: Weight


@dataclass(frozen=True, slots=True)
class Counted:
    """A quantity of the drive by two ways.

    Attributes
    ----------
    driven : float
        From positions, states and widths: m2, or L from rate and area.
    recorded : float
        By the machine's own counter (m2) or flow meter (L).
    step : float
        What the recorder cannot tell apart: the counter's own step; 0 where it has none.
    """

    driven: float
    recorded: float
    step: float = 0.0

    @property
    def difference_pct(self) -> float | None:
        """Recorded less driven, per cent of driven; None where nothing was driven."""
        return 100.0 * (self.recorded - self.driven) / self.driven if self.driven > 0 else None

    def document(self) -> dict[str, float | None]:
        """As plain JSON values."""
        return {**asdict(self), "difference_pct": self.difference_pct}


@dataclass(frozen=True, slots=True)
class Checkup:
    """What the check-up made of a log.

    Attributes
    ----------
    log : Log
        As it will be used: headings or speeds that cannot be true are left out.
    findings : tuple of Finding
    report : LogReport
        Figures of the log, with the verdict over all findings.
    counter_m2, flow_l : Counted or None
        The machine's own counter and flow meter; None where the log has none.
    """

    log: Log
    findings: tuple[Finding, ...]
    report: LogReport
    counter_m2: Counted | None = None
    flow_l: Counted | None = None

    @property
    def verdict(self) -> Fitness:
        """The worst of what was found."""
        return self.report.verdict

    @property
    def why(self) -> tuple[Note, ...]:
        """What the verdict rests on, the worst first."""
        return (*self.report.reasons, *self.report.doubts)

    @property
    def notes(self) -> tuple[Note, ...]:
        """Everything that was found, in order."""
        return tuple(finding.note for finding in self.findings)

    def counted(self) -> dict[str, Any]:
        """What the machine's own counters say, as plain JSON values."""
        both = {"counter_m2": self.counter_m2, "flow_l": self.flow_l}
        return {name: None if found is None else found.document() for name, found in both.items()}


def pct(share: float) -> Measure:
    """A share of one in per cent."""
    return Measure(100.0 * share, "pct")
