"""Clock times of a zone to UTC: the hour that never was and the hour that comes twice."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

Array = npt.NDArray[Any]
MICROSECONDS_PER_MINUTE: Final = 60_000_000
# Since 1973 every clock of the zone data changes at, and by, whole quarters of an hour.
GRID: Final = 15 * MICROSECONDS_PER_MINUTE
GRID_FROM: Final = 3 * 366 * 96  # in quarters of an hour since 1970
GRID_BLOCK: Final = 96 * 64  # quarters of an hour looked up together
GRID_PAYS: Final = 500  # clock times, below which each is looked up by itself
NOT_A_TIME: Final = np.iinfo(np.int64).min


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Instants:
    """Instants of clock times: int64 microseconds UTC, and minutes of the clock over UTC.

    `exists` is false for a clock time that the zone skips. `apart` is 0, or for a clock time that
    comes twice the minutes from its first passing, which `utc` gives, to its second.
    """

    utc: Array
    offset: Array
    exists: Array
    apart: Array


def instants_of(local: Array, zone: str) -> Instants:
    """Return the instants of the clock times `local` (int64 microseconds) in `zone`.

    Examples
    --------
    >>> clock = np.array(["2024-03-31T02:30"], dtype="datetime64[us]").astype(np.int64)
    >>> instants_of(clock, "Europe/Berlin").exists.tolist()
    [False]
    """
    if len(local) > GRID_PAYS and local.min() >= GRID_FROM * GRID:
        return _from_grid(local, zone)
    return _one_by_one(local, zone)


def _one_by_one(local: Array, zone: str) -> Instants:
    clock = pd.DatetimeIndex(local.astype("datetime64[us]"))
    first = _localized(clock, zone, np.ones(len(clock), dtype=bool))
    second = _localized(clock, zone, np.zeros(len(clock), dtype=bool))
    exists = first != NOT_A_TIME
    first, second = np.where(exists, first, local), np.where(exists, second, local)
    return Instants(
        utc=first,
        offset=((local - first) // MICROSECONDS_PER_MINUTE).astype(np.int16),
        exists=exists,
        apart=((second - first) // MICROSECONDS_PER_MINUTE).astype(np.int16),
    )


def _from_grid(local: Array, zone: str) -> Instants:
    """Return the same from the quarters of an hour, in each of which one offset holds."""
    earliest, latest = int(local.min()) // GRID, int(local.max()) // GRID
    first, last = earliest // GRID_BLOCK, latest // GRID_BLOCK
    parts = [_quarters(zone, number) for number in range(first, last + 1)]
    offset, exists, apart = (
        np.concatenate(p) if len(p) > 1 else p[0] for p in zip(*parts, strict=True)
    )
    earliest, latest = earliest - first * GRID_BLOCK, latest - first * GRID_BLOCK
    between = slice(earliest, latest + 1)
    changes = (offset[between] != offset[earliest]) | ~exists[between] | (apart[between] > 0)
    if not changes.any():
        return Instants(
            utc=local - int(offset[earliest]) * MICROSECONDS_PER_MINUTE,
            offset=np.full(len(local), offset[earliest]),
            exists=np.ones(len(local), dtype=bool),
            apart=np.zeros(len(local), dtype=np.int16),
        )
    place = local // GRID - first * GRID_BLOCK
    found = offset[place]
    return Instants(
        utc=local - found * np.int64(MICROSECONDS_PER_MINUTE),
        offset=found,
        exists=exists[place],
        apart=apart[place],
    )


@lru_cache(maxsize=4096)
def _quarters(zone: str, number: int) -> tuple[Array, Array, Array]:
    """Return offset, existence and distance of the quarters of an hour of one block."""
    clock = (np.arange(GRID_BLOCK, dtype=np.int64) + number * GRID_BLOCK) * GRID
    found = _one_by_one(clock, zone)
    return found.offset, found.exists, found.apart


def _localized(clock: pd.DatetimeIndex, zone: str, summer: Array) -> Array:
    return np.asarray(clock.tz_localize(zone, ambiguous=summer, nonexistent="NaT").asi8)


def offsets_at(utc: Array, zone: str) -> Array:
    """Return the minutes of the zone's clock over UTC at each instant (int64 microseconds UTC)."""
    there = pd.DatetimeIndex(utc.astype("datetime64[us]")).tz_localize("UTC").tz_convert(zone)
    local = np.asarray(there.tz_localize(None).asi8)
    return ((local - utc) // MICROSECONDS_PER_MINUTE).astype(np.int16)
