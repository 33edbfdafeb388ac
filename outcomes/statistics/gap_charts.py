"""Charts of the gaps between rare events: counts between them (g) and time between them (t).

Where events are rare only exact limits (of the geometric and exponential distributions) can signal
a worsening: the customary lower limit of a gap lies below 0.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.statistics.checks import check_option, finite
from outcomes.statistics.control_charts import (
    THREE_SIGMA_ALPHA,
    ControlChart,
    Floats,
    Limits,
    baseline_mask,
    chart_of,
    limit_words,
    whole_counts,
)
from outcomes.statistics.students_t import check_level

__all__ = ["g_chart", "gap_law", "t_chart"]

# Exponent that makes exponential gaps nearly normal (Nelson 1994).
NEARLY_NORMAL = 1 / 3.6
# Mean moving range of two normal values is 1.128 sigma, so 3 sigma = 2.66 of it.
MOVING_RANGE_FACTOR = 2.66
MEDIAN_OF_MEAN = 0.693
_DEAF = (
    "no gap is short enough to signal a worsening on its own: chart the sum of several gaps, "
    "the time between events, or runs"
)


def g_chart(
    between: ArrayLike,
    *,
    limits: Limits = "probability",
    alpha: float = THREE_SIGMA_ALPHA,
    centre: Literal["mean", "median"] = "median",
    every: int = 1,
    baseline: Sequence[bool] | None = None,
) -> ControlChart:
    """Chart the number of units without event between two events (0 = two in a row).

    Short gaps are the bad news, so it is the lower limit that matters.

    Parameters
    ----------
    between : array
        Whole numbers of 0 or more, in order.
    limits : {"probability", "three sigma"}
        Exact geometric limits; or mean +/- 3 sqrt(mean (mean + 1)), whose lower limit is 0.
    alpha : float, default 0.0027
        Both tails together, for probability limits.
    centre : {"median", "mean"}
        Centre line 0.693 x mean (the theoretical median, so that runs about it have equal odds)
        or the mean. Two conventions exist; with `every` above 1 the exact median is used.
    every : int, default 1
        Chart the sum of so many gaps at a time. One gap cannot signal a worsening unless the mean
        gap exceeds about 2 / alpha units; sums of a few can.
    baseline : sequence of bool, optional
        Points (after summing) from which the mean is taken.

    Returns
    -------
    ControlChart
        `note` says when no gap, however short, could signal.

    References
    ----------
    .. [1] Benneyan JC. Number-between g-type statistical quality control charts for monitoring
       adverse events. Health Care Manag Sci 2001;4:305-318.
    .. [2] Provost LP, Murray SK. The Health Care Data Guide, 2011 (centre line 0.693 x mean).

    Examples
    --------
    >>> chart = g_chart([40, 60, 50], limits="three sigma")
    >>> float(chart.table.loc[0, "centre"])
    34.65
    """
    check_option("centre line", centre, ["mean", "median"])
    gaps = _summed(whole_counts(between), every)
    return _gap_chart("g", gaps, limits, alpha, centre, every, baseline)


def t_chart(
    gaps: ArrayLike,
    *,
    limits: Literal["probability", "transformed"] = "probability",
    alpha: float = THREE_SIGMA_ALPHA,
    power: float = NEARLY_NORMAL,
    every: int = 1,
    baseline: Sequence[bool] | None = None,
) -> ControlChart:
    """Chart the time between two rare events.

    Parameters
    ----------
    gaps : array
        Times of 0 or more, in order. Times recorded in whole days are rounded: count two events
        of one day as half a day apart.
    limits : {"probability", "transformed"}
        Exact exponential limits; or individuals limits, mean +/- 2.66 mean moving range, of
        y = t^power, transformed back. A gap of 0 breaks the transformation.
    alpha : float, default 0.0027
        Both tails together, for probability limits.
    power : float, default 1/3.6
        Exponent of the transformation; textbooks print it as 0.2777, which moves the limits a bit.
    every : int, default 1
        As in `g_chart` (probability limits only).
    baseline : sequence of bool, optional
        Points (after summing) from which the mean is taken.

    Returns
    -------
    ControlChart
        In the unit of the gaps; the centre line is the median (of y transformed back).

    References
    ----------
    .. [1] Nelson LS. A control chart for parts-per-million nonconforming items. J Qual Technol
       1994;26:239-240.

    Examples
    --------
    >>> chart = t_chart([30.0, 45.0, 0.03, 60.0], baseline=[True, True, False, True])
    >>> chart.table["signal"].tolist()
    ['', '', 'below', '']
    """
    check_option("limits", limits, ["probability", "transformed"])
    times = finite("gaps", np.asarray(gaps, dtype=float))
    if (times < 0).any():
        raise EstimationError(f"gaps: {times.min():g} is below 0. Sort the events by date first.")
    if limits == "transformed":
        if every != 1:
            raise EstimationError("t chart: sums of gaps need limits='probability'.")
        return _transformed_chart(times, power, baseline)
    return _gap_chart("t", _summed(times, every), "probability", alpha, "median", every, baseline)


def _summed(gaps: Floats, every: int) -> Floats:
    if every < 1 or int(every) != every:
        raise EstimationError(f"every = {every}: a whole number of gaps, 1 or more.")
    whole = len(gaps) // every * every
    return np.asarray(gaps[:whole].reshape(-1, every).sum(axis=1), dtype=float)


def gap_law(kind: str, mean: float, every: int) -> Any:
    """Distribution of the sum of `every` gaps whose sum has this mean."""
    if kind == "g":
        return stats.nbinom(every, 1 / (1 + mean / every))
    return stats.gamma(every, scale=mean / every)


def _gap_chart(
    kind: str,
    gaps: Floats,
    limits: Limits,
    alpha: float,
    centre: str,
    every: int,
    baseline: Sequence[bool] | None,
) -> ControlChart:
    check_option("limits", limits, ["three sigma", "probability"])
    check_level(1 - alpha)
    mask = baseline_mask(len(gaps), baseline)
    mean = float(gaps[mask].mean())
    size = np.ones(len(gaps))
    words, nothing = limit_words(limits, alpha), np.full(len(gaps), np.nan)
    if mean == 0:
        note = "not estimable: no gap in the baseline is above 0"
        return chart_of(kind, gaps, size, mean, nothing, nothing, mask, words, note, every=every)
    law = gap_law(kind, mean, every)
    if limits == "three sigma":
        spread = 3 * math.sqrt(every * (mean / every) * (mean / every + 1))
        low, high = max(0.0, mean - spread), mean + spread
    else:
        low, high = float(law.ppf(alpha / 2)), float(law.isf(alpha / 2))
    note = "" if low > 0 else _DEAF
    line = mean
    if centre == "median":
        line = MEDIAN_OF_MEAN * mean if kind == "g" and every == 1 else float(law.median())
    limit = np.full(len(gaps), low), np.full(len(gaps), high)
    return chart_of(kind, gaps, size, mean, *limit, mask, words, note, centre=line, every=every)


def _transformed_chart(
    times: Floats, power: float, baseline: Sequence[bool] | None
) -> ControlChart:
    if not 0 < power < 1:
        raise EstimationError(f"power = {power}: an exponent between 0 and 1 spreads short gaps.")
    if (times == 0).any():
        raise EstimationError(
            f"gaps: {int((times == 0).sum())} of {len(times)} are 0, which breaks the "
            "transformation. Use limits='probability', or count one day as half a day."
        )
    mask = baseline_mask(len(times), baseline)
    y = times**power
    ours = y[mask]
    middle = float(ours.mean())
    mean = float(times[mask].mean())
    size, note = np.ones(len(times)), ""
    low = high = np.full(len(times), np.nan)
    if len(ours) < 2 or np.ptp(ours) == 0:
        note = "not estimable: no variation in the baseline, so no limits"
    else:
        reach = MOVING_RANGE_FACTOR * float(np.abs(np.diff(ours)).mean())
        low = np.full(len(times), max(0.0, middle - reach) ** (1 / power))
        high = np.full(len(times), (middle + reach) ** (1 / power))
        note = "" if low[0] > 0 else _DEAF
    words = f"individuals limits of t^{power:.4g}"
    line = float(middle ** (1 / power))
    return chart_of("t", times, size, mean, low, high, mask, words, note, centre=line)
