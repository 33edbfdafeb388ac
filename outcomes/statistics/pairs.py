"""Pairs of a measured and a reference value, with intervals that keep clusters together."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.statistics.checks import check_columns, finite
from outcomes.statistics.intervals import Interval, without_limits

__all__ = [
    "Pairs",
    "above_zero",
    "cluster_bootstrap",
    "clustered_error",
    "clustered_mean",
    "median_of",
    "needed",
    "pairs_of",
    "too_few",
]

Floats = NDArray[np.float64]
Codes = NDArray[np.intp]
_AT_ONCE = 2_000_000  # counts held at once while clusters are drawn


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Pairs:
    """Checked pairs as arrays; without a cluster column every pair is its own cluster."""

    measured: Floats
    reference: Floats
    cluster: Codes
    n_clusters: int
    clustered: bool

    def __len__(self) -> int:
        return len(self.measured)

    def by_cluster(self, *values: Floats) -> list[Floats]:
        """Return the sums of each of these over the clusters, arrays of shape (n_clusters,)."""
        sums = [np.bincount(self.cluster, each, self.n_clusters) for each in values]
        return [each.astype(np.float64) for each in sums]

    @property
    def relative(self) -> Floats:
        """Absolute difference as a fraction of the reference."""
        return np.abs(self.measured - self.reference) / self.reference


def pairs_of(frame: pd.DataFrame, measured: str, reference: str, cluster: str | None) -> Pairs:
    """Return the named columns as checked pairs; missing values are refused by column."""
    check_columns(frame, measured, reference, *([] if cluster is None else [cluster]))
    codes = (
        np.arange(len(frame), dtype=np.intp)
        if cluster is None
        else pd.factorize(frame[cluster], sort=True)[0]
    )
    return Pairs(
        measured=finite(f"column {measured}", frame[measured]),
        reference=finite(f"column {reference}", frame[reference]),
        cluster=codes,
        n_clusters=int(codes.max()) + 1 if len(codes) else 0,
        clustered=cluster is not None,
    )


def above_zero(pairs: Pairs) -> Pairs:
    """Return the pairs when every reference is above 0, so that relative differences exist."""
    if (pairs.reference <= 0).any():
        raise EstimationError(
            f"reference: {int((pairs.reference <= 0).sum())} of {len(pairs)} values are 0 or "
            "less, and nothing is a share of them. Leave those pairs out, with their count."
        )
    return pairs


def too_few(pairs: Pairs, least: int = 2) -> str:
    """Say that there are too few clusters (or pairs) for limits; empty when there are enough."""
    unit = "clusters" if pairs.clustered else "pairs"
    if len(pairs) == 0:
        return "not estimable: no pairs"
    if pairs.n_clusters < least:
        return f"{pairs.n_clusters} {unit}: limits not estimable, {least} are needed"
    return ""


def clustered_error(values: Floats, cluster: Codes, n_clusters: int) -> float:
    """Return the cluster-robust standard error of a mean, with G / (G - 1)."""
    sums = np.bincount(cluster, values - values.mean(), n_clusters)
    return math.sqrt(n_clusters / (n_clusters - 1) * float((sums**2).sum())) / len(values)


def clustered_mean(values: Floats, pairs: Pairs, level: float) -> Interval:
    """Return the mean with a t interval on clusters less one."""
    method = "cluster-robust t" if pairs.clustered else "Student t"
    note, estimate = too_few(pairs), float(values.mean()) if len(values) else None
    error = 0.0 if note else clustered_error(values, pairs.cluster, pairs.n_clusters)
    # Rounding only: every cluster has the same mean.
    if not note and error <= 1e-12 * max(abs(estimate or 0.0), 1e-300):
        note = "no variation between clusters: limits not estimable by this method"
    if note or estimate is None:
        return without_limits(estimate, method, level, note)
    half = float(stats.t.ppf((1 + level) / 2, pairs.n_clusters - 1)) * error
    return Interval(
        estimate=estimate,
        conf_low=estimate - half,
        conf_high=estimate + half,
        method=method,
        confidence_level=level,
    )


def cluster_bootstrap(
    statistic: Callable[[Floats], Floats],
    pairs: Pairs,
    level: float,
    draws: int,
    rng: np.random.Generator,
) -> Interval:
    """Return a statistic of the pairs with percentile limits from resampled clusters.

    Parameters
    ----------
    statistic : callable
        How often each cluster was drawn, an array of shape (draws, n_clusters), to the statistic
        of every drawing, an array of shape (draws,). A cluster drawn twice stands for two.
    """
    method = "percentile bootstrap of " + ("clusters" if pairs.clustered else "pairs")
    note = too_few(pairs)
    value = float(statistic(np.ones((1, pairs.n_clusters)))[0]) if len(pairs) else math.nan
    estimate = value if math.isfinite(value) else None
    if note or estimate is None:
        return without_limits(estimate, method, level, note or "not estimable: no variation")
    if draws < 100:
        raise EstimationError(f"draws = {draws}: percentiles need 100 or more.")
    at_once = max(1, _AT_ONCE // pairs.n_clusters)
    blocks = [min(at_once, draws - begin) for begin in range(0, draws, at_once)]
    results = np.concatenate([statistic(_drawn(n, pairs.n_clusters, rng)) for n in blocks])
    good = results[np.isfinite(results)]
    failed = draws - good.size
    if good.size == 0 or np.ptp(good) <= 1e-12 * abs(estimate):
        note = "no variation between draws: limits not estimable by this method"
        return without_limits(estimate, method, level, note)
    low, high = np.quantile(good, [(1 - level) / 2, (1 + level) / 2])
    return Interval(
        estimate=estimate,
        conf_low=float(low),
        conf_high=float(high),
        method=method,
        confidence_level=level,
        note=f"{failed} of {draws} draws gave no value" if failed else "",
    )


def _drawn(draws: int, groups: int, rng: np.random.Generator) -> Floats:
    """Draw clusters with replacement; how often each came, an array of shape (draws, groups)."""
    drawn = rng.integers(0, groups, (draws, groups)) + groups * np.arange(draws)[:, None]
    counts = np.bincount(drawn.ravel(), minlength=draws * groups)
    return counts.reshape(draws, groups).astype(np.float64)


def median_of(values: Floats, pairs: Pairs) -> Callable[[Floats], Floats]:
    """Return the median of the pairs' values as a statistic for `cluster_bootstrap`."""
    order = np.argsort(values, kind="stable")
    rising, cluster = values[order], pairs.cluster[order]

    def statistic(counts: Floats) -> Floats:
        medians = np.empty(len(counts))
        for i, times in enumerate(counts):
            upto = np.cumsum(times[cluster])
            middle = [(upto[-1] - 1) // 2, upto[-1] // 2]
            medians[i] = rising[np.searchsorted(upto, middle, "right")].mean()
        return medians

    return statistic


def needed(rng: np.random.Generator | None) -> np.random.Generator:
    """Return the generator, or say that a bootstrap needs one."""
    if rng is None:
        raise EstimationError(
            "rng: a bootstrap needs a generator, so that the same seed gives the same limits. "
            "Pass rng=np.random.default_rng(seed)."
        )
    return rng
