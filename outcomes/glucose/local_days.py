"""Local days of the clinic's zone as whole numbers, and the instants at which they begin."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import pandas as pd

Ints = npt.NDArray[np.int64]

_EPOCH = datetime(1970, 1, 1)


@dataclass(frozen=True, kw_only=True, eq=False)
class Midnights:
    """Instants of local midnight (microseconds UTC), one a day from `first_day` on.

    The distance of two neighbours is the day's elapsed length: 23 or 25 hours where the clock
    changes. `first_day` counts days since 1970-01-01.
    """

    first_day: int
    instants: Ints

    @classmethod
    def between(cls, first_day: int, last_day: int, zone: str) -> Midnights:
        """Return the midnights that begin and end every day from first to last.

        Examples
        --------
        >>> day = int(day_numbers(pd.Series(pd.to_datetime(["2024-03-31"])))[0])
        >>> Midnights.between(day, day, "Europe/Berlin").elapsed_minutes(day, day)
        1380.0
        """
        local = ZoneInfo(zone)
        days = range(first_day, last_day + 2)
        instants = [_instant(_EPOCH + timedelta(days=day), local) for day in days]
        return cls(first_day=first_day, instants=np.array(instants, dtype=np.int64))

    def at(self, days: Ints | int) -> Ints:
        """Return the instant at which each day begins."""
        return np.asarray(self.instants[np.asarray(days) - self.first_day])

    def elapsed_minutes(self, first_day: int, last_day: int) -> float:
        """Return the elapsed minutes of the days from first to last, both included."""
        return float(self.at(last_day + 1) - self.at(first_day)) / 60e6


def _instant(local_midnight: datetime, zone: ZoneInfo) -> int:
    """Where a zone repeats midnight the day begins at the first; where it skips it, at the skip."""
    moment = local_midnight.replace(tzinfo=zone).astimezone(UTC).replace(tzinfo=None)
    return (moment - _EPOCH) // timedelta(microseconds=1)


def day_numbers(dates: pd.Series) -> Ints:
    """Return dates (midnight, without a zone) as days since 1970-01-01."""
    return np.asarray(dates.to_numpy().astype("datetime64[D]").astype(np.int64))
