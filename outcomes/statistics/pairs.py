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
    "needed",
    "pairs_of",
    "too_few",
]

Floats = NDArray[np.float64]
Codes = NDArray[np.intp]


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

    def part(self, rows: Codes, cluster: Codes | None = None) -> Pairs:
        """Return the pairs in these rows, with new cluster codes where given."""
        return Pairs(
            measured=self.measured[rows],
            reference=self.reference[rows],
            cluster=self.cluster[rows] if cluster is None else cluster,
            n_clusters=self.n_clusters,
            clustered=self.clustered,
        )

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
    statistic: Callable[[Pairs], float],
    pairs: Pairs,
    level: float,
    draws: int,
    rng: np.random.Generator,
) -> Interval:
    """Return a statistic of the pairs with percentile limits from resampled clusters."""
    method = "percentile bootstrap of " + ("clusters" if pairs.clustered else "pairs")
    note = too_few(pairs)
    estimate = statistic(pairs) if len(pairs) else None
    estimate = estimate if estimate is not None and math.isfinite(estimate) else None
    if note or estimate is None:
        return without_limits(estimate, method, level, note or "not estimable: no variation")
    if draws < 100:
        raise EstimationError(f"draws = {draws}: percentiles need 100 or more.")
    order = np.argsort(pairs.cluster, kind="stable")
    sizes = np.bincount(pairs.cluster, minlength=pairs.n_clusters)
    rows = np.split(order, np.cumsum(sizes)[:-1])
    results = np.empty(draws)
    for i in range(draws):
        drawn = rng.integers(0, pairs.n_clusters, pairs.n_clusters)
        # A cluster drawn twice stands for two clusters.
        codes = np.repeat(np.arange(pairs.n_clusters), sizes[drawn])
        results[i] = statistic(pairs.part(np.concatenate([rows[g] for g in drawn]), codes))
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


def needed(rng: np.random.Generator | None) -> np.random.Generator:
    """Return the generator, or say that a bootstrap needs one."""
    if rng is None:
        raise EstimationError(
            "rng: a bootstrap needs a generator, so that the same seed gives the same limits. "
            "Pass rng=np.random.default_rng(seed)."
        )
    return rng
