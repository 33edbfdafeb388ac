"""The one pass over a patient's readings: owned minutes, bands, sums by local day, episodes.

Four rules make the pass.

- *One stream.* Where sensors overlap, readings of the kind that goes first are taken; a reading of
  another kind enters only where no reading of the first kind owns its instant. The second of two
  readings of one kind at one instant is left out. What is left out is counted.
- *Owned time.* A reading owns the time from its instant until its interval is over or the next
  reading of the stream comes, whichever is first. All of it belongs to the reading's local day.
- *Limits* hold in the reading's own unit (`ranges`).
- *Episodes.* One begins once `begin` owned minutes in a row lie beyond its limit, and ends with the
  last owned minute beyond it, once the same time in a row is back at or inside 70 (low) or 180
  (high), or where the next reading is more than `gap` later. Its length is the owned time from
  start to end. It belongs to the local day on which it starts.

Instants are compared with a slack of half a minute where a duration of the rules is asked for:
sensor clocks are a few seconds early or late, and three readings of five minutes are fifteen.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt

from outcomes.glucose.ranges import BANDS, CENTRE_MG_DL, SHAPE_BINS, SHAPE_STEP_MG_DL
from outcomes.tables.compiled import compiled

Ints = npt.NDArray[np.int64]
Whole = npt.NDArray[Any]  # of any width
Floats = npt.NDArray[np.float64]

MINUTE: Final = 60_000_000  # microseconds
DAY: Final = 1440 * MINUTE
NIGHT_ENDS: Final = 360 * MINUTE  # night is 00-06, day 06-24
SLACK: Final = MINUTE // 2
HOURS: Final = 24
HOUR: Final = 60 * MINUTE
SHAPE_COLUMNS: Final = len(BANDS) + SHAPE_BINS  # owned time of an hour by band, then by step

# Columns of the sums by day. Times are in microseconds; day and night have one column a band.
READINGS: Final = 0
OVERLAP: Final = 1  # readings left out
OWNED: Final = 2
OWNED_NOT_TESTED: Final = 3  # owned in the first hours of an implanted sensor
NOMINAL: Final = 4  # intervals in full, whatever clips them
MG_DL: Final = 5  # sum of mg/dL less the centre
MG_DL_SQUARED: Final = 6
LOW_RISK: Final = 7
HIGH_RISK: Final = 8
CAPPED_BELOW: Final = 9
CAPPED_ABOVE: Final = 10
DAY_BANDS: Final = 11
NIGHT_BANDS: Final = DAY_BANDS + len(BANDS)
COLUMNS: Final = NIGHT_BANDS + len(BANDS)

# Episode levels, in this order: low 1 (below 70), low 2 (below 54), high 1 (above 180), high 2
# (above 250). A level's limit is the first band from which a value is inside it again.
LEVELS: Final = ("low_1", "low_2", "high_1", "high_2")
# Of a fixed width, since numba compiles a function anew for each plain number it is called with.
ZERO: Final[Any] = np.int64(0)
_LOW: Final[Any] = np.int64(0)  # the first of the low levels
_HIGH: Final[Any] = np.int64(2)
_BANDS_IN_ALL: Final = len(BANDS)
_IN_RANGE_FROM: Final = BANDS.index("70-140")
_IN_RANGE_TO: Final = BANDS.index("141-180")
_LOW_2: Final = BANDS.index("below 54")
_HIGH_2: Final = BANDS.index("above 250")


@compiled
def _beyond(level: int, band: int) -> bool:
    if level == 0:
        return band < _IN_RANGE_FROM
    if level == 1:
        return band == _LOW_2
    if level == 2:
        return band > _IN_RANGE_TO
    return band == _HIGH_2


@compiled
def _inside(level: int, band: int) -> bool:
    """At or above 70 for both low levels, at or below 180 for both high ones."""
    return band >= _IN_RANGE_FROM if level < 2 else band <= _IN_RANGE_TO


@compiled
def _off_the_table(
    value: float, unit: int, limits: Floats, factor: Floats
) -> tuple[int, float, float, float]:
    """Return what the table holds, for a value between its steps."""
    band = 0
    for k in range(3):
        band += int(value >= limits[unit, k]) + int(value > limits[unit, k + 3])
    mg_dl = value * factor[unit]
    scaled = 1.509 * (np.log(max(mg_dl, 1.0)) ** 1.084 - 5.381)
    risk = 10 * scaled * scaled
    return band, mg_dl - CENTRE_MG_DL, risk if scaled < 0 else 0.0, risk if scaled > 0 else 0.0


@compiled
def _end(level: int, state: Ints, episodes: Ints, n_episodes: int) -> int:
    """Write the open episode of a level down, and forget it."""
    episodes[n_episodes, 0] = level
    episodes[n_episodes, 1] = state[level, 1]
    episodes[n_episodes, 2] = state[level, 2]
    episodes[n_episodes, 3] = state[level, 3]
    episodes[n_episodes, 4] = state[level, 5]
    state[level, 0] = 0
    state[level, 4] = 0
    return n_episodes + 1


@compiled
def _watch(
    pair: int,
    start: int,
    own: int,
    day: int,
    band: int,
    begin: int,
    state: Ints,
    episodes: Ints,
    n: int,
) -> int:
    """Let one reading act on a pair of levels: 0 the low ones, 2 the high ones.

    A level's state: 0 open (2), beginning (1) or neither (0); 1 start; 2 end so far; 3 owned from
    start to that end; 4 owned in a row that is back inside; 5 day of the start; 6 owned since the
    start.
    """
    for level in range(pair, pair + 2):
        now = state[level, 0]
        if _beyond(level, band):
            if now == 0:
                state[level, 0], state[level, 1], state[level, 5] = 1, start, day
                state[level, 6] = 0
            owned = state[level, 6] + own
            state[level, 6], state[level, 3] = owned, owned
            state[level, 2], state[level, 4] = start + own, 0
            if owned >= begin:
                state[level, 0] = 2
        elif now == 1:
            state[level, 0] = 0  # the minutes that begin an episode are in a row
        elif now == 2:
            state[level, 6] += own
            back = state[level, 4] + own if _inside(level, band) else 0
            state[level, 4] = back
            if back >= begin:
                n = _end(level, state, episodes, n)
    return n


@compiled
def _end_all(state: Ints, episodes: Ints, n: int) -> int:
    """A gap, or the end of the data."""
    for level in range(4):
        if state[level, 0] == 2:
            n = _end(level, state, episodes, n)
        state[level, 0] = 0
    return n


@compiled
def day_sums(
    time: Ints,
    local_offset: Whole,
    value: Whole,
    exact: Floats,
    capped: Whole,
    stream: Whole,
    unit_of: Whole,
    kind_of: Whole,
    interval_of: Whole,
    first_kind: int,
    not_tested: Ints,
    table: Floats,
    limits: Floats,
    factor: Floats,
    gap_minutes: int,
    begin_minutes: int,
    shape_from: int,
    shape_to: int,
    shape: Floats,
    entered: npt.NDArray[np.bool_],
) -> tuple[int, Floats, Ints]:
    """Sum one patient's readings by local day, and list the episodes.

    Parameters
    ----------
    time, local_offset, value, exact, capped, stream, unit_of, kind_of, interval_of : arrays
        As in `StoredReadings`.
    first_kind : int
        The kind that goes first where sensors overlap.
    not_tested : int64 array of shape (spans, 2)
        Spans of time, ascending and apart, that are out of the test of whether a day counts.
    table, limits, factor : arrays
        `ranges.value_table()`, the six limits and mg/dL per unit, by unit.
    gap_minutes, begin_minutes : int
        Of the rules for episodes.
    shape_from, shape_to : int
        Local days, both included, whose readings are added to `shape`; none where the first is
        later than the last.
    shape : array of shape (HOURS, SHAPE_COLUMNS), written to
        Owned time by local hour of the day, first by band, then by step of glucose.
    entered : bool array, one entry a reading or none at all, written to
        Which readings are of the one stream.

    Returns
    -------
    first_day : int
        Local day of the table's first row, in days since 1970-01-01.
    sums : array of shape (days, COLUMNS)
        Days without readings hold zeros.
    episodes : int64 array of shape (episodes, 5)
        Level (index into `LEVELS`), start, end, owned time, local day of the start; in the order
        in which they end.
    """
    n = len(time)
    if n == 0:
        return 0, np.zeros((0, COLUMNS)), np.zeros((0, 5), np.int64)
    gap, begin = gap_minutes * MINUTE + SLACK, begin_minutes * MINUTE - SLACK
    # Offsets stay within a day, so these rows hold every local day that can occur.
    first_day = time[0] // DAY - 1
    sums = np.zeros((time[n - 1] // DAY + 2 - first_day, COLUMNS))
    # An episode takes a reading beyond its limit and one that ends it.
    episodes = np.empty((4 * (n // 2 + 2), 5), np.int64)
    state = np.zeros((4, 7), np.int64)
    n_episodes, watch_low, watch_high = ZERO, False, False
    owned_until = time[0] - 1  # by the kind that goes first
    span, n_spans = 0, len(not_tested)
    day, day_starts, day_ends = first_day, first_day * DAY, (first_day + 1) * DAY
    row = 0
    # Sums of the day at hand; written to its row when another day begins.
    readings, nominal = 0, 0
    mg_dl, mg_dl_squared, low_risk, high_risk = 0.0, 0.0, 0.0, 0.0
    stored, telling = len(exact) == 0, len(entered) > 0
    waits = -1  # the reading whose owned time waits for the next one
    for i in range(n + 1):
        if i < n:
            t = time[i]
            if kind_of[stream[i]] == first_kind:
                left_out = waits >= 0 and time[waits] == t
                if not left_out:
                    owned_until = t + interval_of[stream[i]] * MINUTE
            else:
                left_out = t < owned_until or (waits >= 0 and time[waits] == t)
                j = i + 1  # one of the first kind may follow at the same instant
                while not left_out and j < n and time[j] == t:
                    left_out = kind_of[stream[j]] == first_kind
                    j += 1
            if left_out:
                local = t + local_offset[i] * MINUTE
                sums[local // DAY - first_day, OVERLAP] += 1
                continue
        else:
            t = time[n - 1] + 2 * gap + DAY  # later than any interval or gap
        if waits >= 0:
            k = waits
            start = time[k]
            which = stream[k]
            full = interval_of[which] * MINUTE
            own = min(full, t - start)
            local = start + local_offset[k] * MINUTE
            if not day_starts <= local < day_ends:
                sums[row, READINGS] += readings
                sums[row, NOMINAL] += nominal
                sums[row, MG_DL] += mg_dl
                sums[row, MG_DL_SQUARED] += mg_dl_squared
                sums[row, LOW_RISK] += low_risk
                sums[row, HIGH_RISK] += high_risk
                readings, nominal = 0, 0
                mg_dl, mg_dl_squared, low_risk, high_risk = 0.0, 0.0, 0.0, 0.0
                day = local // DAY
                day_starts, day_ends = day * DAY, (day + 1) * DAY
                row = day - first_day
            unit = unit_of[which]
            if stored:
                v = value[k]
                band, off_centre = int(table[unit, v, 0]), table[unit, v, 1]
                low_risk += table[unit, v, 2]
                high_risk += table[unit, v, 3]
            else:
                band, off_centre, low, high = _off_the_table(exact[k], unit, limits, factor)
                low_risk += low
                high_risk += high
            readings += 1
            nominal += full
            mg_dl += off_centre
            mg_dl_squared += off_centre * off_centre
            beyond = capped[k]
            if beyond != 0:
                sums[row, CAPPED_BELOW if beyond < 0 else CAPPED_ABOVE] += 1
            if telling:
                entered[k] = True
            if shape_from <= day <= shape_to:
                hour = (local - day_starts) // HOUR
                step = min(SHAPE_BINS - 1, int((off_centre + CENTRE_MG_DL) / SHAPE_STEP_MG_DL))
                shape[hour, band] += own
                shape[hour, _BANDS_IN_ALL + step] += own
            at_night = local - day_starts < NIGHT_ENDS
            sums[row, (NIGHT_BANDS if at_night else DAY_BANDS) + band] += own
            while span < n_spans and not_tested[span, 1] <= start:
                span += 1
            if span < n_spans and start >= not_tested[span, 0]:
                sums[row, OWNED_NOT_TESTED] += own
            if watch_low or band < _IN_RANGE_FROM:
                n_episodes = _watch(_LOW, start, own, day, band, begin, state, episodes, n_episodes)
                watch_low = state[0, 0] != 0 or state[1, 0] != 0
            if watch_high or band > _IN_RANGE_TO:
                n_episodes = _watch(
                    _HIGH, start, own, day, band, begin, state, episodes, n_episodes
                )
                watch_high = state[2, 0] != 0 or state[3, 0] != 0
            if (watch_low or watch_high) and t - start > gap:
                n_episodes = _end_all(state, episodes, n_episodes)
                watch_low, watch_high = False, False
        waits = i
    sums[row, READINGS] += readings
    sums[row, NOMINAL] += nominal
    sums[row, MG_DL] += mg_dl
    sums[row, MG_DL_SQUARED] += mg_dl_squared
    sums[row, LOW_RISK] += low_risk
    sums[row, HIGH_RISK] += high_risk
    for i in range(len(sums)):
        sums[i, OWNED] = sums[i, DAY_BANDS:].sum()
    return first_day, sums, episodes[:n_episodes].copy()
