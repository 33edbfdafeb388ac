"""Restricted maximum likelihood for repeated measurements, with analytic derivatives.

People with the same visits observed share one covariance matrix, so the work is done once per
missingness pattern. First and second derivatives are exact: with visits missing, finite
differences and the expected information both give degrees of freedom that are wrong by up to half
(23 where 14.7 is right in a reference data set).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from outcomes.errors import EstimationError
from outcomes.statistics.covariance_structures import Structure

Floats = NDArray[np.float64]

# Half the Newton decrement estimates how far the log-likelihood is from its top.
_DECREMENT = 1e-18
# Where rounding stops the decrement from falling further, this is still taken as zero.
_ROUNDING = 1e-11
_MOST_STEPS = 60
# A covariance this close to singular is on its way to the edge, where there is no maximum.
_EDGE = 1e-9


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class WideData:
    """People by visits: zeros where a visit is missing, and the patterns that occur.

    Attributes
    ----------
    x : ndarray, shape (n, T, k); y : ndarray, shape (n, T); seen : bool, shape (n, T)
    patterns : list of (people, visits)
        Row numbers that share one set of observed visits.
    """

    x: Floats
    y: Floats
    seen: NDArray[np.bool_]
    patterns: list[tuple[NDArray[np.intp], NDArray[np.intp]]]


def wide_data(x: Floats, y: Floats, seen: NDArray[np.bool_]) -> WideData:
    """Find the missingness patterns."""
    kinds, codes = np.unique(seen, axis=0, return_inverse=True)
    patterns = [
        (np.flatnonzero(codes.ravel() == i), np.flatnonzero(kind)) for i, kind in enumerate(kinds)
    ]
    return WideData(x=x, y=y, seen=seen, patterns=patterns)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Likelihood:
    """The log-likelihood at one covariance matrix, with what its derivatives need.

    `score`, `expected` and `observed` refer to the single elements of S, all taken as free, with
    shapes (T, T) and (T, T, T, T); `influence` (T, T, k, k) holds X'V^-1 (dV) V^-1 X for each.
    """

    value: float
    coefficients: Floats
    bread: Floats
    score: Floats
    expected: Floats
    observed: Floats
    influence: Floats


def log_likelihood(data: WideData, covariance: Floats, *, restricted: bool = True) -> float:
    """The (restricted) log-likelihood alone; minus infinity where S is not positive definite."""
    try:
        return _profile(data, covariance, restricted)[0]
    except np.linalg.LinAlgError:
        return -np.inf


def _profile(
    data: WideData, covariance: Floats, restricted: bool
) -> tuple[float, Floats, Floats, list[Floats]]:
    """Value, coefficients, their covariance, and the inverse of S in each pattern (padded)."""
    np.linalg.cholesky(covariance)
    n_visits, n_columns = data.x.shape[1:]
    normal, right = np.zeros((n_columns, n_columns)), np.zeros(n_columns)
    inverses, log_determinant = [], 0.0
    for people, visits in data.patterns:
        part = covariance[np.ix_(visits, visits)]
        padded = np.zeros((n_visits, n_visits))
        padded[np.ix_(visits, visits)] = np.linalg.inv(part)
        inverses.append(padded)
        log_determinant += len(people) * np.linalg.slogdet(part)[1]
        x, y = data.x[people], data.y[people]
        weighted = np.matmul(padded, x).reshape(-1, n_columns)
        normal += x.reshape(-1, n_columns).T @ weighted
        right += weighted.T @ y.ravel()
    bread = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    beta = bread @ right
    square = 0.0
    for (people, _), padded in zip(data.patterns, inverses, strict=True):
        # From the residuals: y'V^-1 y less its fitted part would cancel where the fit is close.
        residual = data.y[people] - data.x[people] @ beta
        square += float(((residual @ padded) * residual).sum())
    n_rows = int(data.seen.sum())
    freedom = n_rows - n_columns if restricted else n_rows
    value = log_determinant + square + freedom * np.log(2 * np.pi)
    if restricted:
        value += np.linalg.slogdet(normal)[1]
    return -0.5 * float(value), beta, bread, inverses


def likelihood(data: WideData, covariance: Floats, *, restricted: bool = True) -> Likelihood:
    """Value, score and information by the elements of the covariance matrix.

    Notes
    -----
    With P = V^-1 - V^-1 X (X'V^-1 X)^-1 X'V^-1 and V linear in its elements the observed
    information is -tr(P V_i P V_j)/2 + y'P V_i P V_j P y and the expected one tr(P V_i P V_j)/2
    [1]_. Without restriction P is V^-1 inside the traces.

    References
    ----------
    .. [1] Searle SR, Casella G, McCulloch CE. Variance Components, 1992, section 6.6.
    """
    value, beta, bread, inverses = _profile(data, covariance, restricted)
    n_visits, n_columns = data.x.shape[1:]
    trace, quadratic = np.zeros((n_visits,) * 4), np.zeros((n_visits,) * 4)
    score = np.zeros((n_visits, n_visits))
    gram = np.zeros((n_visits * n_columns,) * 2)
    pull = np.zeros((n_visits, n_visits * n_columns))
    for (people, _), inverse in zip(data.patterns, inverses, strict=True):
        residual = data.y[people] - data.x[people] @ beta
        residual *= data.seen[people]
        scaled = residual @ inverse
        z = np.matmul(inverse, data.x[people])
        flat = z.reshape(len(people), -1)
        gram += flat.T @ flat
        pull += scaled.T @ flat
        spread = scaled.T @ scaled
        score += 0.5 * (spread - len(people) * inverse)
        trace += len(people) * np.einsum("ur,st->rstu", inverse, inverse)
        quadratic += np.einsum("st,ru->rstu", inverse, spread)
        if restricted:
            leverage = np.einsum("irk,kl,iul->ru", z, bread, z, optimize=True)
            trace -= 2 * np.einsum("st,ru->rstu", inverse, leverage)
    influence = gram.reshape(n_visits, n_columns, n_visits, n_columns).transpose(0, 2, 1, 3)
    pulled = pull.reshape(n_visits, n_visits, n_columns)
    # y'P E_rs W X: residual at r, columns at s; the transpose for the second pair.
    quadratic -= np.einsum("rsk,kl,utl->rstu", pulled, bread, pulled, optimize=True)
    if restricted:
        turned = np.einsum("kl,rslm->rskm", bread, influence)
        score += 0.5 * np.einsum("rskk->rs", turned)
        trace += np.einsum("rskm,tumk->rstu", turned, turned, optimize=True)
    return Likelihood(
        value=value,
        coefficients=beta,
        bread=bread,
        score=score,
        expected=0.5 * trace,
        observed=quadratic - 0.5 * trace,
        influence=influence,
    )


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Climb:
    """Where the search ended, and whether it is a maximum."""

    theta: Floats
    at: Likelihood
    covariance: Floats
    information: Floats
    decrement: float
    steps: int
    converged: bool


def climb(data: WideData, structure: Structure, start: Floats, *, restricted: bool = True) -> Climb:
    """Maximise the likelihood: Fisher scoring far from the top, Newton steps near it.

    Converged means that the Newton decrement of the exact score is zero to rounding and that the
    observed information is positive definite; a small step is no evidence of either.
    """
    theta = structure.start(start)
    if not np.isfinite(log_likelihood(data, structure.matrix(theta), restricted=restricted)):
        raise EstimationError("The search for a covariance has no valid starting value.")
    steps, previous = 0, np.inf
    while True:
        at = likelihood(data, structure.matrix(theta), restricted=restricted)
        score, expected, observed = _in_parameters(structure, theta, at)
        newton = _positive_definite(observed)
        information = observed if newton else expected
        step = _solve(information, score)
        decrement = float(score @ step)
        size = max(1.0, abs(at.value))
        stalled = newton and 0.1 * previous < decrement <= _ROUNDING * size
        done = decrement <= _DECREMENT * size or stalled
        if newton and not done and decrement > 1.0 and _positive_definite(expected):
            step = _solve(expected, score)
        if done or steps >= _MOST_STEPS or _at_the_edge(structure.matrix(theta)):
            break
        moved = _uphill(data, structure, theta, step, at.value, restricted)
        if moved is None:
            # No value is higher, so the decrement decides what this point is.
            done = decrement <= _ROUNDING * size
            break
        theta, steps, previous = moved, steps + 1, decrement
    return Climb(
        theta=theta,
        at=at,
        covariance=structure.matrix(theta),
        information=observed,
        decrement=decrement,
        steps=steps,
        converged=bool(done and newton and not _at_the_edge(structure.matrix(theta))),
    )


def _in_parameters(
    structure: Structure, theta: Floats, at: Likelihood
) -> tuple[Floats, Floats, Floats]:
    """Score, expected and observed information of the structure's own parameters."""
    first = structure.jacobian(theta)
    flat = first.reshape(len(first), -1)
    size = flat.shape[1]
    score = flat @ at.score.ravel()
    expected = flat @ at.expected.reshape(size, size) @ flat.T
    observed = flat @ at.observed.reshape(size, size) @ flat.T
    if structure.curvature is not None:
        observed = observed - np.einsum("pqrs,rs->pq", structure.curvature(theta), at.score)
    return score, (expected + expected.T) / 2, (observed + observed.T) / 2


def _uphill(
    data: WideData,
    structure: Structure,
    theta: Floats,
    step: Floats,
    value: float,
    restricted: bool,
) -> Floats | None:
    """The first of the step, its half, its quarter ... that does not lower the likelihood."""
    for halvings in range(40):
        moved = theta + step / 2**halvings
        new = log_likelihood(data, structure.matrix(moved), restricted=restricted)
        if new >= value - 1e-12 * abs(value):
            return np.asarray(moved)
    return None


def _at_the_edge(covariance: Floats) -> bool:
    sizes = np.linalg.eigvalsh(covariance)
    return bool(sizes[0] < _EDGE * sizes[-1])


def _positive_definite(matrix: Floats) -> bool:
    if not (np.isfinite(matrix).all() and (np.diag(matrix) > 1e-100).all()):
        return False
    scale = np.sqrt(np.diag(matrix))
    try:
        np.linalg.cholesky(matrix / np.outer(scale, scale) - 1e-10 * np.eye(len(matrix)))
    except np.linalg.LinAlgError:
        return False
    return True


def _solve(information: Floats, score: Floats) -> Floats:
    return np.asarray(np.linalg.lstsq(information, score, rcond=None)[0])


def satterthwaite_df(structure: Structure, fit: Climb, contrast: Floats) -> float:
    """Degrees of freedom 2 v^2 / (g' I^-1 g) of a contrast with variance v and its gradient g.

    References
    ----------
    .. [1] Giesbrecht FG, Burns JC. Biometrics 1985;41:477-486.
    .. [2] Fai AH-T, Cornelius PL. J Stat Comput Simul 1996;54:363-378.
    """
    direction = fit.at.bread @ contrast
    variance = float(contrast @ direction)
    elements = np.einsum("rskl,k,l->rs", fit.at.influence, direction, direction)
    gradient = np.einsum("prs,rs->p", structure.jacobian(fit.theta), elements)
    spread = float(gradient @ np.linalg.solve(fit.information, gradient))
    if not spread > 0:
        raise EstimationError("The covariance parameters do not bear on this contrast: no df.")
    return 2 * variance**2 / spread
