"""Confidence limits of one probability from its estimate and standard error."""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt
from scipy.special import expit, logit
from scipy.stats import norm

from outcomes.errors import EstimationError, known_names

Floats = npt.NDArray[np.float64]

TRANSFORMS = ("log-log", "log", "plain", "logit", "arcsin", "complementary log-log")


@cache
def normal_quantile(confidence_level: float) -> float:
    """Return the normal deviate of a two-sided level; refuse a level outside (0, 1).

    Examples
    --------
    >>> round(normal_quantile(0.95), 6)
    1.959964
    """
    if not 0 < confidence_level < 1:
        raise EstimationError(
            f"confidence_level is {confidence_level}; it is a fraction between 0 and 1, as 0.95."
        )
    return float(norm.ppf(0.5 + confidence_level / 2))


def probability_limits(
    estimate: npt.ArrayLike,
    std_error: npt.ArrayLike,
    *,
    confidence_level: float = 0.95,
    transform: str = "log-log",
) -> tuple[Floats, Floats]:
    """Return lower and upper limits of probabilities, on a chosen scale.

    Parameters
    ----------
    estimate, std_error : array of shape (k,) or number
        Probabilities as fractions and their standard errors on the same scale.
    confidence_level : float, default 0.95
        Two-sided level as a fraction.
    transform : str, default "log-log"
        "log-log" is log(-log p) of the probability given, "complementary log-log" is
        log(-log(1 - p)); the two differ visibly for a small p, so that the scale has to be named
        beside the limits. Others: "log", "plain", "logit", "arcsin".

    Returns
    -------
    (low, high) : two arrays of shape (k,)
        Within 0 to 1. NaN for an estimate of exactly 0 or 1 or without a standard error: no scale
        has a limit there, and the caller says so in words.

    Raises
    ------
    EstimationError
        `transform` is not one of the scales, or the level is not a fraction.

    References
    ----------
    .. [1] Kalbfleisch JD, Prentice RL. The Statistical Analysis of Failure Time Data, 2nd ed.,
       2002, section 1.4 (log(-log) scale).

    Examples
    --------
    >>> low, high = probability_limits(4 / 9, 0.15548940)
    >>> round(float(low), 4), round(float(high), 4)
    (0.1512, 0.706)
    """
    if transform not in TRANSFORMS:
        raise EstimationError(known_names("scale for limits", transform, TRANSFORMS))
    given = np.asarray(estimate, dtype=float)
    error = np.asarray(std_error, dtype=float)
    inside = (given > 0) & (given < 1) & np.isfinite(error)
    p = np.where(inside, given, 0.5)
    reach = normal_quantile(confidence_level) * np.where(inside, error, 0.0)
    low, high = _limits(p, reach, transform)
    blank = np.where(inside, 0.0, np.nan)
    return np.clip(low, 0, 1) + blank, np.clip(high, 0, 1) + blank


def _limits(p: Floats, reach: Floats, transform: str) -> tuple[Floats, Floats]:
    if transform == "plain":
        return p - reach, p + reach
    if transform == "log":
        return p * np.exp(-reach / p), p * np.exp(reach / p)
    if transform == "logit":
        half = reach / (p * (1 - p))
        return expit(logit(p) - half), expit(logit(p) + half)
    if transform == "arcsin":
        half = reach / (2 * np.sqrt(p * (1 - p)))
        angle = np.arcsin(np.sqrt(p))
        return (
            np.sin(np.maximum(angle - half, 0)) ** 2,
            np.sin(np.minimum(angle + half, np.pi / 2)) ** 2,
        )
    if transform == "complementary log-log":
        low, high = _limits(1 - p, reach, "log-log")
        return 1 - high, 1 - low
    factor = np.exp(np.abs(reach / (p * np.log(p))))
    return p**factor, p ** (1 / factor)
