"""Options for a quantity that may be given in the unit of either system."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any

import click

from swathledger.units import QUANTITIES, SYSTEMS

Command = Callable[..., Any]


def in_units(
    stem: str, name: str, kind: str, value_type: Any, help_text: str, *, per: bool = False
) -> Callable[[Command], Command]:
    """Add one option for each unit system; the command gets one value, in the unit inside, as ``name``.

    Parameters
    ----------
    stem : str
        Start of the options: ``flow`` makes ``--flow-l-min`` and ``--flow-gal-min``.
    name : str
        Of the command's argument; None where no option is given.
    kind : str
        A key of `swathledger.units.QUANTITIES`.
    value_type : click.ParamType
    help_text : str
        Of the metric option; the other one says "the same" with its unit.
    per : bool
        The option is an amount for one unit, as a price for one hectare.
    """
    faces = [QUANTITIES[kind].face(system) for system in SYSTEMS]
    options = {f"{stem}-{face.suffix}".replace("_", "-"): face for face in faces}

    def decorate(command: Command) -> Command:
        @functools.wraps(command)
        def call(**given: Any) -> Any:
            said = {option: given.pop(option.replace("-", "_")) for option in options}
            known = {option: value for option, value in said.items() if value is not None}
            if len(known) > 1:
                raise click.UsageError(f"Give {' or '.join(f'--{option}' for option in known)}, not both.")
            given[name] = None
            for option, value in known.items():
                size = options[option].si_per_unit
                given[name] = value / size if per else value * size
            return command(**given)

        for number, (option, face) in reversed(list(enumerate(options.items()))):
            words = help_text if number == 0 else f"The same {'for one' if per else 'in'} {face.symbol}."
            call = click.option(f"--{option}", type=value_type, metavar="N", help=words)(call)
        return call

    return decorate
