"""A line through pairs of which both members carry error (Deming regression)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.statistics.intervals import Interval, without_limits
from outcomes.statistics.pairs import (
    Pairs,
    pairs_of,
    too_few,
)
from outcomes.statistics.students_t import check_level

__all__ = ["Deming", "deming"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Deming:
    """Line through pairs of which both members carry error."""

    slope: Interval
    intercept: Interval
    n_pairs: int
    n_clusters: int


def deming(
    pairs: pd.DataFrame,
    *,
    measured: str,
    reference: str,
    cluster: str | None = None,
    variance_ratio: float = 1.0,
    confidence_level: float = 0.95,
) -> Deming:
    """Fit measured on reference where both carry error (Deming), with jackknife errors.

    Parameters
    ----------
    pairs, measured, reference, cluster
        As in `bias`.
    variance_ratio : float, default 1
        Error variance of the measured over that of the reference.
    confidence_level : float, default 0.95
        Two-sided level; t on clusters less two.

    Returns
    -------
    Deming
        Slope without unit, intercept in the unit of the values. Fewer than three clusters, or no
        covariance: no limits or no line, with a note.

    Notes
    -----
    With S the sums of squares about the means, the slope is (u + sqrt(u^2 + 4 k Sxy^2)) / (2 Sxy),
    u = Syy - k Sxx, k the variance ratio. Errors leave out one cluster at a time.

    References
    ----------
    .. [1] Linnet K. Performance of Deming regression analysis in case of misspecified analytical
       error ratio in method comparison studies. Clin Chem 1998;44:1024-1031.

    Examples
    --------
    >>> frame = pd.DataFrame({"m": [1.0, 3.0, 5.0, 6.0], "r": [0.0, 1.0, 2.0, 3.0]})
    >>> round(deming(frame, measured="m", reference="r").slope.estimate, 4)
    1.7263
    """
    given, level = pairs_of(pairs, measured, reference, cluster), check_level(confidence_level)
    if not 0 < variance_ratio < math.inf:
        raise EstimationError(f"variance_ratio = {variance_ratio}: a number above 0.")
    sums, slope, intercept = np.zeros((6, 0)), math.nan, math.nan
    if len(given):
        sums = _sums(given)
        slope, intercept = (float(v) for v in _lines(given, variance_ratio, sums.sum(axis=1)))
    note = too_few(given, 3)
    if not math.isfinite(slope):
        note = note or "not estimable: no line fits pairs without covariance"
        nothing = without_limits(None, "Deming", level, note)
        return _result(nothing, nothing, given)
    if note:
        return _result(
            without_limits(slope, "Deming", level, note),
            without_limits(intercept, "Deming", level, note),
            given,
        )
    others = sums.sum(axis=1, keepdims=True) - sums
    left_out = np.column_stack(_lines(given, variance_ratio, others))
    return _result(
        _jackknife(slope, left_out[:, 0], level),
        _jackknife(intercept, left_out[:, 1], level),
        given,
    )


def _result(slope: Interval, intercept: Interval, pairs: Pairs) -> Deming:
    return Deming(slope=slope, intercept=intercept, n_pairs=len(pairs), n_clusters=pairs.n_clusters)


def _sums(pairs: Pairs) -> Floats:
    """Return each cluster's sums, about the means of all: number, x, y, xx, yy and xy."""
    x, y = pairs.reference - pairs.reference.mean(), pairs.measured - pairs.measured.mean()
    return np.stack(pairs.by_cluster(np.ones(len(x)), x, y, x * x, y * y, x * y))


def _lines(pairs: Pairs, ratio: float, sums: Floats) -> tuple[Floats, Floats]:
    """Return slope and intercept from sums as `_sums` gives them, or many at once.

    NaN where there are fewer than two pairs or no covariance.
    """
    n, sx, sy, sxx, syy, sxy = sums
    with np.errstate(all="ignore"):
        sxx, syy, sxy = sxx - sx**2 / n, syy - sy**2 / n, sxy - sx * sy / n
        none = (n < 2) | (np.abs(sxy) <= 1e-13 * np.sqrt(sxx * syy))
        u = syy - ratio * sxx
        slope = np.where(none, np.nan, (u + np.sqrt(u**2 + 4 * ratio * sxy**2)) / (2 * sxy))
        along = pairs.reference.mean() + sx / n
        return slope, pairs.measured.mean() + sy / n - slope * along


def _jackknife(value: float, left_out: Floats, level: float) -> Interval:
    method, n = "Deming, jackknife by cluster", len(left_out)
    if not np.isfinite(left_out).all():
        note = "limits not estimable: without one of the clusters there is no line"
        return without_limits(value, method, level, note)
    error = math.sqrt((n - 1) / n * float(((left_out - left_out.mean()) ** 2).sum()))
    if error <= 1e-12 * max(abs(value), 1e-300):
        return without_limits(value, method, level, "all pairs on one line: no limits estimable")
    half = float(stats.t.ppf((1 + level) / 2, n - 2)) * error
    return Interval(
        estimate=value,
        conf_low=value - half,
        conf_high=value + half,
        method=method,
        confidence_level=level,
    )
