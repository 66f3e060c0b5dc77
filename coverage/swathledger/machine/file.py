"""The machine file as a whole, and those of its tables that become another part than they are written as."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from swathledger.machine.keys import file_model, key
from swathledger.machine.machine import Antenna, Errors, Hitch, LogOptions, ReplaySettings, Valves
from swathledger.machine.plumbing import Plumbing
from swathledger.machine.products import ProductTable


@dataclass(frozen=True, slots=True)
class BoomTable:
    """``[boom]``: nozzles and sections, numbered from the left, looking forward."""

    nozzle_count: int | None = key("nozzles on the boom", least=1, most=2000, shown="count, 1 to 2,000")
    nozzle_spacing_m: float | None = key("distance between nozzles, 0.05 to 10 m", above=0, likely=(0.05, 10.0))
    sections: tuple[int, ...] | None = key(
        "nozzles behind each section valve, left to right; adds up to `nozzle_count`", least=1, shown="list of counts"
    )
    width_m: float | None = key("working width, 0.05 to 200 m", above=0)
    section_widths_m: tuple[float, ...] | None = key(
        "sections of a machine without nozzles, left to right, each taken as one outlet", above=0
    )

    @property
    def nozzles(self) -> int | None:
        """Nozzles, as far as counts tell."""
        return sum(self.sections) if self.nozzle_count is None and self.sections is not None else self.nozzle_count


@dataclass(frozen=True, slots=True)
class RateTable:
    """``[rate]``: the intended rate where the log has none."""

    set_rate_l_m2: float | None = key(
        "intended rate; used where the log has neither rate nor flow, and said so", above=0
    )


@dataclass(frozen=True, slots=True)
class MachineFile:
    """The machine behind a log: boom, antenna, hitch, valves, plumbing, products, replay."""

    name: str = key("what reports call the machine", "", needed=True)
    boom: BoomTable | None = key("nozzles and sections", needed=True)
    antenna: Antenna | None = key("where the receiver is, and how good")
    hitch: Hitch | None = key("a trailed boom")
    valves: Valves | None = key("delays and anticipation")
    columns: dict[str, str] | None = key("our name to the file's header")
    log: LogOptions | None = key("how to read the log's file")
    rate: RateTable | None = key("the intended rate")
    replay: ReplaySettings | None = key("other shutoffs to replay on the same drive")
    plumbing: Plumbing | None = key("for primes and rinses")
    products: tuple[ProductTable, ...] = key("what is in the tank", ())
    errors: Errors | None = key("how far off what is known may be")


def schema() -> dict[str, Any]:
    """JSON schema of a machine file; rules that look at more than one key are not in it."""
    found: dict[str, Any] = file_model(MachineFile).model_json_schema()
    return found
