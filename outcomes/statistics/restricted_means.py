"""Restricted mean times: free of an event, or lost to one of several, and how arms differ."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.statistics.curve_edges import curve_note
from outcomes.statistics.lives import ClusterIntegrals, Lives, RiskTable, checked_lives, risk_table
from outcomes.statistics.probability_limits import Floats, normal_quantile
from outcomes.statistics.shared_clusters import difference_error, normal_limits
from outcomes.statistics.survival import merged_lives


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class RestrictedMean:
    """Mean time within a horizon, with its influences for comparisons.

    Attributes
    ----------
    estimate, std_error, conf_low, conf_high : float or None
        In the unit of the clock; None where not estimable.
    horizon, longest : float
        The horizon asked for, and the longest that the follow-up supports.
    n_rows, n_clusters, n_events : int
    note : str
        Why there is no estimate or error, and what holds for the curve under late entry.
    influence : Series, one value per cluster
    clustered : bool
    """

    estimate: float | None
    std_error: float | None
    conf_low: float | None
    conf_high: float | None
    horizon: float
    longest: float
    confidence_level: float
    n_rows: int
    n_clusters: int
    n_events: int
    note: str
    influence: pd.Series
    clustered: bool

    @property
    def table(self) -> pd.DataFrame:
        """One row: horizon, estimate, std_error, conf_low, conf_high, n_rows, events, note."""
        row = {
            "horizon": self.horizon,
            "estimate": self.estimate,
            "std_error": self.std_error,
            "conf_low": self.conf_low,
            "conf_high": self.conf_high,
            "n_rows": self.n_rows,
            "events": self.n_events,
            "note": self.note,
        }
        return pd.DataFrame([row])


def restricted_mean(
    lives: pd.DataFrame,
    *,
    horizon: float,
    cluster: str | None = None,
    weight: str | None = None,
    confidence_level: float = 0.95,
) -> RestrictedMean:
    """How long, on average within the horizon, is a subject free of the event?

    Parameters
    ----------
    lives : DataFrame, one row per interval at risk
        `entry`, `exit`, `state` as in `kaplan_meier`.
    horizon : number above 0
        The mean is of the time free of the event between 0 and the horizon.
    cluster, weight : str, optional
        Columns of the patient and of weights.
    confidence_level : float, default 0.95

    Returns
    -------
    RestrictedMean
        Without estimate and with a `note` where the horizon lies beyond the last follow-up while
        some are still event free, or where nobody is at risk.

    Raises
    ------
    TableError, EstimationError
        As `kaplan_meier`; a horizon that is not above 0.

    Notes
    -----
    The area under the step curve. The error integrates the curve's influence: a row's own term at
    v is minus the area from v to the horizon, times 1 / (Y (1 - dL)). lifelines'
    `restricted_mean_survival_time(..., return_variance=True)` returns the variance of the
    subjects' times, not of their mean, and its form on a data frame draws trapezoids under a step
    curve.

    References
    ----------
    .. [1] Royston P, Parmar MKB. Restricted mean survival time. BMC Med Res Methodol 2013;13:152.

    Examples
    --------
    >>> lives = pd.DataFrame({"entry": -1, "exit": [1, 2, 3, 4], "state": "failed"})
    >>> mean = restricted_mean(lives, horizon=3)
    >>> mean.estimate, round(mean.std_error, 4)
    (2.25, 0.4146)

    The library's variance for the same: of one subject's time, twice the standard deviation.

    >>> import warnings
    >>> from lifelines import KaplanMeierFitter
    >>> from lifelines.utils import restricted_mean_survival_time
    >>> with warnings.catch_warnings():
    ...     warnings.simplefilter("ignore")
    ...     _, variance = restricted_mean_survival_time(
    ...         KaplanMeierFitter().fit([1, 2, 3, 4], [1, 1, 1, 1]), t=3, return_variance=True)
    >>> round(float(variance) ** 0.5, 3)
    0.829
    """
    checked = checked_lives(merged_lives(lives), cluster=cluster, weight=weight, states=["event"])
    risk = risk_table(checked)
    _check_horizon(horizon)
    widths = _widths(risk, horizon)
    area = float((np.concatenate([[1.0], risk.survival]) * widths).sum())
    # Area from each event time to the horizon, the integral's weight of an influence at v.
    ahead = np.cumsum((risk.survival * widths[1:])[::-1])[::-1]
    jump = -ahead * risk.inverse
    return _mean_result(checked, risk, horizon, area, jump, jump * risk.total, confidence_level)


def mean_time_lost(
    lives: pd.DataFrame,
    *,
    state: str,
    horizon: float,
    cluster: str | None = None,
    weight: str | None = None,
    confidence_level: float = 0.95,
) -> RestrictedMean:
    """How much time within the horizon is lost, on average, to one of the competing states?

    The area under the state's cumulative incidence; parameters and result as in `restricted_mean`,
    with `state` one of the words in the column `state`.

    References
    ----------
    .. [1] Andersen PK. Decomposition of number of life years lost according to causes of death.
       Stat Med 2013;32:5278-5285.

    Examples
    --------
    >>> lives = pd.DataFrame({"entry": -1, "exit": [1, 2, 3, 4],
    ...                       "state": ["failed", "failed", "planned", "censored"]})
    >>> mean_time_lost(lives, state="failed", horizon=4).estimate
    1.25
    """
    checked = checked_lives(lives, cluster=cluster, weight=weight)
    if state not in checked.states:
        checked = checked_lives(
            lives, cluster=cluster, weight=weight, states=[*checked.states, state]
        )
    risk = risk_table(checked)
    _check_horizon(horizon)
    code = checked.states.index(state)
    incidence = risk.incidence[code]
    widths = _widths(risk, horizon)
    area = float((incidence * widths[1:]).sum())
    # From v on, a jump of S(v-)/Y lasts until the horizon, and (F(t) - F(v)) / (Y (1 - dL)) is lost
    # again: both integrated over the time that is left.
    left = np.maximum(horizon - risk.times, 0.0)
    ahead = np.cumsum((incidence * widths[1:])[::-1])[::-1] - incidence * left
    gain = risk.survival_before / risk.at_risk * left
    loss = ahead * risk.inverse
    jump = np.tile(-loss, (len(checked.states), 1))
    jump[code] += gain
    drift = gain * risk.hazard[code] - loss * risk.total
    return _mean_result(checked, risk, horizon, area, jump, drift, confidence_level)


def _check_horizon(horizon: float) -> None:
    if not (np.isfinite(horizon) and horizon > 0):
        raise EstimationError(f"horizon {horizon}: a finite time above 0 is needed.")


def _widths(risk: RiskTable, horizon: float) -> Floats:
    """Return the length, within 0 to the horizon, of each step: first the one before any event."""
    edges = np.concatenate([[0.0], np.clip(risk.times, 0.0, horizon), [horizon]])
    return np.diff(edges)


def _mean_result(
    lives: Lives,
    risk: RiskTable,
    horizon: float,
    area: float,
    jump: Floats,
    drift: Floats,
    level: float,
) -> RestrictedMean:
    influence = ClusterIntegrals(lives, risk, np.array([horizon]), before=False).of(jump, drift)
    finished = bool(len(risk.times)) and risk.survival[-1] == 0
    last = float(lives.exit.max()) if len(lives.exit) else 0.0
    clusters = len(np.unique(lives.cluster))
    error = float(np.sqrt((influence**2).sum()))
    estimate: float | None = area
    note = ""
    if not len(lives.exit):
        estimate, note = None, "not estimable: nobody at risk"
    elif horizon > last and not finished:
        estimate = None
        note = f"not estimable: the horizon {horizon:g} lies beyond the follow-up, {last:g}"
    elif clusters < 2:
        note = f"no standard error from one {'cluster' if lives.clustered else 'row'}"
    elif not error > 0:
        note = "no standard error: no spread between clusters"
    note = "; ".join(part for part in (note, curve_note(lives, risk)) if part)
    known = estimate is not None and clusters > 1 and error > 0
    reach = normal_quantile(level) * error
    return RestrictedMean(
        estimate=estimate,
        std_error=error if known else None,
        conf_low=max(area - reach, 0.0) if known else None,
        conf_high=min(area + reach, horizon) if known else None,
        horizon=float(horizon),
        longest=float("inf") if finished else last,
        confidence_level=level,
        n_rows=len(lives.exit),
        n_clusters=clusters,
        n_events=int(lives.is_event.sum()),
        note=note,
        influence=pd.Series(influence[:, 0], index=lives.clusters),
        clustered=lives.clustered,
    )


def compare_restricted_means(
    a: RestrictedMean, b: RestrictedMean, *, confidence_level: float = 0.95
) -> pd.DataFrame:
    """By how much, and by which factor, does the restricted mean of `a` exceed that of `b`?

    Parameters
    ----------
    a, b : RestrictedMean
        Of one horizon, both with a cluster column (equal labels are the same patient) or both
        without.
    confidence_level : float, default 0.95

    Returns
    -------
    DataFrame, two rows
        `contrast` ("difference" in the unit of the clock, "ratio"), `estimate`, `std_error` (of
        the ratio: of its logarithm), `conf_low`, `conf_high`, `p_value`, `note`. Beyond the
        follow-up of either: no numbers, and the note names the longest common horizon.

    Raises
    ------
    EstimationError
        Different horizons, or only one of the two is clustered.

    Notes
    -----
    The ratio's limits are normal on the log scale by the delta method on the influences.

    Examples
    --------
    >>> lives = pd.DataFrame({"entry": -1, "exit": [1, 2, 3, 4, 2, 4, 6, 8], "state": "failed",
    ...                       "arm": ["a"] * 4 + ["b"] * 4})
    >>> a, b = (restricted_mean(part, horizon=4) for _, part in lives.groupby("arm"))
    >>> compare_restricted_means(b, a).round(3)[["contrast", "estimate", "conf_low", "conf_high"]]
         contrast  estimate  conf_low  conf_high
    0  difference       1.0    -0.386      2.386
    1       ratio       1.4     0.848      2.310
    """
    if a.horizon != b.horizon or a.clustered != b.clustered:
        raise EstimationError(
            f"restricted means of horizons {a.horizon:g} and {b.horizon:g}: one horizon, and a "
            "cluster column in both or in neither, is needed."
        )
    labels = ["difference", "ratio"]
    if a.estimate is None or b.estimate is None or a.std_error is None or b.std_error is None:
        longest = min(a.longest, b.longest)
        note = "; ".join(dict.fromkeys(part for part in (a.note, b.note) if part))
        if a.horizon > longest:
            note += f"; the longest common horizon is {longest:g}"
        blank = dict.fromkeys(["estimate", "std_error", "conf_low", "conf_high", "p_value"], np.nan)
        return pd.DataFrame([{"contrast": label} | blank | {"note": note} for label in labels])
    first, second = a.influence.to_frame(), b.influence.to_frame()
    error = difference_error(first, second, shared=a.clustered)
    log_error = difference_error(first / a.estimate, second / b.estimate, shared=a.clustered)
    estimates = np.array([a.estimate - b.estimate, np.log(a.estimate / b.estimate)])
    errors = np.concatenate([error, log_error])
    low, high, p_value = normal_limits(estimates, errors, confidence_level)
    shown = np.array([estimates, low, high])
    shown[:, 1] = np.exp(shown[:, 1])
    return pd.DataFrame(
        {
            "contrast": labels,
            "estimate": shown[0],
            "std_error": errors,
            "conf_low": shown[1],
            "conf_high": shown[2],
            "p_value": p_value,
            "note": ["" if e > 0 else "no limits: no spread between clusters" for e in errors],
        }
    )
