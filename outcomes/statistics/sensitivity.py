"""How strong would something unmeasured have to be to change the answer?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import EstimationError, known_names

Measure = Literal["risk ratio", "odds ratio", "hazard ratio"]
_MEASURES = ("risk ratio", "odds ratio", "hazard ratio")


def e_value(ratio: float, *, true_ratio: float = 1.0) -> float:
    """Least strength of an unmeasured confounder that explains a risk ratio.

    The confounder would have to be associated with group and with outcome by this risk ratio
    each, beyond what was measured, to move `ratio` to `true_ratio`.

    Raises
    ------
    EstimationError
        A ratio that is not above 0 and finite.

    References
    ----------
    .. [1] VanderWeele TJ, Ding P. Ann Intern Med 2017;167:268-274.

    Examples
    --------
    >>> round(e_value(3.9), 2)
    7.26
    """
    for value in (ratio, true_ratio):
        _check_ratio(value)
    gap = ratio / true_ratio
    gap = gap if gap >= 1 else 1 / gap
    return float(gap + np.sqrt(gap * (gap - 1)))


def e_value_of_interval(low: float, high: float, *, true_ratio: float = 1.0) -> float:
    """E-value of the limit nearer to `true_ratio`; exactly 1 where the interval covers it.

    Examples
    --------
    >>> e_value_of_interval(0.9, 1.4)
    1.0
    """
    for value in (low, high):
        _check_ratio(value)
    if low > high:
        raise EstimationError(f"The limits {low} and {high} are in the wrong order.")
    if low <= true_ratio <= high:
        return 1.0
    return e_value(low if low > true_ratio else high, true_ratio=true_ratio)


def as_risk_ratio(ratio: float, *, measure: Measure, common: bool) -> float:
    """Approximate risk ratio of an odds or hazard ratio.

    Parameters
    ----------
    ratio : float
        Above 0.
    measure : {"risk ratio", "odds ratio", "hazard ratio"}
    common : bool
        True where more than 15 % have the outcome by the end of follow-up; a rare outcome's odds
        and hazard ratios are read as risk ratios.

    References
    ----------
    .. [1] VanderWeele TJ, Ding P. Ann Intern Med 2017;167:268-274, table 2.

    Examples
    --------
    >>> as_risk_ratio(0.81, measure="odds ratio", common=True)
    0.9
    """
    _check_ratio(ratio)
    if measure not in _MEASURES:
        raise EstimationError(known_names("measure", str(measure), _MEASURES))
    if measure == "risk ratio" or not common:
        return float(ratio)
    if measure == "odds ratio":
        return float(np.sqrt(ratio))
    return float((1 - 0.5 ** np.sqrt(ratio)) / (1 - 0.5 ** np.sqrt(1 / ratio)))


def e_value_of_difference(
    difference: float, std_error: float, *, standard_deviation: float
) -> tuple[float, float]:
    """E-value of a difference in means, and of its nearer 95 % limit.

    Parameters
    ----------
    difference, std_error, standard_deviation : float
        In the unit of the outcome; the SD of the outcome, to standardise by.

    Returns
    -------
    (float, float)
        Of the estimate, and of the limit (1 where the interval covers no difference).

    References
    ----------
    .. [1] VanderWeele TJ, Ding P. Ann Intern Med 2017;167:268-274, table 2: the risk ratio is
       read as exp(0.91 d), its limits as exp(0.91 d -+ 1.78 s).

    Examples
    --------
    >>> estimate, limit = e_value_of_difference(-0.42, 0.14, standard_deviation=1.0)
    >>> round(estimate, 2), round(limit, 2)
    (2.29, 1.55)
    """
    if not (standard_deviation > 0 and std_error >= 0 and np.isfinite(difference)):
        raise EstimationError(
            f"A difference {difference} with standard error {std_error} and SD "
            f"{standard_deviation} cannot be standardised."
        )
    d, s = difference / standard_deviation, std_error / standard_deviation
    low, high = np.exp(0.91 * d - 1.78 * s), np.exp(0.91 * d + 1.78 * s)
    return e_value(float(np.exp(0.91 * d))), e_value_of_interval(float(low), float(high))


def bias_factor(with_group: float, with_outcome: float) -> float:
    """Largest factor by which a confounder of this strength can move a risk ratio.

    Parameters
    ----------
    with_group, with_outcome : float
        Risk ratios of 1 or more between the confounder and group, and confounder and outcome.

    References
    ----------
    .. [1] Ding P, VanderWeele TJ. Epidemiology 2016;27:368-377.

    Examples
    --------
    >>> bias_factor(2, 3)
    1.5
    """
    if min(with_group, with_outcome) < 1:
        raise EstimationError("Strengths are risk ratios of 1 or more; invert smaller ones.")
    return with_group * with_outcome / (with_group + with_outcome - 1)


def shifted_differences(
    estimate: float,
    conf_low: float,
    conf_high: float,
    *,
    effects: Sequence[float],
    imbalances: Sequence[float],
) -> pd.DataFrame:
    """A difference in means if a yes-or-no confounder of stated strength had been measured.

    Parameters
    ----------
    estimate, conf_low, conf_high : float
        In the unit of the outcome.
    effects : sequence of float
        How much the confounder changes the outcome, in its unit, equal in both groups.
    imbalances : sequence of float
        How much more frequent it is in the group than in the reference (share, -1 to 1), given
        what was measured.

    Returns
    -------
    DataFrame, one row per effect and imbalance
        `effect`, `imbalance`, `bias` (their product), `estimate`, `conf_low`, `conf_high` less the
        bias, and `changes_conclusion` (the interval no longer excludes 0, or did not and now does).

    References
    ----------
    .. [1] VanderWeele TJ, Arah OA. Epidemiology 2011;22:42-52.

    Examples
    --------
    >>> shifted_differences(-0.4, -0.6, -0.2, effects=[-0.5], imbalances=[0.2, 0.6])[
    ...     ["bias", "estimate", "conf_high", "changes_conclusion"]].round(3)
       bias  estimate  conf_high  changes_conclusion
    0  -0.1      -0.3       -0.1               False
    1  -0.3      -0.1        0.1                True
    """
    if any(abs(share) > 1 for share in imbalances):
        raise EstimationError("An imbalance is a difference of shares, from -1 to 1.")
    excludes = conf_low > 0 or conf_high < 0
    rows = []
    for effect in effects:
        for imbalance in imbalances:
            bias = effect * imbalance
            low, high = conf_low - bias, conf_high - bias
            changes = (low > 0 or high < 0) != excludes
            rows.append((effect, imbalance, bias, estimate - bias, low, high, changes))
    names = ["effect", "imbalance", "bias", "estimate", "conf_low", "conf_high"]
    return pd.DataFrame(rows, columns=[*names, "changes_conclusion"])


def strongest_bias(std_error: float, df: float, *, with_outcome: float, with_group: float) -> float:
    """Largest bias of a linear-model difference, in the outcome's unit, at stated strength.

    Parameters
    ----------
    std_error : float
        Classical standard error of the difference.
    df : float
        Residual degrees of freedom.
    with_outcome, with_group : float
        Shares (0 to 1) of the variance left in outcome and in group that a confounder would
        explain; the strength of a measured covariate is a useful yardstick.

    References
    ----------
    .. [1] Cinelli C, Hazlett C. J R Stat Soc B 2020;82:39-67.

    Examples
    --------
    >>> round(strongest_bias(0.1, 100, with_outcome=0.1, with_group=0.1), 4)
    0.1054
    """
    if not (0 <= with_outcome <= 1 and 0 <= with_group < 1):
        raise EstimationError("Strengths are shares of variance: 0 to 1, below 1 for the group.")
    if not (std_error >= 0 and df > 0):
        raise EstimationError(f"No bias bound from standard error {std_error} and {df} df.")
    return float(std_error * np.sqrt(df) * np.sqrt(with_outcome * with_group / (1 - with_group)))


def robustness_value(estimate: float, std_error: float, df: float, *, level: float = 1.0) -> float:
    """Equal share of variance in group and outcome that would remove an effect.

    Parameters
    ----------
    estimate, std_error, df : float
        As in `strongest_bias`.
    level : float, default 1
        1 asks for an estimate of zero; 0.05 for one that a 5 % test no longer finds.

    References
    ----------
    .. [1] Cinelli C, Hazlett C. J R Stat Soc B 2020;82:39-67, section 4.

    Examples
    --------
    >>> round(robustness_value(0.4, 0.1, 100), 4)
    0.3279
    """
    if not (std_error > 0 and df > 1 and 0 < level <= 1):
        raise EstimationError("A robustness value needs a standard error above 0 and df above 1.")
    f = abs(estimate) / std_error / np.sqrt(df)
    if level < 1:
        f -= float(stats.t.ppf(1 - level / 2, df - 1)) / np.sqrt(df - 1)
    if f <= 0:
        return 0.0
    return float((np.sqrt(f**4 + 4 * f**2) - f**2) / 2)


def _check_ratio(value: float) -> None:
    if not (value > 0 and np.isfinite(value)):
        raise EstimationError(f"A ratio must be above 0 and finite; got {value}.")
