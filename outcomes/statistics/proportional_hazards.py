"""Does a hazard ratio change with time? The score test against a Cox model's assumption."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import rankdata

from outcomes.errors import EstimationError, known_names
from outcomes.statistics.chi_square import ChiSquareTest, quadratic_test
from outcomes.statistics.cox_model import CoxModel
from outcomes.statistics.partial_likelihood import PartialLikelihood
from outcomes.statistics.probability_limits import Floats

CLOCKS = ("km", "rank", "identity", "log")
ALL = "all covariates"


def proportional_hazards_test(model: CoxModel, *, clock: str = "km") -> pd.DataFrame:
    """Test for each covariate, and for all, whether its coefficient changes with g(time).

    Parameters
    ----------
    model : CoxModel
        Must have an estimate.
    clock : {"km", "rank", "identity", "log"}, default "km"
        g(t): 1 - S(t-) of all rows, unweighted; the mean rank of t among all exits; t; or log t.

    Returns
    -------
    DataFrame, one row per covariate and one for "all covariates"
        `covariate`, `statistic` (chi-square), `degrees_of_freedom`, `p_value`, `note`.

    Raises
    ------
    EstimationError
        The model has no estimate, an unknown clock, or "log" with an event at 0 or before.

    Notes
    -----
    The score test of adding x g(t) to the model, from the information blocks at the estimate, as R
    computes it since survival 3.0. "rank" counts censored exits too, as there: where many are
    censored on one day it is another question than ranks among events (0.90 against 5.85 for age
    in the prison data of the reference checks), so "km" is the default. lifelines keeps the older
    approximation from scaled Schoenfeld residuals, whose statistic is 10 to 36 percent off there.
    The test takes rows as independent; with several rows of a patient its p-value is a guide only.

    References
    ----------
    .. [1] Grambsch PM, Therneau TM. Proportional hazards tests and diagnostics based on weighted
       residuals. Biometrika 1994;81:515-526.

    Examples
    --------
    >>> from outcomes.statistics.cox import cox
    >>> lives = pd.DataFrame({"entry": -1, "exit": [5, 9, 4, 7, 8, 12], "late": [0, 0, 1, 1, 0, 1],
    ...                       "state": ["lost", "lost", "lost", "censored", "lost", "lost"]})
    >>> test = proportional_hazards_test(cox(lives, covariates=["late"]))
    >>> test["degrees_of_freedom"].tolist()
    [1, 1]
    """
    model.require_estimate()
    if clock not in CLOCKS:
        raise EstimationError(known_names("clock", clock, CLOCKS))
    if model.kind != "cause-specific":
        raise EstimationError(f"the test is of cause-specific hazards; this model is {model.kind}.")
    likelihood = model._likelihood
    g = _clock_at_steps(likelihood, model.entry_exit, clock)
    g = g - np.average(g, weights=_events_at_steps(likelihood))
    score, covariance = _blocks(likelihood, model.coefficients.to_numpy(), g)
    tests = [
        quadratic_test(name, score[[j]], covariance[np.ix_([j], [j])])
        for j, name in enumerate(model.covariates)
    ]
    return _table([*tests, quadratic_test(ALL, score, covariance)])


def _table(tests: list[ChiSquareTest]) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "covariate": [test.method for test in tests],
            "statistic": [test.statistic for test in tests],
            "degrees_of_freedom": [test.degrees_of_freedom for test in tests],
            "p_value": [test.p_value for test in tests],
            "note": [test.note for test in tests],
        }
    )


def _events_at_steps(likelihood: PartialLikelihood) -> Floats:
    """Return how many events each step stands for: 1 by Efron, the tied number by Breslow."""
    counts = np.bincount(likelihood.own[likelihood.event], minlength=likelihood.cells)
    steps = np.bincount(likelihood.step_cell, minlength=likelihood.cells)
    return (counts / steps)[likelihood.step_cell]


def _clock_at_steps(
    likelihood: PartialLikelihood, entry_exit: tuple[Floats, Floats], clock: str
) -> Floats:
    times = likelihood.cell_time[likelihood.step_cell]
    if clock == "identity":
        return times
    if clock == "log":
        if (times <= 0).any():
            raise EstimationError(
                f"clock 'log': an event at {times.min():g}; the logarithm needs times above 0. "
                "Use 'km', 'rank' or 'identity'."
            )
        return np.log(times)
    if clock == "rank":
        grid, ranks = np.unique(entry_exit[1]), np.unique(rankdata(entry_exit[1]))
        return ranks[np.searchsorted(grid, times)]
    return _failed_before(likelihood, entry_exit, times)


def _failed_before(
    likelihood: PartialLikelihood, entry_exit: tuple[Floats, Floats], times: Floats
) -> Floats:
    """Return 1 - S(t-) of all rows together, late entry honoured; weights are left out, as in R."""
    entry, exit_ = entry_exit
    event = likelihood.event
    grid = np.unique(exit_[event])
    at_risk = np.searchsorted(np.sort(entry), grid, "left") - np.searchsorted(
        np.sort(exit_), grid, "left"
    )
    ended = np.bincount(np.searchsorted(grid, exit_[event]), minlength=len(grid))
    survival = np.cumprod(1 - ended / at_risk)
    return 1 - np.concatenate([[1.0], survival])[np.searchsorted(grid, times)]


def _blocks(likelihood: PartialLikelihood, beta: Floats, g: Floats) -> tuple[Floats, Floats]:
    """Return the score of the added terms and its covariance given the fitted coefficients."""
    moments = likelihood.moments(beta)
    w, p = likelihood.step_weight, len(beta)
    plain, once, twice = (
        moments.weighted_covariance(w * power) for power in (np.ones_like(g), g, g**2)
    )
    at = likelihood.event
    observed = np.stack(
        [
            np.bincount(likelihood.own[at], likelihood.weight[at] * column, likelihood.cells)
            for column in likelihood.x[at].T
        ],
        axis=1,
    )
    cell_g = np.zeros(likelihood.cells)
    cell_g[likelihood.step_cell] = g
    score = cell_g @ observed - (w * g) @ moments.mean
    covariance = twice - once @ np.linalg.solve(plain, once)
    return score.reshape(p), covariance
