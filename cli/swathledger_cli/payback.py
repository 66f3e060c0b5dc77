"""``swathledger payback``: when a finer shutoff would pay for itself on the fields that were audited."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from swathledger_cli import options, progress
from swathledger_cli.options import PositiveFloat
from swathledger_cli.unit_options import in_units

if TYPE_CHECKING:
    from swathledger.machine.plumbing import Plumbing
    from swathledger.units import UnitSystem

_SHARE = click.FloatRange(0.0, 1.0, max_open=True)
_NOT_NEGATIVE = click.FloatRange(min=0.0)


@click.command(name="payback")
@click.argument("folder", metavar="DIR", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option("--price", type=PositiveFloat(), required=True, metavar="N", help="Price of the retrofit, fitted.")
@options.setting("--life", PositiveFloat(), "YEARS", "Years that it is used.", default=10.0)
@options.setting("--interest", _SHARE, "SHARE", "Interest a year: 0.06 is 6 %.", default=0.06)
@options.setting(
    "--maintenance", _SHARE, "SHARE", "Upkeep a year beyond today's, as a share of the price.", default=0.02
)
@options.setting("--salvage", _NOT_NEGATIVE, "N", "What it is worth at the end of its life.", default=0.0)
@in_units(
    "area",
    "area_m2",
    "area",
    PositiveFloat(),
    "Ground sprayed a year, each application counted, ha. Default: that of the ledgers.",
)
@click.option(
    "--currency",
    metavar="CODE",
    help="Three capitals, for instance AUD; nothing is converted. Default: the ledgers' own.",
)
@in_units(
    "product-cost-per",
    "product_cost_per_m2",
    "area",
    _NOT_NEGATIVE,
    "Products of one application on one hectare, in place of the ledgers' prices.",
    per=True,
)
@click.option(
    "--layout",
    default="nozzle",
    show_default=True,
    metavar="LABEL",
    help="What the retrofit brings: a label of the replay, as nozzle, 9 or limit.",
)
@click.option(
    "--baseline",
    default="resolution",
    show_default=True,
    metavar="LABEL",
    help="What it is held against: resolution (what narrower groups alone save, under one model and at equal "
    "cover), model (today's layout under the controller model), logged (what was done), or a label of the replay, "
    "as boom.",
)
@options.machine_option(required=False)
@click.option(
    "--recirculating/--no-recirculating",
    default=True,
    show_default=True,
    help="Whether the retrofit returns the boom's content to the tank; counted where --machine tells the plumbing.",
)
@options.setting(
    "--primes-a-year",
    _NOT_NEGATIVE,
    "N",
    "How often the lines are primed in a year. Default: as often as the ledgers show, for the ground of a year.",
)
@options.setting(
    "--rinses-a-year",
    _NOT_NEGATIVE,
    "N",
    "How often the lines are emptied through the nozzles for a rinse; as many primes begin with water in them. "
    "Default: not known, rinses not counted and every prime taken to begin with water.",
)
@options.setting(
    "--other-saving", float, "N", "Any further saving of a year (negative: cost) that you know of.", default=0.0
)
@options.setting("--level", click.FloatRange(0.5, 0.999), "SHARE", "Share of the interval.", default=0.9)
@options.seed_option("Of the draws for the interval; the same seed gives the same bytes.")
@options.units_option()
@options.json_option()
def command(
    folder: Path,
    price: float,
    life: float,
    interest: float,
    maintenance: float,
    salvage: float,
    area_m2: float | None,
    currency: str | None,
    product_cost_per_m2: float | None,
    layout: str,
    baseline: str,
    machine: Path | None,
    recirculating: bool,
    primes_a_year: float | None,
    rinses_a_year: float | None,
    other_saving: float,
    level: float,
    seed: int,
    units: UnitSystem,
    as_json: bool,
) -> None:
    """Work out when a finer shutoff would pay for itself.

    Reads every ledger.json in DIR and below it, as season or audit wrote them: what the replay spared on each field, by
    the best estimate where there is one, times what its products cost. Prints the saving a year with its interval over
    fields and the errors of their drives, a partial budget that can be redone by hand, payback, present value,
    break-evens, and what matters most. With --machine, what a return to the tank would keep from priming and rinsing
    is a line of its own.
    """
    from swathledger.money.retrofit import RetrofitTerms
    from swathledger.money.statement import payback_document

    terms = RetrofitTerms(
        price=price,
        life_years=life,
        interest=interest,
        maintenance_share=maintenance,
        salvage=salvage,
        area_a_year_m2=area_m2,
        product_cost_per_m2=product_cost_per_m2,
        currency=None if currency is None else currency.upper(),
        layout=layout,
        baseline=baseline,
        plumbing=_plumbing(machine) if recirculating else None,
        primes_a_year=primes_a_year,
        rinses_a_year=rinses_a_year,
        other_saving_a_year=other_saving,
        level=level,
        seed=seed,
    )
    document = payback_document(folder, terms, units)
    if as_json:
        import json

        progress.show_json(json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False))
        return
    from swathledger.notes import Note
    from swathledger.words import say
    from swathledger_cli.payback_text import render

    if machine is None:
        document["assumptions"].append(say(Note.of("money.priming_not_counted")))
    progress.show("\n".join(render(document)))


def _plumbing(machine: Path | None) -> Plumbing | None:
    if machine is None:
        return None
    from swathledger.machine.read import read_machine

    return read_machine(machine).plumbing
