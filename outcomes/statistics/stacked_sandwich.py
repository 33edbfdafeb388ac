"""Covariance of an estimate that rests on other estimates, from their stacked equations."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from outcomes.errors import EstimationError

Floats = NDArray[np.float64]
Score = Callable[[NDArray[np.complex128]], NDArray[np.complex128]]

_STEP = 1e-30


def stacked_sandwich(score: Score, theta: Floats, *, clusters: ArrayLike | None = None) -> Floats:
    """A^-1 B A^-T of the equations sum_i score_i(theta) = 0.

    Parameters
    ----------
    score : callable
        Parameters (p,) to contributions (n, p). It is called with complex parameters, so it must
        be built from analytic operations (no absolute values, no comparisons on imaginary parts).
    theta : ndarray, shape (p,)
        The solution.
    clusters : array-like, shape (n,), optional
        Label of the independent unit; contributions are then summed by it and the result is
        multiplied by G/(G - 1).

    Returns
    -------
    ndarray, shape (p, p)

    Notes
    -----
    The derivative is a complex step: exact to rounding, without a step size to choose.

    References
    ----------
    .. [1] Stefanski LA, Boos DD. Am Stat 2002;56:29-38.
    .. [2] Squire W, Trapp G. SIAM Rev 1998;40:110-112 (complex step).
    """
    parts = np.real(score(theta.astype(np.complex128)))
    derivative = np.empty((len(theta), len(theta)))
    for j in range(len(theta)):
        moved = theta.astype(np.complex128)
        moved[j] += 1j * _STEP
        derivative[:, j] = np.imag(score(moved)).sum(axis=0) / _STEP
    factor = 1.0
    if clusters is not None:
        codes, labels = pd.factorize(np.asarray(clusters))
        summed = np.zeros((len(labels), len(theta)))
        np.add.at(summed, codes, parts)
        parts, factor = summed, len(labels) / (len(labels) - 1)
    try:
        inverse = np.linalg.inv(derivative)
    except np.linalg.LinAlgError as error:
        raise EstimationError(
            "The stacked equations do not determine every parameter. Drop a covariate."
        ) from error
    return np.asarray(factor * inverse @ (parts.T @ parts) @ inverse.T, dtype=np.float64)
