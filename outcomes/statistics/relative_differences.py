"""Relative differences of a measured from a reference value, and rates of agreement."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.statistics.intervals import Interval, without_limits
from outcomes.statistics.pairs import (
    Pairs,
    above_zero,
    cluster_bootstrap,
    clustered_error,
    clustered_mean,
    median_of,
    pairs_of,
    too_few,
)
from outcomes.statistics.students_t import check_level

__all__ = ["agreement_rates", "mean_relative_difference", "median_relative_difference"]

Floats = NDArray[np.float64]


def mean_relative_difference(
    pairs: pd.DataFrame,
    *,
    measured: str,
    reference: str,
    cluster: str | None = None,
    confidence_level: float = 0.95,
) -> Interval:
    """Estimate the mean absolute relative difference, |measured - reference| / reference.

    As `bias`; a fraction of the reference, which must be above 0.

    Examples
    --------
    >>> frame = pd.DataFrame({"m": [110.0, 120.0], "r": [100.0, 100.0]})
    >>> round(mean_relative_difference(frame, measured="m", reference="r").estimate, 4)
    0.15
    """
    given = above_zero(pairs_of(pairs, measured, reference, cluster))
    return clustered_mean(given.relative, given, check_level(confidence_level))


def median_relative_difference(
    pairs: pd.DataFrame,
    *,
    measured: str,
    reference: str,
    rng: np.random.Generator,
    cluster: str | None = None,
    draws: int = 1000,
    confidence_level: float = 0.95,
) -> Interval:
    """Estimate the median absolute relative difference; limits by bootstrap of clusters.

    As `mean_relative_difference`; `draws` and `rng` as in `limits_of_agreement`.
    """
    given = above_zero(pairs_of(pairs, measured, reference, cluster))
    level = check_level(confidence_level)
    return cluster_bootstrap(median_of(given.relative, given), given, level, draws, rng)


def agreement_rates(
    pairs: pd.DataFrame,
    *,
    measured: str,
    reference: str,
    switch: float,
    within: Sequence[float] = (15, 20, 30, 40),
    cluster: str | None = None,
    confidence_level: float = 0.95,
) -> pd.DataFrame:
    """Estimate the shares of pairs that agree within 15, 20, 30 and 40 units or percent.

    Parameters
    ----------
    pairs, measured, reference, cluster
        As in `bias`.
    switch : float
        Reference value from which the difference is judged in percent of the reference; below it
        in units. It differs between papers, so it has no default.
    within : sequence of float
        Allowed differences, in units below the switch and in percent from it on; a difference
        equal to the allowed one agrees.
    confidence_level : float, default 0.95
        Two-sided level.

    Returns
    -------
    DataFrame, one row an allowed difference
        `within`, `switch`, `estimate` (fraction), `conf_low`, `conf_high`, `n_pairs`,
        `n_clusters`, `effective_pairs`, `method`, `note`.

    Notes
    -----
    Wilson's interval at the effective number of pairs: p (1 - p) over the cluster-robust
    variance, times (z / t)^2 for t on clusters less one [1]_, at most the number of pairs. Where
    all pairs agree, or none, the pairs say nothing about how they hang together, and each cluster
    counts as one pair.

    References
    ----------
    .. [1] Korn EL, Graubard BI. Confidence intervals for proportions with small expected number of
       positive counts estimated from survey data. Surv Methodol 1998;24:193-201 (the effective
       number and its factor; there with exact limits).

    Examples
    --------
    >>> frame = pd.DataFrame({"m": [70.0, 120.0, 250.0], "r": [60.0, 100.0, 200.0]})
    >>> rates = agreement_rates(frame, measured="m", reference="r", switch=100)
    >>> rates["estimate"].round(3).tolist()
    [0.333, 0.667, 1.0, 1.0]
    """
    given = above_zero(pairs_of(pairs, measured, reference, cluster))
    level = check_level(confidence_level)
    rows = []
    for allowed in within:
        if not 0 < allowed < math.inf:
            raise EstimationError(f"within = {allowed}: an allowed difference is above 0.")
        shown, effective = _rate(given, _agree(given, allowed, switch), level)
        rows.append(
            {
                "within": allowed,
                "switch": switch,
                "estimate": shown.estimate,
                "conf_low": shown.conf_low,
                "conf_high": shown.conf_high,
                "n_pairs": len(given),
                "n_clusters": given.n_clusters,
                "effective_pairs": effective,
                "method": shown.method,
                "note": shown.note,
            }
        )
    return pd.DataFrame(rows)


def _agree(pairs: Pairs, allowed: float, switch: float) -> Floats:
    distance = np.abs(pairs.measured - pairs.reference)
    # Whole numbers stay whole on both sides, so that 15 % of 100 includes 15.
    in_percent = 100 * distance <= allowed * pairs.reference
    return np.where(pairs.reference < switch, distance <= allowed, in_percent).astype(float)


def _rate(pairs: Pairs, agree: Floats, level: float) -> tuple[Interval, float | None]:
    method = "Wilson at the effective number of pairs" if pairs.clustered else "Wilson"
    note = "not estimable: no pairs" if len(pairs) == 0 else ""
    if pairs.clustered and not note:
        note = too_few(pairs)
    share = float(agree.mean()) if len(pairs) else None
    if note or share is None:
        return without_limits(share, method, level, note), None
    effective = float(len(pairs))
    if pairs.clustered:
        if share in (0.0, 1.0):
            effective, note = float(pairs.n_clusters), "each cluster counted as one pair"
        else:
            error = clustered_error(agree, pairs.cluster, pairs.n_clusters)
            tail = (1 + level) / 2
            few = stats.norm.ppf(tail) / stats.t.ppf(tail, pairs.n_clusters - 1)
            if error > 0:
                effective = min(effective, share * (1 - share) * float(few / error) ** 2)
    low, high = _wilson(share, effective, level)
    shown = Interval(
        estimate=share,
        conf_low=low,
        conf_high=high,
        method=method,
        confidence_level=level,
        note=note,
    )
    return shown, effective


def _wilson(share: float, n: float, level: float) -> tuple[float, float]:
    """Return Wilson limits at a number of pairs that need not be whole."""
    z2 = float(stats.norm.ppf((1 + level) / 2)) ** 2
    centre = (share + z2 / (2 * n)) / (1 + z2 / n)
    half = math.sqrt(z2 * (share * (1 - share) / n + z2 / (4 * n**2))) / (1 + z2 / n)
    return (0.0 if share == 0 else centre - half), (1.0 if share == 1 else centre + half)
