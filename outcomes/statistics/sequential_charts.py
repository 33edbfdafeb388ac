"""Charts that add up case by case: learning curves, observed less expected, EWMA and cusum."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from outcomes.errors import EstimationError
from outcomes.statistics.checks import finite

__all__ = [
    "LearningCurve",
    "LearningCurveOdds",
    "ewma",
    "learning_curve",
    "learning_curve_odds",
    "observed_minus_expected",
    "page_chart",
    "page_false_alarm",
    "tabular_cusum",
]

Floats = NDArray[np.float64]
# Sums that differ by less are the same sum reached in another order.
SAME_SUM = 9


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class LearningCurve:
    """A sequential test of a failure rate, case by case.

    Attributes
    ----------
    table : DataFrame, one row a case
        `case` (from 1), `failure`, `statistic` (adds 1 - s at a failure, takes s at a success),
        `observed_minus_expected` (failures less p0 times cases).
    s : float
        Slope: the failure rate between p0 and p1 at which the statistic stays level.
    lower, upper : float
        -h0 and h1. At or below the lower the acceptable rate is accepted, at or above the upper
        the unacceptable one.
    decision : str
        "acceptable", "unacceptable" or "undecided".
    decided_at : int or None
        Case of the first crossing.
    """

    table: pd.DataFrame
    s: float
    lower: float
    upper: float
    decision: str
    decided_at: int | None


@dataclass(frozen=True, kw_only=True)
class LearningCurveOdds:
    """Exact probabilities of where a learning curve stands after so many cases."""

    acceptable: float
    unacceptable: float
    undecided: float


def _lines(p0: float, p1: float, alpha: float, beta: float) -> tuple[float, float, float]:
    if not (0 < p0 < p1 < 1 and 0 < alpha < 1 and 0 < beta < 1 and alpha + beta < 1):
        raise EstimationError(
            f"learning curve: p0 = {p0}, p1 = {p1}, alpha = {alpha}, beta = {beta}. Needs "
            "0 < p0 < p1 < 1 and error rates above 0 that add to less than 1."
        )
    rise, fall = math.log(p1 / p0), math.log((1 - p0) / (1 - p1))
    width = rise + fall
    h0, h1 = math.log((1 - alpha) / beta) / width, math.log((1 - beta) / alpha) / width
    return fall / width, h0, h1


def _outcomes(outcomes: ArrayLike) -> Floats:
    failures = finite("outcomes", np.asarray(outcomes, dtype=float))
    if not np.isin(failures, (0, 1)).all():
        raise EstimationError("outcomes: each case is 1 (failure) or 0 (success), in order.")
    return failures


def learning_curve(
    outcomes: ArrayLike, *, p0: float, p1: float, alpha: float = 0.1, beta: float = 0.1
) -> LearningCurve:
    """Follow a new operator's failures until the rate is shown acceptable or not (SPRT).

    Parameters
    ----------
    outcomes : array of 0 and 1
        1 a failure, in the order of the cases.
    p0, p1 : float
        Acceptable and unacceptable failure rate, set before looking; p0 < p1.
    alpha, beta : float, default 0.1
        Chance of calling an acceptable rate unacceptable, and the other way round.

    Returns
    -------
    LearningCurve
        The statistic runs on after a crossing; the decision is the first one. No case:
        "undecided".

    Raises
    ------
    EstimationError
        Rates or outcomes outside their range.

    Notes
    -----
    With P = ln(p1/p0) and Q = ln((1-p0)/(1-p1)): s = Q/(P+Q), h0 = ln((1-alpha)/beta)/(P+Q) and
    h1 = ln((1-beta)/alpha)/(P+Q). The limits are Wald's approximation; `learning_curve_odds`
    gives what they do exactly over a number of cases.

    References
    ----------
    .. [1] Bolsin S, Colson M. The use of the Cusum technique in the assessment of trainee
       competence in new procedures. Int J Qual Health Care 2000;12:433-438.
    .. [2] Rogers CA et al. Control chart methods for monitoring cardiac surgical performance and
       their interpretation. J Thorac Cardiovasc Surg 2004;128:811-819.

    Examples
    --------
    >>> curve = learning_curve([1, 1, 1], p0=0.05, p1=0.15)
    >>> round(curve.s, 4), round(curve.upper, 4), curve.decision, curve.decided_at
    (0.0919, 1.8161, 'unacceptable', 3)
    """
    s, h0, h1 = _lines(p0, p1, alpha, beta)
    failures = _outcomes(outcomes)
    statistic = np.cumsum(failures - s)
    crossed = np.flatnonzero((statistic <= -h0) | (statistic >= h1))
    decision, at = "undecided", None
    if crossed.size:
        at = int(crossed[0]) + 1
        decision = "unacceptable" if statistic[crossed[0]] >= h1 else "acceptable"
    table = pd.DataFrame(
        {
            "case": np.arange(1, len(failures) + 1),
            "failure": failures.astype(int),
            "statistic": statistic,
            "observed_minus_expected": np.cumsum(failures - p0),
        }
    )
    return LearningCurve(table=table, s=s, lower=-h0, upper=h1, decision=decision, decided_at=at)


def learning_curve_odds(
    p: float, cases: int, *, p0: float, p1: float, alpha: float = 0.1, beta: float = 0.1
) -> LearningCurveOdds:
    """Return exactly where a learning curve stands after `cases` when the true rate is p.

    At p = p0 `unacceptable` is the false alarm; at p = p1 `acceptable` is the miss.

    Raises
    ------
    EstimationError
        A rate outside 0 to 1, or a negative number of cases.

    Examples
    --------
    >>> odds = learning_curve_odds(0.05, 100, p0=0.05, p1=0.15)
    >>> odds.unacceptable < 0.1
    True
    """
    s, h0, h1 = _lines(p0, p1, alpha, beta)
    if not 0 <= p <= 1 or cases < 0:
        raise EstimationError(f"learning curve: p = {p} over {cases} cases is no rate or count.")
    # Undecided probability by number of failures so far; the statistic is failures - s * case.
    undecided, good, bad = np.array([1.0]), 0.0, 0.0
    for case in range(1, cases + 1):
        undecided = np.r_[undecided * (1 - p), 0.0] + np.r_[0.0, undecided * p]
        statistic = np.arange(case + 1) - s * case
        good += float(undecided[statistic <= -h0].sum())
        bad += float(undecided[statistic >= h1].sum())
        undecided[(statistic <= -h0) | (statistic >= h1)] = 0.0
    return LearningCurveOdds(acceptable=good, unacceptable=bad, undecided=float(undecided.sum()))


def observed_minus_expected(outcomes: ArrayLike, *, expected: float | ArrayLike) -> Floats:
    """Return failures less expected failures, added up case by case.

    Parameters
    ----------
    outcomes : array of 0 and 1
        1 a failure.
    expected : float or array
        Probability of failure, the same for all cases or one a case (risk-adjusted).

    Examples
    --------
    >>> observed_minus_expected([0, 1, 1], expected=0.1).round(1).tolist()
    [-0.1, 0.8, 1.7]
    """
    failures = _outcomes(outcomes)
    chances = finite("expected", np.broadcast_to(np.asarray(expected, float), failures.shape))
    if ((chances < 0) | (chances > 1)).any():
        raise EstimationError("expected: a probability of failure lies between 0 and 1.")
    return np.cumsum(failures - chances)


def page_chart(outcomes: ArrayLike, *, p0: float, p1: float) -> Floats:
    """Return the log-likelihood ratio of p1 against p0, added up and held at 0 or above.

    Watches an established operator for a change for the worse; unlike a learning curve it never
    accepts.

    References
    ----------
    .. [1] Page ES. Continuous inspection schemes. Biometrika 1954;41:100-115.
    .. [2] Steiner SH et al. Monitoring surgical performance using risk-adjusted cumulative sum
       charts. Biostatistics 2000;1:441-452.

    Examples
    --------
    >>> page_chart([0, 1], p0=0.05, p1=0.10).round(4).tolist()
    [0.0, 0.6931]
    """
    _lines(p0, p1, 0.1, 0.1)
    up, down = math.log(p1 / p0), math.log((1 - p1) / (1 - p0))
    path, level = [], 0.0
    for failed in _outcomes(outcomes):
        level = max(0.0, level + (up if failed else down))
        path.append(level)
    return np.array(path)


def page_false_alarm(p: float, cases: int, *, p0: float, p1: float, threshold: float) -> float:
    """Return the exact probability that `page_chart` reaches a threshold within `cases`.

    Examples
    --------
    >>> page_false_alarm(0.1, 1, p0=0.1, p1=0.2, threshold=0.5)
    0.1
    """
    _lines(p0, p1, 0.1, 0.1)
    if not 0 <= p <= 1 or cases < 0 or not threshold > 0:
        raise EstimationError(f"page chart: p = {p}, {cases} cases, threshold {threshold}.")
    up, down = math.log(p1 / p0), math.log((1 - p1) / (1 - p0))
    quiet, alarm = {0.0: 1.0}, 0.0
    for _ in range(cases):
        after: defaultdict[float, float] = defaultdict(float)
        for level, chance in quiet.items():
            after[max(0.0, round(level + down, SAME_SUM))] += chance * (1 - p)
            if level + up >= threshold - 10.0**-SAME_SUM:
                alarm += chance * p
            else:
                after[round(level + up, SAME_SUM)] += chance * p
        quiet = after
    return alarm


def ewma(values: ArrayLike, *, start: float, weight: float, sigma: float) -> pd.DataFrame:
    """Return the exponentially weighted moving average with its three-sigma limits.

    Parameters
    ----------
    values : array
        In time order.
    start : float
        Target or mean of the baseline: the average before the first value.
    weight : float
        Of the newest value, above 0 and at most 1.
    sigma : float
        Standard deviation of single values, above 0.

    Returns
    -------
    DataFrame, one row a value
        `point`, `value`, `average`, `limit_low`, `limit_high` (of the long run).

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.4.

    Examples
    --------
    >>> ewma([52.0], start=50, weight=0.3, sigma=1)["average"].tolist()
    [50.6]
    """
    numbers = finite("values", np.asarray(values, dtype=float))
    if not (0 < weight <= 1 and sigma > 0):
        raise EstimationError(f"ewma: weight {weight} (above 0, at most 1), sigma {sigma}.")
    averages, average = [], float(start)
    for value in numbers:
        average = weight * float(value) + (1 - weight) * average
        averages.append(average)
    reach = 3 * sigma * math.sqrt(weight / (2 - weight))
    return pd.DataFrame(
        {
            "point": np.arange(1, len(numbers) + 1),
            "value": numbers,
            "average": averages,
            "limit_low": start - reach,
            "limit_high": start + reach,
        }
    )


def tabular_cusum(values: ArrayLike, *, target: float, k: float, h: float) -> pd.DataFrame:
    """Return the upper and lower cusum of values against a target, with its signals.

    Parameters
    ----------
    values : array
        In time order.
    target, k, h : float
        Target, allowance and decision interval in the unit of the values; h above 0.

    Returns
    -------
    DataFrame, one row a value
        `point`, `upper`, `lower` (both 0 or more), `signal`.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.3.

    Examples
    --------
    >>> tabular_cusum([1.0, 3.0], target=0, k=0.5, h=2)["signal"].tolist()
    ['', 'above']
    """
    numbers = finite("values", np.asarray(values, dtype=float))
    if not (k >= 0 and h > 0):
        raise EstimationError(f"cusum: k = {k} (0 or more), h = {h} (above 0).")
    upper, lower, high, low = [], [], 0.0, 0.0
    for value in numbers:
        high = max(0.0, high + float(value) - target - k)
        low = max(0.0, low + target - float(value) - k)
        upper.append(high)
        lower.append(low)
    up, down = np.array(upper) > h, np.array(lower) > h
    return pd.DataFrame(
        {
            "point": np.arange(1, len(numbers) + 1),
            "upper": upper,
            "lower": lower,
            "signal": np.select([up, down], ["above", "below"], ""),
        }
    )
