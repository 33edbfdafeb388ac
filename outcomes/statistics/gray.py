"""Do cumulative incidences of one competing state differ between groups? Gray's test."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError, known_names
from outcomes.statistics.chi_square import ChiSquareTest, no_test, quadratic_test
from outcomes.statistics.lives import Codes, Lives, Times, checked_lives
from outcomes.statistics.log_rank import label_codes
from outcomes.statistics.probability_limits import Floats

METHOD = "Gray"


def gray_test(
    lives: pd.DataFrame,
    *,
    group: str,
    state: str,
    rho: float = 0.0,
    strata: str | None = None,
) -> ChiSquareTest:
    """Test whether the cumulative incidence of one state is the same in two or more groups.

    Parameters
    ----------
    lives : DataFrame, one row per subject
        `entry`, `exit` (numbers), `state` ("censored", the state tested, or a competing one), and
        the columns named below. Everybody is at risk from the start: the test has no version with
        late entry.
    group : str
        Column of the groups.
    state : str
        The state whose incidence is compared; the others compete.
    rho : float, default 0
        Weight (1 - F(t-))^rho, above 0 for early differences.
    strata : str, optional
        Column of strata; scores and variances are added over them.

    Returns
    -------
    ChiSquareTest
        Without statistic, and with a `note`, for one group or no event of the state.

    Raises
    ------
    TableError
        A bad row or column.
    EstimationError
        Late entries, or a state that does not occur under a name like it.

    Notes
    -----
    Scores compare the groups' subdistribution hazards; the variance adds the uncertainty of each
    group's survival from all causes. A log-rank test with competing states censored asks about
    rates while at risk, another question. Rows are taken as independent: with several sensors of a
    patient use `gray_permutation_test`.

    References
    ----------
    .. [1] Gray RJ. A class of K-sample tests for comparing the cumulative incidence of a competing
       risk. Ann Stat 1988;16:1141-1154.

    Examples
    --------
    >>> lives = pd.DataFrame({"entry": -1, "exit": [3, 5, 8, 9, 2, 4, 6, 7],
    ...     "model": ["A", "B"] * 4,
    ...     "state": ["lost", "lost", "early", "lost", "censored", "lost", "early", "lost"]})
    >>> test = gray_test(lives, group="model", state="lost")
    >>> test.degrees_of_freedom, round(test.statistic, 3)
    (1, 0.433)
    """
    checked = _without_late_entry(lives, state)
    groups, labels = label_codes(lives, group)
    blocks = label_codes(lives, strata)[0] if strata is not None else np.zeros(len(lives), np.intp)
    return _test(checked, groups, blocks, len(labels), checked.states.index(state), rho)


def gray_permutation_test(
    lives: pd.DataFrame,
    *,
    group: str,
    state: str,
    cluster: str,
    rng: np.random.Generator,
    draws: int = 999,
    rho: float = 0.0,
) -> ChiSquareTest:
    """Test as `gray_test`, where patients have several rows and one group each.

    Parameters
    ----------
    lives, group, state, rho
        As in `gray_test`.
    cluster : str
        Column of the patient; all rows of a patient must be in one group.
    rng : Generator
        Source of the permutations; the same state gives the same answer.
    draws : int, default 999
        Groups are dealt anew among the patients so often.

    Returns
    -------
    ChiSquareTest
        The statistic of `gray_test`; `p_value` is (1 + draws as large) / (1 + draws).

    Examples
    --------
    >>> lives = pd.DataFrame({"entry": -1, "exit": [3, 5, 8, 9, 2, 4, 6, 7],
    ...     "model": ["A", "B"] * 4,
    ...     "state": ["lost", "lost", "early", "lost", "censored", "lost", "early", "lost"],
    ...     "patient": ["P1", "P2"] * 2 + ["P3", "P4"] * 2})
    >>> test = gray_permutation_test(lives, group="model", state="lost", cluster="patient",
    ...                              rng=np.random.default_rng(1), draws=99)
    >>> test.p_value > 0.05
    True
    """
    checked = _without_late_entry(lives, state, cluster=cluster)
    groups, labels = label_codes(lives, group)
    of_patient = np.full(len(checked.clusters), -1)
    of_patient[checked.cluster] = groups
    if (of_patient[checked.cluster] != groups).any():
        split = checked.clusters[checked.cluster[of_patient[checked.cluster] != groups][0]]
        raise EstimationError(
            f"{cluster} {split} has rows in more than one {group}: groups cannot be dealt anew "
            "among patients. Compare within patients instead, by differences of incidence."
        )
    block, code = np.zeros(len(lives), np.intp), checked.states.index(state)
    observed = _test(checked, groups, block, len(labels), code, rho)
    if observed.statistic is None:
        return observed
    reached = 0
    for _ in range(draws):
        dealt = rng.permutation(of_patient)[checked.cluster]
        drawn = _test(checked, dealt, block, len(labels), code, rho).statistic
        reached += drawn is None or drawn >= observed.statistic * (1 - 1e-12)
    return ChiSquareTest(
        method=f"{METHOD}, {draws} permutations of patients",
        statistic=observed.statistic,
        degrees_of_freedom=observed.degrees_of_freedom,
        p_value=(1 + reached) / (1 + draws),
    )


def _without_late_entry(lives: pd.DataFrame, state: str, *, cluster: str | None = None) -> Lives:
    checked = checked_lives(lives, cluster=cluster)
    if len(checked.exit) and checked.entry.max() >= checked.exit.min():
        late = int((checked.entry >= checked.exit.min()).sum())
        raise EstimationError(
            f"Gray's test: {late} of {len(lives)} rows enter after the first exit, and the test "
            "has no version with late entry. Compare incidences at chosen times instead."
        )
    if state not in checked.states:
        if any(name.lower() == state.lower() for name in checked.states):
            raise EstimationError(known_names("state", state, checked.states))
        return checked_lives(lives, cluster=cluster, states=[*checked.states, state])
    return checked


def _test(
    lives: Lives, groups: Codes, strata: Codes, size: int, code: int, rho: float
) -> ChiSquareTest:
    if size < 2:
        return no_test(METHOD, 0, "not testable: one group only")
    if not (lives.state == code).any():
        return no_test(METHOD, size - 1, f"not testable: no events '{lives.states[code]}'")
    score, covariance = np.zeros(size), np.zeros((size, size))
    for stratum in np.unique(strata):
        here = strata == stratum
        part = _stratum(lives.exit[here], lives.state[here], groups[here], size, code, rho)
        score, covariance = score + part[0], covariance + part[1]
    return quadratic_test(METHOD, score[:-1], covariance[:-1, :-1])


@dataclass(frozen=True, kw_only=True)
class _Groups:
    """Numbers at risk, events and survival of the groups (columns) at each event time (rows)."""

    at_risk: Floats
    events: Floats
    others: Floats
    before: Floats
    after: Floats
    incidence_before: Floats


def _stratum(
    exit_: Times, state: Codes, groups: Codes, size: int, code: int, rho: float
) -> tuple[Floats, Floats]:
    """Return score (size,) and covariance (size, size) of one stratum, in the paper's notation."""
    g = _by_group(exit_, state, groups, size, code)
    present = (g.at_risk > 0) & (g.before > 0)
    h = np.divide(g.at_risk, g.before, out=np.zeros_like(g.at_risk), where=present)
    risk = h * (1 - g.incidence_before)
    events, total = g.events.sum(axis=1), h.sum(axis=1)
    null = np.cumsum(events / total)
    null_before = np.concatenate([[0.0], null[:-1]])
    weight = (1 - null_before) ** rho
    score = weight @ (g.events - events[:, None] * risk / risk.sum(axis=1)[:, None])
    # a[t, k, r]: what an event in group r at t adds to the score of group k.
    a = weight[:, None, None] * h[:, None, :] * (np.eye(size) - (h / total[:, None])[:, :, None])
    hazard = np.where(null_before < 1, events / total / np.maximum(1 - null_before, 1e-300), 0.0)
    gathered = np.cumsum(a * hazard[:, None, None], axis=0)
    rest = gathered[-1] - gathered
    left = np.divide(1 - null[:, None], g.after, out=np.zeros_like(g.after), where=g.after > 0)
    own = a + (1 - left)[:, None, :] * rest
    other = left[:, None, :] * rest
    n = np.where(present, g.at_risk, 1.0)
    own_spread = g.before * events[:, None] / (total[:, None] * n)
    own_spread *= 1 - _tied(events[:, None], total[:, None] * g.before)
    other_spread = g.before**2 * g.others / n**2 * (1 - _tied(g.others, n))
    covariance = np.einsum("tkr,tlr,tr->kl", own, own, np.where(present, own_spread, 0.0))
    covariance += np.einsum("tkr,tlr,tr->kl", other, other, np.where(present, other_spread, 0.0))
    return score, covariance


def _tied(events: Floats, n: Floats) -> Floats:
    """Return (d - 1) / (n - 1), the share that ties take from a variance; 0 for a lone event."""
    many = (events > 1) & (n > 1)
    return np.where(many, (events - 1) / np.where(n > 1, n - 1, 1.0), 0.0)


def _by_group(exit_: Times, state: Codes, groups: Codes, size: int, code: int) -> _Groups:
    event = state >= 0
    times = np.unique(exit_[event])
    m = len(times)
    cell = np.searchsorted(times, exit_[event]) * size + groups[event]
    chosen = state[event] == code
    events, others = (
        np.bincount(cell[mask], minlength=m * size).reshape(m, size).astype(float)
        for mask in (chosen, ~chosen)
    )
    gone = np.searchsorted(times, exit_, "right") * size + groups
    left = np.bincount(gone, minlength=(m + 1) * size).reshape(m + 1, size)
    at_risk = (np.bincount(groups, minlength=size) - np.cumsum(left, axis=0)[:m]).astype(float)
    share = np.maximum(at_risk, 1.0)
    after = np.cumprod(1 - (events + others) / share, axis=0)
    before = np.vstack([np.ones(size), after[:-1]])
    incidence = np.cumsum(before * events / share, axis=0)
    return _Groups(
        at_risk=at_risk,
        events=events,
        others=others,
        before=before,
        after=after,
        incidence_before=np.vstack([np.zeros(size), incidence[:-1]]),
    )
