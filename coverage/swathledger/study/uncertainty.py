"""What errors of the inputs do to the figures of one drive: Monte Carlo with common random numbers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from swathledger.documents.document import NoteCode
from swathledger.documents.study import DrawnErrors, RangedFigure
from swathledger.errors import InputError
from swathledger.notes import Note
from swathledger.study.headline import DriveFigure, headlines
from swathledger.study.perturb import NO_ERROR, SOURCES, ErrorModel, error_model_for, only, perturbed, scaled
from swathledger.study.simulation_extrapolation import REDUCED, Excess, excess_by_figure, interval_for_truth
from swathledger.words import say_all, words

if TYPE_CHECKING:
    from swathledger.audit import Prepared

Floats = NDArray[np.float64]
LEAST_DRAWS = 10


def redraw(
    prepared: Prepared, errors: ErrorModel, draws: int, seed: int, *, on_done: Callable[[], None] | None = None
) -> tuple[dict[str, Floats], int]:
    """Figures of redrawn drives by name, (draws,) each; draw k is the same whatever the number of draws.

    Returns the figures and how many draws could not be computed (an error so large that nothing is left to audit).
    """
    from swathledger.audit import compute
    from swathledger.errors import SwathledgerError

    values: dict[str, list[float]] = {}
    failed = 0
    for child in np.random.SeedSequence(seed).spawn(draws):
        try:
            for figure in headlines(compute(perturbed(prepared, errors, child))):
                values.setdefault(figure.name, []).append(figure.value)
        except SwathledgerError:
            failed += 1
        if on_done is not None:
            on_done()
    return {name: np.asarray(held, dtype=np.float64) for name, held in values.items()}, failed


def monte_carlo(
    prepared: Prepared,
    draws: int,
    *,
    errors: ErrorModel | None = None,
    gnss_class: str | None = None,
    level: float = 0.9,
    seed: int = 20_240_501,
    progress: Callable[[str, float], None] | None = None,
) -> DrawnErrors:
    """Ranges of the headlines of one drive under errors of its inputs.

    Parameters
    ----------
    prepared : Prepared
        From :func:`swathledger.audit.prepare`. Its settings hold the groups to replay.
    draws : int
        At least `LEAST_DRAWS`; a quarter as many more are drawn for each source alone, and with all errors at a
        quarter of their size.
    errors : ErrorModel, optional
        None: see :func:`swathledger.study.perturb.error_model_for`.
    gnss_class : str, optional
        ``rtk``, ``corrected`` or ``uncorrected``.
    level, seed

    Notes
    -----
    All layouts are replayed on the same redrawn drive, and each source alone reuses the draws made for all of them
    together (common random numbers), so that differences between layouts and sources are sharper than either figure.

    Raises
    ------
    InputError
        Too few draws, or the drive cannot be audited when redrawn.
    """
    from swathledger.audit import compute

    if draws < LEAST_DRAWS:
        raise InputError(f"must be at least {LEAST_DRAWS}, found {draws!r}.", column="uncertainty")
    notes: list[Note] = []
    if errors is None:
        errors, notes = error_model_for(prepared, gnss_class)
    few = max(LEAST_DRAWS, draws // 4)
    whole = draws + (1 + len(SOURCES)) * few
    done = [0]

    def on_done() -> None:
        done[0] += 1
        if progress is not None:
            progress("redrawing", done[0] / whole)

    base = headlines(compute(prepared))
    middle = headlines(compute(perturbed(prepared, NO_ERROR, np.random.SeedSequence(seed))))
    centre = {figure.name: figure.value for figure in middle}
    together, failed = redraw(prepared, errors, draws, seed, on_done=on_done)
    reduced, _ = redraw(prepared, scaled(errors, REDUCED), few, seed, on_done=on_done)
    alone: dict[str, dict[str, Floats]] = {}
    for source in SOURCES:
        alone[source], _ = redraw(prepared, only(errors, source), few, seed, on_done=on_done)
    if failed:
        notes.append(Note.of("study.failed_draws", count=failed, draws=draws))
    if not base or draws - failed < LEAST_DRAWS:
        raise InputError("nothing is left of this drive when its inputs are redrawn.", hint="Check the error sizes.")
    excess = excess_by_figure(centre, reduced, together)
    figures = tuple(
        _range(
            figure,
            centre[figure.name],
            together[figure.name],
            excess[figure.name],
            {source: alone[source].get(figure.name) for source in SOURCES},
            level,
        )
        for figure in base
        if figure.name in together and figure.name in centre
    )
    return DrawnErrors(
        draws=draws - failed,
        source_draws=few,
        level=level,
        seed=seed,
        errors=asdict(errors),
        assumptions=tuple(say_all(notes)),
        note_codes=tuple(map(NoteCode.of, notes)),
        dominant=_dominant_words(figures),
        figures=figures,
    )


def _range(
    figure: DriveFigure, centre: float, draws: Floats, excess: Excess, alone: dict[str, Floats | None], level: float
) -> RangedFigure:
    low, high = interval_for_truth(draws, excess, level, floor=not figure.name.startswith("saving:"))
    tail = (1.0 - level) / 2.0
    drawn = np.quantile(draws, [tail, 1.0 - tail])
    by_source = {
        source: 0.0 if values is None or values.shape[0] < 2 or np.ptp(values) < 1e-12 else float(values.std(ddof=1))
        for source, values in alone.items()
    }
    largest = max(by_source, key=lambda source: by_source[source])
    return RangedFigure(
        name=figure.name,
        words=figure.words,
        read=figure.value,
        centre=centre,
        low=low,
        high=high,
        draws_low=float(drawn[0]),
        draws_mean=float(draws.mean()),
        draws_high=float(drawn[1]),
        sd=float(draws.std(ddof=1)) if np.ptp(draws) >= 1e-12 else 0.0,
        excess_least=excess.least,
        excess_most=excess.most,
        cell_error=figure.cell_error,
        by_source=by_source,
        dominant=largest if by_source[largest] > 0 else None,
    )


def _dominant_words(figures: tuple[RangedFigure, ...]) -> str:
    """One sentence on the first figure: what dominates, and how the cells compare."""
    first = figures[0]
    if first.dominant is None:
        return words().line("study.dominant.none")
    total = sum(value**2 for value in first.by_source.values())
    share = 100.0 * first.by_source[first.dominant] ** 2 / total
    sd = first.by_source[first.dominant]
    return words().line(f"study.dominant.{first.dominant}", share=share, sd=sd, cells=first.cell_error)
