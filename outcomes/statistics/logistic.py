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


def logistic_draws(
    x: Floats,
    y: Floats,
    counts: Floats,
    *,
    start: Floats,
    penalty: Penalty = "none",
    tolerance: float = _DECREMENT,
) -> tuple[Floats, NDArray[np.bool_]]:
    """Fit `logistic` once a draw of row counts, all draws in the same Newton step.

    A draw whose step is not taken whole (its likelihood would fall, or a level was not drawn) is
    left to `logistic`.

    Parameters
    ----------
    counts : ndarray, shape (draws, n)
    start : ndarray, shape (k,)
        Where every search begins: the answer of the whole sample.

    Returns
    -------
    coefficients : ndarray, shape (draws, k)
    converged : ndarray of bool, shape (draws,)

    Examples
    --------
    >>> x = np.column_stack([np.ones(4), [0.0, 0.0, 1.0, 1.0]])
    >>> y = np.array([0.2, 0.4, 0.5, 0.7])
    >>> drawn, converged = logistic_draws(x, y, np.array([[1.0, 1, 1, 1], [2.0, 0, 1, 1]]),
    ...                                   start=np.zeros(2))
    >>> (1 / (1 + np.exp(-drawn @ x.T))).round(6).tolist(), converged.tolist()
    ([[0.3, 0.3, 0.6, 0.6], [0.2, 0.2, 0.6, 0.6]], [True, True])
    """
    draws = _Draws(x, y, penalty)
    beta = np.tile(start.astype(np.float64), (len(counts), 1))
    converged, alone = np.zeros(len(counts), dtype=bool), np.zeros(len(counts), dtype=bool)
    under_way, before = np.arange(len(counts)), draws.objective(counts, beta)
    ends = max(tolerance, _PENALISED_DECREMENT) if penalty == "firth" else tolerance
    for _ in range(_MOST_PENALISED_STEPS if penalty == "firth" else _MOST_STEPS):
        if not len(under_way):
            break
        case = counts[under_way]
        try:
            score, information, empty = draws.score(case, beta[under_way])
            step = np.linalg.solve(information, score[..., None])[..., 0]
        except np.linalg.LinAlgError:
            break
        small = (score * step).sum(axis=1) <= ends * np.maximum(1.0, case.sum(axis=1))
        moved = beta[under_way] + step
        reached = draws.objective(case, moved)
        whole = (small | (reached >= before - 1e-13 * np.abs(before))) & ~empty
        beta[under_way[whole]] = moved[whole]
        converged[under_way[whole & small]] = True
        alone[under_way[~whole]] = True
        under_way, before = under_way[whole & ~small], reached[whole & ~small]
    alone[under_way] = True
    for draw in np.flatnonzero(alone):
        fit = logistic(
            x, y, weights=counts[draw], penalty=penalty, start=start, tolerance=tolerance
        )
        beta[draw], converged[draw] = fit.coefficients, fit.converged
    if penalty == "none":
        certain = ((np.abs(beta @ x.T) > _CERTAIN) & (counts > 0)).any(axis=1)
        converged &= alone | ~certain
    return beta, converged


class _Draws:
    """`_score` and `_objective` for many draws of row counts at once, each at its own beta."""

    def __init__(self, x: Floats, y: Floats, penalty: Penalty) -> None:
        self.x, self.y, self.penalty = x, y, penalty
        self.rows, self.columns = np.tril_indices(x.shape[1])
        self.products = x[:, self.rows] * x[:, self.columns]

    def score(self, case: Floats, beta: Floats) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        """Return score, information, and which draws lack a level (theirs is then the identity)."""
        fitted = expit(beta @ self.x.T)
        spread = case * fitted * (1 - fitted)
        information = self._information(spread)
        empty = (information.diagonal(axis1=1, axis2=2) == 0).any(axis=1)
        information[empty] = np.eye(self.x.shape[1])
        error = case * (self.y - fitted)
        if self.penalty == "firth":
            inverse = np.linalg.inv(information)[:, self.rows, self.columns]
            leverage = (inverse * np.where(self.rows == self.columns, 1, 2)) @ self.products.T
            leverage *= spread
            error += leverage * (0.5 - fitted)
            information = self._information((case + leverage) * fitted * (1 - fitted))
            information[empty] = np.eye(self.x.shape[1])
        return np.asarray(error @ self.x), information, empty

    def objective(self, case: Floats, beta: Floats) -> Floats:
        """Return the (penalised) log likelihood of each draw."""
        linear = beta @ self.x.T
        value = (case * (self.y * linear - np.logaddexp(0.0, linear))).sum(axis=1)
        if self.penalty == "firth":
            fitted = expit(linear)
            sign, log_determinant = np.linalg.slogdet(
                self._information(case * fitted * (1 - fitted))
            )
            value += np.where(sign > 0, 0.5 * log_determinant, -np.inf)
        return np.asarray(value)

    def _information(self, spread: Floats) -> Floats:
        information = np.empty((len(spread), self.x.shape[1], self.x.shape[1]))
        information[:, self.rows, self.columns] = spread @ self.products
        information[:, self.columns, self.rows] = information[:, self.rows, self.columns]
        return information


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
