"""Proportional subdistribution hazards: regression on a cumulative incidence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.errors import EstimationError, known_names
from outcomes.statistics.cox import cluster_sums, coefficient_table, covariate_columns, fitted
from outcomes.statistics.cox_model import TIES, CoxModel
from outcomes.statistics.lives import Lives, Times, checked_lives
from outcomes.statistics.partial_likelihood import PartialLikelihood, partial_likelihood, with_tail
from outcomes.statistics.probability_limits import Floats

CENSORING_TIES = ("events first", "together")


def fine_gray(
    lives: pd.DataFrame,
    *,
    covariates: Sequence[str],
    state: str,
    cluster: str | None = None,
    ties: str = "efron",
    censoring_ties: str = "events first",
    censoring_term: bool = False,
    confidence_level: float = 0.95,
) -> CoxModel:
    """By which factor does a covariate multiply the subdistribution hazard of a state?

    The ratio says in which direction, and roughly how far, a covariate moves the cumulative
    incidence of the state; it is no ratio of rates among those at risk.

    Parameters
    ----------
    lives : DataFrame, one row per subject
        `entry`, `exit` (numbers), `state` ("censored", the state modelled, or a competing one), the
        covariates (numbers or True/False). Everybody is at risk from the start.
    covariates : list of str
    state : str
        The state whose incidence is modelled.
    cluster : str, optional
        Column of the patient; scores are summed by it.
    ties : {"efron", "breslow"}, default "efron"
    censoring_ties : {"events first", "together"}, default "events first"
        Whether an event at a censoring time has left the risk set of the censoring distribution
        (as everywhere in this house) or is still in it. The two differ in the fourth digit.
    censoring_term : bool, default False
        Add the uncertainty of the censoring distribution to the errors. Left out, the errors treat
        it as known; the difference is a few parts in ten thousand.
    confidence_level : float, default 0.95

    Returns
    -------
    CoxModel
        Of kind "subdistribution", always with robust errors; `.survival` is 1 minus the cumulative
        incidence.

    Raises
    ------
    TableError, EstimationError
        As `cox`; late entries, for which the weights have no meaning.

    Notes
    -----
    A subject with a competing event at T stays in the risk set at t with weight G(t-) / G(T-), G
    the Kaplan-Meier curve of the censoring times [1]_. The kept subjects enter as one running sum
    times G(t-), so that no row is copied; by copied rows 20,000 subjects with continuous times
    would become some 7 million.

    References
    ----------
    .. [1] Fine JP, Gray RJ. A proportional hazards model for the subdistribution of a competing
       risk. J Am Stat Assoc 1999;94:496-509.

    Examples
    --------
    >>> lives = pd.DataFrame({"entry": -1, "exit": [3, 5, 8, 9, 2, 4, 6, 7], "x": [0, 1] * 4,
    ...     "state": ["lost", "lost", "early", "lost", "censored", "lost", "early", "lost"]})
    >>> model = fine_gray(lives, covariates=["x"], state="lost")
    >>> model.kind, bool(model.table.loc[0, "estimate"] > 1)
    ('subdistribution', True)
    """
    names = tuple(covariates)
    if not names or isinstance(covariates, str) or len(set(names)) < len(names):
        raise EstimationError(f"covariates {covariates!r}: a list of columns, each once, needed.")
    if ties not in TIES:
        raise EstimationError(known_names("way with ties", ties, TIES))
    if censoring_ties not in CENSORING_TIES:
        raise EstimationError(known_names("censoring_ties", censoring_ties, CENSORING_TIES))
    checked = checked_lives(lives, cluster=cluster)
    code = _code(checked, state)
    x = covariate_columns(lives, names)
    centre = x.mean(axis=0) if len(x) else np.zeros(len(names))
    plain = partial_likelihood(
        x=x - centre,
        entry=checked.entry,
        exit_=checked.exit,
        event=checked.state == code,
        weight=checked.weight,
        stratum=np.zeros(len(x), dtype=np.intp),
        ties=ties,
    )
    competing = checked.is_event & (checked.state != code)
    times, curve = censoring_survival(checked, events_first=censoring_ties == "events first")
    scale = np.where(competing, 1 / _just_before(times, curve, checked.exit), 0.0)
    likelihood = with_tail(plain, _just_before(times, curve, plain.cell_time), scale)
    model = fitted(
        likelihood,
        names=names,
        centre=centre,
        clusters=checked.cluster,
        strata=pd.Index(["all"]),
        stratum=np.zeros(len(x), dtype=np.intp),
        entry=checked.entry,
        exit_=checked.exit,
        robust=True,
        confidence_level=confidence_level,
        kind="subdistribution",
    )
    return _with_censoring_term(model, checked) if censoring_term and not model.note else model


def _code(lives: Lives, state: str) -> int:
    if len(lives.exit) and lives.entry.max() >= lives.exit.min():
        late = int((lives.entry >= lives.exit.min()).sum())
        raise EstimationError(
            f"Fine-Gray: {late} of {len(lives.exit)} rows enter after the first exit; its weights "
            "have no meaning with late entry. Use cox on the cause-specific hazard instead."
        )
    if state not in lives.states:
        raise EstimationError(known_names("state", state, lives.states))
    return lives.states.index(state)


def censoring_survival(lives: Lives, *, events_first: bool) -> tuple[Times, Floats]:
    """Return the censoring times and the share not censored after each (Kaplan-Meier).

    Parameters
    ----------
    lives : Lives
        Without late entries.
    events_first : bool
        Whether an event at a censoring time has left before the censoring.
    """
    censored = ~lives.is_event
    times, count = np.unique(lives.exit[censored], return_counts=True)
    at_risk = len(lives.exit) - np.searchsorted(np.sort(lives.exit), times, "left")
    if events_first:
        ends = np.sort(lives.exit[lives.is_event])
        tied = np.searchsorted(ends, times, "right") - np.searchsorted(ends, times, "left")
        at_risk = at_risk - tied
    share: Floats = np.cumprod(1 - count / at_risk).astype(float)
    return times, share


def _just_before(times: Times, curve: Floats, at: Times) -> Floats:
    return np.concatenate([[1.0], curve])[np.searchsorted(times, at, "left")]


def _with_censoring_term(model: CoxModel, lives: Lives) -> CoxModel:
    beta = model.coefficients.to_numpy()
    residuals = model.score_residuals() + _censoring_residuals(model._likelihood, beta, lives)
    scores = cluster_sums(residuals, lives.cluster) @ model.model_covariance
    covariance = scores.T @ scores
    table = coefficient_table(
        model.covariates, beta, covariance, model.confidence_level, model.note
    )
    return replace(model, covariance=covariance, table=table)


def _censoring_residuals(
    likelihood: PartialLikelihood, beta: Floats, lives: Lives
) -> npt.NDArray[np.float64]:
    """Return each row's part of the error that comes from estimating the censoring curve.

    q(u) / Y(u) against the row's censoring less its expected censoring, q(u) being what the kept
    rows with T < u add to the score from u on.
    """
    assert likelihood.tail is not None  # set by fine_gray, the only caller
    moments = likelihood.moments(beta, order=1)
    hazard = likelihood.step_weight / moments.total
    both = np.hstack([hazard[:, None], hazard[:, None] * moments.mean])
    by_cell = np.stack(
        [np.bincount(likelihood.step_cell, c, likelihood.cells) for c in both.T], axis=1
    )
    falling = by_cell * likelihood.tail.factor[:, None]
    ahead = np.vstack([np.cumsum(falling[::-1], axis=0)[::-1], np.zeros(both.shape[1])])
    times, count = np.unique(lives.exit[~lives.is_event], return_counts=True)
    ahead_at = ahead[np.searchsorted(likelihood.cell_time, times, "left")]
    kept = (moments.risk * likelihood.tail.scale)[:, None] * np.hstack(
        [np.ones((len(lives.exit), 1)), likelihood.x]
    )
    order = np.argsort(lives.exit, kind="stable")
    gathered = np.vstack([np.zeros(kept.shape[1]), np.cumsum(kept[order], axis=0)])
    passed = gathered[np.searchsorted(lives.exit[order], times, "left")]
    q = passed[:, 1:] * ahead_at[:, :1] - passed[:, :1] * ahead_at[:, 1:]
    at_risk = len(lives.exit) - np.searchsorted(lives.exit[order], times, "left")
    share = q / at_risk[:, None]
    expected = np.cumsum(share * (count / at_risk)[:, None], axis=0)
    expected = np.vstack([np.zeros(q.shape[1]), expected])
    result = -expected[np.searchsorted(times, lives.exit, "right")]
    own = np.flatnonzero(~lives.is_event)
    result[own] += share[np.searchsorted(times, lives.exit[own])]
    return result
