"""Kaplan-Meier curves, their quantiles and differences, and numbers at risk."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.statistics.competing_risks import CumulativeIncidence, cumulative_incidence
from outcomes.statistics.competing_risks import difference as difference_of_states
from outcomes.statistics.curve_edges import checked_times
from outcomes.statistics.lives import CENSORED, EVENT_FREE, checked_lives
from outcomes.statistics.probability_limits import Floats

# R's rule for "S is flat at 1 - p": equal within the square root of the machine's precision.
_FLAT = 1.5e-8

NOT_REACHED = "not reached"


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class SurvivalCurve:
    """A Kaplan-Meier curve read at chosen times.

    Attributes
    ----------
    table : DataFrame, one row per time
        `time`, `estimate`, `std_error`, `conf_low`, `conf_high` (fractions, unrounded),
        `n_at_risk` (rows at risk just before the events at `time`), `events` (up to and including
        `time`; short of it where `before`), `note`.
    n_rows, n_clusters, n_events : int
    note : str
        What holds for the whole curve, "" if nothing.
    """

    table: pd.DataFrame
    confidence_level: float
    transform: str
    variance: str
    before: bool
    n_rows: int
    n_clusters: int
    n_events: int
    note: str
    _states: CumulativeIncidence = field()

    def influence(self, time: float) -> pd.Series:
        """Return each cluster's part of the error at a time; the sum of squares is the variance."""
        return self._states.influence(EVENT_FREE, time)

    def influences(self, *, times: npt.ArrayLike | None = None) -> pd.DataFrame:
        """Return each cluster's part of the error (rows) at each time (columns)."""
        return self._states.influences(EVENT_FREE, times=times)


def kaplan_meier(
    lives: pd.DataFrame,
    *,
    times: npt.ArrayLike,
    cluster: str | None = None,
    weight: str | None = None,
    before: bool = False,
    confidence_level: float = 0.95,
    transform: str = "log-log",
    variance: str = "jackknife",
) -> SurvivalCurve:
    """Which share is still free of the event at each time, had nobody left early?

    Parameters
    ----------
    lives : DataFrame, one row per interval at risk
        `entry`, `exit` (numbers; entry -1 from the start, so that an event at 0 counts), `state`
        (text: "censored", or any other word for the event). A row is at risk at t when
        entry < t <= exit; events precede censorings.
    times : array of shape (T,)
        Events at the time itself count; with `before=True` they do not.
    cluster, weight : str, optional
        Columns of the patient and of weights (taken as fixed).
    before : bool, default False
        Read the limit from the left: S(t-).
    confidence_level : float, default 0.95
    transform : str, default "log-log"
        Scale of the limits, see `probability_limits`.
    variance : {"jackknife", "greenwood"}, default "jackknife"
        The infinitesimal jackknife, summed by cluster. It equals Greenwood's without clusters,
        weights and late entry, and differs a little with late entry.

    Returns
    -------
    SurvivalCurve

    Raises
    ------
    TableError
        A column is missing or a row breaks its rule (see `checked_lives`).
    EstimationError
        No or non-finite times, an unknown scale or variance.

    Notes
    -----
    Edges are those of `cumulative_incidence`, each with its `note`: no estimate after the last
    exit while S is above 0, no limits at S = 1 (no event yet) or S = 0, no standard error from one
    cluster.

    The libraries' curves agree with this one, but not their errors on our data. lifelines'
    intervals ignore clusters, and its weighted ones cut the weighted number at risk to a whole
    number; statsmodels' weighted standard error belongs to the cumulative hazard; neither sums by
    patient.

    References
    ----------
    .. [1] Kaplan EL, Meier P. J Am Stat Assoc 1958;53:457-481.
    .. [2] Collett D. Modelling Survival Data in Medical Research, 2nd ed., 2003, section 2.2
       (limits on the log(-log) scale).

    Examples
    --------
    >>> lives = pd.DataFrame({"entry": -1, "exit": [10, 20, 30, 40],
    ...                       "state": ["failed", "censored", "censored", "censored"]})
    >>> table = kaplan_meier(lives, times=[5, 10]).table
    >>> table[["time", "estimate", "conf_low", "conf_high", "n_at_risk"]].round(3)
       time  estimate  conf_low  conf_high  n_at_risk
    0   5.0      1.00       NaN        NaN          4
    1  10.0      0.75     0.128      0.961          4
    >>> table.loc[0, "note"]
    'no limits: the estimate is exactly 1'

    The library's weighted interval, every weight 0.01, on six rows with three events:

    >>> import warnings
    >>> from lifelines import KaplanMeierFitter
    >>> with warnings.catch_warnings():
    ...     warnings.simplefilter("ignore")
    ...     fit = KaplanMeierFitter().fit([1, 2, 3, 4, 5, 6], [1, 0, 1, 0, 1, 0],
    ...                                   weights=[0.01] * 6)
    >>> fit.confidence_interval_.iloc[-1].tolist()
    [1.0, 1.0]
    """
    merged = merged_lives(lives)
    states = cumulative_incidence(
        merged,
        times=times,
        cluster=cluster,
        weight=weight,
        before=before,
        states=["event"],
        confidence_level=confidence_level,
        transform=transform,
        variance=variance,
    )
    table = states.table
    free = table[table["state"] == EVENT_FREE].drop(columns="state").reset_index(drop=True)
    free["events"] = table.loc[table["state"] == "event", "events"].to_numpy()
    return SurvivalCurve(
        table=free,
        confidence_level=confidence_level,
        transform=transform,
        variance=variance,
        before=before,
        n_rows=states.n_rows,
        n_clusters=states.n_clusters,
        n_events=states.n_events,
        note=states.note,
        _states=states,
    )


def merged_lives(lives: pd.DataFrame) -> pd.DataFrame:
    """Return lives with every word but "censored" turned into one event; a bad state stays bad."""
    if "state" not in lives.columns:
        return lives
    state = lives["state"].astype(object)
    words = state.map(lambda value: isinstance(value, str)) & ~state.isin([CENSORED, EVENT_FREE])
    return lives.assign(state=state.mask(words.astype(bool), "event"))


def survival_difference(
    a: SurvivalCurve,
    b: SurvivalCurve,
    *,
    times: npt.ArrayLike | None = None,
    confidence_level: float = 0.95,
) -> pd.DataFrame:
    """How much higher is survival in `a` than in `b`, patients in both counted once?

    Parameters
    ----------
    a, b : SurvivalCurve
        Both with a cluster column (equal labels are the same patient) or both without.
    times : array, optional
        By default the times common to both.

    Returns
    -------
    DataFrame, one row per time
        `time`, `estimate` (a - b), `std_error`, `conf_low`, `conf_high`, `p_value`, `note`; see
        `competing_risks.difference`.
    """
    table = difference_of_states(
        a._states, b._states, states=[EVENT_FREE], times=times, confidence_level=confidence_level
    )
    return table.drop(columns="state")


def number_at_risk(lives: pd.DataFrame, *, times: npt.ArrayLike) -> pd.DataFrame:
    """How many rows are at risk just before the events at each time, late entries counted?

    Parameters
    ----------
    lives : DataFrame, one row per interval at risk
        `entry`, `exit`, `state` as in `kaplan_meier`.
    times : array of shape (T,)

    Returns
    -------
    DataFrame, one row per time
        `time`, `n_at_risk`: rows with entry < time <= exit.

    Notes
    -----
    A row that enters at t is not at risk at t. Do not take this row from lifelines' plotting
    helper, which shows those left after the events, nor from its event table, which counts
    entries tied with an event as at risk:

    >>> from lifelines import KaplanMeierFitter
    >>> fit = KaplanMeierFitter().fit([10, 20, 30, 30], [1, 1, 1, 1], entry=[0, 0, 10, 20])
    >>> int(fit.event_table.loc[20, "at_risk"])
    3

    Examples
    --------
    >>> lives = pd.DataFrame({"entry": [-1, -1, 10, 20], "exit": [10, 20, 30, 30],
    ...                       "state": "failed"})
    >>> number_at_risk(lives, times=[0, 10, 20])
       time  n_at_risk
    0   0.0          2
    1  10.0          2
    2  20.0          2
    """
    asked = checked_times(times)
    return pd.DataFrame({"time": asked, "n_at_risk": checked_lives(lives).number_at_risk(asked)})


def quantile(
    lives: pd.DataFrame,
    *,
    probability: float | tuple[float, ...] = 0.5,
    cluster: str | None = None,
    weight: str | None = None,
    confidence_level: float = 0.95,
    transform: str = "log-log",
) -> pd.DataFrame:
    """By when has a given share had the event (0.5: the median), with limits or "not reached"?

    Parameters
    ----------
    lives : DataFrame, one row per interval at risk
        `entry`, `exit`, `state` as in `kaplan_meier`.
    probability : number or tuple, default 0.5
        Share with the event, above 0 and below 1.
    cluster, weight, confidence_level, transform
        As in `kaplan_meier`.

    Returns
    -------
    DataFrame, one row per probability
        `probability`, `estimate`, `conf_low`, `conf_high` (in the unit of the clock; NaN where
        not reached), `note` ("estimate not reached", "upper limit not reached", ...).

    Notes
    -----
    The limits are the times at which the pointwise limits of the curve pass the same level
    (Brookmeyer and Crowley [1]_). Where a curve is flat at exactly that level, the midpoint of the
    flat piece is taken, as R does; lifelines takes its left end and statsmodels its right end.

    References
    ----------
    .. [1] Brookmeyer R, Crowley J. A confidence interval for the median survival time. Biometrics
       1982;38:29-41.

    Examples
    --------
    >>> lives = pd.DataFrame({"entry": -1, "exit": [1, 2, 3, 4], "state": "failed"})
    >>> float(quantile(lives).loc[0, "estimate"])
    2.5
    >>> lives = pd.DataFrame({"entry": -1, "exit": [10, 20, 30, 40],
    ...                       "state": ["failed", "censored", "censored", "censored"]})
    >>> quantile(lives).loc[0, "note"]
    'estimate and upper limit not reached'
    """
    asked = np.atleast_1d(np.asarray(probability, dtype=float))
    if not len(asked) or not ((asked > 0) & (asked < 1)).all():
        raise EstimationError(f"probability {asked.tolist()}: shares above 0 and below 1 needed.")
    checked = checked_lives(lives, cluster=cluster, weight=weight)
    event_times = np.unique(checked.exit[checked.is_event])
    if not len(event_times):
        note = "not estimable: " + ("no events" if len(checked.exit) else "nobody at risk")
        blank = {"estimate": np.nan, "conf_low": np.nan, "conf_high": np.nan, "note": note}
        return pd.DataFrame([{"probability": p} | blank for p in asked])
    curve = kaplan_meier(
        lives,
        times=event_times,
        cluster=cluster,
        weight=weight,
        confidence_level=confidence_level,
        transform=transform,
    ).table
    return pd.DataFrame([_quantile_row(curve, float(p)) for p in asked])


def _quantile_row(curve: pd.DataFrame, probability: float) -> dict[str, object]:
    # At S = 0 the lower limit of survival is 0 and the upper does not exist.
    low = curve["conf_low"].where(curve["estimate"] > 0, 0.0)
    columns = {"estimate": curve["estimate"], "lower limit": low, "upper limit": curve["conf_high"]}
    times = {
        name: _crossing(curve["time"].to_numpy(), values.to_numpy(), 1 - probability)
        for name, values in columns.items()
    }
    missing = [name for name, time in times.items() if np.isnan(time)]
    return {
        "probability": probability,
        "estimate": times["estimate"],
        "conf_low": times["lower limit"],
        "conf_high": times["upper limit"],
        "note": f"{' and '.join(missing)} {NOT_REACHED}" if missing else "",
    }


def _crossing(times: Floats, curve: Floats, level: float) -> float:
    """Return the first time at or below the level; the midpoint where the curve rests on it."""
    reached = np.flatnonzero(np.nan_to_num(curve, nan=np.inf) <= level + _FLAT)
    if not len(reached):
        return float("nan")
    first = reached[0]
    below = np.flatnonzero(np.nan_to_num(curve, nan=np.inf) < level - _FLAT)
    if abs(curve[first] - level) > _FLAT or not len(below):
        return float(times[first])
    return float(times[first] + times[below[0]]) / 2
