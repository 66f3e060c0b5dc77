"""Over-application against the width of a group: curves, layouts, paired differences, diminishing return."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import combinations, pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathledger.documents.study import (
    CurvePoint,
    Diminishing,
    FieldCurve,
    FieldPoint,
    Halving,
    LayoutDifference,
    LayoutMean,
    MeanCurve,
)
from swathledger.statistics import Means, holm, means_over_fields
from swathledger.study.collected import AS_LOGGED, LOGGED, StudyField, StudySettings

Floats = NDArray[np.float64]
_MOST_WIDTHS = 24


def _list(values: Floats | None, index: int) -> float | None:
    return None if values is None else float(values[index])


def _interval(means: Means, index: int) -> dict[str, Any]:
    """Mean and intervals of one quantity as plain numbers."""
    return {
        "mean": float(means.mean[index]),
        "low": _list(means.low, index),
        "high": _list(means.high, index),
        "together_low": _list(means.together_low, index),
        "together_high": _list(means.together_high, index),
        "method": means.method,
    }


def _means(values: Floats, settings: StudySettings) -> Means:
    return means_over_fields(values, level=settings.level, resamples=settings.resamples, seed=settings.seed)


def curve_at(field: StudyField, width_m: Floats) -> Floats:
    """A field's curve at given widths, straight between the widths replayed."""
    x, y = np.asarray(field.curve, dtype=np.float64).T
    return np.asarray(np.interp(width_m, x, y), dtype=np.float64)


def shared_widths(fields: Sequence[StudyField]) -> tuple[list[StudyField], Floats]:
    """Fields with a curve, and the widths at which all of them have one.

    A field needs two layouts of different width. Widths are all those replayed on any field, inside the range that
    every field covers.
    """
    curved = [field for field in fields if len(field.curve) >= 2]
    if not curved:
        return [], np.empty(0)
    low = max(field.curve[0][0] for field in curved)
    high = min(field.curve[-1][0] for field in curved)
    widths = sorted({round(w, 3) for field in curved for w, _ in field.curve if low - 5e-4 <= w <= high + 5e-4})
    if len(widths) > _MOST_WIDTHS:
        return curved, np.geomspace(widths[0], widths[-1], _MOST_WIDTHS)
    return curved, np.asarray(widths, dtype=np.float64)


def mean_curve(fields: Sequence[StudyField], settings: StudySettings) -> MeanCurve:
    """Mean over-application against group width, each field counting once, with its band."""
    curved, widths = shared_widths(fields)
    left = tuple(field.field_id for field in fields if field not in curved)
    points: tuple[CurvePoint, ...] = ()
    if len(widths):
        means = _means(np.stack([curve_at(field, widths) for field in curved]), settings)
        points = tuple(CurvePoint(group_width_m=float(w), **_interval(means, i)) for i, w in enumerate(widths))
    return MeanCurve(fields=len(curved), without_curve=left, points=points)


def field_curves(fields: Sequence[StudyField]) -> tuple[FieldCurve, ...]:
    """Each field's own curve, with its floor and what was really done."""
    return tuple(
        FieldCurve(
            field_number=field.number,
            field_id=field.field_id,
            jobs=len(field.jobs),
            perimeter_to_area_per_m=field.first.perimeter_to_area_per_m,
            points=tuple(FieldPoint(group_width_m=w, over_application_pct=y) for w, y in field.curve),
            limit_pct=field.over_pct("limit"),
            as_logged_pct=field.over_pct(AS_LOGGED),
        )
        for field in fields
    )


def common_layouts(fields: Sequence[StudyField]) -> tuple[str, ...]:
    """Layouts by name, widest first, that at least two fields have (all of them where there is one field)."""
    count = Counter(layout for field in fields for layout in field.layouts)
    names = [name for name, n in count.items() if n >= min(2, len(fields))]

    def width(name: str) -> float:
        known = [w for field in fields if name in field.layouts and (w := field.group_width_m(name)) is not None]
        return sum(known) / len(known) if known else 0.0

    order = {AS_LOGGED: 0, LOGGED: 1}
    return tuple(sorted(names, key=lambda name: (order.get(name, 2), -width(name), name)))


def layout_means(fields: Sequence[StudyField], settings: StudySettings) -> tuple[LayoutMean, ...]:
    """Mean over-application of every layout over the fields that have it, and the pooled share."""
    out = []
    for name in common_layouts(fields):
        have = [field for field in fields if name in field.layouts]
        values = np.array([[field.over_pct(name)] for field in have], dtype=np.float64)
        widths = [w for field in have if (w := field.group_width_m(name)) is not None]
        area = np.array([sum(job.target_area_m2 for job in field.jobs) for field in have])
        out.append(
            LayoutMean(
                layout=name,
                fields=len(have),
                group_width_m=float(np.mean(widths)) if widths else None,
                group_width_range_m=(min(widths), max(widths)) if widths else None,
                median=float(np.median(values)),
                pooled=float(values[:, 0] @ area / area.sum()),
                least=float(values.min()),
                most=float(values.max()),
                **_interval(_means(values, settings), 0),
            )
        )
    return tuple(out)


def differences(fields: Sequence[StudyField], settings: StudySettings) -> tuple[LayoutDifference, ...]:
    """Paired differences between all layouts that two fields or more share, with Holm's correction.

    Positive: the second layout over-applies less, in percentage points of the target. Intervals ``together`` hold all
    pairs at once and need every pair on the same fields.
    """
    from scipy import stats

    pairs = list(combinations(common_layouts(fields), 2))
    columns: list[Floats] = []
    members: list[tuple[int, ...]] = []
    for first, second in pairs:
        both = [field for field in fields if first in field.layouts and second in field.layouts]
        columns.append(np.array([(field.over_pct(first) or 0.0) - (field.over_pct(second) or 0.0) for field in both]))
        members.append(tuple(field.number for field in both))
    p = np.full(len(pairs), np.nan)
    wilcoxon = np.full(len(pairs), np.nan)
    for k, values in enumerate(columns):
        if values.shape[0] >= 3 and float(np.ptp(values)) > 1e-12:
            p[k] = float(stats.ttest_1samp(values, 0.0).pvalue)
            wilcoxon[k] = float(stats.wilcoxon(values).pvalue) if bool(np.any(values != 0)) else np.nan
    adjusted = holm(p)
    balanced = bool(members) and len(set(members)) == 1
    whole = _means(np.stack(columns, axis=1), settings) if balanced and members[0] else None
    out = []
    for k, (first, second) in enumerate(pairs):
        if not members[k]:
            continue
        interval = _interval(whole, k) if whole is not None else _interval(_means(columns[k][:, None], settings), 0)
        if whole is None:
            interval["together_low"] = interval["together_high"] = None
        out.append(
            LayoutDifference(
                first=first,
                second=second,
                fields=len(members[k]),
                median=float(np.median(columns[k])),
                p=float(p[k]),
                p_holm=float(adjusted[k]),
                wilcoxon_p=float(wilcoxon[k]),
                **interval,
            )
        )
    return tuple(out)


def diminishing(fields: Sequence[StudyField], settings: StudySettings) -> Diminishing:
    """What each halving of the group spares, from the widest shared width down, and where it is no longer worth it."""
    curved, widths = shared_widths(fields)
    chain = [float(widths[-1])] if len(widths) else []
    while chain and chain[-1] / 2 >= float(widths[0]) - 5e-4:
        chain.append(chain[-1] / 2)
    worth = settings.worth_points
    if len(chain) < 2:
        return Diminishing(worth_points=worth, fields=len(curved), halvings=(), from_m=None)
    at = np.stack([curve_at(field, np.asarray(chain)) for field in curved])
    spared = at[:, :-1] - at[:, 1:]
    means = _means(spared, settings)
    possible = float(at[:, 0].mean()) - float(np.mean([curve_at(field, widths[:1])[0] for field in curved]))
    halvings = tuple(
        Halving(
            from_m=wide,
            to_m=fine,
            fields_below_pct=100.0 * float(np.mean(spared[:, k] < worth)),
            reached_pct=100.0 * float(at[:, 0].mean() - at[:, k + 1].mean()) / possible if possible > 0 else None,
            **_interval(means, k),
        )
        for k, (wide, fine) in enumerate(pairwise(chain))
    )
    below = next((step.from_m for step in halvings if step.mean < worth), None)
    return Diminishing(worth_points=worth, fields=len(curved), halvings=halvings, from_m=below)
