"""Intervals for proportions, their difference and a mean; the bound that stands for "none seen".

Every function returns an `Interval`. What cannot be estimated is None with a `note` in words,
never NaN, infinity or a made-up limit.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal, Self

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import optimize, special, stats
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from outcomes.errors import EstimationError
from outcomes.statistics.checks import check_option, count, finite
from outcomes.statistics.students_t import check_level

__all__ = [
    "Contrast",
    "Interval",
    "fisher_p",
    "proportion",
    "proportion_difference",
    "root",
    "t_interval",
    "without_limits",
    "zero_proportion_bound",
]

ProportionMethod = Literal["wilson", "wilson-continuity", "exact", "mid-p"]

PROPORTION_METHODS = {
    "wilson": "Wilson",
    "wilson-continuity": "Wilson with continuity correction",
    "exact": "exact (Clopper-Pearson)",
    "mid-p": "mid-P",
}


@dataclass(frozen=True, kw_only=True)
class Interval:
    """An estimate with its limits and the method that made them.

    Attributes
    ----------
    estimate, conf_low, conf_high : float or None
        None where there is no such number; `note` then says why.
    method : str
        Name of the method, fit to print.
    confidence_level : float
        As a fraction; two-sided unless `method` says one-sided.
    note : str
        Why something is missing, or what a reader must know; empty when there is nothing to say.
    """

    estimate: float | None
    conf_low: float | None
    conf_high: float | None
    method: str
    confidence_level: float = 0.95
    note: str = ""

    def scaled(self, factor: float) -> Self:
        """Return the same interval in another unit, `factor` (above 0) times as large."""
        if not (math.isfinite(factor) and factor > 0):
            raise EstimationError(f"factor = {factor}: a unit is a finite number above 0.")
        return replace(
            self,
            estimate=_times(self.estimate, factor),
            conf_low=_times(self.conf_low, factor),
            conf_high=_times(self.conf_high, factor),
        )


@dataclass(frozen=True, kw_only=True)
class Contrast(Interval):
    """A comparison of two groups: an interval with its two-sided p-value, None if not tested."""

    p_value: float | None = None


def without_limits(estimate: float | None, method: str, level: float, note: str) -> Interval:
    """Return an estimate that has no limits, or None in its place, with the reason."""
    return Interval(
        estimate=estimate,
        conf_low=None,
        conf_high=None,
        method=method,
        confidence_level=level,
        note=note,
    )


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor


def proportion(
    events: int,
    n: int,
    *,
    method: ProportionMethod = "wilson",
    confidence_level: float = 0.95,
) -> Interval:
    """Estimate a proportion with an interval that is right at 0 and n as well.

    Parameters
    ----------
    events, n : int
        `events` of `n` independent units; 0 <= events <= n.
    method : {"wilson", "exact", "mid-p", "wilson-continuity"}
        Score interval, Clopper-Pearson (coverage never below the level), mid-P (on average at
        the level), or the score interval with continuity correction.
    confidence_level : float, default 0.95
        Two-sided level as a fraction.

    Returns
    -------
    Interval
        As fractions. `n` = 0: no estimate, with a note.

    Raises
    ------
    EstimationError
        A negative or fractional count, more events than units, or an unknown method.

    References
    ----------
    .. [1] Newcombe RG. Two-sided confidence intervals for the single proportion: comparison of
       seven methods. Stat Med 1998;17:857-872 (methods 3, 4, 5 and 6).

    Examples
    --------
    >>> shown = proportion(0, 10)
    >>> round(100 * shown.conf_high, 1)
    27.8
    >>> proportion(0, 0).note
    'not estimable: no units (0 of 0)'
    """
    events, n = _events_of(events, n)
    level = check_level(confidence_level)
    label = PROPORTION_METHODS[check_option("proportion method", method, list(PROPORTION_METHODS))]
    if n == 0:
        note = "not estimable: no units (0 of 0)"
        return without_limits(None, label, level, note)
    low, high = _proportion_limits(events, n, method, level)
    return Interval(
        estimate=events / n, conf_low=low, conf_high=high, method=label, confidence_level=level
    )


def _events_of(events: float, n: float, name: str = "events") -> tuple[int, int]:
    events, n = count(name, events), count("n", n)
    if events > n:
        raise EstimationError(
            f"{name} = {events} of n = {n}: more events than units. "
            "Count each unit once, or estimate a rate instead of a proportion."
        )
    return events, n


def _proportion_limits(
    events: int, n: int, method: ProportionMethod, level: float
) -> tuple[float, float]:
    if method == "mid-p":
        low, high = _mid_p_proportion(events, n, 1 - level)
    elif method == "wilson-continuity":
        limits = stats.binomtest(events, n).proportion_ci(level, method="wilsoncc")
        low, high = float(limits.low), float(limits.high)
    else:
        name = {"wilson": "wilson", "exact": "beta"}[method]
        low, high = map(float, proportion_confint(events, n, alpha=1 - level, method=name))
    # The limit at an observed 0 or n is known exactly; arithmetic leaves it near 1e-17.
    return (0.0 if events == 0 else low), (1.0 if events == n else high)


def _mid_p_proportion(events: int, n: int, alpha: float) -> tuple[float, float]:
    def below(p: float) -> float:
        fewer = float(special.bdtr(events - 1, n, p)) if events else 0.0
        return (float(special.bdtr(events, n, p)) + fewer) / 2

    # P(fewer) + half P(equal) falls from 1 (or one half at the edges) to 0 as p rises.
    low = 0.0 if events == 0 else root(lambda p: below(p) - (1 - alpha / 2), 0.0, 1.0)
    high = 1.0 if events == n else root(lambda p: below(p) - alpha / 2, 0.0, 1.0)
    return low, high


def root(function: Callable[[float], float], low: float, high: float) -> float:
    """Return the root of a monotone function between `low` and `high`, to machine precision."""
    return float(optimize.brentq(function, low, high, xtol=1e-300, rtol=1e-14, maxiter=500))


def zero_proportion_bound(
    n: int, *, method: Literal["exact", "rule of three"] = "exact", confidence_level: float = 0.95
) -> Interval:
    """Bound a proportion from above when none of `n` units had the event.

    One-sided, for a sentence that says so; tables carry the two-sided exact interval.

    Parameters
    ----------
    n : int
        Units without event.
    method : {"exact", "rule of three"}
        1 - alpha^(1/n), or the approximation 3/n (95 % only, at most 1).
    confidence_level : float, default 0.95
        One-sided level.

    Returns
    -------
    Interval
        `estimate` 0, `conf_low` None, `conf_high` the bound; `method` says one-sided.

    References
    ----------
    .. [1] Hanley JA, Lippman-Hand A. If nothing goes wrong, is everything all right? JAMA
       1983;249:1743-1745.

    Examples
    --------
    >>> round(zero_proportion_bound(20).conf_high, 4)
    0.1391
    """
    n, level = count("n", n), check_level(confidence_level)
    check_option("bound for no events", method, ["exact", "rule of three"])
    if method == "rule of three" and level != 0.95:
        raise EstimationError(
            f"confidence_level = {level}: the rule of three is for 0.95. Use method='exact'."
        )
    label = f"one-sided {100 * level:g} % upper bound, {method}"
    if n == 0:
        note = "not estimable: no units (0 of 0)"
        return without_limits(None, label, level, note)
    bound = min(1.0, 3 / n) if method == "rule of three" else -math.expm1(math.log1p(-level) / n)
    return Interval(
        estimate=0.0,
        conf_low=None,
        conf_high=bound,
        method=label,
        confidence_level=level,
        note="one-sided: no lower limit is given",
    )


def proportion_difference(
    events: int,
    n: int,
    reference_events: int,
    reference_n: int,
    *,
    confidence_level: float = 0.95,
) -> Contrast:
    """Estimate the difference of two independent proportions (first less reference).

    Newcombe's hybrid score interval, valid with no events in either group. The p-value is
    Fisher's exact test, which is another method and can disagree with the interval near 0.05.

    Parameters
    ----------
    events, n, reference_events, reference_n : int
        Events of units in the group and in the reference.
    confidence_level : float, default 0.95
        Two-sided level.

    Returns
    -------
    Contrast
        Difference as a fraction; a group without units gives no estimate, with a note.

    References
    ----------
    .. [1] Newcombe RG. Interval estimation for the difference between independent proportions:
       comparison of eleven methods. Stat Med 1998;17:873-890 (method 10).

    Examples
    --------
    >>> shown = proportion_difference(56, 70, 48, 80)
    >>> round(shown.estimate, 4), round(shown.conf_low, 4), round(shown.conf_high, 4)
    (0.2, 0.0524, 0.3339)
    """
    events, n = _events_of(events, n)
    other, other_n = _events_of(reference_events, reference_n, "reference_events")
    level, method = check_level(confidence_level), "Newcombe hybrid score"
    if not (n and other_n):
        note = f"not estimable: no units in a group ({events} of {n}, {other} of {other_n})"
        return Contrast(
            estimate=None,
            conf_low=None,
            conf_high=None,
            method=method,
            confidence_level=level,
            note=note,
        )
    low, high = confint_proportions_2indep(
        events, n, other, other_n, method="newcomb", compare="diff", alpha=1 - level
    )
    return Contrast(
        estimate=events / n - other / other_n,
        # A limit of -1 or 1 comes out of the arithmetic a rounding beyond it.
        conf_low=max(-1.0, float(low)),
        conf_high=min(1.0, float(high)),
        method=method,
        confidence_level=level,
        p_value=fisher_p(events, n, other, other_n),
    )


def fisher_p(events: int, n: int, reference_events: int, reference_n: int) -> float:
    """Return the two-sided p-value of Fisher's exact test that two proportions are equal.

    Examples
    --------
    >>> round(fisher_p(56, 70, 48, 80), 4)
    0.0125
    """
    events, n = _events_of(events, n)
    other, other_n = _events_of(reference_events, reference_n, "reference_events")
    table = [[events, n - events], [other, other_n - other]]
    return float(stats.fisher_exact(table).pvalue)


def t_interval(
    values: Sequence[float] | NDArray[np.float64] | pd.Series, *, confidence_level: float = 0.95
) -> Interval:
    """Estimate the mean of independent values with a Student t interval.

    Parameters
    ----------
    values : sequence of float
        One value a unit, none missing.
    confidence_level : float, default 0.95
        Two-sided level.

    Returns
    -------
    Interval
        In the unit of the values. No value: no estimate. One value, or all values equal: the
        mean without limits, since its uncertainty cannot be seen in them; a note says which.

    Raises
    ------
    EstimationError
        A value is missing or infinite.

    Examples
    --------
    >>> shown = t_interval([1.0, 2.0, 3.0])
    >>> round(shown.conf_low, 3), round(shown.conf_high, 3)
    (-0.484, 4.484)
    """
    numbers, level = finite("values", values), check_level(confidence_level)
    n = numbers.size
    mean = float(numbers.mean()) if n else None
    reasons = {0: "not estimable: no values", 1: "one value: no limits can be estimated"}
    note = reasons.get(n, "")
    if n > 1 and np.ptp(numbers) == 0:
        note = "all values are equal: no limits can be estimated"
    low = high = None
    if mean is not None and not note:
        # What stats.t.ppf calls, without its checks: measures ask for hundreds of these.
        quantile = special.stdtrit(n - 1, (1 + level) / 2)
        half = float(quantile * numbers.std(ddof=1) / math.sqrt(n))
        low, high = mean - half, mean + half
    return Interval(
        estimate=mean,
        conf_low=low,
        conf_high=high,
        method="Student t",
        confidence_level=level,
        note=note,
    )
