"""Agreement of a measured with a reference value: bias, limits, concordance, repeatability.

Pairs of one subject resemble each other, so every interval takes the cluster (subject or device)
as the unit, by a cluster-robust error or a bootstrap of clusters. Without clusters every pair is
its own. Relative differences and rates of agreement: `relative_differences`; a line: `deming`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from outcomes.statistics.checks import check_columns, check_option, finite
from outcomes.statistics.intervals import Interval, without_limits
from outcomes.statistics.pairs import (
    Pairs,
    cluster_bootstrap,
    clustered_mean,
    needed,
    pairs_of,
    too_few,
)
from outcomes.statistics.students_t import check_level

__all__ = ["LimitsOfAgreement", "bias", "concordance", "limits_of_agreement", "repeatability"]

Floats = NDArray[np.float64]

# A variance of this share of the squares is what rounding leaves of none.
_ROUNDING = 1e-14
# Normal deviate of 95 % limits; the first paper rounded it to 2.
DEVIATIONS = 1.96


@dataclass(frozen=True, kw_only=True)
class LimitsOfAgreement:
    """Between which limits most differences (measured less reference) lie.

    Attributes
    ----------
    bias, lower, upper : Interval
        Mean difference and the two limits, each with its confidence interval.
    sd : float or None
        Standard deviation of a single difference.
    se_limit : float or None
        Standard error of a limit for independent pairs.
    n_pairs, n_clusters : int
    """

    bias: Interval
    lower: Interval
    upper: Interval
    sd: float | None
    se_limit: float | None
    n_pairs: int
    n_clusters: int


def bias(
    pairs: pd.DataFrame,
    *,
    measured: str,
    reference: str,
    cluster: str | None = None,
    confidence_level: float = 0.95,
) -> Interval:
    """Estimate the mean difference, measured less reference.

    Parameters
    ----------
    pairs : DataFrame, one row a pair
        The columns named, none missing; both values in one unit.
    measured, reference : str
        Column names.
    cluster : str, optional
        Column of the subject or device with several pairs.
    confidence_level : float, default 0.95
        Two-sided level; t on clusters less one.

    Returns
    -------
    Interval
        In the unit of the values.

    Examples
    --------
    >>> shown = bias(pd.DataFrame({"m": [2.0, 4.0], "r": [1.0, 1.0]}), measured="m", reference="r")
    >>> shown.estimate
    2.0
    """
    given, level = pairs_of(pairs, measured, reference, cluster), check_level(confidence_level)
    return clustered_mean(given.measured - given.reference, given, level)


def limits_of_agreement(
    pairs: pd.DataFrame,
    *,
    measured: str,
    reference: str,
    cluster: str | None = None,
    deviations: float = DEVIATIONS,
    error: Literal["1999", "1986"] = "1999",
    draws: int = 1000,
    rng: np.random.Generator | None = None,
    confidence_level: float = 0.95,
) -> LimitsOfAgreement:
    """Estimate the limits between which most differences lie: mean -/+ deviations x SD.

    Parameters
    ----------
    pairs, measured, reference, cluster
        As in `bias`.
    deviations : float, default 1.96
        The first paper's own example uses 2.
    error : {"1999", "1986"}
        Error of a limit without clusters: s sqrt(1/n + d^2 / (2 (n - 1))), or s sqrt(3 / n).
    draws, rng : int and Generator
        Bootstrap of clusters for the limits' intervals; `rng` is needed with `cluster`.
    confidence_level : float, default 0.95
        Two-sided level.

    Returns
    -------
    LimitsOfAgreement
        With clusters the variance of one difference is the sum of its parts between and within
        clusters, since the plain one is too small when subjects have unequal numbers of pairs.
        Fewer than two clusters, or differences that are all equal: no limits, with a note.

    References
    ----------
    .. [1] Bland JM, Altman DG. Statistical methods for assessing agreement between two methods of
       clinical measurement. Lancet 1986;i:307-310.
    .. [2] Bland JM, Altman DG. Measuring agreement in method comparison studies. Stat Methods Med
       Res 1999;8:135-160.
    .. [3] Bland JM, Altman DG. Agreement between methods of measurement with multiple observations
       per individual. J Biopharm Stat 2007;17:571-582.

    Examples
    --------
    >>> frame = pd.DataFrame({"m": [1.0, 2.0, 3.0], "r": [0.0, 2.0, 4.0]})
    >>> shown = limits_of_agreement(frame, measured="m", reference="r")
    >>> shown.bias.estimate, shown.upper.estimate
    (0.0, 1.96)
    """
    given, level = pairs_of(pairs, measured, reference, cluster), check_level(confidence_level)
    check_option("error of a limit", error, ["1999", "1986"])
    middle = clustered_mean(given.measured - given.reference, given, level)
    sd = _sd(given) if not too_few(given) else None
    if not sd:
        note = too_few(given) or "all differences are equal: no limits can be estimated"
        none = without_limits(None, "limits of agreement", level, note)
        lower, upper, se = none, none, None
    else:
        n = len(given)
        inner = 3 / n if error == "1986" else 1 / n + deviations**2 / (2 * (n - 1))
        se = sd * math.sqrt(inner)
        lower, upper = (_limit(given, side * deviations, se, level, draws, rng) for side in (-1, 1))
    return LimitsOfAgreement(
        bias=middle,
        lower=lower,
        upper=upper,
        sd=sd,
        se_limit=None if given.clustered else se,
        n_pairs=len(given),
        n_clusters=given.n_clusters,
    )


def _sd(pairs: Pairs) -> float:
    return float(_spreads(pairs)(np.ones((1, pairs.n_clusters)))[1][0])


def _spreads(pairs: Pairs) -> Callable[[Floats], tuple[Floats, Floats]]:
    """Return mean and SD of a single difference, for how often each cluster was drawn.

    With clusters the variance is the sum of its parts between and within them.
    """
    differences = pairs.measured - pairs.reference
    origin = float(differences.mean())  # sums of squares about it lose no digits
    moved = differences - origin
    sizes, sums, squares = pairs.by_cluster(np.ones(len(moved)), moved, moved**2)

    def spreads(counts: Floats) -> tuple[Floats, Floats]:
        groups, n = counts.sum(axis=1), counts @ sizes
        mean = counts @ sums / n
        total = np.maximum(counts @ squares - n * mean**2, 0.0)
        between = np.maximum(counts @ (sums**2 / sizes) - n * mean**2, 0.0)
        alone = n == groups  # a difference a cluster: nothing is known of within
        with np.errstate(all="ignore"):
            mean_within = np.maximum(0.0, total - between) / (n - groups)
            typical = (n - counts @ sizes**2 / n) / (groups - 1)
            mean_between = np.maximum(0.0, (between / (groups - 1) - mean_within) / typical)
            variance = np.where(alone, total / (n - 1), mean_within + mean_between)
        return origin + mean, np.sqrt(variance)

    return spreads


def _limit(
    pairs: Pairs,
    deviations: float,
    se: float,
    level: float,
    draws: int,
    rng: np.random.Generator | None,
) -> Interval:
    spreads = _spreads(pairs)

    def limit(counts: Floats) -> Floats:
        mean, sd = spreads(counts)
        return mean + deviations * sd

    if pairs.clustered:
        return cluster_bootstrap(limit, pairs, level, draws, needed(rng))
    estimate = float(limit(np.ones((1, pairs.n_clusters)))[0])
    half = float(stats.t.ppf((1 + level) / 2, len(pairs) - 1)) * se
    return Interval(
        estimate=estimate,
        conf_low=estimate - half,
        conf_high=estimate + half,
        method="limits of agreement, t",
        confidence_level=level,
    )


def concordance(
    pairs: pd.DataFrame,
    *,
    measured: str,
    reference: str,
    cluster: str | None = None,
    divisor: Literal["n", "n-1"] = "n",
    draws: int = 1000,
    rng: np.random.Generator | None = None,
    confidence_level: float = 0.95,
) -> Interval:
    """Estimate the concordance correlation: how near the pairs lie to the line of identity.

    Parameters
    ----------
    pairs, measured, reference, cluster, draws, rng, confidence_level
        As in `limits_of_agreement`.
    divisor : {"n", "n-1"}
        Of the variances and the covariance. Lin used n; programs differ, in the fifth digit for
        17 pairs.

    Returns
    -------
    Interval
        Without clusters on Fisher's z scale with Lin's variance, which needs three pairs; with
        clusters by bootstrap. A constant series has no concordance: None, with a note.

    References
    ----------
    .. [1] Lin LI. A concordance correlation coefficient to evaluate reproducibility. Biometrics
       1989;45:255-268; correction 2000;56:324-325.

    Examples
    --------
    >>> frame = pd.DataFrame({"m": [1.0, 2.0, 4.0], "r": [1.0, 3.0, 3.0]})
    >>> round(concordance(frame, measured="m", reference="r").estimate, 4)
    0.7273
    """
    given, level = pairs_of(pairs, measured, reference, cluster), check_level(confidence_level)
    ddof = 0 if check_option("divisor", divisor, ["n", "n-1"]) == "n" else 1

    def statistic(counts: Floats) -> Floats:
        return _concordance(given, ddof, counts)[0]

    if given.clustered:
        return cluster_bootstrap(statistic, given, level, draws, needed(rng))
    method = "Lin, Fisher z"
    estimate = r = shift = math.nan
    if len(given) > 1:
        estimate, r, shift = (float(v[0]) for v in _concordance(given, ddof))
    if not math.isfinite(estimate):
        note = too_few(given) or "not estimable: one of the series is constant"
        return without_limits(None, method, level, note)
    if len(given) < 3 or abs(r) >= 1 - 1e-12 or r == 0:
        note = "limits not estimable by this method with fewer than 3 pairs or pairs on a line"
        return without_limits(estimate, method, level, note)
    half = float(stats.norm.ppf((1 + level) / 2)) * _z_error(estimate, r, shift, len(given))
    z = math.atanh(estimate)
    return Interval(
        estimate=estimate,
        conf_low=math.tanh(z - half),
        conf_high=math.tanh(z + half),
        method=method,
        confidence_level=level,
    )


def _concordance(
    pairs: Pairs, ddof: int, counts: Floats | None = None
) -> tuple[Floats, Floats, Floats]:
    """Return concordance, correlation and the standardised squared shift of location.

    Of every drawing of the clusters, arrays of shape (draws,); NaN where a series is constant.
    """
    drawn = np.ones((1, pairs.n_clusters)) if counts is None else counts
    apart = float(pairs.reference.mean() - pairs.measured.mean())
    x, y = pairs.reference - pairs.reference.mean(), pairs.measured - pairs.measured.mean()
    parts = pairs.by_cluster(np.ones(len(x)), x, y, x * x, y * y, x * y)
    n, sx, sy, sxx, syy, sxy = (drawn @ part for part in parts)
    with np.errstate(all="ignore"):
        vx, vy = ((ss - s**2 / n) / (n - ddof) for ss, s in ((sxx, sx), (syy, sy)))
        constant = (vx <= _ROUNDING * sxx) | (vy <= _ROUNDING * syy)
        vx, vy = np.where(constant, np.nan, vx), np.where(constant, np.nan, vy)
        covariance = (sxy - sx * sy / n) / (n - ddof)
        shift = (apart + (sx - sy) / n) ** 2
        scale = np.sqrt(vx * vy)
        return 2 * covariance / (vx + vy + shift), covariance / scale, shift / scale


def _z_error(estimate: float, r: float, shift: float, n: int) -> float:
    c, c2, r2 = estimate, estimate**2, r**2
    inner = (
        (1 - r2) * c2 / ((1 - c2) * r2)
        + 2 * c**3 * (1 - c) * shift / (r * (1 - c2) ** 2)
        - c**4 * shift**2 / (2 * r2 * (1 - c2) ** 2)
    )
    return math.sqrt(max(0.0, inner) / (n - 2))


def repeatability(
    measurements: pd.DataFrame, *, value: str, subject: str, confidence_level: float = 0.95
) -> Interval:
    """Estimate the standard deviation of repeated measurements of one subject.

    Two measurements of one subject differ by less than 1.96 sqrt(2) = 2.77 times it in 95 % of
    cases (the repeatability coefficient).

    Parameters
    ----------
    measurements : DataFrame, one row a measurement
        Columns `value` and `subject`; subjects with one measurement add nothing.
    value, subject : str
        Column names.
    confidence_level : float, default 0.95
        Two-sided level; chi-squared limits, which take the errors as normal.

    Returns
    -------
    Interval
        In the unit of the values. No subject measured twice: no estimate, with a note.

    References
    ----------
    .. [1] Bland JM, Altman DG. Lancet 1986;i:307-310.

    Examples
    --------
    >>> frame = pd.DataFrame({"value": [1.0, 3.0, 5.0, 7.0], "who": list("aabb")})
    >>> round(repeatability(frame, value="value", subject="who").estimate, 4)
    1.4142
    """
    check_columns(measurements, value, subject)
    level, method = check_level(confidence_level), "within subjects, chi-squared"
    values = finite(f"column {value}", measurements[value])
    codes = pd.factorize(measurements[subject])[0]
    groups = int(codes.max()) + 1 if len(codes) else 0
    df = len(values) - groups
    if df == 0:
        return without_limits(None, method, level, "not estimable: no subject was measured twice")
    means = np.bincount(codes, values, groups) / np.bincount(codes, minlength=groups)
    squares = float(((values - means[codes]) ** 2).sum())
    if squares == 0:
        return without_limits(
            0.0, method, level, "all repeats are equal: no limits can be estimated"
        )
    tails = (1 + level) / 2, (1 - level) / 2
    low, high = (math.sqrt(squares / float(stats.chi2.ppf(p, df))) for p in tails)
    return Interval(
        estimate=math.sqrt(squares / df),
        conf_low=low,
        conf_high=high,
        method=method,
        confidence_level=level,
    )
