"""Do survival curves differ between groups? Log-rank tests, weighted, stratified, by patient."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError, TableError, known_names
from outcomes.statistics.chi_square import ChiSquareTest, no_test, quadratic_test
from outcomes.statistics.cox import score_tests
from outcomes.statistics.lives import Codes, Lives, checked_lives, refuse
from outcomes.statistics.partial_likelihood import partial_likelihood
from outcomes.statistics.probability_limits import Floats

WEIGHTINGS = ("log-rank", "fleming-harrington", "gehan", "tarone-ware", "peto")


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class LogRank:
    """A comparison of curves.

    Attributes
    ----------
    table : DataFrame, one row per group
        `group`, `n_rows`, `events`, `expected` (events, had all groups one hazard; unweighted).
    test : ChiSquareTest
        Statistic, degrees of freedom, p-value, or the reason why there is none.
    weighting : str
    by_cluster : bool
        Whether the variance is summed by cluster.
    n_rows, n_clusters, n_events : int
    """

    table: pd.DataFrame
    test: ChiSquareTest
    weighting: str
    by_cluster: bool
    n_rows: int
    n_clusters: int
    n_events: int


def log_rank(
    lives: pd.DataFrame,
    *,
    group: str,
    strata: str | None = None,
    cluster: str | None = None,
    weighting: str = "log-rank",
    rho: float = 0.0,
    gamma: float = 0.0,
    ties: str = "breslow",
) -> LogRank:
    """Test whether two or more groups have the same hazard throughout.

    Parameters
    ----------
    lives : DataFrame, one row per interval at risk
        `entry`, `exit` (numbers), `state` ("censored" or another word; every other word is the
        event), and the columns named below. At risk at t when entry < t <= exit.
    group : str
        Column of the groups compared.
    strata : str, optional
        Column of strata; groups are compared within them only.
    cluster : str, optional
        Column of the patient, for several rows of one patient: the robust score test of the Cox
        model at no difference. Only with the log-rank weighting.
    weighting : str, default "log-rank"
        "log-rank" (all event times alike), "fleming-harrington" (S(t-)^rho (1 - S(t-))^gamma, S of
        all groups together within the stratum), "gehan" (number at risk), "tarone-ware" (its
        square root), "peto" (Peto and Peto's survival with d / (n + 1), through t).
    rho, gamma : float
        Exponents of "fleming-harrington", 0 or more.
    ties : {"breslow", "efron"}, default "breslow"
        Of the score test by cluster.

    Returns
    -------
    LogRank
        `.test` without statistic, and with a `note`, where there is one group, no event, or no
        time at which more than one group is at risk.

    Raises
    ------
    TableError, EstimationError
        A bad row or column; an unknown weighting; a cluster with a weighting of its own.

    Notes
    -----
    Observed less expected events, weighted, over the hypergeometric variance. Agrees with
    statsmodels' `survdiff` and lifelines' `multivariate_logrank_test` where those can answer:
    `survdiff` raises an IndexError for strata with late entry, returns NaN for Fleming-Harrington
    weights with late entry, and prints p = 0 from a statistic of about 70 on; lifelines has
    neither strata nor late entry and stops at an event at time 0 with Fleming-Harrington weights.
    None of them knows clusters.

    References
    ----------
    .. [1] Klein JP, Moeschberger ML. Survival Analysis, 2nd ed., 2003, chapter 7.
    .. [2] Fleming TR, Harrington DP. Counting Processes and Survival Analysis, 1991, chapter 7.

    Examples
    --------
    >>> lives = pd.DataFrame({"entry": -1, "exit": [5, 9, 4, 7, 8, 12], "state": "lost",
    ...                       "model": ["A", "A", "B", "B", "A", "B"]})
    >>> result = log_rank(lives, group="model")
    >>> result.table.round(3)
      group  n_rows  events  expected
    0     A       3       3     2.767
    1     B       3       3     3.233
    >>> round(result.test.p_value, 3)
    0.832

    The library on late entry with Fleming-Harrington weights:

    >>> from statsmodels.duration.survfunc import survdiff
    >>> with np.errstate(all="ignore"):
    ...     chi_square, p_value = survdiff(
    ...         np.array([5, 9, 4, 7]), np.ones(4), np.array([0, 0, 1, 1]), weight_type="fh",
    ...         fh_p=1, entry=np.array([0, 1, 0, 1]))
    >>> float(p_value)
    nan
    """
    _check_options(weighting, rho, gamma, cluster)
    checked = checked_lives(lives, cluster=cluster)
    groups, labels = label_codes(lives, group)
    blocks = label_codes(lives, strata)[0] if strata is not None else np.zeros(len(lives), np.intp)
    cells = _cells(checked, groups, blocks, len(labels))
    expected = (cells.events[:, None] * cells.share).sum(axis=0)
    table = pd.DataFrame(
        {
            "group": labels,
            "n_rows": np.bincount(groups, minlength=len(labels)),
            "events": np.bincount(groups[checked.is_event], minlength=len(labels)),
            "expected": expected,
        }
    )
    if len(labels) < 2 or not checked.is_event.any():
        why = "one group only" if len(labels) < 2 else f"no events in {len(lives)} rows"
        test = no_test(weighting, max(len(labels) - 1, 0), f"not testable: {why}")
    elif cluster is not None:
        test = _by_cluster(checked, groups, blocks, len(labels), ties)
    else:
        test = _weighted_test(cells, _cell_weights(cells, weighting, rho, gamma), weighting)
    return LogRank(
        table=table,
        test=test,
        weighting=weighting,
        by_cluster=cluster is not None,
        n_rows=len(lives),
        n_clusters=len(np.unique(checked.cluster)),
        n_events=int(checked.is_event.sum()),
    )


def _check_options(weighting: str, rho: float, gamma: float, cluster: str | None) -> None:
    if weighting not in WEIGHTINGS:
        raise EstimationError(known_names("weighting", weighting, WEIGHTINGS))
    if min(rho, gamma) < 0 or ((rho or gamma) and weighting != "fleming-harrington"):
        raise EstimationError(
            f"rho {rho}, gamma {gamma}: exponents of 0 or more, of 'fleming-harrington' only."
        )
    if cluster is not None and weighting != "log-rank":
        raise EstimationError(
            f"weighting '{weighting}' with cluster '{cluster}': the test by cluster has the "
            "log-rank weighting only. Leave out one of the two."
        )


def label_codes(lives: pd.DataFrame, column: str) -> tuple[Codes, pd.Index]:
    """Return codes and sorted labels of a column; refuse a missing column or value."""
    if column not in lives.columns:
        raise TableError("lives: " + known_names("column", column, map(str, lives.columns)))
    refuse(lives, lives[column].isna().to_numpy(dtype=bool), column, "missing")
    codes, labels = pd.factorize(np.asarray(lives[column]), sort=True)
    return codes.astype(np.intp), pd.Index(labels)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class _Cells:
    """The distinct event times of each stratum, with events and numbers at risk by group."""

    stratum: Codes
    events: Floats
    observed: Floats
    at_risk: Floats

    @property
    def total(self) -> Floats:
        return self.at_risk.sum(axis=1)

    @property
    def share(self) -> Floats:
        return self.at_risk / self.total[:, None]


def _cells(lives: Lives, groups: Codes, strata: Codes, size: int) -> _Cells:
    event = lives.is_event
    times = np.unique(lives.exit[event])
    width = len(times) + 1
    keys = np.unique(strata[event] * width + np.searchsorted(times, lives.exit[event]))
    bounds = [
        np.searchsorted(keys, strata * width + np.searchsorted(times, ends, "right"))
        for ends in (lives.entry, lives.exit)
    ]
    m = len(keys)
    change = sum(
        sign * np.bincount(bound * size + groups, minlength=(m + 1) * size).astype(float)
        for sign, bound in zip((1.0, -1.0), bounds, strict=True)
    )
    observed = np.bincount((bounds[1][event] - 1) * size + groups[event], minlength=m * size)
    by_group = observed.astype(float).reshape(m, size)
    return _Cells(
        stratum=keys // width,
        events=by_group.sum(axis=1),
        observed=by_group,
        at_risk=np.cumsum(np.reshape(change, (m + 1, size)), axis=0)[:m],
    )


def _cell_weights(cells: _Cells, weighting: str, rho: float, gamma: float) -> Floats:
    n, d = cells.total, cells.events
    if weighting == "gehan":
        return n
    if weighting == "tarone-ware":
        return np.sqrt(n)
    if weighting == "peto":
        return _product_by_stratum(cells.stratum, 1 - d / (n + 1), before=False)
    if weighting == "log-rank" or not (rho or gamma):
        return np.ones(len(n))
    survival = _product_by_stratum(cells.stratum, 1 - d / n, before=True)
    return survival**rho * (1 - survival) ** gamma


def _product_by_stratum(stratum: Codes, factor: Floats, *, before: bool) -> Floats:
    running = pd.Series(factor).groupby(stratum).cumprod()
    if before:
        running = running.groupby(stratum).shift(1, fill_value=1.0)
    return running.to_numpy()


def _weighted_test(cells: _Cells, weight: Floats, weighting: str) -> ChiSquareTest:
    n, d, share = cells.total, cells.events, cells.share
    excess = weight @ (cells.observed - d[:, None] * share)
    spread = weight**2 * d * (n - d) / np.maximum(n - 1, 1)
    covariance = np.diag(spread @ share) - share.T @ (spread[:, None] * share)
    # A group that is never at risk beside another says nothing; one of the others is redundant.
    telling = np.flatnonzero(np.diag(covariance) > 1e-12 * max(1.0, float(np.trace(covariance))))
    if len(telling) < 2:
        note = "not testable: at no event were two groups at risk together"
        return no_test(weighting, max(len(telling) - 1, 0), note)
    kept = telling[:-1]
    return quadratic_test(weighting, excess[kept], covariance[np.ix_(kept, kept)])


def _by_cluster(lives: Lives, groups: Codes, strata: Codes, size: int, ties: str) -> ChiSquareTest:
    indicators = (groups[:, None] == np.arange(1, size)).astype(float)
    likelihood = partial_likelihood(
        x=indicators,
        entry=lives.entry,
        exit_=lives.exit,
        event=lives.is_event,
        weight=lives.weight,
        stratum=strata,
        ties=ties,
    )
    return score_tests(likelihood, lives.cluster)[1]
