"""Logistic regression of a share or of a yes and no, fast enough to refit in every bootstrap draw.

The usual library's penalised default shrinks by the unit of the covariates and stops early (errors
of .37 in a fitted probability were seen); this one is plain maximum likelihood, or a stated
penalty.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from outcomes.errors import EstimationError

Floats = NDArray[np.float64]
Penalty = Literal["none", "firth"]

_MOST_STEPS = 60
_DECREMENT = 1e-16
# With the penalty the steps are no longer Newton's own, so they close in by a factor a step.
_MOST_PENALISED_STEPS, _PENALISED_DECREMENT = 500, 1e-14
# Log odds beyond this mean that some rows are predicted with certainty: the likelihood has no
# maximum, and the coefficients are wherever the search stopped.
_CERTAIN = 25.0


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class LogisticFit:
    """Coefficients, fitted probabilities and the inverse of the (weighted) information."""

    coefficients: Floats
    fitted: Floats
    bread: Floats
    penalty: Penalty
    converged: bool
    steps: int


def logistic(
    x: Floats,
    y: Floats,
    *,
    weights: Floats | None = None,
    penalty: Penalty = "none",
    start: Floats | None = None,
    tolerance: float = _DECREMENT,
) -> LogisticFit:
    """Fit P(y) = expit(x b) by Newton steps on the (quasi-)likelihood.

    Parameters
    ----------
    x : ndarray, shape (n, k)
        Columns of full rank, the constant included.
    y : ndarray, shape (n,)
        0 to 1; shares are fitted by the same estimating equation (fractional logit).
    weights : ndarray, shape (n,), optional
        Case weights or bootstrap counts, 0 or more.
    penalty : {"none", "firth"}
        Firth's penalty (half the log determinant of the information) has a finite answer even
        where covariates separate the outcomes. Weights then act as counts.
    start : ndarray, shape (k,), optional
        Start of the search; the full-sample answer in a bootstrap.
    tolerance : float
        The search ends when the Newton decrement per row is this small; one more step is still
        taken, which squares what is left.

    Returns
    -------
    LogisticFit
        `converged` is False where the search found no maximum; the caller decides.

    References
    ----------
    .. [1] Papke LE, Wooldridge JM. J Appl Econometrics 1996;11:619-632 (shares).
    .. [2] Firth D. Biometrika 1993;80:27-38; Heinze G, Schemper M. Stat Med 2002;21:2409-2419.

    Examples
    --------
    >>> x = np.column_stack([np.ones(4), [0.0, 0.0, 1.0, 1.0]])
    >>> fit = logistic(x, np.array([0.2, 0.4, 0.5, 0.7]))
    >>> fit.fitted.round(6), fit.converged
    (array([0.3, 0.3, 0.6, 0.6]), True)
    """
    case = np.ones(len(y)) if weights is None else weights
    beta = np.zeros(x.shape[1]) if start is None else start.astype(np.float64)
    objective = _objective(x, y, case, penalty, beta)
    most = _MOST_STEPS
    if penalty == "firth":
        most, tolerance = _MOST_PENALISED_STEPS, max(tolerance, _PENALISED_DECREMENT)
    converged, steps = False, 0
    while steps < most:
        score, information = _score(x, y, case, penalty, beta)
        try:
            step = np.linalg.solve(information, score)
        except np.linalg.LinAlgError:
            break
        if float(score @ step) <= tolerance * max(1.0, float(case.sum())):
            beta, converged = beta + step, True
            break
        for halvings in range(30):
            moved = beta + step / 2**halvings
            reached = _objective(x, y, case, penalty, moved)
            if reached >= objective - 1e-13 * abs(objective):
                break
        else:
            break
        beta, objective, steps = moved, reached, steps + 1
    linear = x @ beta
    fitted = np.asarray(expit(linear), dtype=np.float64)
    # With the penalty a maximum always exists, however sure it is of some rows.
    certain = bool((np.abs(linear[case > 0]) > _CERTAIN).any())
    separated = penalty == "none" and certain
    try:
        bread = np.linalg.inv(x.T @ (x * (case * fitted * (1 - fitted))[:, None]))
    except np.linalg.LinAlgError:
        bread, converged = np.full((x.shape[1],) * 2, np.inf), False
    return LogisticFit(
        coefficients=beta,
        fitted=fitted,
        bread=np.asarray(bread, dtype=np.float64),
        penalty=penalty,
        converged=converged and not separated,
        steps=steps,
    )


def check_converged(fit: LogisticFit, what: str) -> LogisticFit:
    """Return the fit, or say that some rows are predicted with certainty and how to mend it."""
    if not fit.converged:
        raise EstimationError(
            f"{what}: the logistic model has no maximum: some covariate pattern occurs with one "
            "outcome only. Merge sparse levels, drop a covariate, or use the penalised model."
        )
    return fit


def _objective(x: Floats, y: Floats, case: Floats, penalty: Penalty, beta: Floats) -> float:
    linear = x @ beta
    value = float(case @ (y * linear - np.logaddexp(0.0, linear)))
    if penalty == "firth":
        fitted = expit(linear)
        information = x.T @ (x * (case * fitted * (1 - fitted))[:, None])
        sign, log_determinant = np.linalg.slogdet(information)
        value += 0.5 * log_determinant if sign > 0 else -np.inf
    return value


def _score(
    x: Floats, y: Floats, case: Floats, penalty: Penalty, beta: Floats
) -> tuple[Floats, Floats]:
    fitted = expit(x @ beta)
    spread = case * fitted * (1 - fitted)
    information = x.T @ (x * spread[:, None])
    error = case * (y - fitted)
    if penalty == "firth":
        leverage = np.einsum("ij,jk,ik->i", x, np.linalg.pinv(information), x) * spread
        error = error + leverage * (0.5 - fitted)
        # The penalty acts like half a success and half a failure shared out by leverage; without
        # its curvature a step overshoots where a level has a single person.
        information = x.T @ (x * ((case + leverage) * fitted * (1 - fitted))[:, None])
    return np.asarray(x.T @ error), np.asarray(information)
