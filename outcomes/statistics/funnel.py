"""Funnel plots: limits for units of different size around one target, with their false alarms."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.statistics.checks import check_option, finite
from outcomes.statistics.students_t import check_level

__all__ = ["funnel_false_alarm", "funnel_limits", "funnel_z", "overdispersion"]

Floats = NDArray[np.float64]
Kind = Literal["proportion", "rate"]


def funnel_limits(
    target: float,
    sizes: ArrayLike,
    *,
    level: float = 0.95,
    kind: Kind = "proportion",
    dispersion: float = 1.0,
) -> pd.DataFrame:
    """Return the limits around a target for units of each size.

    Parameters
    ----------
    target : float
        Share (0 to 1) or rate (above 0) that every unit is held against.
    sizes : array
        Units of observation (whole numbers) or exposure, above 0.
    level : float, default 0.95
        0.95 and 0.998 are the customary pair, about 2 and 3 standard deviations.
    kind : {"proportion", "rate"}
        Binomial or Poisson.
    dispersion : float, default 1
        Factor on the variance, from `overdispersion`. Above 1 the limits are normal with the
        variance so inflated, because the exact ones belong to a variance of 1.

    Returns
    -------
    DataFrame, one row a size
        `size`, `limit_low`, `limit_high`, in the unit of the target; cut at 0, and 1 for shares.

    Raises
    ------
    EstimationError
        A target or size outside its range, or a dispersion below 1.

    Notes
    -----
    Exact quantiles with interpolation: r is the least count with P(R <= r) >= p and the limit is
    (r - a) / size with a = (P(R <= r) - p) / (P(R <= r) - P(R <= r - 1)). How one interpolates
    changes who is flagged; `funnel_false_alarm` says what these limits do.

    References
    ----------
    .. [1] Spiegelhalter DJ. Funnel plots for comparing institutional performance. Stat Med
       2005;24:1185-1202.

    Examples
    --------
    >>> funnel_limits(0.1, [50]).round(5)["limit_high"].tolist()
    [0.17972]
    """
    size = _sizes(target, sizes, kind)
    tail = (1 - check_level(level)) / 2
    if not 1 <= dispersion < math.inf:
        raise EstimationError(f"dispersion = {dispersion}: 1 or more; 1 leaves the limits exact.")
    if dispersion > 1:
        half = stats.norm.isf(tail) * _spread(target, size, kind) * math.sqrt(dispersion)
        low, high = target - half, target + half
    else:
        low, high = (_interpolated(target, size, kind, p) for p in (tail, 1 - tail))
    top = 1.0 if kind == "proportion" else np.inf
    return pd.DataFrame(
        {"size": size, "limit_low": np.clip(low, 0, top), "limit_high": np.clip(high, 0, top)}
    )


def _sizes(target: float, sizes: ArrayLike, kind: Kind) -> Floats:
    check_option("funnel", kind, ["proportion", "rate"])
    size = finite("sizes", np.asarray(sizes, dtype=float))
    if (size <= 0).any() or (kind == "proportion" and (size != np.floor(size)).any()):
        raise EstimationError("funnel: a size is above 0, and whole where a share is shown.")
    if not 0 < target < (1 if kind == "proportion" else math.inf):
        raise EstimationError(f"target = {target}: a funnel needs a target strictly inside.")
    return size


def _law(target: float, size: Floats, kind: Kind) -> Any:
    return stats.binom(size, target) if kind == "proportion" else stats.poisson(target * size)


def _spread(target: float, size: Floats, kind: Kind) -> Floats:
    return np.asarray(np.sqrt(target * (1 - target if kind == "proportion" else 1) / size))


def _interpolated(target: float, size: Floats, kind: Kind, p: float) -> Floats:
    law = _law(target, size, kind)
    r = law.ppf(p)
    at, before = law.cdf(r), law.cdf(r - 1)
    return np.asarray((r - (at - p) / (at - before)) / size, dtype=float)


def funnel_z(target: float, values: ArrayLike, sizes: ArrayLike, *, kind: Kind) -> Floats:
    """Return how many standard deviations each unit lies from the target.

    Examples
    --------
    >>> funnel_z(0.1, [0.2], [36], kind="proportion").round(9).tolist()
    [2.0]
    """
    size = _sizes(target, sizes, kind)
    observed = finite("values", np.asarray(values, dtype=float))
    return np.asarray((observed - target) / _spread(target, size, kind), dtype=float)


def overdispersion(z: Sequence[float] | Floats, *, winsorise: float = 0.1) -> float:
    """Return the factor by which units vary more than chance, at least 1.

    The mean square of the z values after the outer `winsorise` at each end were pulled in, so
    that the outliers one looks for do not widen their own limits.

    Raises
    ------
    EstimationError
        No values, a missing one, or a share outside 0 to 0.5.

    References
    ----------
    .. [1] Spiegelhalter DJ. Stat Med 2005;24:1185-1202, appendix.

    Examples
    --------
    >>> overdispersion([-2.0, 2.0, -2.0, 2.0])
    4.0
    """
    numbers = finite("z", z)
    if numbers.size == 0 or not 0 <= winsorise < 0.5:
        raise EstimationError(f"overdispersion: {numbers.size} values, winsorise {winsorise}.")
    low, high = np.quantile(numbers, [winsorise, 1 - winsorise])
    return max(1.0, float((np.clip(numbers, low, high) ** 2).mean()))


def funnel_false_alarm(
    target: float, size: float, *, level: float = 0.95, kind: Kind = "proportion"
) -> tuple[float, float]:
    """Return the exact probabilities that a unit on target lies below or above its limits.

    Examples
    --------
    >>> [round(tail, 4) for tail in funnel_false_alarm(0.1, 50)]
    [0.0052, 0.0579]
    """
    limits = funnel_limits(target, [size], level=level, kind=kind)
    law = _law(target, np.array([float(size)]), kind)
    low, high = (float(limits[c].iloc[0]) * size for c in ("limit_low", "limit_high"))
    below = math.ceil(low - 1e-9) - 1
    return float(law.cdf(below)[0]), float(law.sf(math.floor(high + 1e-9))[0])
