"""Two measures of variability that are off by default: differences at 24 hours, and excursions.

Both take the one stream of readings in mg/dL. Definitions differ between papers under one name;
these are the ones named here, and no other is offered.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from outcomes.tables.compiled import compiled

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

DAY: Final = 86_400_000_000  # microseconds


@compiled
def excursions(mg_dl: Floats) -> tuple[float, int]:
    """Return the sum and number of the excursions of one day that count.

    Service FJ et al. Diabetes 1970;19:644-655 (from memory): the way between a low and a high turn
    counts when it is longer than the day's SD (n - 1), and only ways in the direction of the first
    that counts are taken. Values are not smoothed; turns that lie within the SD of each other are
    passed over.
    """
    n = len(mg_dl)
    if n < 3:
        return 0.0, 0
    sd = np.sqrt(((mg_dl - mg_dl.mean()) ** 2).sum() / (n - 1))
    if not sd > 0:
        return 0.0, 0
    lowest, highest = mg_dl[0], mg_dl[0]
    first, way = 0, 0  # direction of the first way that counts, and of the one at hand
    turn, end = 0.0, 0.0  # where the way at hand began, and how far it has come
    total, number = 0.0, 0
    for value in mg_dl:
        if way == 0:
            lowest, highest = min(lowest, value), max(highest, value)
            if value - lowest > sd:
                first, way, turn, end = 1, 1, lowest, value
            elif highest - value > sd:
                first, way, turn, end = -1, -1, highest, value
        elif (value - end) * way > 0:
            end = value
        elif (end - value) * way > sd:  # it has turned
            if way == first:
                total += abs(end - turn)
                number += 1
            turn, end, way = end, value, -way
    if way != 0 and way == first:
        total += abs(end - turn)
        number += 1
    return total, number


@compiled
def variability(
    time: Ints,
    mg_dl: Floats,
    day: Ints,
    interval: Ints,
    first_day: int,
    counts: npt.NDArray[np.bool_],
    first_on: Ints,
    last_on: Ints,
) -> Floats:
    """Return mean of daily differences and mean amplitude of excursions of each window.

    Parameters
    ----------
    time, mg_dl, day, interval : arrays, one entry a reading of the one stream
        Instant, glucose, local day, and the microseconds that the reading stands for.
    first_day, counts
        Which local days count, from `first_day` on; excursions are taken of those alone.
    first_on, last_on : int64 arrays, one entry a window

    Returns
    -------
    array of shape (windows, 2), mg/dL
        First the mean absolute difference from the reading 24 hours earlier in the same window,
        the nearest one no further than half an interval from it (Molnar GD et al. Diabetologia
        1972;8:342-348, from memory); then the mean of all excursions (`excursions`). NaN where
        there is nothing to take a mean of.
    """
    out = np.full((len(first_on), 2), np.nan)
    for w in range(len(first_on)):
        a = np.searchsorted(day, first_on[w])
        b = np.searchsorted(day, last_on[w], side="right")
        total, number, j = 0.0, 0, a
        for i in range(a, b):
            wanted, slack = time[i] - DAY, interval[i] // 2
            while j + 1 < i and abs(time[j + 1] - wanted) < abs(time[j] - wanted):
                j += 1
            if j < i and abs(time[j] - wanted) <= slack:
                total += abs(mg_dl[i] - mg_dl[j])
                number += 1
        if number:
            out[w, 0] = total / number
        total, number, begins = 0.0, 0, a
        for i in range(a, b):
            if i + 1 == b or day[i + 1] != day[i]:
                k = day[i] - first_day
                if 0 <= k < len(counts) and counts[k]:
                    some, more = excursions(mg_dl[begins : i + 1])
                    total, number = total + some, number + more
                begins = i + 1
        if number:
            out[w, 1] = total / number
    return out
