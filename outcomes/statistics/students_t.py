"""Estimate, standard error and degrees of freedom into interval and p value."""

from __future__ import annotations

from typing import TypedDict

import numpy as np
from scipy import stats

from outcomes.errors import EstimationError


class TInference(TypedDict):
    """What a t interval says; `p_value` is None where the standard error is zero."""

    estimate: float
    std_error: float
    df: float
    conf_low: float
    conf_high: float
    p_value: float | None


def check_level(confidence_level: float) -> float:
    """Return the level, or refuse one that is no fraction between 0 and 1."""
    if not 0.0 < confidence_level < 1.0:
        raise EstimationError(
            f"confidence_level: {confidence_level} is not between 0 and 1. "
            "Give it as a fraction, for example 0.95."
        )
    return confidence_level


def t_inference(
    estimate: float, std_error: float, df: float, confidence_level: float = 0.95
) -> TInference:
    """Two-sided t interval and p value of the hypothesis that the estimand is zero.

    Parameters
    ----------
    estimate, std_error : float
        In the same unit; both finite, the standard error not negative.
    df : float
        Degrees of freedom, above 0; infinity gives the normal interval.
    confidence_level : float, default 0.95
        Two-sided level as a fraction.

    Returns
    -------
    TInference
        A dictionary that becomes one row of a table.

    Raises
    ------
    EstimationError
        An input is not finite, or there are no degrees of freedom left.

    Examples
    --------
    >>> row = t_inference(2.0, 1.0, 25)
    >>> round(row["conf_low"], 4), round(row["conf_high"], 4), round(row["p_value"], 4)
    (-0.0595, 4.0595, 0.0565)
    """
    check_level(confidence_level)
    if not (np.isfinite(estimate) and np.isfinite(std_error)) or std_error < 0 or not df > 0:
        raise EstimationError(
            f"A t interval needs a finite estimate, a standard error of 0 or more and degrees of "
            f"freedom above 0; got {estimate}, {std_error}, {df}. "
            "Use fewer covariates, or check the rows that went into the model."
        )
    half = float(stats.t.ppf(0.5 + confidence_level / 2, df)) * std_error
    p_value = float(2 * stats.t.sf(abs(estimate) / std_error, df)) if std_error > 0 else None
    return TInference(
        estimate=float(estimate),
        std_error=float(std_error),
        df=float(df),
        conf_low=float(estimate - half),
        conf_high=float(estimate + half),
        p_value=p_value,
    )
