"""Event rates per exposure, with intervals that hold for no events and for repeated events.

`rate` is for independent events (first events of patients); `clustered_rate` for all events, where
one patient may have many; `rate_ratio` and `rate_difference` compare two groups without covariates
(with covariates: `rate_models`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special, stats

from outcomes.errors import EstimationError
from outcomes.statistics.checks import check_columns, check_option, count, exposure_of, finite
from outcomes.statistics.intervals import Contrast, Interval, proportion, root, without_limits
from outcomes.statistics.students_t import check_level

__all__ = [
    "ClusteredRate",
    "clustered_rate",
    "garwood",
    "mid_p_count",
    "rate",
    "rate_difference",
    "rate_ratio",
    "zero_rate_bound",
]

RateMethod = Literal["exact", "mid-p"]
RatioMethod = Literal["exact", "mid-p", "wald"]
DifferenceMethod = Literal["hybrid", "wald"]

RATE_METHODS = {"exact": "exact (Garwood)", "mid-p": "mid-P"}
RATIO_METHODS = {
    "exact": "exact conditional",
    "mid-p": "conditional mid-P",
    "wald": "Wald on the log scale",
}
DIFFERENCE_METHODS = {"hybrid": "hybrid of exact limits", "wald": "Wald"}


def rate(
    events: int,
    exposure: float,
    *,
    method: RateMethod = "exact",
    per: float = 1.0,
    confidence_level: float = 0.95,
) -> Interval:
    """Estimate a rate of independent events with an exact Poisson interval.

    Parameters
    ----------
    events : int
        Number of events, 0 or more.
    exposure : float
        Time or size in which they were seen, for example patient-years.
    method : {"exact", "mid-p"}
        Garwood's interval (coverage never below the level) or mid-P (on average at the level).
    per : float, default 1
        Size of the printed unit: 100 gives events per 100 units of exposure.
    confidence_level : float, default 0.95
        Two-sided level.

    Returns
    -------
    Interval
        Per `per` units of exposure. No events: 0 with lower limit 0 and a proper upper limit. No
        exposure and no events: no estimate, with a note.

    Raises
    ------
    EstimationError
        A negative or fractional count, a negative exposure, or events without exposure.

    References
    ----------
    .. [1] Garwood F. Fiducial limits for the Poisson distribution. Biometrika 1936;28:437-442.

    Examples
    --------
    >>> shown = rate(5, 12400, per=1000)
    >>> round(shown.estimate, 4), round(shown.conf_low, 4), round(shown.conf_high, 4)
    (0.4032, 0.1309, 0.941)
    """
    events, exposure = _events_and_exposure(events, exposure)
    level = check_level(confidence_level)
    label = RATE_METHODS[check_option("rate method", method, list(RATE_METHODS))]
    if exposure == 0:
        return without_limits(None, label, level, "not estimable: no exposure")
    limits = garwood if method == "exact" else mid_p_count
    low, high = limits(events, level)
    shown = Interval(
        estimate=events / exposure,
        conf_low=low / exposure,
        conf_high=high / exposure,
        method=label,
        confidence_level=level,
    )
    return shown.scaled(per)


def _events_and_exposure(events: float, exposure: float, which: str = "") -> tuple[int, float]:
    number = count(f"{which}events", events)
    size = exposure_of(f"{which}exposure", exposure)
    if size == 0 and number > 0:
        raise EstimationError(
            f"{which}exposure = 0 with {which}events = {number}: there is no rate without "
            "exposure. Count same-day exposure as half a day, or check the dates."
        )
    return number, size


def garwood(events: int, level: float) -> tuple[float, float]:
    """Return the exact limits of a Poisson mean from one count (chi-squared quantiles)."""
    alpha = 1 - level
    low = 0.0 if events == 0 else float(stats.chi2.ppf(alpha / 2, 2 * events)) / 2
    return low, float(stats.chi2.isf(alpha / 2, 2 * events + 2)) / 2


def mid_p_count(events: int, level: float) -> tuple[float, float]:
    """Return the mid-P limits of a Poisson mean from one count; 0 and -log(alpha) at no events."""
    alpha = 1 - level
    if events == 0:
        return 0.0, -math.log(alpha)

    def below(mean: float) -> float:
        # P(fewer) + half P(equal) = mean of P(X <= x) and P(X <= x - 1).
        return float(special.pdtr(events, mean) + special.pdtr(events - 1, mean)) / 2

    # The exact limits enclose the mid-P limits, so they bracket the roots.
    outer_low, outer_high = garwood(events, level)
    low = root(lambda mean: below(mean) - (1 - alpha / 2), outer_low, outer_high)
    return low, root(lambda mean: below(mean) - alpha / 2, outer_low, outer_high)


def zero_rate_bound(
    exposure: float, *, per: float = 1.0, confidence_level: float = 0.95
) -> Interval:
    """Bound a rate from above when no event was seen: -log(alpha) / exposure.

    One-sided, for a sentence that says so; tables carry the two-sided exact interval of `rate`.

    Parameters
    ----------
    exposure : float
        Exposure without event.
    per : float, default 1
        Size of the printed unit.
    confidence_level : float, default 0.95
        One-sided level.

    Returns
    -------
    Interval
        `estimate` 0, `conf_low` None, `conf_high` the bound; `method` says one-sided.

    Examples
    --------
    >>> round(zero_rate_bound(1500, per=1000).conf_high, 4)
    1.9972
    """
    size, level = exposure_of("exposure", exposure), check_level(confidence_level)
    label = f"one-sided {100 * level:g} % upper bound, exact"
    if size == 0:
        return without_limits(None, label, level, "not estimable: no exposure")
    bound = Interval(
        estimate=0.0,
        conf_low=None,
        conf_high=-math.log1p(-level) / size,
        method=label,
        confidence_level=level,
        note="one-sided: no lower limit is given",
    )
    return bound.scaled(per)


@dataclass(frozen=True, kw_only=True)
class ClusteredRate(Interval):
    """A rate of all events with an interval that lets events of one cluster go together.

    Attributes
    ----------
    events, exposure : float
        Totals.
    n_clusters : int
        Clusters with exposure or events, also those without events.
    se_log : float or None
        Standard error of the log rate.
    left_out : tuple
        Clusters with neither exposure nor events, which tell nothing about a rate.
    """

    events: int
    exposure: float
    n_clusters: int
    se_log: float | None
    left_out: tuple[Any, ...] = ()


def clustered_rate(
    frame: pd.DataFrame,
    *,
    events: str,
    exposure: str,
    cluster: str,
    per: float = 1.0,
    confidence_level: float = 0.95,
) -> ClusteredRate:
    """Estimate the rate of all events when one cluster (patient) can have several.

    Parameters
    ----------
    frame : DataFrame, any number of rows a cluster
        Columns named by `events` (count), `exposure` (0 or more) and `cluster` (identifier).
        Rows of a cluster are added up first, so how its time is split into rows does not matter.
    events, exposure, cluster : str
        Column names.
    per : float, default 1
        Size of the printed unit.
    confidence_level : float, default 0.95
        Two-sided level.

    Returns
    -------
    ClusteredRate
        No events, one cluster, or the same rate in every cluster: the estimate without limits and
        a note, because this method cannot see the uncertainty there.

    Raises
    ------
    EstimationError
        A count or exposure breaks its rule, a value is missing, or events without any exposure.

    Notes
    -----
    With cluster sums E_g and T_g, r = sum E / sum T, the standard error of log r is
    sqrt(G / (G - 1) * sum (E_g - r T_g)^2) / sum E, the interval normal on the log scale. It is
    the cluster-robust (sandwich) variance of the Poisson model with intercept only.

    References
    ----------
    .. [1] Liang KY, Zeger SL. Longitudinal data analysis using generalized linear models.
       Biometrika 1986;73:13-22.

    Examples
    --------
    >>> wear = pd.DataFrame({"patient": ["a", "b", "c"], "harms": [2, 0, 1], "years": [1, 2, 1]})
    >>> shown = clustered_rate(wear, events="harms", exposure="years", cluster="patient", per=100)
    >>> shown.estimate, round(shown.conf_low, 2), round(shown.conf_high, 2)
    (75.0, 15.52, 362.34)
    """
    check_columns(frame, events, exposure, cluster)
    level, method = check_level(confidence_level), "cluster-robust, log scale"
    sums = _cluster_sums(frame, events, exposure, cluster)
    silent = (sums["events"] == 0) & (sums["exposure"] == 0)
    used = sums[~silent]
    total, size = _events_and_exposure(used["events"].sum(), used["exposure"].sum())
    estimate = total / size if size > 0 else None
    residual = used["events"] - (estimate or 0.0) * used["exposure"]
    spread = float((residual**2).sum())
    note = _clustered_note(total, size, len(used), spread)
    se = low = high = None
    if estimate is not None and not note:
        groups = len(used)
        se = math.sqrt(groups / (groups - 1) * spread) / total
        reach = math.exp(float(stats.norm.ppf((1 + level) / 2)) * se)
        low, high = estimate / reach, estimate * reach
    shown = ClusteredRate(
        estimate=estimate,
        conf_low=low,
        conf_high=high,
        method=method,
        confidence_level=level,
        note=note,
        events=total,
        exposure=size,
        n_clusters=len(used),
        se_log=se,
        left_out=tuple(sums.index[silent]),
    )
    return shown.scaled(per)


def _cluster_sums(frame: pd.DataFrame, events: str, exposure: str, cluster: str) -> pd.DataFrame:
    numbers = pd.DataFrame(
        {
            "events": _counts(f"column {events}", frame[events]),
            "exposure": _exposures(f"column {exposure}", frame[exposure]),
            "cluster": frame[cluster].to_numpy(),
        }
    )
    # Sorted by identifier, so that the order of the rows cannot change the last digit.
    return numbers.groupby("cluster", sort=True, observed=True).sum()


def _counts(
    name: str, values: Sequence[float] | NDArray[np.float64] | pd.Series
) -> NDArray[np.float64]:
    numbers = finite(name, values)
    for value in numbers[(numbers < 0) | (numbers != np.floor(numbers))][:1]:
        count(name, value)
    return numbers


def _exposures(
    name: str, values: Sequence[float] | NDArray[np.float64] | pd.Series
) -> NDArray[np.float64]:
    numbers = finite(name, values)
    for value in numbers[numbers < 0][:1]:
        exposure_of(name, value)
    return numbers


def _clustered_note(events: int, exposure: float, clusters: int, spread: float) -> str:
    if exposure == 0:
        return "not estimable: no exposure"
    if events == 0:
        return "no events: limits not estimable by this method; see the exact interval"
    if clusters == 1:
        return "one cluster: limits not estimable by this method"
    # Relative to the events, so that rounding in the exposures does not pass for variation.
    if spread <= 1e-24 * events**2:
        return "the same rate in every cluster: limits not estimable by this method"
    return ""


def rate_ratio(
    events: int,
    exposure: float,
    reference_events: int,
    reference_exposure: float,
    *,
    method: RatioMethod = "exact",
    confidence_level: float = 0.95,
) -> Contrast:
    """Compare two rates of independent events as the ratio to the reference.

    Given the total of both counts, the first is binomial; limits of that proportion become limits
    of the ratio, also where one group had no event.

    Parameters
    ----------
    events, exposure : int and float
        Of the group in the numerator.
    reference_events, reference_exposure : int and float
        Of the group in the denominator.
    method : {"exact", "mid-p", "wald"}
        Exact conditional, its mid-P version, or normal on the log scale (needs events in both).
    confidence_level : float, default 0.95
        Two-sided level.

    Returns
    -------
    Contrast
        No events in the group: ratio 0 with lower limit 0. None in the reference: no estimate and
        no upper limit, but a lower one. None in both: nothing but the note. The p-value of "exact"
        adds the outcomes no more probable than the one seen; "mid-p" doubles the smaller tail;
        "wald" is normal on the log scale.

    Raises
    ------
    EstimationError
        A count or exposure breaks its rule, or events without exposure.

    References
    ----------
    .. [1] Lehmann EL. Testing Statistical Hypotheses, 2nd ed., 1986, section 4.5.
    .. [2] Rothman KJ, Greenland S, Lash TL. Modern Epidemiology, 3rd ed., 2008, chapter 14.

    Examples
    --------
    >>> shown = rate_ratio(41, 28010, 15, 19017)
    >>> round(shown.estimate, 3), round(shown.conf_low, 3), round(shown.conf_high, 3)
    (1.856, 1.006, 3.609)
    """
    a, size = _events_and_exposure(events, exposure)
    b, other = _events_and_exposure(reference_events, reference_exposure, "reference_")
    level = check_level(confidence_level)
    label = RATIO_METHODS[check_option("rate ratio method", method, list(RATIO_METHODS))]
    note = _ratio_note(a, size, b, other, method)
    estimate = a * other / (b * size) if b and size else None
    low = high = p = None
    if a + b and size and other and not (method == "wald" and note):
        low, high = _ratio_limits(a, size, b, other, method, level)
        p = _ratio_p(a, size, b, other, method)
    return Contrast(
        estimate=estimate,
        conf_low=low,
        conf_high=high,
        method=label,
        confidence_level=level,
        p_value=p,
        note=note,
    )


def _ratio_note(a: int, size: float, b: int, other: float, method: RatioMethod) -> str:
    if not (size and other):
        return "not estimable: no exposure in a group"
    if a + b == 0:
        return "not estimable: no events in either group"
    if method == "wald" and not (a and b):
        return "limits not estimable by this method without events in both groups"
    if b == 0:
        return "no events in the reference: no estimate and no upper limit"
    return ""


def _ratio_limits(
    a: int, size: float, b: int, other: float, method: RatioMethod, level: float
) -> tuple[float, float | None]:
    if method == "wald":
        ratio = a * other / (b * size)
        reach = math.exp(float(stats.norm.ppf((1 + level) / 2)) * math.sqrt(1 / a + 1 / b))
        return ratio / reach, ratio * reach
    share = proportion(a, a + b, method=method, confidence_level=level)
    low, high = share.conf_low or 0.0, share.conf_high
    scale = other / size
    return low / (1 - low) * scale, None if b == 0 or high is None else high / (1 - high) * scale


def _ratio_p(a: int, size: float, b: int, other: float, method: RatioMethod) -> float:
    share = size / (size + other)
    if method == "exact":
        return float(stats.binomtest(a, a + b, share).pvalue)
    if method == "wald":
        z = math.log(a * other / (b * size)) / math.sqrt(1 / a + 1 / b)
        return 2 * float(stats.norm.sf(abs(z)))
    half = 0.5 * float(stats.binom.pmf(a, a + b, share))
    tails = stats.binom.cdf(a, a + b, share) - half, stats.binom.sf(a, a + b, share) + half
    return min(1.0, 2 * float(min(tails)))


def rate_difference(
    events: int,
    exposure: float,
    reference_events: int,
    reference_exposure: float,
    *,
    method: DifferenceMethod = "hybrid",
    per: float = 1.0,
    confidence_level: float = 0.95,
) -> Contrast:
    """Compare two rates of independent events as the first less the reference.

    Parameters
    ----------
    events, exposure, reference_events, reference_exposure : int and float
        As in `rate_ratio`.
    method : {"hybrid", "wald"}
        Limits recovered from the exact limits of the two rates (holds without events), or the
        normal approximation (needs events in both groups).
    per : float, default 1
        Size of the printed unit.
    confidence_level : float, default 0.95
        Two-sided level.

    Returns
    -------
    Contrast
        Without exposure in a group: no estimate, with a note. No p-value of its own: it is that
        of `rate_ratio`, method "exact", None where no event was seen.

    Raises
    ------
    EstimationError
        As `rate_ratio`.

    References
    ----------
    .. [1] Zou GY, Donner A. Construction of confidence limits about effect measures: a general
       approach. Stat Med 2008;27:1693-1702.

    Examples
    --------
    >>> shown = rate_difference(41, 28010, 15, 19017, method="wald", per=1000)
    >>> round(shown.estimate, 4), round(shown.conf_low, 4)
    (0.675, 0.0749)
    """
    a, size = _events_and_exposure(events, exposure)
    b, other = _events_and_exposure(reference_events, reference_exposure, "reference_")
    level = check_level(confidence_level)
    label = DIFFERENCE_METHODS[
        check_option("rate difference method", method, list(DIFFERENCE_METHODS))
    ]
    note = "" if size and other else "not estimable: no exposure in a group"
    if not note and method == "wald" and not (a and b):
        note = "limits not estimable by this method without events in both groups"
    estimate = a / size - b / other if size and other else None
    below = above = low = high = None
    if estimate is not None and not note:
        below, above = _difference_reach(a, size, b, other, method, level)
        low, high = estimate - below, estimate + above
    p = _ratio_p(a, size, b, other, "exact") if estimate is not None and a + b else None
    shown = Contrast(
        estimate=estimate,
        conf_low=low,
        conf_high=high,
        method=label,
        confidence_level=level,
        p_value=p,
        note=note,
    )
    return shown.scaled(per)


def _difference_reach(
    a: int, size: float, b: int, other: float, method: DifferenceMethod, level: float
) -> tuple[float, float]:
    if method == "wald":
        z = float(stats.norm.ppf((1 + level) / 2))
        half = z * math.sqrt(a / size**2 + b / other**2)
        return half, half
    (low_a, high_a), (low_b, high_b) = garwood(a, level), garwood(b, level)
    below = math.hypot((a - low_a) / size, (high_b - b) / other)
    return below, math.hypot((high_a - a) / size, (b - low_b) / other)
