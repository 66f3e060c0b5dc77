"""Least squares with robust intervals and what a reader needs to judge them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathledger.documents.study import FitTerm, StudyFit
from swathledger.errors import InputError

Floats = NDArray[np.float64]


def _vif(x: Floats, j: int) -> float | None:
    """Variance inflation of column j by the others (an intercept is column 0)."""
    rest = np.delete(x, j, axis=1)
    if rest.shape[1] < 2:
        return None
    fitted = rest @ np.linalg.lstsq(rest, x[:, j], rcond=None)[0]
    left = float(((x[:, j] - fitted) ** 2).sum())
    total = float(((x[:, j] - x[:, j].mean()) ** 2).sum())
    return total / left if left > 0 else None


def _meat(x: Floats, residual: Floats, leverage: Floats, cluster: NDArray[np.int64] | None) -> tuple[Floats, int, str]:
    n, p = x.shape
    if cluster is None:
        scaled = x * (residual / np.maximum(1.0 - leverage, 1e-9))[:, None]
        return scaled.T @ scaled, n - p, "HC3"
    groups = int(cluster.max()) + 1
    scores = np.zeros((groups, p))
    np.add.at(scores, cluster, x * residual[:, None])
    factor = groups / (groups - 1) * (n - 1) / (n - p)
    return factor * scores.T @ scores, groups - 1, "CR1 by field"


def ols(
    response: str,
    y: Floats,
    predictors: Sequence[tuple[str, Floats]],
    *,
    cluster: Sequence[int] | None = None,
    labels: Sequence[str] | None = None,
    level: float = 0.9,
) -> StudyFit | None:
    """Fit ``y = b0 + b1 x1 + ...``; None where there are too few rows or a predictor does not vary.

    Parameters
    ----------
    y : (n,) float64
    predictors : sequence of (name, (n,) float64)
    cluster : sequence of int, optional
        Field of every row, where one field has several: errors are then robust to dependence within a field.
    labels : sequence of str, optional
        What to call the rows by, for the one whose removal would move the fit most; their numbers if not given.

    Notes
    -----
    HC3: MacKinnon & White (1985), J. Econometrics 29:305-325; recommended for small samples by Long & Ervin (2000),
    Am. Stat. 54:217-224. CR1: Liang & Zeger (1986) with the small-sample factor G/(G-1) (n-1)/(n-p). Breusch-Pagan in
    Koenker's (1981) form. Cook's distance: Cook (1977).

    Raises
    ------
    InputError
        Lengths differ or numbers are not finite.
    """
    from scipy import stats

    n = int(y.shape[0])
    x = np.column_stack([np.ones(n), *(values for _, values in predictors)])
    if x.shape[0] != n or not bool(np.all(np.isfinite(x)) and np.all(np.isfinite(y))):
        raise InputError("a regression needs finite numbers of equal length.")
    p = x.shape[1]
    scale = np.linalg.norm(x, axis=0)
    if n < p + 3 or bool(np.any(scale == 0)) or np.linalg.matrix_rank(x / scale) < p:
        return None
    groups = None
    if cluster is not None:
        _, groups = np.unique(np.asarray(cluster), return_inverse=True)
        groups = groups.astype(np.int64)
        if int(groups.max()) + 1 < p + 1:
            return None
    q, r = np.linalg.qr(x)
    beta = np.linalg.solve(r, q.T @ y)
    residual = y - x @ beta
    leverage = (q**2).sum(axis=1)
    bread = np.linalg.inv(r) @ np.linalg.inv(r).T
    meat, degrees, errors = _meat(x, residual, leverage, groups)
    covariance = bread @ meat @ bread
    se = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    reach = float(stats.t.ppf((1 + level) / 2, degrees))
    names = ["intercept", *(name for name, _ in predictors)]
    terms = []
    for j, name in enumerate(names):
        t = float(beta[j] / se[j]) if se[j] > 0 else float("nan")
        terms.append(
            FitTerm(
                name=name,
                estimate=float(beta[j]),
                standard_error=float(se[j]),
                low=float(beta[j] - reach * se[j]),
                high=float(beta[j] + reach * se[j]),
                t=t,
                p=float(2 * stats.t.sf(abs(t), degrees)),
                vif=_vif(x, j) if j else None,
            )
        )
    rss, tss = float(residual @ residual), float(((y - y.mean()) ** 2).sum())
    r2 = 1.0 - rss / tss if tss > 0 else float("nan")
    s2 = rss / (n - p)
    cook = residual**2 * leverage / (p * max(s2, 1e-300) * np.maximum(1 - leverage, 1e-9) ** 2)
    breusch_pagan, shapiro = _diagnostics(x, residual, stats)
    worst = int(cook.argmax())
    return StudyFit(
        response=response,
        n=n,
        clusters=n if groups is None else int(groups.max()) + 1,
        terms=tuple(terms),
        r2=r2,
        r2_adjusted=1.0 - (1.0 - r2) * (n - 1) / (n - p),
        residual_sd=float(np.sqrt(s2)),
        errors=errors,
        degrees=degrees,
        level=level,
        breusch_pagan_p=breusch_pagan,
        shapiro_p=shapiro,
        largest_cook=float(cook.max()),
        largest_cook_row=worst,
        condition=float(np.linalg.cond(x / scale)),
        largest_cook_field=str(worst) if labels is None else labels[worst],
    )


def _diagnostics(x: Floats, residual: Floats, stats: Any) -> tuple[float | None, float | None]:
    """Significance of Breusch-Pagan (studentised) and Shapiro-Wilk."""
    n, p = x.shape
    squared = residual**2
    if float(np.ptp(squared)) <= 1e-20:
        return None, None
    fitted = x @ np.linalg.lstsq(x, squared, rcond=None)[0]
    spread = float(((squared - squared.mean()) ** 2).sum())
    lm = n * (1.0 - float(((squared - fitted) ** 2).sum()) / spread)
    breusch_pagan = float(stats.chi2.sf(lm, p - 1)) if p > 1 else None
    shapiro = float(stats.shapiro(residual).pvalue) if 3 <= n <= 5000 else None
    return breusch_pagan, shapiro
