"""A smooth curve with fixed knots that is straight beyond its boundaries."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from outcomes.errors import EstimationError

Floats = NDArray[np.float64]


def natural_spline(
    x: ArrayLike, *, knots: Sequence[float], boundary: tuple[float, float]
) -> Floats:
    """Columns of a natural cubic spline without its constant.

    Knots are given, never taken from the data: defaults differ between programs (quantiles of all
    or of the distinct values) and would move with every new quarter of data.

    Parameters
    ----------
    x : array-like, shape (n,)
        Where to evaluate.
    knots : sequence of float
        Interior knots, inside the boundary.
    boundary : (float, float)
        First and last knot; beyond them the curve is straight.

    Returns
    -------
    ndarray, shape (n, len(knots) + 1)
        Together with a constant they span all natural cubic splines with these knots.

    References
    ----------
    .. [1] Hastie T, Tibshirani R, Friedman J. The Elements of Statistical Learning, 2nd ed., 2009,
       equations 5.4 and 5.5.

    Examples
    --------
    >>> natural_spline([1, 7, 13], knots=[7], boundary=(1, 13)).round(4)
    array([[0.   , 0.   ],
           [0.5  , 0.125],
           [1.   , 0.75 ]])
    """
    low, high = boundary
    inner = sorted(float(k) for k in knots)
    if not low < high or any(not low < k < high for k in inner) or len(set(inner)) < len(inner):
        raise EstimationError(
            f"Knots {list(knots)} must differ and lie inside the boundary {boundary}."
        )
    places = (np.array([low, *inner, high]) - low) / (high - low)
    t = (np.asarray(x, dtype=np.float64) - low) / (high - low)
    last = _bent(t, places[-2], places[-1])
    columns = [t, *(_bent(t, k, places[-1]) - last for k in places[:-2])]
    return np.column_stack(columns)


def _bent(t: Floats, knot: float, end: float) -> Floats:
    cubes = np.maximum(t - knot, 0.0) ** 3 - np.maximum(t - end, 0.0) ** 3
    return np.asarray(cubes / (end - knot))
