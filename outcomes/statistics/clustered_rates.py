"""Event rates per exposure for all events, where one patient may have many."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from outcomes.statistics.checks import check_columns, count, exposure_of, finite
from outcomes.statistics.intervals import Interval
from outcomes.statistics.rates import events_and_exposure
from outcomes.statistics.students_t import check_level

__all__ = ["ClusteredRate", "clustered_rate"]


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
    total, size = events_and_exposure(used["events"].sum(), used["exposure"].sum())
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
