"""What a study of this size could have seen."""

from __future__ import annotations

import numpy as np
from scipy import stats
from statsmodels.stats.power import TTestIndPower, TTestPower

from outcomes.errors import EstimationError


def detectable_difference(
    n: float,
    n_reference: float,
    *,
    sd: float,
    baseline_correlation: float = 0.0,
    power: float = 0.8,
    alpha: float = 0.05,
) -> float:
    """Smallest difference in means that two groups of this size find with the power stated.

    Parameters
    ----------
    n, n_reference : float
        People in each group, at least 2 (effective numbers after weighting may be used).
    sd : float
        Within groups, in the unit of the outcome.
    baseline_correlation : float, default 0
        Between baseline and follow-up; adjusting for the baseline shrinks the SD by
        sqrt(1 - r^2).
    power, alpha : float
        Fractions; alpha is two-sided.

    References
    ----------
    .. [1] Borm GF, Fransen J, Lemmens WAJG. J Clin Epidemiol 2007;60:1234-1238 (baseline).

    Examples
    --------
    >>> round(detectable_difference(150, 150, sd=11), 2)
    3.57
    """
    _check(power, alpha, sd, baseline_correlation)
    if min(n, n_reference) < 2:
        raise EstimationError(f"Power needs two people in each group; got {n} and {n_reference}.")
    effect = TTestIndPower().solve_power(
        nobs1=n, ratio=n_reference / n, power=power, alpha=alpha, effect_size=None
    )
    return float(np.squeeze(effect)) * sd * float(np.sqrt(1 - baseline_correlation**2))


def people_per_group(
    difference: float, *, sd: float, power: float = 0.8, alpha: float = 0.05
) -> float:
    """People needed in each of two equal groups to find a difference in means (not rounded).

    Examples
    --------
    >>> round(people_per_group(4, sd=11, power=0.9), 1)
    159.9
    """
    _check(power, alpha, sd, 0.0)
    if difference == 0:
        raise EstimationError("No number of people finds a difference of zero.")
    found = TTestIndPower().solve_power(
        effect_size=abs(difference) / sd, power=power, alpha=alpha, nobs1=None
    )
    return float(np.squeeze(found))


def paired_power(n: float, *, difference: float, sd: float, alpha: float = 0.05) -> float:
    """Chance that a paired comparison of this size finds a mean change.

    Parameters
    ----------
    n : float
        Pairs, at least 2.
    difference, sd : float
        Mean and SD of the change.

    Examples
    --------
    >>> round(paired_power(40, difference=3, sd=8), 3)
    0.638
    """
    _check(0.5, alpha, sd, 0.0)
    if n < 2:
        raise EstimationError(f"Power needs two pairs; got {n}.")
    found = TTestPower().power(effect_size=abs(difference) / sd, nobs=n, alpha=alpha)
    return float(found)


def people_per_group_for_shares(
    share: float, share_reference: float, *, power: float = 0.8, alpha: float = 0.05
) -> float:
    """People needed in each of two equal groups to find a difference of shares (not rounded).

    References
    ----------
    .. [1] Fleiss JL, Levin B, Paik MC. Statistical Methods for Rates and Proportions, 3rd ed.,
       2003, section 4.2 (without continuity correction).

    Examples
    --------
    >>> round(people_per_group_for_shares(0.45, 0.60), 1)
    172.8
    """
    _check(power, alpha, 1.0, 0.0)
    if not (0 < share < 1 and 0 < share_reference < 1) or share == share_reference:
        raise EstimationError(f"Shares {share} and {share_reference} must differ, inside 0 to 1.")
    # The general library's function took alpha as one-sided in one release and as two-sided in
    # another, so the formula is written out.
    z_alpha, z_power = stats.norm.isf(alpha / 2), stats.norm.ppf(power)
    middle = (share + share_reference) / 2
    under_none = z_alpha * np.sqrt(2 * middle * (1 - middle))
    own = share * (1 - share) + share_reference * (1 - share_reference)
    return float(((under_none + z_power * np.sqrt(own)) / (share - share_reference)) ** 2)


def _check(power: float, alpha: float, sd: float, correlation: float) -> None:
    if not (0 < power < 1 and 0 < alpha < 1 and sd > 0 and -1 < correlation < 1):
        raise EstimationError(
            f"Power and alpha lie between 0 and 1, an SD above 0, a correlation inside -1 to 1; "
            f"got {power}, {alpha}, {sd}, {correlation}."
        )
