"""Is this many events more than a reference fixed beforehand would give? Exact upper tails.

The reference is either a level that was declared (then the count is Poisson or binomial), or the
events of a reference period (then the count is judged given the sum of both, so that the
uncertainty of the reference is in the tail and no true level makes false alarms more frequent
than asked for).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, stats

from outcomes.errors import EstimationError
from outcomes.statistics.checks import check_option

__all__ = ["Reference", "detectable", "signal_from", "upper_tail"]

Floats = NDArray[np.float64]
Kind = Literal["rate", "share"]
# A count this far above every expectation is searched before "never" is the answer.
MOST = 100_000


@dataclass(frozen=True, kw_only=True)
class Reference:
    """What events are held against.

    Attributes
    ----------
    kind : {"rate", "share"}
        Events per exposure, or of so many units.
    level : float or None
        A level declared beforehand; None where it comes from a period.
    events, size : float
        Events and exposure (or units) of the reference period; 0 where a level is declared.
    """

    kind: Kind
    level: float | None = None
    events: float = 0.0
    size: float = 0.0

    def __post_init__(self) -> None:
        """Refuse a reference that says nothing."""
        check_option("reference", self.kind, ["rate", "share"])
        if self.level is None and not self.size > 0:
            raise EstimationError("reference: neither a declared level nor a period with exposure.")
        top = np.inf if self.kind == "rate" else 1
        if self.level is not None and not 0 <= self.level <= top:
            raise EstimationError(f"reference: a level of {self.level} is no {self.kind}.")

    @property
    def estimate(self) -> float:
        """The declared level, or the period's events per size."""
        return self.events / self.size if self.level is None else self.level


def upper_tail(events: ArrayLike, size: ArrayLike, reference: Reference) -> Floats:
    """Return the probability of so many events or more if the reference still holds.

    Parameters
    ----------
    events, size : arrays of one shape, or numbers
        Counts, and their exposure (or units). A size of 0 has probability 1.
    reference : Reference

    Notes
    -----
    With X0 events in T0 of reference, x in t follows, given x + X0, the binomial with t/(t + T0)
    (rates) or the hypergeometric distribution (shares): the conditional tests of Przyborowski and
    Wilenski and of Fisher, one-sided.

    References
    ----------
    .. [1] Przyborowski J, Wilenski H. Biometrika 1940;31:313-323.
    .. [2] Fisher RA. Statistical Methods for Research Workers, 5th ed., 1934, section 21.02.

    Examples
    --------
    Five events where 1 is expected; the same with the 1 known from a period ten times as long:

    >>> upper_tail(5, 1.0, Reference(kind="rate", level=1.0)).round(5).item()
    0.00366
    >>> upper_tail(5, 1.0, Reference(kind="rate", events=10, size=10.0)).round(5).item()
    0.00856
    """
    x, n = np.asarray(events, float), np.asarray(size, float)
    if reference.level is not None:
        law: Any = (
            stats.poisson(reference.level * n)
            if reference.kind == "rate"
            else stats.binom(n, reference.level)
        )
        return np.where(n > 0, np.where(x > 0, law.sf(x - 1), 1.0), 1.0)
    return tail_beside(x, n, reference.events, reference.size, kind=reference.kind)


def tail_beside(
    x: ArrayLike, n: ArrayLike, events: ArrayLike, size: ArrayLike, *, kind: Kind
) -> Floats:
    """Return the conditional upper tail of x in n beside the reference's events in its size.

    As `upper_tail`, for many references at once; arrays broadcast.
    """
    x, n = np.asarray(x, float), np.asarray(n, float)
    x0, n0 = np.asarray(events, float), np.asarray(size, float)
    with np.errstate(all="ignore"):
        if kind == "rate":
            tail = stats.binom.sf(x - 1, x + x0, n / (n + n0))
        else:
            tail = stats.hypergeom.sf(x - 1, n + n0, x + x0, n)
    return np.where((n > 0) & (x > 0), tail, 1.0)


def signal_from(size: float, reference: Reference, *, alpha: float) -> int | None:
    """Return the smallest count whose tail is at most alpha; None where no count of `size` is.

    Examples
    --------
    >>> signal_from(1.0, Reference(kind="rate", level=1.0), alpha=0.005)
    5
    """
    if not size > 0:
        return None
    top = int(size) if reference.kind == "share" else MOST
    low, high = 0, 1
    while high < top and upper_tail(high, size, reference) > alpha:
        low, high = high, min(2 * high, top)
    if upper_tail(high, size, reference) > alpha:
        return None
    while high - low > 1:
        middle = (low + high) // 2
        if upper_tail(middle, size, reference) > alpha:
            low = middle
        else:
            high = middle
    return high


def detectable(
    sizes: Sequence[float],
    limits: Sequence[int | None],
    together: int | None,
    *,
    kind: Kind,
    power: float = 0.8,
) -> float | None:
    """Return the smallest level that crosses a limit with the given probability.

    Parameters
    ----------
    sizes : sequence of float
        Exposure (or units) of each point; points are independent.
    limits : sequence of int or None
        Count from which each point signals; None where it cannot.
    together : int or None
        Count from which their sum signals.
    kind : {"rate", "share"}
    power : float, default 0.8

    Returns
    -------
    float or None
        None where even the highest level does not reach the power.

    Examples
    --------
    >>> round(detectable([1.0], [5], None, kind="rate"), 3)
    6.721
    """
    seen = [(n, limit) for n, limit in zip(sizes, limits, strict=True) if n > 0]
    if not seen or (together is None and all(limit is None for _, limit in seen)):
        return None

    def missed(level: float) -> float:
        return _chance_of_silence(level, seen, together, kind) - (1 - power)

    high = 1.0 if kind == "share" else 1.0 / sum(n for n, _ in seen)
    while kind == "rate" and missed(high) > 0:
        high *= 2
    if missed(high) > 0:
        return None
    return float(optimize.brentq(missed, 0.0, high, xtol=1e-12, rtol=1e-10))


def _chance_of_silence(
    level: float, seen: Sequence[tuple[float, int | None]], together: int | None, kind: Kind
) -> float:
    """Probability that no point reaches its limit and their sum stays below its own."""
    total = np.ones(1)
    for size, limit in seen:
        mean = level * size
        most = int(size) if kind == "share" else int(mean + 12 * np.sqrt(mean) + 20)
        counts = np.arange(most + 1 if limit is None else min(limit, most + 1))
        if kind == "rate":
            chances = stats.poisson.pmf(counts, mean)
        else:
            chances = stats.binom.pmf(counts, size, level)
        total = np.convolve(total, chances)
    return float(total[: None if together is None else together].sum())
