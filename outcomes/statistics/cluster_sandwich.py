"""Cluster-robust covariance with its small-sample correction and degrees of freedom.

One routine serves least squares, weighted least squares, generalised linear models and whitened
models: the caller passes columns and residuals on the scale on which the working covariance is
the identity.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from outcomes.errors import EstimationError

Floats = NDArray[np.float64]
Correction = Literal["CR0", "CR1", "CR2"]

# Eigenvalues of a cluster's residual covariance below this are zero: the cluster alone determines
# a coefficient, and its residual there carries no information.
_ZERO_EIGENVALUE = 1e-10


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class ClusterSandwich:
    """Robust covariance of a coefficient vector, and the t distribution to read it with.

    Attributes
    ----------
    covariance : ndarray, shape (k, k)
        Covariance of the coefficients.
    n_clusters : int
        Independent units.
    correction : str
        CR0 (none), CR1 (G/(G-1) x (n-1)/(n-k)) or CR2 (bias-reduced linearisation).
    labels : ndarray, shape (n_clusters,)
        Of the independent units, in the order of `influence`.
    """

    covariance: Floats
    n_clusters: int
    correction: Correction
    labels: NDArray[np.generic]
    _scores: Floats
    _bread: Floats
    _meat_of_weights: Floats
    _adjusted: Floats
    _design: Floats
    _weights: Floats
    _codes: NDArray[np.intp]

    def degrees_of_freedom(self, contrast: ArrayLike) -> float:
        """Bell-McCaffrey (Satterthwaite) df of one linear contrast; G - 1 for CR0 and CR1.

        The variance estimate of the contrast is a quadratic form in independent unit-variance
        errors; its first two moments are matched to a scaled chi-square.
        """
        if self.correction != "CR2":
            return float(self.n_clusters - 1)
        direction = self._bread @ np.asarray(contrast, dtype=np.float64)
        pull = np.einsum("nk,k->n", self._adjusted, direction)
        n_columns = self._design.shape[1]
        own = np.bincount(self._codes, pull**2, self.n_clusters)
        plain = np.empty((self.n_clusters, n_columns))
        weighted = np.empty_like(plain)
        for j in range(n_columns):
            plain[:, j] = np.bincount(self._codes, self._design[:, j] * pull, self.n_clusters)
            weighted[:, j] = np.bincount(
                self._codes, self._design[:, j] * self._weights * pull, self.n_clusters
            )
        # The Gram matrix of the G influence vectors is diag(own) + Z C Z'; only its trace and the
        # trace of its square are needed, so it is never formed.
        stack = np.hstack([weighted, plain])
        zero = np.zeros_like(self._bread)
        core = np.block(
            [
                [zero, -self._bread],
                [-self._bread, self._bread @ self._meat_of_weights @ self._bread],
            ]
        )
        diagonal = np.einsum("gi,ij,gj->g", stack, core, stack)
        inner = core @ (stack.T @ stack)
        trace = own.sum() + diagonal.sum()
        square = (own**2).sum() + 2 * (own * diagonal).sum() + np.trace(inner @ inner)
        if not square > 0:
            raise EstimationError(
                "No degrees of freedom are left for this contrast: a single cluster determines it. "
                "Use fewer covariates, or describe the clusters instead."
            )
        return float(trace**2 / square)

    def influence(self, contrast: ArrayLike) -> Floats:
        """What every cluster moves one linear contrast by; the squares add to its variance."""
        return np.asarray(self._scores @ self._bread @ np.asarray(contrast, dtype=np.float64))

    def std_error(self, contrast: ArrayLike) -> float:
        """Standard error of one linear contrast of the coefficients."""
        vector = np.asarray(contrast, dtype=np.float64)
        return float(np.sqrt(max(float(vector @ self.covariance @ vector), 0.0)))


def cluster_sandwich(
    design: Floats,
    residuals: Floats,
    clusters: ArrayLike,
    *,
    weights: Floats | None = None,
    correction: Correction = "CR2",
) -> ClusterSandwich:
    """Covariance of a (weighted) least-squares vector that allows any dependence in a cluster.

    Parameters
    ----------
    design : ndarray, shape (n, k)
        Model columns of full rank, on the scale where the working error covariance is the
        identity; for a generalised linear model, columns times the square root of the variance
        function (canonical link).
    residuals : ndarray, shape (n,)
        Residuals on the same scale (Pearson residuals for a generalised linear model).
    clusters : array-like, shape (n,)
        Label of the independent unit of each row; no label may be missing.
    weights : ndarray, shape (n,), optional
        Case weights of the estimating equation; not variances.
    correction : {"CR2", "CR1", "CR0"}
        CR2 makes the estimate unbiased when the working covariance holds.

    Raises
    ------
    EstimationError
        A label is missing, or there are fewer than two clusters.

    Notes
    -----
    With H the hat matrix, cluster i's residuals are multiplied by the symmetric inverse root of
    ((I - H)(I - H)')_ii [1]_ [2]_. For a generalised linear model with an independence working
    covariance this is the correction (I - H_ii)^-1/2 of [3]_.

    References
    ----------
    .. [1] Bell RM, McCaffrey DF. Survey Methodology 2002;28:169-181.
    .. [2] Pustejovsky JE, Tipton E. J Bus Econ Stat 2018;36:672-683.
    .. [3] Kauermann G, Carroll RJ. J Am Stat Assoc 2001;96:1387-1396.
    """
    if pd.isna(pd.Series(np.asarray(clusters))).any():
        raise EstimationError("A cluster label is missing. Set such rows aside before the model.")
    codes, labels = pd.factorize(np.asarray(clusters), sort=False)
    n_clusters, (n_rows, n_columns) = len(labels), design.shape
    if n_clusters < 2:
        raise EstimationError(
            f"Cluster-robust errors need at least 2 clusters; got {n_clusters}. "
            "Describe the rows instead of modelling them."
        )
    case = np.ones(n_rows) if weights is None else weights
    bread = np.asarray(np.linalg.inv(design.T @ (design * case[:, None])), dtype=np.float64)
    of_weights = design.T @ (design * (case**2)[:, None])
    members = _members(codes, n_clusters)
    adjusted = design * case[:, None]
    if correction == "CR2":
        adjusted = _bias_reduced(design, case, bread, of_weights, members)
    scores = np.zeros((n_clusters, n_columns))
    np.add.at(scores, codes, adjusted * residuals[:, None])
    scale = 1.0
    if correction == "CR1":
        scale = n_clusters / (n_clusters - 1) * (n_rows - 1) / (n_rows - n_columns)
    scores *= np.sqrt(scale)
    return ClusterSandwich(
        covariance=bread @ (scores.T @ scores) @ bread,
        n_clusters=n_clusters,
        correction=correction,
        labels=np.asarray(labels),
        _scores=scores,
        _bread=bread,
        _meat_of_weights=of_weights,
        _adjusted=adjusted,
        _design=design,
        _weights=case,
        _codes=codes,
    )


def _members(codes: NDArray[np.intp], n_clusters: int) -> list[NDArray[np.intp]]:
    """Row numbers, one array of shape (clusters of one size, size) for every cluster size."""
    order = np.argsort(codes, kind="stable")
    sizes = np.bincount(codes, minlength=n_clusters)
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    return [
        order[starts[sizes == size][:, None] + np.arange(size)[None, :]]
        for size in np.unique(sizes)
    ]


def _bias_reduced(
    design: Floats,
    case: Floats,
    bread: Floats,
    of_weights: Floats,
    members: list[NDArray[np.intp]],
) -> Floats:
    """Rows A_i W_i X_i, stacked: the score columns with CR2's adjustment already applied."""
    adjusted = np.empty_like(design)
    middle = bread @ of_weights @ bread
    for rows, x, w in _batches(design, case, members):
        hat = np.einsum("gik,kl,gjl->gij", x, bread, x) * w[:, None, :]
        spread = np.eye(x.shape[1]) - hat - hat.transpose(0, 2, 1)
        spread += np.einsum("gik,kl,gjl->gij", x, middle, x)
        values, vectors = np.linalg.eigh(spread)
        usable = values > _ZERO_EIGENVALUE
        roots = np.where(usable, 1.0 / np.sqrt(np.where(usable, values, 1.0)), 0.0)
        projected = np.einsum("gji,gjk->gik", vectors, x * w[:, :, None])
        adjusted[rows] = np.einsum("gij,gj,gjk->gik", vectors, roots, projected)
    return adjusted


def _batches(
    design: Floats, case: Floats, members: list[NDArray[np.intp]], at_most: int = 4_000_000
) -> Iterator[tuple[NDArray[np.intp], Floats, Floats]]:
    """Clusters of equal size together, in pieces that keep the stacked matrices small."""
    for rows in members:
        step = max(1, at_most // rows.shape[1] ** 2)
        for start in range(0, len(rows), step):
            piece = rows[start : start + step]
            yield piece, design[piece], case[piece]
