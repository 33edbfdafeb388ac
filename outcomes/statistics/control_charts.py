"""Shewhart charts of shares, rates and counts; of gaps between rare events see `gap_charts`.

Limits are three standard deviations by custom, or exact probability limits of the binomial and
Poisson distributions. How often they are crossed by chance: `chart_alarms`.
"""

from __future__ import annotations

from collections.abc import Sequence
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
    "baseline_mask",
    "c_chart",
    "chart_of",
    "count_law",
    "limit_words",
    "p_chart",
    "u_chart",
    "whole_counts",
]

Floats = NDArray[np.float64]
Limits = Literal["three sigma", "probability"]

# Both tails of three standard deviations of a normal variable.
THREE_SIGMA_ALPHA = 0.0027
# Limits from fewer points move with every new one.
TRIAL_POINTS = 20


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
    counts, sizes = whole_counts(events), _sizes(n)
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
    counts, sizes = whole_counts(events), _sizes(exposure)
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
    numbers = whole_counts(counts)
    return _count_chart("c", numbers, np.ones(len(numbers)), limits, alpha, baseline)


def whole_counts(values: ArrayLike) -> Floats:
    """Return counts checked to be whole and 0 or more."""
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


def baseline_mask(n_points: int, baseline: Sequence[bool] | None) -> NDArray[np.bool_]:
    """Return which points set the mean, all of them unless said."""
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
    mask = baseline_mask(len(counts), baseline)
    mean = float(counts[mask].sum() / sizes[mask].sum())
    empty = mean == 0 or (kind == "p" and mean == 1)
    if limits == "three sigma":
        spread = 3 * np.sqrt(mean * (1 - mean if kind == "p" else 1) / sizes)
        low, high = np.maximum(mean - spread, 0), mean + spread
        high = np.minimum(high, 1) if kind == "p" else high
    else:
        law = count_law(kind, mean, sizes)
        low, high = law.ppf(alpha / 2) / sizes, law.isf(alpha / 2) / sizes
    if empty:
        low = high = np.full(len(counts), np.nan)
    note = "not estimable: no variation in the baseline, so no limits" if empty else ""
    return chart_of(
        kind, counts / sizes, sizes, mean, low, high, mask, limit_words(limits, alpha), note
    )


def count_law(kind: str, mean: float, sizes: Floats) -> Any:
    """Return the distribution of every point's count at a mean."""
    if kind == "p":
        return stats.binom(sizes, mean)
    return stats.poisson(mean * sizes)


def limit_words(limits: str, alpha: float) -> str:
    """Return how the limits were made, in words."""
    return limits if limits == "three sigma" else f"exact probability limits, alpha {alpha:g}"


def chart_of(
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
    """Return a chart of values with their limits; a point on a limit is inside."""
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
