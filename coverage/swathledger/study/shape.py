"""Over-application and savings against the shape and size of fields: ranks, regressions, classes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from swathledger.documents.document import taken
from swathledger.documents.study import JointFit, ShapeClass, ShapeEffect, StudyFit, StudyMachine
from swathledger.study.collected import AS_LOGGED, LOGGED, StudyField, StudySettings
from swathledger.study.regress import ols
from swathledger.study.resolution import common_layouts
from swathledger.words import words

Floats = NDArray[np.float64]

PREDICTORS = ("perimeter_to_area_per_m", "compactness", "convexity", "exclusions", "log10_target_ha")
TOGETHER = ("perimeter_to_area_per_m", "convexity", "exclusions", "log10_target_ha")
"""Predictors of the joint regression: compactness follows from perimeter / area and area, and would say it twice."""
CLASS_EDGES_PER_M = (0.015, 0.025)
"""Classes of perimeter / area: about 0.01, about 0.02, 0.025 and more per m."""


def predictor(field: StudyField, name: str) -> float | None:
    """A measure of a field; None where its ledger does not tell."""
    if name == "log10_target_ha":
        return math.log10(field.first.target_area_m2 / 1e4)
    value = getattr(field.first, name)
    return None if value is None else float(value)


def ends(fields: Sequence[StudyField]) -> tuple[str, str] | None:
    """The widest and the finest layout of those that most fields have; None where there are not two."""
    names = [name for name in common_layouts(fields) if name not in {AS_LOGGED, LOGGED, "limit"}]
    have = {name: sum(name in field.layouts for field in fields) for name in names}
    most = [name for name in names if have[name] == max(have.values())]
    return (most[0], most[-1]) if len(most) >= 2 else None


def responses(fields: Sequence[StudyField]) -> list[tuple[str, str, list[float | None]]]:
    """Name, plain words and a value a field of what is set against shape."""
    out = []
    t = words().below("study.response.")
    pair = ends(fields)
    single = [AS_LOGGED, *(pair or ())]
    for layout in single:
        told = t("over_as_logged") if layout == AS_LOGGED else t("over", layout=layout)
        out.append((f"over_pct:{layout}", told, [field.over_pct(layout) for field in fields]))
    saving = [(pair[0], pair[1]), (AS_LOGGED, pair[1])] if pair else []
    for first, second in saving:
        values: list[float | None] = []
        for field in fields:
            a, b = field.over_pct(first), field.over_pct(second)
            values.append(None if a is None or b is None else a - b)
        out.append((f"saving:{first}:{second}", t("saving", first=first, second=second), values))
    return out


def _known(y: Sequence[float | None], xs: Sequence[Sequence[float | None]]) -> tuple[list[int], Floats, Floats]:
    keep = [i for i in range(len(y)) if y[i] is not None and all(x[i] is not None for x in xs)]
    columns = np.array([[x[i] for i in keep] for x in xs], dtype=np.float64).reshape(len(xs), len(keep))
    return keep, np.array([y[i] for i in keep], dtype=np.float64), columns


def shape_effects(fields: Sequence[StudyField], settings: StudySettings) -> tuple[ShapeEffect, ...]:
    """Rank correlation and simple regression of every response on every measure of shape."""
    from scipy import stats

    out = []
    for name, told, y in responses(fields):
        for measure in PREDICTORS:
            x = [predictor(field, measure) for field in fields]
            keep, ys, columns = _known(y, [x])
            varies = len(keep) >= 3 and float(np.ptp(columns[0])) > 0 and float(np.ptp(ys)) > 0
            rank = stats.spearmanr(columns[0], ys) if varies else None
            labels = [fields[i].field_id for i in keep]
            line = [(measure, columns[0])]
            fit = ols(name, ys, line, labels=labels, level=settings.level) if varies else None
            out.append(
                ShapeEffect(
                    response=name,
                    response_words=told,
                    predictor=measure,
                    predictor_words=words().line(f"study.predictor.{measure}"),
                    fields=len(keep),
                    spearman=None if rank is None else float(rank.statistic),
                    spearman_p=None if rank is None or len(keep) < 5 else float(rank.pvalue),
                    fit=fit,
                    x=tuple(columns[0].tolist()),
                    y=tuple(ys.tolist()),
                )
            )
    return tuple(out)


def joint_regressions(fields: Sequence[StudyField], settings: StudySettings) -> tuple[JointFit, ...]:
    """Every response on perimeter / area, convexity, exclusions and area together; HC3 errors."""
    out = []
    for name, told, y in responses(fields):
        xs = [(measure, [predictor(field, measure) for field in fields]) for measure in TOGETHER]
        known = [(measure, x) for measure, x in xs if all(v is not None for v in x) and len(set(x)) > 1]
        keep, ys, columns = _known(y, [x for _, x in known])
        terms = [(measure, values) for (measure, _), values in zip(known, columns, strict=True)]
        fit = ols(name, ys, terms, labels=[fields[i].field_id for i in keep], level=settings.level)
        if fit is not None and known:
            out.append(taken(JointFit, fit, response_words=told))
    return tuple(out)


def width_regression(fields: Sequence[StudyField], settings: StudySettings) -> StudyFit | None:
    """All points of all curves: over-application on group width, perimeter / area, their product, and the machine.

    Width and shape are taken less their means, so that their own terms mean something beside the product and the three
    can be told apart. Errors are robust to dependence within a field. Machines with three fields or more get a term of
    their own, the first being the base. None where there are too few fields.
    """
    rows: list[tuple[int, float, float, float, str]] = []
    for field in fields:
        shape = field.first.perimeter_to_area_per_m
        if shape is not None:
            rows += [(field.number, w, shape, y, field.first.machine) for w, y in field.curve]
    if not rows:
        return None
    number, width, shape_values, y, machine = zip(*rows, strict=True)
    w, pa = np.asarray(width, dtype=np.float64), np.asarray(shape_values, dtype=np.float64)
    w, pa = w - w.mean(), pa - pa.mean()
    terms: list[tuple[str, Floats]] = [
        ("group_width_m", w),
        ("perimeter_to_area_per_m", pa),
        ("group_width_m x perimeter_to_area_per_m", w * pa),
    ]
    names = sorted({field.first.machine for field in fields})
    many = [m for m in names if sum(field.first.machine == m for field in fields) >= 3]
    if len(many) == len(names):
        terms += [(f"machine: {m}", np.array([float(m == one) for one in machine])) for m in many[1:]]
    names_of = {field.number: field.field_id for field in fields}
    labels = [names_of[n] for n in number]
    over = np.asarray(y, dtype=np.float64)
    return ols("over_application_pct", over, terms, cluster=number, labels=labels, level=settings.level)


def shape_classes(fields: Sequence[StudyField]) -> tuple[ShapeClass, ...]:
    """Medians by class of perimeter / area: the widest layout, the finest, and the saving between them."""
    pair = ends(fields)
    out = []
    edges = (0.0, *CLASS_EDGES_PER_M, math.inf)
    for low, high in pairwise(edges):
        here = [
            field for field in fields if (pa := field.first.perimeter_to_area_per_m) is not None and low <= pa < high
        ]

        def median(values: list[float | None]) -> float | None:
            known = [v for v in values if v is not None]
            return float(np.median(known)) if known else None

        wide = [field.over_pct(pair[0]) if pair else None for field in here]
        fine = [field.over_pct(pair[1]) if pair else None for field in here]
        out.append(
            ShapeClass(
                from_per_m=low,
                below_per_m=None if math.isinf(high) else high,
                fields=len(here),
                widest=pair[0] if pair else None,
                finest=pair[1] if pair else None,
                median_as_logged_pct=median([field.over_pct(AS_LOGGED) for field in here]),
                median_widest_pct=median(wide),
                median_finest_pct=median(fine),
                median_saving_points=median(
                    [None if a is None or b is None else a - b for a, b in zip(wide, fine, strict=True)]
                ),
            )
        )
    return tuple(out)


def by_machine(fields: Sequence[StudyField]) -> tuple[StudyMachine, ...]:
    """Fields, ground and means of every machine."""
    pair = ends(fields)
    out = []
    for name in sorted({field.first.machine for field in fields}):
        mine = [field for field in fields if field.first.machine == name]

        def mean(layout: str | None, group: list[StudyField] = mine) -> float | None:
            values = [v for field in group if layout is not None and (v := field.over_pct(layout)) is not None]
            return sum(values) / len(values) if values else None

        out.append(
            StudyMachine(
                machine=name,
                fields=len(mine),
                target_ha=sum(field.first.target_area_m2 for field in mine) / 1e4,
                boom_width_m=mine[0].first.boom_width_m,
                mean_as_logged_pct=mean(AS_LOGGED),
                mean_widest_pct=mean(pair[0] if pair else None),
                mean_finest_pct=mean(pair[1] if pair else None),
            )
        )
    return tuple(out)
