"""Intervals at risk and their risk sets: the ground under every survival estimator.

A frame of *lives* has one row per interval at risk: `entry` and `exit` (numbers on one clock) and
`state` (text: "censored", or the state that ended the interval). A row is at risk at time t when
entry < t <= exit: a subject entering at t is not at risk for an event at t, and events precede
censorings of the same time, with no jitter. A subject under observation from the start enters at
-1, so that an event at time 0 counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.errors import EstimationError, TableError, known_names
from outcomes.statistics.probability_limits import Floats

Codes = npt.NDArray[np.intp]
Times = npt.NDArray[np.float64]

CENSORED = "censored"
EVENT_FREE = "event free"


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Lives:
    """Checked intervals at risk as arrays, in the order of the frame's rows of weight above 0.

    Attributes
    ----------
    entry, exit, weight : array of shape (n,)
    state : array of codes of shape (n,)
        Position in `states`; -1 for censored.
    states : tuple of str
        The end states, declared order or sorted.
    cluster : array of codes of shape (n,)
        Position in `clusters`; without a cluster column every row is its own.
    clusters : Index
        Labels of the clusters, sorted; the frame's index without a cluster column.
    clustered : bool
        Whether a cluster column was named.
    """

    entry: Times
    exit: Times
    weight: Floats
    state: Codes
    states: tuple[str, ...]
    cluster: Codes
    clusters: pd.Index
    clustered: bool

    @property
    def is_event(self) -> npt.NDArray[np.bool_]:
        """Whether the interval ended in a state rather than censored."""
        return self.state >= 0

    def number_at_risk(self, times: Times) -> npt.NDArray[np.int64]:
        """Count the rows with entry < t <= exit, unweighted, at each time."""
        entered = np.searchsorted(np.sort(self.entry), times, "left")
        gone = np.searchsorted(np.sort(self.exit), times, "left")
        return np.asarray(entered - gone, dtype=np.int64)


def checked_lives(
    lives: pd.DataFrame,
    *,
    cluster: str | None = None,
    weight: str | None = None,
    states: Sequence[str] | None = None,
) -> Lives:
    """Check a frame of lives and return it as arrays.

    Parameters
    ----------
    lives : DataFrame, one row per interval at risk
        `entry`, `exit` (numbers), `state` (text), and the columns named by `cluster`, `weight`.
    cluster, weight : str, optional
        Column names. Weights are numbers of 0 or more; a row of weight 0 counts for nothing.
    states : sequence of str, optional
        The possible end states in the order wanted; by default those that occur, sorted.

    Raises
    ------
    TableError
        A column is missing, a value is missing or not finite, `exit` is not after `entry`, a
        weight is negative, a state is no text, or a state is not among `states`.
    """
    needed = ["entry", "exit", "state", *(c for c in (cluster, weight) if c is not None)]
    for column in needed:
        if column not in lives.columns:
            raise TableError("lives: " + known_names("column", column, map(str, lives.columns)))
    entry, exit_ = number_column(lives, "entry"), number_column(lives, "exit")
    refuse(lives, ~(exit_ > entry), "exit", "not after entry (risk sets are (entry, exit])")
    weights = np.ones(len(lives)) if weight is None else number_column(lives, weight)
    refuse(lives, weights < 0, weight or "", "negative; a weight is 0 or more")
    codes, names = _state_codes(lives, states)
    cluster_codes, labels = _cluster_codes(lives, cluster)
    kept = weights > 0
    return Lives(
        entry=entry[kept],
        exit=exit_[kept],
        weight=weights[kept],
        state=codes[kept],
        states=names,
        cluster=cluster_codes[kept],
        clusters=labels,
        clustered=cluster is not None,
    )


def searched(sorted_times: Times, values: Times, *, left: bool) -> Codes:
    """Return how many sorted times lie below each value (`left`), or at or below it."""
    return np.searchsorted(sorted_times, values, "left" if left else "right")


def number_column(frame: pd.DataFrame, column: str) -> Floats:
    """Return a column as finite numbers; refuse text, missing and infinite values by row."""
    try:
        values = frame[column].to_numpy(dtype=float, na_value=np.nan)
    except (TypeError, ValueError) as error:
        kind = frame[column].dtype
        raise TableError(f"lives, column {column}: holds {kind}; numbers are needed.") from error
    refuse(frame, ~np.isfinite(values), column, "missing or not finite")
    return np.asarray(values, dtype=float)


def refuse(
    frame: pd.DataFrame, wrong: npt.NDArray[np.bool_], column: str, what_is_wrong: str
) -> None:
    """Raise TableError for the rows marked wrong, showing how many and the first value."""
    if not wrong.any():
        return
    failing = frame.loc[np.asarray(wrong)]
    first = failing.iloc[0]
    raise TableError(
        f"lives, column {column}: {len(failing)} of {len(frame)} rows {what_is_wrong} "
        f"(first: row {failing.index[0]}, {column} {first[column]!s}). Correct or leave out "
        "these rows before the estimate is asked for.",
        failing_rows=failing,
    )


def _state_codes(
    lives: pd.DataFrame, declared: Sequence[str] | None
) -> tuple[Codes, tuple[str, ...]]:
    column = lives["state"]
    refuse(lives, column.isna().to_numpy(dtype=bool), "state", "missing")
    found, levels = pd.factorize(column.to_numpy(dtype=object), sort=False)
    no_text = np.array([not isinstance(level, str) for level in levels], dtype=bool)
    if no_text.any():
        refuse(lives, no_text[found], "state", "not text; a state is a word, 'censored' or another")
    if EVENT_FREE in set(levels):
        refuse(
            lives,
            column.eq(EVENT_FREE).to_numpy(dtype=bool),
            "state",
            f"named '{EVENT_FREE}', the word kept for those still under observation",
        )
    occurring = sorted(set(levels) - {CENSORED})
    names = tuple(occurring) if declared is None else tuple(declared)
    for name in occurring:
        if name not in names:
            raise TableError("lives, column state: " + known_names("declared state", name, names))
    if len(set(names)) < len(names) or {CENSORED, EVENT_FREE} & set(names):
        raise EstimationError(
            f"states {list(names)}: each state once, without '{CENSORED}' and '{EVENT_FREE}'."
        )
    position = {name: code for code, name in enumerate(names)} | {CENSORED: -1}
    lookup = np.array([position[level] for level in levels], dtype=np.intp)
    return (lookup[found] if len(found) else np.zeros(0, dtype=np.intp)), names


def _cluster_codes(lives: pd.DataFrame, cluster: str | None) -> tuple[Codes, pd.Index]:
    if cluster is None:
        return np.arange(len(lives), dtype=np.intp), lives.index
    refuse(lives, lives[cluster].isna().to_numpy(dtype=bool), cluster, "missing")
    codes, labels = pd.factorize(np.asarray(lives[cluster]), sort=True)
    return codes.astype(np.intp), pd.Index(labels)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class RiskTable:
    """Hazards and curves at the m distinct event times, and where each row stands in them.

    Attributes
    ----------
    times : array of shape (m,)
        Distinct event times, rising.
    at_risk : array of shape (m,)
        Sum of weights with entry < t <= exit.
    hazard : array of shape (k, m)
        Weighted events of each state over `at_risk`.
    total : array of shape (m,)
        Sum of the hazards; exactly 1 where everybody at risk had an event.
    survival, survival_before : array of shape (m,)
        The event free share after and just before each time.
    incidence : array of shape (k, m)
        Share in each state after each time.
    first, last, own : array of codes of shape (n,)
        A row is at risk at `times[first:last]`; `own` is where it ends (for events).
    """

    times: Times
    at_risk: Floats
    hazard: Floats
    total: Floats
    survival: Floats
    survival_before: Floats
    incidence: Floats
    first: Codes
    last: Codes
    own: Codes

    @property
    def inverse(self) -> Floats:
        """1 / (Y (1 - dL)), 0 where everybody at risk had an event."""
        rest = self.at_risk * (1 - self.total)
        return np.divide(1.0, rest, out=np.zeros_like(rest), where=self.total < 1)


def sums_at_risk(first: Codes, last: Codes, values: Floats, size: int) -> Floats:
    """Return the sum of values over the rows with first <= j < last, for each j below `size`.

    Summed from the end, where risk sets are small, so that they are not the rounding of large sums.
    """
    gone = np.bincount(last, values, size + 1) - np.bincount(first, values, size + 1)
    return np.cumsum(gone[:0:-1])[::-1]


def risk_table(lives: Lives) -> RiskTable:
    """Return the risk table of checked lives, by sorted cumulative sums.

    No matrix of rows by times is built: 20,000 rows and 12,000 distinct times need arrays of 20,000
    and 12,000 numbers.
    """
    event = lives.is_event
    times = np.unique(lives.exit[event])
    m, k = len(times), len(lives.states)
    first = np.searchsorted(times, lives.entry, "right")
    last = np.searchsorted(times, lives.exit, "right")
    at_risk = sums_at_risk(first, last, lives.weight, m)
    own = np.maximum(last - 1, 0)
    cell = lives.state[event] * m + own[event]
    ended = np.bincount(cell, lives.weight[event], k * m).reshape(k, m)
    hazard = ended / at_risk
    # By counts, not by weights: what rounding leaves of a risk set would be divided by.
    lone = np.ones(len(first))
    everybody = np.bincount(own[event], minlength=m) == sums_at_risk(first, last, lone, m)
    total = np.where(everybody, 1.0, np.minimum(ended.sum(axis=0) / at_risk, 1.0))
    survival = np.cumprod(1 - total)
    before = np.concatenate([[1.0], survival[:-1]])[:m]
    return RiskTable(
        times=times,
        at_risk=at_risk,
        hazard=hazard,
        total=total,
        survival=survival,
        survival_before=before,
        incidence=np.cumsum(before * hazard, axis=1),
        first=first,
        last=last,
        own=own,
    )


class ClusterIntegrals:
    """Sums over each cluster's rows of integrals against its own events less the expected ones.

    Every influence in this house has the form: the value of `jump` where the row had its event,
    less the sum of `drift` over the event times at which the row was at risk, both up to t. With
    the cumulative drift c, a row adds c(t) - c(entry) while at risk and c(exit) - c(entry)
    afterwards; so one count per cluster and time (the rows at risk) and one running sum of the
    fixed parts are enough, whatever the number of event times.

    Parameters
    ----------
    lives, risk : Lives, RiskTable
    times : array of shape (T,)
        Rising.
    before : bool
        Stop just before each time instead of at it.
    """

    def __init__(self, lives: Lives, risk: RiskTable, times: Times, *, before: bool) -> None:
        self._lives, self._risk = lives, risk
        self._reach = searched(risk.times, times, left=before)
        self._width = len(times) + 1  # the last bin holds what happens after the last time
        start = lives.cluster * self._width
        enter = start + searched(times, lives.entry, left=not before)
        leave = start + searched(times, lives.exit, left=not before)
        self._bins = np.concatenate([enter, leave])
        self._watched = self._running(np.concatenate([lives.weight, -lives.weight]))

    def _running(self, steps: Floats) -> Floats:
        clusters = len(self._lives.clusters)
        sums = np.bincount(self._bins, steps, clusters * self._width).astype(float, copy=False)
        table = sums.reshape(clusters, self._width)[:, :-1]
        return np.cumsum(table, axis=1)

    def of(self, jump: Floats, drift: Floats) -> Floats:
        """Return the integrals, one row per cluster and one column per time.

        Parameters
        ----------
        jump : array of shape (k, m) or (m,)
            Value at an event of each state and time (of any state, if one-dimensional).
        drift : array of shape (m,)
            Expected part at each event time, for a row at risk.
        """
        lives, risk = self._lives, self._risk
        gathered = np.concatenate([[0.0], np.cumsum(drift)])
        own = np.zeros(len(lives.exit))
        event = lives.is_event
        where = risk.own[event]
        own[event] = jump[where] if jump.ndim == 1 else jump[lives.state[event], where]
        fixed = np.concatenate([gathered[risk.first], own - gathered[risk.last]])
        both = np.concatenate([lives.weight, lives.weight])
        result = self._running(fixed * both)
        result -= gathered[self._reach] * self._watched
        return result
