"""From a patient's local days and episodes to windows: which days count, and sums of windows."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from outcomes.glucose.kernel import (
    COLUMNS,
    LEVELS,
    MINUTE,
    OWNED,
    OWNED_NOT_TESTED,
    READINGS,
    SLACK,
    ZERO,
)
from outcomes.tables.compiled import compiled

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]


@compiled
def counting_days(
    first_day: int, sums: Floats, midnights: Ints, midnights_from: int, not_tested: Ints, ppm: int
) -> npt.NDArray[np.bool_]:
    """Return for each row of `sums` whether its day counts.

    Owned time must reach `ppm` millionths of the day's elapsed time, both outside `not_tested`.
    `midnights` holds the instants of local midnight from day `midnights_from` on, so that days of
    23 and 25 hours have their length; days outside it do not count.
    """
    counts = np.zeros(len(sums), np.bool_)
    for i in range(len(sums)):
        k = first_day + i - midnights_from
        if sums[i, READINGS] == 0 or k < 0 or k + 1 >= len(midnights):
            continue
        elapsed = midnights[k + 1] - midnights[k]
        for span in not_tested:
            shared = min(span[1], midnights[k + 1]) - max(span[0], midnights[k])
            elapsed -= max(0, shared)
        tested = sums[i, OWNED] - sums[i, OWNED_NOT_TESTED]
        counts[i] = elapsed > 0 and tested * 1_000_000 >= ppm * elapsed
    return counts


# Columns of a window behind the sums of its days.
COUNTING_DAYS: Final = COLUMNS
ELAPSED: Final = COLUMNS + 1
EPISODES: Final = COLUMNS + 2  # of each level in turn: number, owned time, median, prolonged
VARIABILITY: Final = EPISODES + 4 * len(LEVELS)  # see `variability`; NaN where not asked for
ON: Final = VARIABILITY + 2  # owned time within a window's span; NaN where it has none
WINDOW_COLUMNS: Final = ON + 1


@compiled
def window_sums(
    first_day: int,
    sums: Floats,
    counts: npt.NDArray[np.bool_],
    episodes: Ints,
    midnights: Ints,
    midnights_from: int,
    first_on: Ints,
    last_on: Ints,
    prolonged_minutes: int,
) -> Floats:
    """Sum the days of each window; one row a window, `WINDOW_COLUMNS` columns.

    `first_on` and `last_on` are local days, both in the window; the midnights must cover them.
    The median length of no episodes is NaN.
    """
    out = np.zeros((len(first_on), WINDOW_COLUMNS))
    out[:, VARIABILITY:] = np.nan
    prolonged = prolonged_minutes * MINUTE - SLACK
    n_episodes = len(episodes)
    started, length = np.empty((4, n_episodes), np.int64), np.empty((4, n_episodes), np.int64)
    n_of, inside = np.zeros(4, np.int64), np.empty(n_episodes, np.int64)
    for i in range(n_episodes):
        level = episodes[i, 0]
        length[level, n_of[level]], started[level, n_of[level]] = episodes[i, 3], episodes[i, 4]
        n_of[level] += 1
    for w in range(len(first_on)):
        low, high = first_on[w], last_on[w]
        row = out[w]
        for i in range(max(0, low - first_day), min(len(sums), high + 1 - first_day)):
            for c in range(COLUMNS):
                row[c] += sums[i, c]
            row[COUNTING_DAYS] += counts[i]
        row[ELAPSED] = midnights[high + 1 - midnights_from] - midnights[low - midnights_from]
        for level in range(4):
            at, n = EPISODES + 4 * level, ZERO
            # Ordered by start; a traveller's clock set back may disorder the days by one.
            for i in range(first_from(started[level], n_of[level], low - 1), n_of[level]):
                if started[level, i] > high + 1:
                    break
                if low <= started[level, i] <= high:
                    inside[n] = length[level, i]
                    row[at + 1] += inside[n]
                    row[at + 3] += inside[n] >= prolonged
                    n += 1
            row[at] = n
            row[at + 2] = _median(inside, n)
    return out


@compiled
def first_from(ascending: Ints, n: int, least: int) -> int:
    """Return the place of the first of `n` ascending numbers that is `least` or more."""
    low, high = 0, n
    while low < high:
        middle = (low + high) // 2
        if ascending[middle] < least:
            low = middle + 1
        else:
            high = middle
    return low


@compiled
def _median(values: Ints, n: int) -> float:
    """Return the median of the first `n` values, which change places; NaN of none.

    Plain loops (Hoare's selection): numba takes a second to compile its own median.
    """
    if n == 0:
        return np.nan
    wanted, low, high = n // 2, 0, n - 1
    while low < high:
        pivot, i, j = values[(low + high) // 2], low, high
        while i <= j:
            while values[i] < pivot:
                i += 1
            while values[j] > pivot:
                j -= 1
            if i <= j:
                values[i], values[j] = values[j], values[i]
                i += 1
                j -= 1
        if wanted <= j:
            high = j
        elif wanted >= i:
            low = i
        else:
            break
    if n % 2:
        return float(values[wanted])
    below = values[0]  # what lies before the wanted place is no larger
    for i in range(1, wanted):
        below = max(below, values[i])
    return (below + values[wanted]) / 2
