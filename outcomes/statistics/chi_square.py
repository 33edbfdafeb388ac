"""The shape in which a chi-square test leaves an estimator."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtrc

from outcomes.statistics.probability_limits import Floats


@dataclass(frozen=True, kw_only=True)
class ChiSquareTest:
    """A statistic with its degrees of freedom and p-value, or the reason why there is none.

    Attributes
    ----------
    method : str
        What was tested and how, in words.
    statistic, p_value : float or None
        None where the test cannot be made.
    degrees_of_freedom : int
    note : str
        Why there is no statistic; "" where there is one.
    """

    method: str
    statistic: float | None
    degrees_of_freedom: int
    p_value: float | None
    note: str = ""


def chi_square_test(method: str, statistic: float, degrees_of_freedom: int) -> ChiSquareTest:
    """Return the test; the p-value is the upper tail itself, so that it does not end at 0.

    Taken as 1 minus the distribution function it would be 0 from a statistic of about 70 on.

    Examples
    --------
    >>> chi_square_test("log-rank", 100.0, 1).p_value < 1e-22
    True
    """
    return ChiSquareTest(
        method=method,
        statistic=float(statistic),
        degrees_of_freedom=degrees_of_freedom,
        p_value=float(chdtrc(degrees_of_freedom, statistic)),
    )


def no_test(method: str, degrees_of_freedom: int, note: str) -> ChiSquareTest:
    """Return a test that was not made, with the reason."""
    return ChiSquareTest(
        method=method,
        statistic=None,
        degrees_of_freedom=degrees_of_freedom,
        p_value=None,
        note=note,
    )


def quadratic_test(method: str, score: Floats, covariance: Floats) -> ChiSquareTest:
    """Return score' covariance^-1 score as a test; refuse a covariance without full rank."""
    size = len(score)
    scale = np.sqrt(np.clip(np.diag(covariance), 0, None))
    if not (scale > 0).all():
        return no_test(method, size, "not testable: no variance under the null hypothesis")
    correlation = covariance / np.outer(scale, scale)
    if np.linalg.eigvalsh(correlation)[0] < 1e-10:
        return no_test(method, size, "not testable: the covariance is singular (too few clusters?)")
    standard = score / scale
    statistic = float(standard @ np.linalg.solve(correlation, standard))
    return chi_square_test(method, statistic, size)
