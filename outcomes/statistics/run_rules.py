"""Patterns within the limits of a chart: runs about the median and the run rules."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from outcomes.errors import EstimationError, known_names
from outcomes.statistics.checks import finite

__all__ = ["Runs", "run_false_alarm", "run_signals", "runs_about_median"]

RULES = {
    "beyond": "1 point beyond 3 sigma",
    "shift": "a run on one side of the centre",
    "trend": "6 in a row rising or falling",
    "alternating": "14 in a row alternating up and down",
    "two of three": "2 of 3 beyond 2 sigma on one side",
    "four of five": "4 of 5 beyond 1 sigma on one side",
    "hugging": "15 in a row within 1 sigma",
    "avoiding": "8 in a row beyond 1 sigma on either side",
}
# Zone rules presume a symmetric distribution, which counts do not have.
FOR_COUNTS = ("beyond", "shift")


@dataclass(frozen=True, kw_only=True)
class Runs:
    """Runs of values above and below their median; values on the median are left out.

    Attributes
    ----------
    median : float
    n_useful : int
        Values off the median.
    n_runs, longest : int
    p_value : float or None
        Two-sided exact probability of so few or so many runs in a random order.
    shift : tuple of int
        Points (from 1) at which a run reaches the length asked for; empty when none does.
    """

    median: float
    n_useful: int
    n_runs: int
    longest: int
    p_value: float | None
    shift: tuple[int, ...]


def runs_about_median(values: ArrayLike, *, shift: int = 8) -> Runs:
    """Count the runs about the median and test whether their number fits a random order.

    Parameters
    ----------
    values : array
        In time order, none missing.
    shift : int, default 8
        Length of a run that signals a shift. 7, 8 and 9 are in use; see `run_false_alarm`.

    Raises
    ------
    EstimationError
        No values, a missing one, or a length below 2.

    References
    ----------
    .. [1] Wald A, Wolfowitz J. On a test whether two samples are from the same population. Ann
       Math Stat 1940;11:147-162.

    Examples
    --------
    >>> runs = runs_about_median([1, 2, 1, 2, 8, 9, 8, 9])
    >>> runs.n_runs, runs.longest, round(runs.p_value, 4)
    (2, 4, 0.0571)
    """
    numbers = finite("values", np.asarray(values, dtype=float))
    if numbers.size == 0 or shift < 2:
        raise EstimationError(f"runs: {numbers.size} values, shift of {shift}; need 1 and 2.")
    median = float(np.median(numbers))
    off = np.flatnonzero(numbers != median)
    above = numbers[off] > median
    lengths = _run_lengths(above)
    above_count = int(above.sum())
    return Runs(
        median=median,
        n_useful=len(off),
        n_runs=int((lengths == 1).sum()),
        longest=int(lengths.max()) if lengths.size else 0,
        p_value=_runs_p(int((lengths == 1).sum()), above_count, len(off) - above_count),
        shift=tuple(int(i) + 1 for i in off[lengths == shift]),
    )


def _run_lengths(labels: NDArray[np.generic]) -> NDArray[np.int64]:
    """Return at each point how long the run of equal labels that ends there is so far."""
    lengths = np.ones(len(labels), dtype=np.int64)
    for i in range(1, len(labels)):
        lengths[i] = lengths[i - 1] + 1 if labels[i] == labels[i - 1] else 1
    return lengths


def _runs_p(runs: int, above: int, below: int) -> float | None:
    if not (above and below):
        return None

    def ways(r: int) -> int:
        half, odd = divmod(r, 2)
        first = math.comb(above - 1, half - 1) * math.comb(below - 1, half - 1 + odd)
        return first * 2 if not odd else first + _odd(above, below, half)

    total = math.comb(above + below, above)
    few = sum(ways(r) for r in range(2, runs + 1))
    many = total - few + ways(runs)
    return min(1.0, 2 * min(few, many) / total)


def _odd(above: int, below: int, half: int) -> int:
    return math.comb(above - 1, half) * math.comb(below - 1, half - 1)


def run_false_alarm(n: int, *, length: int = 8) -> float:
    """Return the exact probability of a run of `length` or more on one side in n random points.

    Each point lies above or below the centre with equal odds, independently.

    Raises
    ------
    EstimationError
        `n` below 0 or `length` below 1.

    Examples
    --------
    >>> run_false_alarm(8), run_false_alarm(9, length=9)
    (0.0078125, 0.00390625)
    """
    if n < 0 or length < 1:
        raise EstimationError(f"run of {length} in {n} points: give 1 or more and 0 or more.")
    if n < length:
        return 0.0
    if length == 1:
        return 1.0
    # Probability of each present run length without the signal so far.
    running = np.zeros(length)
    running[1] = 1.0
    for _ in range(n - 1):
        longer = np.zeros(length)
        longer[1] = running.sum() / 2
        longer[2:] = running[1:-1] / 2
        running = longer
    return float(1 - running.sum())


def run_signals(z: ArrayLike, *, rules: Sequence[str] = FOR_COUNTS, shift: int = 8) -> pd.DataFrame:
    """Find the points at which a run rule is met.

    Parameters
    ----------
    z : array
        (value - centre) / sigma in time order.
    rules : sequence of str
        Any of beyond, shift, trend, alternating, two of three, four of five, hugging, avoiding.
        For charts of counts keep the default two: the zone rules assume symmetry.
    shift : int, default 8
        Length for "shift": 8 (Western Electric 1956) or 9 (Nelson 1984).

    Returns
    -------
    DataFrame, one row a point and rule met
        `point` (from 1, the last of the pattern) and `rule`.

    Raises
    ------
    EstimationError
        An unknown rule, or a missing value.

    References
    ----------
    .. [1] Nelson LS. The Shewhart control chart: tests for special causes. J Qual Technol
       1984;16:237-239.

    Examples
    --------
    >>> run_signals([0.5] * 8)["point"].tolist()
    [8]
    """
    numbers = finite("z", np.asarray(z, dtype=float))
    tests = _tests(numbers, shift)
    rows: list[tuple[int, str]] = []
    for rule in rules:
        if rule not in tests:
            raise EstimationError(known_names("run rule", rule, RULES))
        rows += [(int(i) + 1, rule) for i in np.flatnonzero(tests[rule])]
    return pd.DataFrame(sorted(rows), columns=["point", "rule"])


def _tests(z: NDArray[np.float64], shift: int) -> dict[str, NDArray[np.bool_]]:
    up = np.sign(np.diff(z, prepend=z[:1]))
    # A rise or fall of six points is five steps; alternating fourteen is thirteen turns.
    turning = np.r_[np.zeros(min(1, len(z)), bool), up[1:] * up[:-1] < 0] if len(z) else z > 0
    inside, outside = np.abs(z) < 1, np.abs(z) > 1
    return {
        "beyond": np.abs(z) > 3,
        "shift": _all_of(z > 0, shift) | _all_of(z < 0, shift),
        "trend": _all_of(up > 0, 5) | _all_of(up < 0, 5),
        "alternating": _all_of(turning, 12),
        "two of three": _some_of(z > 2, 2, 3) | _some_of(z < -2, 2, 3),
        "four of five": _some_of(z > 1, 4, 5) | _some_of(z < -1, 4, 5),
        "hugging": _all_of(inside, 15),
        "avoiding": _all_of(outside, 8),
    }


def _all_of(met: NDArray[np.bool_], window: int) -> NDArray[np.bool_]:
    return _some_of(met, window, window)


def _some_of(met: NDArray[np.bool_], least: int, window: int) -> NDArray[np.bool_]:
    """Mark points that meet a condition themselves as the last of at least so many in a window."""
    total = np.cumsum(met)
    before = np.r_[np.zeros(min(window, len(met)), int), total[: max(len(met) - window, 0)]]
    return np.asarray((total - before >= least) & met)
