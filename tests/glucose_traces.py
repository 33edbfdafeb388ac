"""Small traces for the tests of the readings: minutes and values in, a patient's readings out."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from outcomes.glucose import kernel
from outcomes.glucose.local_days import Midnights
from outcomes.glucose.passes import NO_SPANS, patient_days, patient_sums
from outcomes.glucose.summary import metrics
from outcomes.plan import TimeInRange
from outcomes.tables.declared import GLUCOSE_UNITS, KINDS
from outcomes.tables.reading_store import SCALE, StoredReadings

SETTINGS = TimeInRange()
WORKED = Path(__file__).parent / "data" / "worked_examples"
MINUTE = 60_000_000


@functools.cache
def worked_answers() -> dict[tuple[str, str], str]:
    rows = pd.read_csv(WORKED / "answers.csv", dtype=str)
    return {(row.example, row.quantity): row.value for row in rows.itertuples()}


def instant(text: str, zone: str = "UTC") -> int:
    """Microseconds UTC of a local time such as "2024-03-30 10:00"."""
    local = datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone))
    return round(local.astimezone(UTC).timestamp() * 1_000_000)


def offset(time: int, zone: str) -> int:
    """Minutes of local time over UTC."""
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=time)
    return int(moment.astimezone(ZoneInfo(zone)).utcoffset().total_seconds()) // 60


def day_number(text: str) -> int:
    return int(np.datetime64(text, "D").astype(int))


def trace(
    values: Sequence[float],
    minutes: Sequence[float] | None = None,
    *,
    interval: Any = 5,
    unit: Any = "mg/dL",
    kind: Any = "adhesive",
    capped: Any = 0,
    start: str = "2024-05-06 00:00",
    zone: str = "UTC",
) -> StoredReadings:
    """Readings at `minutes` after `start`; without minutes, one interval after the other."""
    n = len(values)
    intervals = np.broadcast_to(interval, n).astype(np.int16)
    if minutes is None:
        minutes = np.concatenate([[0], np.cumsum(intervals[:-1])]) if n else []
    time = instant(start, zone) + np.rint(np.asarray(minutes, dtype=float) * MINUTE).astype(int)
    return stored(
        time=time.astype(np.int64),
        local_offset=[offset(int(t), zone) for t in time],
        value=values,
        unit=[GLUCOSE_UNITS.index(u) for u in np.broadcast_to(unit, n)],
        capped=np.broadcast_to(capped, n),
        kind=[KINDS.index(k) for k in np.broadcast_to(kind, n)],
        interval=intervals,
    )


def stored(
    *, time: Any, local_offset: Any, value: Any, unit: Any, capped: Any, kind: Any, interval: Any
) -> StoredReadings:
    """Readings spelt out one by one, in the form in which they lie on disk."""
    value, unit = np.asarray(value, dtype=float), np.asarray(unit, dtype=np.int8)
    facts = np.column_stack([unit, np.asarray(kind), np.asarray(interval)]).reshape(-1, 3)
    streams, stream = np.unique(facts, axis=0, return_inverse=True)
    scaled = np.rint(value * SCALE[unit])
    whole = bool((scaled / SCALE[unit] == value).all())
    return StoredReadings(
        patient_id="P1",
        time=np.asarray(time, dtype=np.int64),
        local_offset=np.asarray(local_offset, dtype=np.int16),
        value=scaled.astype(np.int16) if whole else np.empty(0, dtype=np.int16),
        exact=np.empty(0) if whole else value,
        capped=np.asarray(capped, dtype=np.int8),
        stream=stream.astype(np.int32).reshape(-1),
        unit_of=streams[:, 0].astype(np.int8),
        kind_of=streams[:, 1].astype(np.int8),
        interval_of=streams[:, 2].astype(np.int16),
    )


def window(
    readings: StoredReadings,
    first_on: str,
    last_on: str | None = None,
    *,
    kind: str = "adhesive",
    zone: str = "UTC",
    not_tested: Sequence[tuple[int, int]] = (),
    settings: TimeInRange = SETTINGS,
) -> pd.Series:
    """Every metric of one window."""
    first, last = day_number(first_on), day_number(last_on or first_on)
    raw, _ = patient_sums(
        readings,
        kind=KINDS.index(kind),
        first_day=np.array([first]),
        last_day=np.array([last]),
        midnights=Midnights.between(first, last, zone),
        not_tested=np.array(not_tested, dtype=np.int64).reshape(-1, 2),
        settings=settings,
    )
    return pd.DataFrame(metrics(raw)).iloc[0]


def with_variability(
    readings: StoredReadings, first_on: str, last_on: str | None = None
) -> pd.Series:
    """Every metric of one window under a plan that asks for the measures of variability."""
    return window(readings, first_on, last_on, settings=TimeInRange(variability=True))


def episodes(readings: StoredReadings, level: str, *, kind: str = "adhesive") -> str:
    """Episodes of a level as "start-end owned" in minutes from the first reading, or "none"."""
    found = patient_days(readings, kind=KINDS.index(kind), not_tested=NO_SPANS, settings=SETTINGS)[
        2
    ]
    zero = readings.time[0]
    parts = [
        f"{(start - zero) // MINUTE}-{(end - zero) // MINUTE} {owned // MINUTE}"
        for which, start, end, owned, _ in found
        if kernel.LEVELS[which] == level
    ]
    return "; ".join(parts) or "none"
