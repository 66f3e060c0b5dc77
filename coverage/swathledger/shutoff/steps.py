"""The saving told in steps that add up, at equal cover."""

from __future__ import annotations

from swathledger.shutoff.results import LayoutResult, SavingStep


def at_equal_cover(result: LayoutResult, done: LayoutResult) -> tuple[float, float | None]:
    """What a layout would have laid on the ground that was really covered: m2 applied, and litres.

    Per covered hectare, times the covered ground of ``done``. A layout that covers nothing lays nothing.
    """
    covered = result.cells["covered"]
    share = done.m2("covered") / result.m2("covered") if covered > 0 else 0.0
    return result.m2("applied") * share, None if result.volume_l is None else result.volume_l * share


def saving_steps(
    done: LayoutResult,
    model: LayoutResult,
    finer: LayoutResult,
    floor: LayoutResult,
    *,
    retimed: LayoutResult | None = None,
) -> tuple[SavingStep, ...]:
    """Lines from what was done to the floor by way of a layout; they add up.

    Parameters
    ----------
    done, model
        What was really done, and the log's own groups and valves under the model.
    finer, floor
        The layout, and a valve for every cell.
    retimed : LayoutResult, optional
        The log's own groups under the valves of ``finer``; None: they are the same as those of ``model``.
    """
    way = [("model", model)]
    if not finer.layout.limit:
        way += [("timing", model if retimed is None else retimed), ("resolution", finer)]
    way.append(("floor", floor))
    base_m2, base_l = at_equal_cover(done, done)
    before_m2, before_l = base_m2, base_l
    steps = []
    for name, result in way:
        m2, litres = at_equal_cover(result, done)
        saved_l = None if litres is None or before_l is None else before_l - litres
        part, whole = (before_m2 - m2, base_m2) if saved_l is None or base_l is None else (saved_l, base_l)
        steps.append(SavingStep(name, before_m2 - m2, saved_l, 100.0 * part / whole if whole > 0 else None))
        before_m2, before_l = m2, litres
    return tuple(steps)
