"""Shapes that the covariance of one person's visits may take, with their derivatives.

A structure maps a short parameter vector to the covariance matrix S of all visits. Derivatives of
the likelihood are worked out once for the elements of S and carried over by the chain rule.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from outcomes.errors import EstimationError, known_names

Floats = NDArray[np.float64]

UNSTRUCTURED = "unstructured"
HETEROGENEOUS = "heterogeneous compound symmetry"
RANDOM_INTERCEPT = "random intercept"
INDEPENDENCE = "independence"


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Structure:
    """A parametric covariance matrix of T visits.

    Attributes
    ----------
    name : str
    matrix : callable
        Parameters (p,) to S (T, T).
    jacobian : callable
        Parameters to dS/dtheta (p, T, T).
    curvature : callable or None
        Parameters to d2S/dtheta2 (p, p, T, T); None where S is linear in the parameters.
    start : callable
        A covariance matrix (T, T) to the parameters nearest in the structure.
    """

    name: str
    matrix: Callable[[Floats], Floats]
    jacobian: Callable[[Floats], Floats]
    curvature: Callable[[Floats], Floats] | None
    start: Callable[[Floats], Floats]


def linear_structure(name: str, base: Floats) -> Structure:
    """S = sum of theta_j base_j, started at the least-squares projection."""
    flat = base.reshape(len(base), -1)

    def start(covariance: Floats) -> Floats:
        theta = np.linalg.lstsq(flat.T, covariance.ravel(), rcond=None)[0]
        return np.asarray(theta, dtype=np.float64)

    def matrix(theta: Floats) -> Floats:
        return np.asarray(np.tensordot(theta, base, axes=1), dtype=np.float64)

    return Structure(
        name=name, matrix=matrix, jacobian=lambda theta: base, curvature=None, start=start
    )


def structure(name: str, n_visits: int) -> Structure:
    """One of the named structures for a number of visits."""
    makers: dict[str, Callable[[int], Structure]] = {
        UNSTRUCTURED: _unstructured,
        HETEROGENEOUS: _heterogeneous,
        RANDOM_INTERCEPT: lambda n: linear_structure(
            RANDOM_INTERCEPT, np.stack([np.ones((n, n)), np.eye(n)])
        ),
        INDEPENDENCE: lambda n: linear_structure(INDEPENDENCE, np.eye(n)[None]),
    }
    if name not in makers:
        raise EstimationError(known_names("covariance structure", name, makers))
    return makers[name](n_visits)


def random_coefficients(loadings: Floats) -> Structure:
    """Covariance Z G Z' + sigma^2 I of random coefficients; parameters vech(G) and sigma^2.

    Parameters
    ----------
    loadings : ndarray, shape (T, q)
        What multiplies each random coefficient at each visit, e.g. ones and time.
    """
    base = []
    for i in range(loadings.shape[1]):
        for j in range(i + 1):
            outer = np.outer(loadings[:, i], loadings[:, j])
            base.append(outer if i == j else outer + outer.T)
    return linear_structure("random coefficients", np.stack([*base, np.eye(len(loadings))]))


def _unstructured(n_visits: int) -> Structure:
    base = []
    for i in range(n_visits):
        for j in range(i + 1):
            unit = np.zeros((n_visits, n_visits))
            unit[i, j] = unit[j, i] = 1.0
            base.append(unit)
    return linear_structure(UNSTRUCTURED, np.stack(base))


def _heterogeneous(n_visits: int) -> Structure:
    """Own variance at each visit, one correlation: parameters log SD (T) and the correlation."""
    off = 1.0 - np.eye(n_visits)

    def matrix(theta: Floats) -> Floats:
        # A trial step may be absurd; it must only be unlikely, not overflow.
        sd = np.exp(np.clip(theta[:-1], -100, 100))
        return np.asarray(np.outer(sd, sd) * (np.eye(n_visits) + theta[-1] * off))

    def jacobian(theta: Floats) -> Floats:
        sd, full = np.exp(np.clip(theta[:-1], -100, 100)), matrix(theta)
        out = np.zeros((n_visits + 1, n_visits, n_visits))
        for t in range(n_visits):
            out[t, t, :] += full[t]
            out[t, :, t] += full[t]
        out[-1] = np.outer(sd, sd) * off
        return out

    def curvature(theta: Floats) -> Floats:
        first = jacobian(theta)
        out = np.zeros((n_visits + 1, n_visits + 1, n_visits, n_visits))
        for t in range(n_visits):
            # Every derivative by log SD_t multiplies row t and column t once more.
            out[t, :, t, :] += first[:, t, :]
            out[t, :, :, t] += first[:, :, t]
        out[-1, :-1] = out[:-1, -1]
        return out

    def start(covariance: Floats) -> Floats:
        sd = np.sqrt(np.diag(covariance))
        correlation = covariance / np.outer(sd, sd)
        lowest = -1.0 / (n_visits - 1) if n_visits > 1 else -1.0
        mean = correlation[off > 0].mean() if n_visits > 1 else 0.0
        return np.append(np.log(sd), np.clip(mean, 0.9 * lowest, 0.98))

    return Structure(
        name=HETEROGENEOUS, matrix=matrix, jacobian=jacobian, curvature=curvature, start=start
    )
