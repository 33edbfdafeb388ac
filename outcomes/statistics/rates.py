"""Event rates per exposure for independent events (first events of patients), also for none.

Where one patient may have many events: `clustered_rates`. Two groups: `rate_contrasts`; with
covariates `rate_models`.
"""

from __future__ import annotations

import math
from typing import Literal

from scipy import special, stats

from outcomes.errors import EstimationError
from outcomes.statistics.checks import check_option, count, exposure_of
from outcomes.statistics.intervals import Interval, root, without_limits
from outcomes.statistics.students_t import check_level

__all__ = ["events_and_exposure", "garwood", "mid_p_count", "rate", "zero_rate_bound"]

RateMethod = Literal["exact", "mid-p"]
RATE_METHODS = {"exact": "exact (Garwood)", "mid-p": "mid-P"}


def rate(
    events: int,
    exposure: float,
    *,
    method: RateMethod = "exact",
    per: float = 1.0,
    confidence_level: float = 0.95,
) -> Interval:
    """Estimate a rate of independent events with an exact Poisson interval.

    Parameters
    ----------
    events : int
        Number of events, 0 or more.
    exposure : float
        Time or size in which they were seen, for example patient-years.
    method : {"exact", "mid-p"}
        Garwood's interval (coverage never below the level) or mid-P (on average at the level).
    per : float, default 1
        Size of the printed unit: 100 gives events per 100 units of exposure.
    confidence_level : float, default 0.95
        Two-sided level.

    Returns
    -------
    Interval
        Per `per` units of exposure. No events: 0 with lower limit 0 and a proper upper limit. No
        exposure and no events: no estimate, with a note.

    Raises
    ------
    EstimationError
        A negative or fractional count, a negative exposure, or events without exposure.

    References
    ----------
    .. [1] Garwood F. Fiducial limits for the Poisson distribution. Biometrika 1936;28:437-442.

    Examples
    --------
    >>> shown = rate(5, 12400, per=1000)
    >>> round(shown.estimate, 4), round(shown.conf_low, 4), round(shown.conf_high, 4)
    (0.4032, 0.1309, 0.941)
    """
    events, exposure = events_and_exposure(events, exposure)
    level = check_level(confidence_level)
    label = RATE_METHODS[check_option("rate method", method, list(RATE_METHODS))]
    if exposure == 0:
        return without_limits(None, label, level, "not estimable: no exposure")
    limits = garwood if method == "exact" else mid_p_count
    low, high = limits(events, level)
    shown = Interval(
        estimate=events / exposure,
        conf_low=low / exposure,
        conf_high=high / exposure,
        method=label,
        confidence_level=level,
    )
    return shown.scaled(per)


def events_and_exposure(events: float, exposure: float, which: str = "") -> tuple[int, float]:
    """Return both checked; `which` names the group in an error of events without exposure."""
    number = count(f"{which}events", events)
    size = exposure_of(f"{which}exposure", exposure)
    if size == 0 and number > 0:
        raise EstimationError(
            f"{which}exposure = 0 with {which}events = {number}: there is no rate without "
            "exposure. Count same-day exposure as half a day, or check the dates."
        )
    return number, size


def garwood(events: int, level: float) -> tuple[float, float]:
    """Return the exact limits of a Poisson mean from one count (chi-squared quantiles)."""
    alpha = 1 - level
    low = 0.0 if events == 0 else float(stats.chi2.ppf(alpha / 2, 2 * events)) / 2
    return low, float(stats.chi2.isf(alpha / 2, 2 * events + 2)) / 2


def mid_p_count(events: int, level: float) -> tuple[float, float]:
    """Return the mid-P limits of a Poisson mean from one count; 0 and -log(alpha) at no events."""
    alpha = 1 - level
    if events == 0:
        return 0.0, -math.log(alpha)

    def below(mean: float) -> float:
        # P(fewer) + half P(equal) = mean of P(X <= x) and P(X <= x - 1).
        return float(special.pdtr(events, mean) + special.pdtr(events - 1, mean)) / 2

    # The exact limits enclose the mid-P limits, so they bracket the roots.
    outer_low, outer_high = garwood(events, level)
    low = root(lambda mean: below(mean) - (1 - alpha / 2), outer_low, outer_high)
    return low, root(lambda mean: below(mean) - alpha / 2, outer_low, outer_high)


def zero_rate_bound(
    exposure: float, *, per: float = 1.0, confidence_level: float = 0.95
) -> Interval:
    """Bound a rate from above when no event was seen: -log(alpha) / exposure.

    One-sided, for a sentence that says so; tables carry the two-sided exact interval of `rate`.

    Parameters
    ----------
    exposure : float
        Exposure without event.
    per : float, default 1
        Size of the printed unit.
    confidence_level : float, default 0.95
        One-sided level.

    Returns
    -------
    Interval
        `estimate` 0, `conf_low` None, `conf_high` the bound; `method` says one-sided.

    Examples
    --------
    >>> round(zero_rate_bound(1500, per=1000).conf_high, 4)
    1.9972
    """
    size, level = exposure_of("exposure", exposure), check_level(confidence_level)
    label = f"one-sided {100 * level:g} % upper bound, exact"
    if size == 0:
        return without_limits(None, label, level, "not estimable: no exposure")
    bound = Interval(
        estimate=0.0,
        conf_low=None,
        conf_high=-math.log1p(-level) / size,
        method=label,
        confidence_level=level,
        note="one-sided: no lower limit is given",
    )
    return bound.scaled(per)
