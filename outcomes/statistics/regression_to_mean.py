"""How much people chosen for a high value fall without any treatment."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.statistics.design import complete_rows, numeric


@dataclass(frozen=True, kw_only=True)
class WithinPerson:
    """What two earlier measurements of the same people say.

    Attributes
    ----------
    n : int
        People with both.
    mean, sd : float
        Of single measurements (both occasions pooled).
    correlation, slope : float
        Between the occasions; slope of the later on the earlier.
    """

    n: int
    mean: float
    sd: float
    correlation: float
    slope: float


def within_person(frame: pd.DataFrame, *, first: str, second: str) -> WithinPerson:
    """Mean, spread and correlation of a measurement that was made twice before the start.

    Parameters
    ----------
    frame : DataFrame, one row per person
        People without both are left out.
    first, second : str
        Earlier and later measurement, one unit.

    Raises
    ------
    EstimationError
        Fewer than three people, or no spread.
    """
    rows = complete_rows(frame, [first, second]).frame
    x, y = numeric(rows, first), numeric(rows, second)
    if len(x) < 3 or not (x.std() > 0 and y.std() > 0):
        raise EstimationError(
            f"{len(x)} people with two earlier values that vary: no within-person correlation. "
            "At least three are needed."
        )
    correlation = float(np.corrcoef(x, y)[0, 1])
    return WithinPerson(
        n=len(x),
        mean=float((x.mean() + y.mean()) / 2),
        sd=float(np.sqrt((x.var(ddof=1) + y.var(ddof=1)) / 2)),
        correlation=correlation,
        slope=float(correlation * y.std() / x.std()),
    )


def expected_fall(
    *, mean: float, sd: float, correlation: float, threshold: float, n_baselines: int = 1
) -> float:
    """Fall without treatment in those whose baseline lay above a threshold.

    Parameters
    ----------
    mean, sd : float
        Of single measurements in the population the people were chosen from.
    correlation : float
        Between two measurements of a person, 0 to 1.
    threshold : float
        People whose baseline (or mean of several baselines) lies above it were chosen.
    n_baselines : int, default 1
        How many measurements the baseline is the mean of.

    Returns
    -------
    float
        Baseline less next measurement, in the unit of the measurement; 0 or more.

    Notes
    -----
    Bivariate normal. With k baselines the chosen mean has variance sd^2 (rho + (1 - rho)/k) and
    covariance rho sd^2 with the next value.

    References
    ----------
    .. [1] Davis CE. Am J Epidemiol 1976;104:493-498.

    Examples
    --------
    >>> round(expected_fall(mean=62, sd=10, correlation=0.7, threshold=70), 2)
    4.1
    >>> round(expected_fall(mean=62, sd=10, correlation=0.7, threshold=70, n_baselines=2), 2)
    2.31
    """
    _check(sd, correlation, n_baselines)
    spread = sd * np.sqrt(correlation + (1 - correlation) / n_baselines)
    z = (threshold - mean) / spread
    # Mills ratio through logarithms: far thresholds must not divide zero by zero.
    hazard = np.exp(stats.norm.logpdf(z) - stats.norm.logsf(z))
    return float((spread**2 - correlation * sd**2) / spread * hazard)


def expected_fall_from(
    baseline_mean: float, *, mean: float, correlation: float, n_baselines: int = 1
) -> float:
    """Fall without treatment of a group whose baseline mean was observed.

    However the group was chosen by its baseline, its next mean is expected nearer to the
    population's by the reliability of the baseline.

    Parameters
    ----------
    baseline_mean : float
        Of the group.
    mean : float
        Of the population it came from; negative falls (rises) are expected below it.
    correlation, n_baselines
        As in `expected_fall`.

    Examples
    --------
    >>> round(expected_fall_from(74, mean=62, correlation=0.7), 2)
    3.6
    """
    _check(1.0, correlation, n_baselines)
    reliability = correlation / (correlation + (1 - correlation) / n_baselines)
    return float((1 - reliability) * (baseline_mean - mean))


def oldham_correlation(frame: pd.DataFrame, *, before: str, after: str) -> float:
    """Correlation of change with the mean of both values: does change depend on the level?

    The plain correlation of change with the first value is negative by arithmetic alone.

    References
    ----------
    .. [1] Oldham PD. J Chronic Dis 1962;15:969-977.
    """
    rows = complete_rows(frame, [before, after]).frame
    x, y = numeric(rows, before), numeric(rows, after)
    if len(x) < 3 or not ((y - x).std() > 0 and (y + x).std() > 0):
        raise EstimationError(f"{len(x)} pairs without spread have no correlation of change.")
    return float(np.corrcoef(y - x, (y + x) / 2)[0, 1])


def _check(sd: float, correlation: float, n_baselines: int) -> None:
    if not (sd > 0 and 0 <= correlation <= 1 and n_baselines >= 1):
        raise EstimationError(
            f"Regression to the mean needs an SD above 0, a correlation of 0 to 1 and a baseline; "
            f"got {sd}, {correlation}, {n_baselines}."
        )
