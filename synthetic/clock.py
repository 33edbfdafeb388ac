"""Local time of the invented clinic: offsets at instants, through both changes of the clock."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from .scenario import ZONE

DAY = 86_400


def _offset(second: int) -> int:
    instant = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=second)
    shift = instant.astimezone(ZoneInfo(ZONE)).utcoffset()
    return 0 if shift is None else int(shift.total_seconds())


def _changes() -> tuple[np.ndarray, np.ndarray]:
    """Instants of the changes from 2023 to 2028, found by hourly steps on days that differ."""
    first, last = 19_358 * DAY, 21_184 * DAY
    days = np.arange(first, last, DAY)
    offsets = [_offset(int(day)) for day in days]
    instants, values = [first], [offsets[0]]
    for day, before, after in zip(days[:-1], offsets[:-1], offsets[1:], strict=True):
        if before != after:
            hour = next(h for h in range(25) if _offset(int(day) + 3600 * h) != before)
            instants.append(int(day) + 3600 * hour)
            values.append(after)
    return np.array(instants), np.array(values)


INSTANTS, OFFSETS = _changes()

# First and last second (excluded) of the local clock of every hour that comes twice.
REPEATED_HOURS = [
    (int(at + after), int(at + before))
    for at, before, after in zip(INSTANTS[1:], OFFSETS[:-1], OFFSETS[1:], strict=True)
    if after < before
]


# First and last instant (excluded) of every local day of 23 or 25 hours, by its date.
CHANGE_DAYS = {
    date.fromordinal(719_163 + int(at) // DAY).isoformat(): (
        int(at) // DAY * DAY - int(before), (int(at) // DAY + 1) * DAY - int(after)
    )
    for at, before, after in zip(INSTANTS[1:], OFFSETS[:-1], OFFSETS[1:], strict=True)
}  # fmt: skip


def local_offset(utc: np.ndarray) -> np.ndarray:
    """Local time less UTC in seconds at instants in seconds since 1970 (UTC)."""
    return OFFSETS[np.searchsorted(INSTANTS, utc, side="right") - 1]


def utc_of(day: int, minute: int) -> int:
    """Instant, in seconds, of a local minute of a local day; minutes outside the changes only."""
    wall = day * DAY + minute * 60
    return int(wall - local_offset(np.array([wall - 3600]))[0])
