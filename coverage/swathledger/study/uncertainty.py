"""What errors of the inputs do to the figures of one drive: Monte Carlo with common random numbers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from swathledger.errors import InputError
from swathledger.notes import Note
from swathledger.study.headline import Headline, headlines
from swathledger.study.perturb import NO_ERROR, SOURCES, ErrorModel, error_model_for, only, perturbed, scaled
from swathledger.study.simulation_extrapolation import REDUCED, Excess, excess_by_figure, interval_for_truth
from swathledger.words import say_all, words

if TYPE_CHECKING:
    from swathledger.audit import Prepared

Floats = NDArray[np.float64]
LEAST_DRAWS = 10


@dataclass(frozen=True, slots=True)
class FigureRange:
    """One figure under drawn errors.

    Attributes
    ----------
    read : float
        As the audit has it.
    centre : float
        With every switch in the middle of the step of the log in which it happened.
    low, high : float
        5-95 % (or the level asked for) for what really happened, see
        :func:`swathledger.study.simulation_extrapolation.interval_for_truth`.
    draws_low, draws_mean, draws_high : float
        The same quantiles, and the mean, of the redrawn figures themselves.
    sd : float
        Standard deviation over draws.
    excess_least, excess_most : float
        What errors made twice have added to ``draws_mean``, taken off for the interval's middle.
    cell_error : float
        Standard error by sampling in cells alone.
    by_source : dict of str to float
        Standard deviation with one source drawn at a time.
    dominant : str or None
        Source with the largest of them; None where all are 0.
    """

    name: str
    words: str
    read: float
    centre: float
    low: float
    high: float
    draws_low: float
    draws_mean: float
    draws_high: float
    sd: float
    excess_least: float
    excess_most: float
    cell_error: float
    by_source: dict[str, float]
    dominant: str | None


@dataclass(frozen=True, slots=True)
class Uncertainty:
    """Ranges of all headlines of one drive.

    Attributes
    ----------
    draws, source_draws : int
        Redrawn drives with all sources, and with each alone; as many as these with all at a quarter of their size.
    notes : tuple of Note
        What was assumed.
    dominant_words : str
        Which source dominates the over-application as logged.
    """

    figures: tuple[FigureRange, ...]
    draws: int
    source_draws: int
    level: float
    seed: int
    errors: ErrorModel
    notes: tuple[Note, ...]
    dominant_words: str

    def document(self) -> dict[str, Any]:
        """As plain numbers."""
        return {
            "draws": self.draws, "source_draws": self.source_draws, "level": self.level, "seed": self.seed,
            "errors": asdict(self.errors), "assumptions": say_all(self.notes),
            "note_codes": [note.document() for note in self.notes], "dominant": self.dominant_words,
            "figures": [asdict(figure) for figure in self.figures],
        }  # fmt: skip


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
) -> Uncertainty:
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
    return Uncertainty(figures, draws - failed, few, level, seed, errors, tuple(notes), _dominant_words(figures))


def _range(
    figure: Headline, centre: float, draws: Floats, excess: Excess, alone: dict[str, Floats | None], level: float
) -> FigureRange:
    low, high = interval_for_truth(draws, excess, level, floor=not figure.name.startswith("saving:"))
    tail = (1.0 - level) / 2.0
    drawn = np.quantile(draws, [tail, 1.0 - tail])
    by_source = {
        source: 0.0 if values is None or values.shape[0] < 2 or np.ptp(values) < 1e-12 else float(values.std(ddof=1))
        for source, values in alone.items()
    }
    largest = max(by_source, key=lambda source: by_source[source])
    return FigureRange(
        figure.name,
        figure.words,
        figure.value,
        centre,
        low,
        high,
        float(drawn[0]),
        float(draws.mean()),
        float(drawn[1]),
        float(draws.std(ddof=1)) if np.ptp(draws) >= 1e-12 else 0.0,
        excess.least,
        excess.most,
        figure.cell_error,
        by_source,
        largest if by_source[largest] > 0 else None,
    )


def _dominant_words(figures: tuple[FigureRange, ...]) -> str:
    """One sentence on the first figure: what dominates, and how the cells compare."""
    first = figures[0]
    if first.dominant is None:
        return words().line("study.dominant.none")
    total = sum(value**2 for value in first.by_source.values())
    share = 100.0 * first.by_source[first.dominant] ** 2 / total
    sd = first.by_source[first.dominant]
    return words().line(f"study.dominant.{first.dominant}", share=share, sd=sd, cells=first.cell_error)
