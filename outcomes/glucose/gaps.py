"""Time without readings while a sensor was worn: how long it was on, and every longer gap."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from outcomes.glucose.window_kernel import first_from
from outcomes.tables.compiled import compiled

Ints = npt.NDArray[np.int64]
Whole = npt.NDArray[Any]  # of any width
Floats = npt.NDArray[np.float64]

MINUTE = 60_000_000  # microseconds


@compiled
def gaps(
    time: Ints,
    stream: Whole,
    kind_of: Whole,
    interval_of: Whole,
    kind: int,
    spans: Ints,
    longer_than: int,
) -> tuple[Floats, Ints]:
    """Return how long readings of a kind own each span, and the gaps in it.

    Parameters
    ----------
    time, stream, kind_of, interval_of : arrays
        As in `StoredReadings`.
    kind : int
        Whose readings count.
    spans : int64 array of shape (spans, 2)
        Instants between which a sensor was worn; they may overlap.
    longer_than : int
        Microseconds; a gap is where the next reading, or the end, is later than this after the
        reading before, or after the span's start.

    Returns
    -------
    owned : array, one entry a span, microseconds
    found : int64 array of shape (gaps, 4)
        Which span, start and length of the time that no reading owns, and whether it lasts until
        the span's end (1) or not (0).
    """
    owned = np.zeros(len(spans))
    found = np.empty((len(spans) + len(time), 4), np.int64)
    n = 0
    for s in range(len(spans)):
        begins, ends = spans[s, 0], spans[s, 1]
        covered, before = begins, begins
        for i in range(first_from(time, len(time), begins), len(time)):
            t = time[i]
            if t >= ends:
                break
            if kind_of[stream[i]] != kind:
                continue
            if t - before > longer_than and t > covered:
                if n == len(found):  # overlapping spans can see a gap twice
                    found = np.concatenate((found, np.empty_like(found)))
                found[n, 0], found[n, 1], found[n, 2], found[n, 3] = s, covered, t - covered, 0
                n += 1
            until = min(ends, t + interval_of[stream[i]] * MINUTE)
            if until > covered:
                owned[s] += until - max(t, covered)
                covered = until
            before = t
        if ends - before > longer_than and ends > covered:
            if n == len(found):
                found = np.concatenate((found, np.empty_like(found)))
            found[n, 0], found[n, 1], found[n, 2], found[n, 3] = s, covered, ends - covered, 1
            n += 1
    return owned, found[:n].copy()
