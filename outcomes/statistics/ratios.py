"""A share of a total that many subjects contribute to unequally: one sum over another."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.statistics.checks import finite
from outcomes.statistics.intervals import Interval, without_limits
from outcomes.statistics.students_t import check_level

__all__ = ["ratio_of_sums", "within"]

METHOD = "ratio of sums, cluster-robust t"


def ratio_of_sums(
    numerator: ArrayLike,
    denominator: ArrayLike,
    *,
    cluster: ArrayLike,
    confidence_level: float = 0.95,
) -> Interval:
    """Estimate sum(numerator) / sum(denominator), with subjects as the unit of the interval.

    Parameters
    ----------
    numerator, denominator : array, one entry a part (a sensor, a day)
        The denominator 0 or more.
    cluster : array
        The subject of each part.
    confidence_level : float, default 0.95
        Two-sided level; t on subjects less one.

    Returns
    -------
    Interval
        Nothing to divide by: no estimate. One subject, or the same ratio in all: no limits. The
        note says which.

    Raises
    ------
    EstimationError
        A value is missing, or a denominator is below 0.

    Notes
    -----
    With e = numerator - ratio x denominator summed by subject, the variance of the ratio is
    G / (G - 1) x sum(e^2) / sum(denominator)^2 [1]_.

    References
    ----------
    .. [1] Cochran WG. Sampling Techniques, 3rd ed., 1977, section 6.4 (from memory).

    Examples
    --------
    >>> shown = ratio_of_sums([9, 1, 5], [10, 2, 5], cluster=["a", "a", "b"])
    >>> round(shown.estimate, 4)
    0.8824
    """
    level = check_level(confidence_level)
    above, below = finite("numerator", numerator), finite("denominator", denominator)
    if (below < 0).any():
        raise EstimationError(f"denominator: {int((below < 0).sum())} values are below 0.")
    total = float(below.sum())
    if total == 0:
        return without_limits(None, METHOD, level, "not estimable: nothing to divide by")
    ratio = float(above.sum()) / total
    codes, subjects = pd.factorize(np.asarray(cluster, dtype=object))
    groups = len(subjects)
    if groups < 2:
        return without_limits(ratio, METHOD, level, "1 cluster: limits not estimable, 2 are needed")
    error = np.bincount(codes, above - ratio * below, groups)
    se = math.sqrt(groups / (groups - 1) * float((error**2).sum())) / total
    if se <= 1e-12 * max(abs(ratio), 1e-300):
        note = "no variation between clusters: limits not estimable by this method"
        return without_limits(ratio, METHOD, level, note)
    half = float(stats.t.ppf((1 + level) / 2, groups - 1)) * se
    return Interval(
        estimate=ratio,
        conf_low=ratio - half,
        conf_high=ratio + half,
        method=METHOD,
        confidence_level=level,
    )


def within(shown: Interval, low: float, high: float) -> Interval:
    """Return an interval whose limits are kept within what is possible."""
    if shown.conf_low is None or shown.conf_high is None:
        return shown
    return replace(shown, conf_low=max(low, shown.conf_low), conf_high=min(high, shown.conf_high))
