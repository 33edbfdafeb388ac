"""Two event rates compared without covariates: their ratio and their difference."""

from __future__ import annotations

import math
from typing import Literal

from scipy import stats

from outcomes.statistics.checks import check_option
from outcomes.statistics.intervals import Contrast, proportion
from outcomes.statistics.rates import events_and_exposure, garwood
from outcomes.statistics.students_t import check_level

__all__ = ["rate_difference", "rate_ratio"]

RatioMethod = Literal["exact", "mid-p", "wald"]
DifferenceMethod = Literal["hybrid", "wald"]

RATIO_METHODS = {
    "exact": "exact conditional",
    "mid-p": "conditional mid-P",
    "wald": "Wald on the log scale",
}
DIFFERENCE_METHODS = {"hybrid": "hybrid of exact limits", "wald": "Wald"}


def rate_ratio(
    events: int,
    exposure: float,
    reference_events: int,
    reference_exposure: float,
    *,
    method: RatioMethod = "exact",
    confidence_level: float = 0.95,
) -> Contrast:
    """Compare two rates of independent events as the ratio to the reference.

    Given the total of both counts, the first is binomial; limits of that proportion become limits
    of the ratio, also where one group had no event.

    Parameters
    ----------
    events, exposure : int and float
        Of the group in the numerator.
    reference_events, reference_exposure : int and float
        Of the group in the denominator.
    method : {"exact", "mid-p", "wald"}
        Exact conditional, its mid-P version, or normal on the log scale (needs events in both).
    confidence_level : float, default 0.95
        Two-sided level.

    Returns
    -------
    Contrast
        No events in the group: ratio 0 with lower limit 0. None in the reference: no estimate and
        no upper limit, but a lower one. None in both: nothing but the note. The p-value of "exact"
        adds the outcomes no more probable than the one seen; "mid-p" doubles the smaller tail;
        "wald" is normal on the log scale.

    Raises
    ------
    EstimationError
        A count or exposure breaks its rule, or events without exposure.

    References
    ----------
    .. [1] Lehmann EL. Testing Statistical Hypotheses, 2nd ed., 1986, section 4.5.
    .. [2] Rothman KJ, Greenland S, Lash TL. Modern Epidemiology, 3rd ed., 2008, chapter 14.

    Examples
    --------
    >>> shown = rate_ratio(41, 28010, 15, 19017)
    >>> round(shown.estimate, 3), round(shown.conf_low, 3), round(shown.conf_high, 3)
    (1.856, 1.006, 3.609)
    """
    a, size = events_and_exposure(events, exposure)
    b, other = events_and_exposure(reference_events, reference_exposure, "reference_")
    level = check_level(confidence_level)
    label = RATIO_METHODS[check_option("rate ratio method", method, list(RATIO_METHODS))]
    note = _ratio_note(a, size, b, other, method)
    estimate = a * other / (b * size) if b and size else None
    low = high = p = None
    if a + b and size and other and not (method == "wald" and note):
        low, high = _ratio_limits(a, size, b, other, method, level)
        p = _ratio_p(a, size, b, other, method)
    return Contrast(
        estimate=estimate,
        conf_low=low,
        conf_high=high,
        method=label,
        confidence_level=level,
        p_value=p,
        note=note,
    )


def _ratio_note(a: int, size: float, b: int, other: float, method: RatioMethod) -> str:
    if not (size and other):
        return "not estimable: no exposure in a group"
    if a + b == 0:
        return "not estimable: no events in either group"
    if method == "wald" and not (a and b):
        return "limits not estimable by this method without events in both groups"
    if b == 0:
        return "no events in the reference: no estimate and no upper limit"
    return ""


def _ratio_limits(
    a: int, size: float, b: int, other: float, method: RatioMethod, level: float
) -> tuple[float, float | None]:
    if method == "wald":
        ratio = a * other / (b * size)
        reach = math.exp(float(stats.norm.ppf((1 + level) / 2)) * math.sqrt(1 / a + 1 / b))
        return ratio / reach, ratio * reach
    share = proportion(a, a + b, method=method, confidence_level=level)
    low, high = share.conf_low or 0.0, share.conf_high
    scale = other / size
    return low / (1 - low) * scale, None if b == 0 or high is None else high / (1 - high) * scale


def _ratio_p(a: int, size: float, b: int, other: float, method: RatioMethod) -> float:
    share = size / (size + other)
    if method == "exact":
        return float(stats.binomtest(a, a + b, share).pvalue)
    if method == "wald":
        z = math.log(a * other / (b * size)) / math.sqrt(1 / a + 1 / b)
        return 2 * float(stats.norm.sf(abs(z)))
    half = 0.5 * float(stats.binom.pmf(a, a + b, share))
    tails = stats.binom.cdf(a, a + b, share) - half, stats.binom.sf(a, a + b, share) + half
    return min(1.0, 2 * float(min(tails)))


def rate_difference(
    events: int,
    exposure: float,
    reference_events: int,
    reference_exposure: float,
    *,
    method: DifferenceMethod = "hybrid",
    per: float = 1.0,
    confidence_level: float = 0.95,
) -> Contrast:
    """Compare two rates of independent events as the first less the reference.

    Parameters
    ----------
    events, exposure, reference_events, reference_exposure : int and float
        As in `rate_ratio`.
    method : {"hybrid", "wald"}
        Limits recovered from the exact limits of the two rates (holds without events), or the
        normal approximation (needs events in both groups).
    per : float, default 1
        Size of the printed unit.
    confidence_level : float, default 0.95
        Two-sided level.

    Returns
    -------
    Contrast
        Without exposure in a group: no estimate, with a note. No p-value of its own: it is that
        of `rate_ratio`, method "exact", None where no event was seen.

    Raises
    ------
    EstimationError
        As `rate_ratio`.

    References
    ----------
    .. [1] Zou GY, Donner A. Construction of confidence limits about effect measures: a general
       approach. Stat Med 2008;27:1693-1702.

    Examples
    --------
    >>> shown = rate_difference(41, 28010, 15, 19017, method="wald", per=1000)
    >>> round(shown.estimate, 4), round(shown.conf_low, 4)
    (0.675, 0.0749)
    """
    a, size = events_and_exposure(events, exposure)
    b, other = events_and_exposure(reference_events, reference_exposure, "reference_")
    level = check_level(confidence_level)
    label = DIFFERENCE_METHODS[
        check_option("rate difference method", method, list(DIFFERENCE_METHODS))
    ]
    note = "" if size and other else "not estimable: no exposure in a group"
    if not note and method == "wald" and not (a and b):
        note = "limits not estimable by this method without events in both groups"
    estimate = a / size - b / other if size and other else None
    below = above = low = high = None
    if estimate is not None and not note:
        below, above = _difference_reach(a, size, b, other, method, level)
        low, high = estimate - below, estimate + above
    p = _ratio_p(a, size, b, other, "exact") if estimate is not None and a + b else None
    shown = Contrast(
        estimate=estimate,
        conf_low=low,
        conf_high=high,
        method=label,
        confidence_level=level,
        p_value=p,
        note=note,
    )
    return shown.scaled(per)


def _difference_reach(
    a: int, size: float, b: int, other: float, method: DifferenceMethod, level: float
) -> tuple[float, float]:
    if method == "wald":
        z = float(stats.norm.ppf((1 + level) / 2))
        half = z * math.sqrt(a / size**2 + b / other**2)
        return half, half
    (low_a, high_a), (low_b, high_b) = garwood(a, level), garwood(b, level)
    below = math.hypot((a - low_a) / size, (high_b - b) / other)
    return below, math.hypot((high_a - a) / size, (b - low_b) / other)
