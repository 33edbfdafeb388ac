"""Cumulative incidence of competing end states, and how it differs between groups."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.errors import EstimationError, known_names
from outcomes.statistics.curve_edges import (
    NO_SPREAD,
    checked_times,
    curve_note,
    row_notes,
    shown_error,
    snapped,
    unseen,
)
from outcomes.statistics.incidence_errors import (
    InfluenceBlock,
    Sums,
    delta_method_errors,
    events_until,
    jackknife_errors,
    read_steps,
)
from outcomes.statistics.lives import (
    EVENT_FREE,
    Lives,
    RiskTable,
    Times,
    checked_lives,
    risk_table,
    searched,
)
from outcomes.statistics.probability_limits import Floats, probability_limits
from outcomes.statistics.shared_clusters import difference_error, normal_limits

VARIANCES = ("jackknife", "greenwood", "gray")


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class CumulativeIncidence:
    """Shares in each state over time, with what is needed to compare them between groups.

    Attributes
    ----------
    table : DataFrame, one row per time and state
        `time`, `state`, `estimate`, `std_error`, `conf_low`, `conf_high` (fractions, unrounded),
        `n_at_risk` (rows at risk just before the events at `time`), `events` (into the state, up
        to and including `time`; short of it where `before`; "event free" has none), `note`.
        Within a time the states in declared or sorted order, then "event free", then the combined
        names. A value that does not exist is NaN and `note` says why.
    states, combined : tuple of str
        The single states ("event free" last) and the names asked for in `combine`.
    times : array of shape (T,)
        As asked for, rising.
    before : bool
        Whether the values are the limits from the left.
    n_rows, n_clusters, n_events : int
        Rows at risk at any time, their clusters, and those that ended in a state.
    note : str
        What holds for the whole curve, "" if nothing.
    """

    table: pd.DataFrame
    states: tuple[str, ...]
    combined: tuple[str, ...]
    times: Times
    before: bool
    confidence_level: float
    transform: str
    variance: str
    n_rows: int
    n_clusters: int
    n_events: int
    note: str
    _lives: Lives = field()
    _risk: RiskTable = field()
    _sums: Sums = field()

    def at(self, state: str, time: float) -> pd.Series:
        """Return the table's row of one state and time."""
        self._known(state)
        place = np.flatnonzero(self.times == time)
        if not len(place):
            raise EstimationError(
                known_names("time of this estimate", str(time), map(str, self.times))
            )
        return self.table.iloc[int(place[0]) * len(self._sums) + list(self._sums).index(state)]

    def influence(self, state: str, time: float) -> pd.Series:
        """Return what each cluster adds to the error; the sum of squares is the variance.

        Parameters
        ----------
        state : str
            A state, "event free" or a combined name.
        time : number
            Any time, also one not in `times`.

        Returns
        -------
        Series, one value per cluster, indexed by cluster (by row without a cluster column)
        """
        return self.influences(state, times=[time]).iloc[:, 0]

    def influences(self, state: str, *, times: npt.ArrayLike | None = None) -> pd.DataFrame:
        """Return the influence of each cluster (row) at each time (column)."""
        self._known(state)
        asked = self.times if times is None else np.unique(np.asarray(times, dtype=float))
        grid = InfluenceBlock(self._lives, self._risk, asked, before=self.before)
        codes, free = self._sums[state]
        return pd.DataFrame(grid.influence(codes, free), index=self._lives.clusters, columns=asked)

    def _known(self, state: str) -> None:
        if state not in self._sums:
            raise EstimationError(known_names("state of this estimate", state, self._sums))


def cumulative_incidence(
    lives: pd.DataFrame,
    *,
    times: npt.ArrayLike,
    cluster: str | None = None,
    weight: str | None = None,
    combine: Mapping[str, Sequence[str]] | None = None,
    states: Sequence[str] | None = None,
    before: bool = False,
    confidence_level: float = 0.95,
    transform: str = "log-log",
    variance: str = "jackknife",
) -> CumulativeIncidence:
    """Of all who started, which share is in each end state by each time (Aalen-Johansen)?

    Parameters
    ----------
    lives : DataFrame, one row per interval at risk
        `entry` and `exit` (numbers on one clock; entry -1 for a subject under observation from
        the start, so that an event at 0 counts), `state` (text: "censored", or the competing end
        state). A row is at risk at t when entry < t <= exit; events precede censorings.
    times : array of shape (T,)
        Where to read the curves. Events at the time itself count; with `before=True` they do not
        (the limit from the left, as needed "just before share 1 of planned life").
    cluster : str, optional
        Column of the patient (or other unit) whose rows belong together. Without it every row is
        taken as independent.
    weight : str, optional
        Column of weights, taken as fixed.
    combine : dict of name to list of states, optional
        Names for sums of states, which may hold "event free" (still under observation, no event).
        Each gets its own standard error and limits.
    states : sequence of str, optional
        The possible end states in the order wanted. A state that may be absent from the data but
        is named in `combine` has to be declared here; it is then shown with 0.
    before : bool, default False
        Read the limit from the left.
    confidence_level : float, default 0.95
    transform : str, default "log-log"
        Scale of the limits: log(-log p) of the printed probability; see `probability_limits`.
    variance : {"jackknife", "greenwood", "gray"}, default "jackknife"
        The infinitesimal jackknife summed by cluster is the one used throughout. The other two
        serve comparisons with other programs, without clusters and weights: "greenwood" takes the
        events of one time as multinomial, "gray" [2]_ differs from it by a tenth of a percent.

    Returns
    -------
    CumulativeIncidence
        At each time the single states, "event free" among them, add to 1.

    Raises
    ------
    TableError
        A column is missing or a row breaks its rule (see `checked_lives`).
    EstimationError
        No or non-finite times, an unknown state in `combine`, scale or variance.

    Notes
    -----
    Edges, each with its `note`: nobody at risk, or a time after the last exit while some were
    still event free: no estimate. An estimate of exactly 0 or 1: neither standard error nor
    limits, since no scale has one there (never a limit equal to the estimate); ask an exact
    interval for the count of patients instead. One cluster, or clusters that all run the same
    course: no standard error. A risk set that empties early under late entry takes the curve to
    its end; the note says when.

    With w the weights, Y the weighted number at risk, dN a row's event, dL = dN/Y and S the event
    free share, a row's influence on F_k(t) is the sum over event times v up to t of
    S(v-)/Y (dN_ik - Y_i dL_k) - (F_k(t) - F_k(v)) (dN_i - Y_i dL) / (Y (1 - dL)), times its
    weight; the variance is the sum over clusters of squared sums [1]_. Without entry, weights and
    clusters it equals the Greenwood-type variance exactly.

    Two library routines give the same estimate only on friendly data. lifelines'
    `AalenJohansenFitter` moves tied times at random before it estimates: on whole days an event
    moved behind the planned removals of its day meets a risk set of almost nobody, and entries
    tied with events and events at time 0 go wrong as well. statsmodels' `CumIncidenceRight` is
    right without late entry, but has neither limits, late entry nor clusters.

    References
    ----------
    .. [1] Andersen PK, Borgan O, Gill RD, Keiding N. Statistical Models Based on Counting
       Processes, 1993, section IV.4.
    .. [2] Gray RJ. A class of K-sample tests for comparing the cumulative incidence of a competing
       risk. Ann Stat 1988;16:1141-1154 (the "gray" variance).

    Examples
    --------
    >>> lives = pd.DataFrame({"entry": -1, "exit": [10, 20, 30, 40, 50, 60],
    ...     "state": ["failed", "planned", "failed", "planned", "failed", "censored"]})
    >>> curve = cumulative_incidence(lives, times=[60])
    >>> curve.table[["state", "estimate", "std_error", "events"]].round(3)
            state  estimate  std_error  events
    0      failed     0.500      0.204       3
    1     planned     0.333      0.192       2
    2  event free     0.167      0.152       0

    The library's answer on whole days: an event at time 0 is lost.

    >>> import warnings
    >>> from lifelines import AalenJohansenFitter
    >>> with warnings.catch_warnings():
    ...     warnings.simplefilter("ignore")
    ...     fit = AalenJohansenFitter(calculate_variance=False).fit(
    ...         [0, 1, 1, 2, 3, 3, 4, 5], [1, 1, 0, 2, 0, 1, 0, 2], 1)
    >>> float(fit.predict(1))
    0.125
    >>> lives = pd.DataFrame({"entry": -1, "exit": [0, 1, 1, 2, 3, 3, 4, 5],
    ...     "state": ["a", "a", "censored", "b", "censored", "a", "censored", "b"]})
    >>> float(cumulative_incidence(lives, times=[1]).at("a", 1).estimate)
    0.25
    """
    checked = checked_lives(lives, cluster=cluster, weight=weight, states=states)
    risk = risk_table(checked)
    asked = checked_times(times)
    sums = _sums(checked.states, combine or {})
    if variance not in VARIANCES:
        raise EstimationError(known_names("variance", variance, VARIANCES))
    if variance != "jackknife" and (cluster is not None or weight is not None):
        raise EstimationError(
            f"variance '{variance}' takes rows as independent and of equal weight; leave out "
            "cluster and weight, or use the jackknife."
        )
    if variance == "jackknife":
        error = jackknife_errors(checked, risk, asked, sums, before)
    else:
        error = delta_method_errors(risk, asked, sums, before, variance)
    table = _table(checked, risk, asked, sums, error, before, confidence_level, transform)
    names = tuple(sums)
    return CumulativeIncidence(
        table=table,
        states=names[: len(checked.states) + 1],
        combined=names[len(checked.states) + 1 :],
        times=asked,
        before=before,
        confidence_level=confidence_level,
        transform=transform,
        variance=variance,
        n_rows=len(checked.exit),
        n_clusters=len(np.unique(checked.cluster)),
        n_events=int(checked.is_event.sum()),
        note=curve_note(checked, risk),
        _lives=checked,
        _risk=risk,
        _sums=sums,
    )


def _sums(
    states: tuple[str, ...], combine: Mapping[str, Sequence[str]]
) -> dict[str, tuple[tuple[int, ...], bool]]:
    """Return for each name the codes of its states and whether "event free" is one of them."""
    code = {state: i for i, state in enumerate(states)}
    sums: dict[str, tuple[tuple[int, ...], bool]] = {s: ((i,), False) for s, i in code.items()}
    sums[EVENT_FREE] = ((), True)
    for name, members in combine.items():
        if name in sums:
            raise EstimationError(f"combine: '{name}' is already a state; choose another name.")
        if isinstance(members, str) or len(set(members)) < len(members):
            raise EstimationError(f"combine: '{name}' needs a list of states, each once.")
        for member in members:
            if member not in code and member != EVENT_FREE:
                known = known_names("state", member, [*states, EVENT_FREE])
                raise EstimationError(
                    f"combine, '{name}': {known} A state that may be absent is declared in states."
                )
        codes = tuple(sorted(code[m] for m in members if m != EVENT_FREE))
        sums[name] = (codes, EVENT_FREE in members)
    return sums


def _table(
    lives: Lives,
    risk: RiskTable,
    times: Times,
    sums: Sums,
    error: Mapping[str, Floats],
    before: bool,
    confidence_level: float,
    transform: str,
) -> pd.DataFrame:
    reach = events_until(risk, times, before)
    at_risk = lives.number_at_risk(times)
    survival = read_steps(risk.survival, reach, 1.0)
    nobody_left = unseen(lives, times, survival)
    clusters = len(np.unique(lives.cluster))
    parts: list[tuple[Any, ...]] = []
    for name, (codes, free) in sums.items():
        ends = np.sort(lives.exit[np.isin(lives.state, codes)])
        estimate = sum(
            (read_steps(risk.incidence[k], reach, 0.0) for k in codes), np.zeros(len(times))
        )
        estimate = estimate + survival if free else estimate
        estimate = np.where(nobody_left, np.nan, snapped(estimate))
        spread = shown_error(estimate, error[name])
        low, high = probability_limits(
            estimate, spread, confidence_level=confidence_level, transform=transform
        )
        events = searched(ends, times, left=before).astype(np.int64)
        parts.append(
            (estimate, spread, low, high, events, row_notes(lives, estimate, spread, clusters))
        )
    # Time by time, and at each time the states in their order: what `at` relies on.
    estimates, spreads, lows, highs, counts, notes = (
        np.stack([np.asarray(part[i]) for part in parts], axis=1).ravel() for i in range(6)
    )
    return pd.DataFrame(
        {
            "time": np.repeat(times, len(sums)),
            "state": np.tile(np.array(list(sums), dtype=object), len(times)),
            "estimate": estimates, "std_error": spreads, "conf_low": lows, "conf_high": highs,
            "n_at_risk": np.repeat(at_risk, len(sums)), "events": counts,
            "note": notes.astype(object),
        }
    )  # fmt: skip


def difference(
    a: CumulativeIncidence,
    b: CumulativeIncidence,
    *,
    states: Iterable[str] | None = None,
    times: npt.ArrayLike | None = None,
    confidence_level: float = 0.95,
) -> pd.DataFrame:
    """How much higher is each share in `a` than in `b`, patients in both counted once?

    Parameters
    ----------
    a, b : CumulativeIncidence
        Both with a cluster column (clusters with the same label are the same patient) or both
        without (all rows independent).
    states : iterable of str, optional
        States or combined names known to both; by default all that both know.
    times : array, optional
        By default the times of `a`, which must be those of `b`.
    confidence_level : float, default 0.95

    Returns
    -------
    DataFrame, one row per time and state
        `time`, `state`, `estimate` (a - b, as a fraction), `std_error`, `conf_low`, `conf_high`
        (normal, on the difference itself, cut at -1 and 1), `p_value`, `note`.

    Raises
    ------
    EstimationError
        One of the two is clustered and the other is not, or they share no time or state.

    Notes
    -----
    The influences are subtracted within the patient before they are squared: in a trial of two
    eyes of each patient the standard error is 0.040, against 0.045 as if the eyes were strangers.

    Examples
    --------
    >>> lives = pd.DataFrame({"entry": -1, "exit": [1, 3, 2, 4], "state": "failed",
    ...     "patient": ["P1", "P1", "P2", "P2"], "side": ["left", "right", "left", "right"]})
    >>> left, right = (cumulative_incidence(part, times=[2.5], cluster="patient")
    ...                for _, part in lives.groupby("side"))
    >>> table = difference(left, right, states=["failed"])
    >>> float(table.loc[0, "estimate"]), table.loc[0, "note"]
    (1.0, 'no limits: no spread between clusters')
    """
    if a._lives.clustered != b._lives.clustered or a.before != b.before:
        raise EstimationError(
            "difference: both estimates need the same cluster and before settings; one has a "
            "cluster column (or reads the limit from the left) and the other does not."
        )
    names = list(states) if states is not None else [n for n in a._sums if n in b._sums]
    asked = _common_times(a, b) if times is None else checked_times(times)
    frames = [_state_difference(a, b, name, asked, confidence_level) for name in names]
    if not frames:
        raise EstimationError("difference: the two estimates have no state in common.")
    table = pd.concat(frames, ignore_index=True)
    return table.sort_values("time", kind="stable", ignore_index=True)


def _common_times(a: CumulativeIncidence, b: CumulativeIncidence) -> Times:
    common = np.intersect1d(a.times, b.times)
    if not len(common):
        raise EstimationError("difference: the two estimates have no time in common; name times.")
    return common


def _state_difference(
    a: CumulativeIncidence, b: CumulativeIncidence, name: str, times: Times, level: float
) -> pd.DataFrame:
    values = [_values(curve, name, times) for curve in (a, b)]
    estimate = values[0] - values[1]
    influence = [curve.influences(name, times=times) for curve in (a, b)]
    error = difference_error(influence[0], influence[1], shared=a._lives.clustered)
    few = min(a.n_clusters, b.n_clusters) < 2
    error = np.where(np.isnan(estimate) | few | ~(error > NO_SPREAD), np.nan, error)
    low, high, p_value = normal_limits(estimate, error, level, bound=1.0)
    notes = [
        "not estimable: one of the two has no estimate"
        if np.isnan(value)
        else "no limits: no spread between clusters"
        if not spread > 0
        else ""
        for value, spread in zip(estimate, error, strict=True)
    ]
    return pd.DataFrame(
        {
            "time": times,
            "state": name,
            "estimate": estimate,
            "std_error": error,
            "conf_low": low,
            "conf_high": high,
            "p_value": p_value,
            "note": notes,
        }
    )


def _values(curve: CumulativeIncidence, name: str, times: Times) -> Floats:
    curve._known(name)
    codes, free = curve._sums[name]
    reach = events_until(curve._risk, times, curve.before)
    survival = read_steps(curve._risk.survival, reach, 1.0)
    values = read_steps(curve._risk.incidence[list(codes)].sum(axis=0), reach, 0.0)
    values = values + survival if free else values
    return np.where(unseen(curve._lives, times, survival), np.nan, values)
