"""Shewhart charts of shares, rates, counts and gaps between rare events, and their false alarms.

Limits are three standard deviations by custom, or exact probability limits of the binomial,
Poisson, geometric and exponential distributions. Where events are rare only the exact ones can
signal a worsening: the customary lower limit of a gap lies below 0.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.statistics.checks import check_option, finite
from outcomes.statistics.students_t import check_level

__all__ = [
    "ControlChart",
    "FalseAlarms",
    "c_chart",
    "false_alarms",
    "g_chart",
    "p_chart",
    "t_chart",
    "u_chart",
]

Floats = NDArray[np.float64]
Limits = Literal["three sigma", "probability"]

# Both tails of three standard deviations of a normal variable.
THREE_SIGMA_ALPHA = 0.0027
# Limits from fewer points move with every new one.
TRIAL_POINTS = 20
# Exponent that makes exponential gaps nearly normal (Nelson 1994).
NEARLY_NORMAL = 1 / 3.6
# Mean moving range of two normal values is 1.128 sigma, so 3 sigma = 2.66 of it.
MOVING_RANGE_FACTOR = 2.66
MEDIAN_OF_MEAN = 0.693


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class ControlChart:
    """Points with their centre line and limits.

    Attributes
    ----------
    table : DataFrame, one row a point in the order given
        `point` (from 1), `value`, `size`, `centre`, `limit_low`, `limit_high`, `signal` ("above",
        "below" or ""). A point on a limit does not signal; a lower limit of 0 never does.
    kind : str
        p, u, c, g or t.
    limits : str
        How the limits were made, fit to print.
    mean : float or None
        Level of the process taken from the baseline.
    baseline_points : int
    note : str
        What limits the reading; empty when nothing does.
    """

    table: pd.DataFrame
    kind: str
    limits: str
    mean: float | None
    baseline_points: int
    every: int = 1
    note: str = ""


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class FalseAlarms:
    """How often a chart signals although nothing has changed.

    Attributes
    ----------
    table : DataFrame, one row a point
        `point`, `above`, `below`: exact probabilities of a signal on each side.
    expected : float
        Expected number of false signals over the points shown.
    any_point : float
        Probability of at least one.
    average_run_length : float or None
        Points between false signals; None where the probabilities differ or are 0.
    """

    table: pd.DataFrame
    expected: float
    any_point: float
    average_run_length: float | None


def p_chart(
    events: ArrayLike,
    n: ArrayLike,
    *,
    limits: Limits = "three sigma",
    alpha: float = THREE_SIGMA_ALPHA,
    baseline: Sequence[bool] | None = None,
) -> ControlChart:
    """Chart the share of units with an event, one point a subgroup.

    Parameters
    ----------
    events, n : array
        Units with the event, of units; n above 0 at every point.
    limits : {"three sigma", "probability"}
        mean +/- 3 sqrt(mean (1 - mean) / n), cut at 0 and 1; or exact binomial limits with at
        most alpha/2 beyond each.
    alpha : float, default 0.0027
        For probability limits: both tails together.
    baseline : sequence of bool, optional
        Points from which the mean is taken; all by default.

    Returns
    -------
    ControlChart
        No event, or an event in every unit, in the baseline: no limits, with a note.

    Raises
    ------
    EstimationError
        A count breaks its rule, or the baseline is empty or of another length.

    References
    ----------
    .. [1] Montgomery DC. Introduction to Statistical Quality Control, chapter 7.
    .. [2] NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.3.2.

    Examples
    --------
    >>> chart = p_chart([5, 4, 15], [50, 50, 50], baseline=[True, True, False])
    >>> chart.table["signal"].tolist()
    ['', '', 'above']
    """
    counts, sizes = _counts(events), _sizes(n)
    _same_length(counts, sizes)
    if (counts > sizes).any() or (sizes != np.floor(sizes)).any():
        raise EstimationError("p chart: a point has more events than units, or no whole units.")
    return _count_chart("p", counts, sizes, limits, alpha, baseline)


def u_chart(
    events: ArrayLike,
    exposure: ArrayLike,
    *,
    limits: Limits = "three sigma",
    alpha: float = THREE_SIGMA_ALPHA,
    baseline: Sequence[bool] | None = None,
) -> ControlChart:
    """Chart events per exposure, one point a subgroup; as `p_chart` with Poisson counts.

    Examples
    --------
    >>> u_chart([9, 9], [4, 4]).table["limit_high"].tolist()
    [4.5, 4.5]
    """
    counts, sizes = _counts(events), _sizes(exposure)
    _same_length(counts, sizes)
    return _count_chart("u", counts, sizes, limits, alpha, baseline)


def c_chart(
    counts: ArrayLike,
    *,
    limits: Limits = "three sigma",
    alpha: float = THREE_SIGMA_ALPHA,
    baseline: Sequence[bool] | None = None,
) -> ControlChart:
    """Chart counts over equal exposures; as `u_chart` with an exposure of one.

    Examples
    --------
    >>> c_chart([9, 9]).table["limit_high"].tolist()
    [18.0, 18.0]
    """
    numbers = _counts(counts)
    return _count_chart("c", numbers, np.ones(len(numbers)), limits, alpha, baseline)


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
    gaps = _summed(_counts(between), every)
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


def _counts(values: ArrayLike) -> Floats:
    numbers = finite("events", np.asarray(values, dtype=float))
    if (numbers < 0).any() or (numbers != np.floor(numbers)).any():
        raise EstimationError("control chart: counts are whole numbers of 0 or more.")
    return numbers


def _sizes(values: ArrayLike) -> Floats:
    numbers = finite("size", np.asarray(values, dtype=float))
    if (numbers <= 0).any():
        raise EstimationError(
            f"control chart: point {int(np.argmin(numbers)) + 1} has size {numbers.min():g}. "
            "A point without exposure has no value: leave it out, or join it to the next."
        )
    return numbers


def _same_length(counts: Floats, sizes: Floats) -> None:
    if len(counts) != len(sizes):
        raise EstimationError(f"control chart: {len(counts)} counts for {len(sizes)} sizes.")


def _summed(gaps: Floats, every: int) -> Floats:
    if every < 1 or int(every) != every:
        raise EstimationError(f"every = {every}: a whole number of gaps, 1 or more.")
    whole = len(gaps) // every * every
    return np.asarray(gaps[:whole].reshape(-1, every).sum(axis=1), dtype=float)


def _baseline(n_points: int, baseline: Sequence[bool] | None) -> NDArray[np.bool_]:
    mask = np.ones(n_points, dtype=bool) if baseline is None else np.asarray(baseline, dtype=bool)
    if mask.shape != (n_points,) or not mask.any():
        raise EstimationError(
            f"control chart: {int(mask.sum())} baseline points of {mask.size} for {n_points} "
            "points. Give one True or False a point, with at least one True."
        )
    return mask


def _count_chart(
    kind: str,
    counts: Floats,
    sizes: Floats,
    limits: Limits,
    alpha: float,
    baseline: Sequence[bool] | None,
) -> ControlChart:
    check_option("limits", limits, ["three sigma", "probability"])
    check_level(1 - alpha)
    mask = _baseline(len(counts), baseline)
    mean = float(counts[mask].sum() / sizes[mask].sum())
    empty = mean == 0 or (kind == "p" and mean == 1)
    if limits == "three sigma":
        spread = 3 * np.sqrt(mean * (1 - mean if kind == "p" else 1) / sizes)
        low, high = np.maximum(mean - spread, 0), mean + spread
        high = np.minimum(high, 1) if kind == "p" else high
    else:
        law = _law(kind, mean, sizes)
        low, high = law.ppf(alpha / 2) / sizes, law.isf(alpha / 2) / sizes
    if empty:
        low = high = np.full(len(counts), np.nan)
    note = "not estimable: no variation in the baseline, so no limits" if empty else ""
    return _chart(kind, counts / sizes, sizes, mean, low, high, mask, _words(limits, alpha), note)


def _law(kind: str, mean: float, sizes: Floats) -> Any:
    if kind == "p":
        return stats.binom(sizes, mean)
    return stats.poisson(mean * sizes)


def _gap_law(kind: str, mean: float, every: int) -> Any:
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
    mask = _baseline(len(gaps), baseline)
    mean = float(gaps[mask].mean())
    size = np.ones(len(gaps))
    words, nothing = _words(limits, alpha), np.full(len(gaps), np.nan)
    if mean == 0:
        note = "not estimable: no gap in the baseline is above 0"
        return _chart(kind, gaps, size, mean, nothing, nothing, mask, words, note, every=every)
    law = _gap_law(kind, mean, every)
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
    return _chart(kind, gaps, size, mean, *limit, mask, words, note, centre=line, every=every)


_DEAF = (
    "no gap is short enough to signal a worsening on its own: chart the sum of several gaps, "
    "the time between events, or runs"
)


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
    mask = _baseline(len(times), baseline)
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
    return _chart("t", times, size, mean, low, high, mask, words, note, centre=line)


def _words(limits: str, alpha: float) -> str:
    return limits if limits == "three sigma" else f"exact probability limits, alpha {alpha:g}"


def _chart(
    kind: str,
    values: Floats,
    sizes: Floats,
    mean: float,
    low: Floats,
    high: Floats,
    mask: NDArray[np.bool_],
    limits: str,
    note: str,
    *,
    centre: float | None = None,
    every: int = 1,
) -> ControlChart:
    # A point on a limit is inside, also when the limit was reached by another division.
    slack = 1e-12 * np.maximum(np.abs(values), 1e-300)
    above, below = values > high + slack, (values < low - slack) & (low > 0)
    table = pd.DataFrame(
        {
            "point": np.arange(1, len(values) + 1),
            "value": values,
            "size": sizes,
            "centre": mean if centre is None else centre,
            "limit_low": low,
            "limit_high": high,
            "signal": np.select([above, below], ["above", "below"], ""),
        }
    )
    used = int(mask.sum())
    trial = f"trial limits from {used} points" if used < TRIAL_POINTS else ""
    return ControlChart(
        table=table,
        kind=kind,
        limits=limits,
        mean=mean,
        baseline_points=used,
        every=every,
        note="; ".join(part for part in (note, trial) if part),
    )


def false_alarms(chart: ControlChart) -> FalseAlarms:
    """Compute exactly how often a chart's limits are crossed while its mean stays what it was.

    Takes the counts as binomial (p), Poisson (u, c) or geometric (g), the times as exponential
    (t), at the chart's mean. The uncertainty of that mean is not in it.

    Raises
    ------
    EstimationError
        The chart has no limits.

    Examples
    --------
    >>> alarms = false_alarms(c_chart([9] * 20))
    >>> round(float(alarms.table.loc[0, "above"]), 5), float(alarms.table.loc[0, "below"])
    (0.00243, 0.0)
    """
    table = chart.table
    low, high = table["limit_low"].to_numpy(), table["limit_high"].to_numpy()
    if chart.mean is None or np.isnan(low).any() or np.isnan(high).any():
        raise EstimationError(f"control chart: no false alarms without limits ({chart.note}).")
    sizes = table["size"].to_numpy()
    if chart.kind in ("g", "t"):
        law = _gap_law(chart.kind, chart.mean, chart.every)
    else:
        law = _law(chart.kind, chart.mean, sizes)
    above, below = _beyond(law.sf, law.cdf, low * sizes, high * sizes, whole=chart.kind != "t")
    either = above + below
    same = float(np.ptp(either)) < 1e-12 and either[0] > 0
    return FalseAlarms(
        table=pd.DataFrame({"point": table["point"], "above": above, "below": below}),
        expected=float(either.sum()),
        any_point=float(-np.expm1(np.log1p(-either).sum())),
        average_run_length=float(1 / either[0]) if same else None,
    )


def _beyond(
    sf: Callable[[Floats], Floats],
    cdf: Callable[[Floats], Floats],
    low: Floats,
    high: Floats,
    *,
    whole: bool,
) -> tuple[Floats, Floats]:
    if whole:
        # A signal is a count above the limit, or below it; a count on the limit is none.
        high, low = np.floor(high + 1e-9), np.ceil(low - 1e-9) - 1
    return np.asarray(sf(high), float), np.where(low >= 0, cdf(low), 0.0)
