"""Differences of estimates whose groups may share patients."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import ndtr

from outcomes.statistics.probability_limits import Floats, normal_quantile


def difference_error(a: pd.DataFrame, b: pd.DataFrame, *, shared: bool) -> Floats:
    """Return the standard error of a difference from two tables of influences.

    Parameters
    ----------
    a, b : DataFrame, one row per cluster and one column per time
    shared : bool
        Rows of the same label are one cluster; otherwise all rows are independent.
    """
    if not shared:
        return np.sqrt((a.to_numpy() ** 2).sum(axis=0) + (b.to_numpy() ** 2).sum(axis=0))
    labels = a.index.union(b.index)
    left = a.reindex(labels, fill_value=0.0).to_numpy()
    right = b.reindex(labels, fill_value=0.0).to_numpy()
    return np.sqrt(((left - right) ** 2).sum(axis=0))


def normal_limits(
    estimate: Floats, std_error: Floats, level: float, *, bound: float = np.inf
) -> tuple[Floats, Floats, Floats]:
    """Return lower and upper normal limits and a two-sided p-value; NaN without spread."""
    from_zero = np.where(std_error > 0, std_error, np.nan)
    reach = normal_quantile(level) * from_zero
    p_value = 2 * ndtr(-np.abs(estimate) / from_zero)
    return np.maximum(estimate - reach, -bound), np.minimum(estimate + reach, bound), p_value
