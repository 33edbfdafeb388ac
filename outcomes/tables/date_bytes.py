"""Dates and times that have the full width of their pattern, read straight from their bytes."""

from __future__ import annotations

from functools import lru_cache
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from outcomes.tables.cells import Cells
from outcomes.tables.compiled import compiled

Array = npt.NDArray[Any]

MICROSECONDS_PER_SECOND: Final = 1_000_000
MICROSECONDS_PER_DAY: Final = 86_400_000_000
NO_OFFSET: Final = -(2**15)
LARGEST_OFFSET: Final = 900  # minutes

# A layout is one row of places in the text, -1 where a part is absent, then places and bytes of
# what stands for itself.
PARTS: Final = ("year", "yy", "month", "day", "hour", "minute", "second", "offset")
WIDTH: Final = len(PARTS)
OFFSET_WIDTH: Final = WIDTH + 1  # 1 for Z, 5 and 6 without and with a colon
LITERALS: Final = WIDTH + 2
YEAR, SHORT_YEAR, MONTH, DAY, HOUR, MINUTE, SECOND, OFFSET = range(len(PARTS))


@lru_cache(maxsize=256)
def layouts_of(patterns: tuple[tuple[str, ...], ...]) -> Array:
    """Return the layouts of patterns given by their parts; one with `ampm` has no fixed width."""
    found = []
    for parts in patterns:
        if "ampm" not in parts:
            for offset_width in (1, 5, 6) if "offset" in parts else (0,):
                found.append(_layout(parts, offset_width))
    longest = max((len(row) for row in found), default=LITERALS)
    layouts = np.full((len(found), longest), -1, dtype=np.int16)
    for row, layout in zip(layouts, found, strict=True):
        row[: len(layout)] = layout
    return layouts


def _layout(parts: tuple[str, ...], offset_width: int) -> list[int]:
    widths = {"year": 4, "offset": offset_width}
    layout, literals, at = [-1] * LITERALS, [], 0
    for part in parts:
        if part in PARTS:
            layout[PARTS.index(part)] = at
            at += widths.get(part, 2)
            continue
        for byte in part.encode():
            literals += [at, byte]
            at += 1
    layout[WIDTH], layout[OFFSET_WIDTH] = at, offset_width
    return layout + literals


def days_since_1970(year: Array, month: Array, day: Array) -> Array:
    """Return the day number of a date of the Gregorian calendar; year 1 and later.

    Counts from 1 March, so that the leap day is the last of its year.
    """
    y = year - (month <= 2)
    m = (month + 9) % 12
    days = 365 * y + y // 4 - y // 100 + y // 400 + (153 * m + 2) // 5 + day
    return days - 719469


@lru_cache(maxsize=1)
def months() -> tuple[Array, Array]:
    """Return by month, from that of the year 0: the day number before its first, and its length."""
    number = np.arange(10_000 * 12)
    year, month = number // 12, number % 12 + 1
    length = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])[month - 1]
    leap = (year % 4 == 0) & ((year % 100 != 0) | (year % 400 == 0))
    length = length + ((month == 2) & leap)
    return days_since_1970(year, month, np.zeros_like(year)), length.astype(np.uint8)


def read_widths(
    cells: Cells, patterns: tuple[tuple[str, ...], ...], last_day: int
) -> tuple[Array, Array, Array, Array, Array]:
    """Read every text by the first pattern whose full width and bytes it has.

    Returns
    -------
    done : which texts were read
    fits : which of them name a time that exists
    local, offset, utc_mark : as in `Moments`
    """
    n = len(cells)
    done, fits, utc_mark = (np.zeros(n, dtype=bool) for _ in range(3))
    local, offset = np.zeros(n, dtype=np.int64), np.full(n, NO_OFFSET, dtype=np.int16)
    layouts = layouts_of(patterns)
    before, length = months()
    _read(
        cells.data, cells.begin, cells.end, layouts, before, length, last_day,
        done, fits, local, offset, utc_mark,
    )  # fmt: skip
    return done, fits, local, offset, utc_mark


@compiled
def _two(data: Array, at: Any) -> Any:
    """Return the number of two digits, -1 where they are none."""
    place = np.uint64(at)  # unsigned: numba need not ask whether it counts from the end
    tens, ones = data[place] - 48, data[place + np.uint64(1)] - 48
    # The bits tell in one step whether one of them is below 0 or above 9.
    return tens * 10 + ones if tens | ones | (9 - tens) | (9 - ones) >= 0 else -1


@compiled
def _four(data: Array, at: Any) -> Any:
    century, rest = _two(data, at), _two(data, at + 2)
    return century * 100 + rest if century >= 0 and rest >= 0 else -1


@compiled
def _offset(data: Array, at: Any, width: Any) -> Any:
    """Return the minutes of `Z`, `+hhmm` or `+hh:mm`; `NO_OFFSET` where it is none of them."""
    sign = data[at]
    if width == 1:
        return 0 if sign == 90 else NO_OFFSET
    if (sign != 43 and sign != 45) or (width == 6 and data[at + 3] != 58):
        return NO_OFFSET
    hours, minutes = _two(data, at + 1), _two(data, at + width - 2)
    total = hours * 60 + minutes
    if hours < 0 or minutes < 0 or total > LARGEST_OFFSET:
        return NO_OFFSET
    return -total if sign == 45 else total


@compiled
def _has_literals(data: Array, at: Any, layouts: Array, k: int) -> bool:
    for i in range(LITERALS, layouts.shape[1], 2):
        place = layouts[np.uint64(k), np.uint64(i)]
        if place < 0:
            break
        if data[np.uint64(at + place)] != layouts[np.uint64(k), np.uint64(i + 1)]:
            return False
    return True


@compiled
def _part(data: Array, at: Any, place: Any) -> Any:
    return _two(data, at + place) if place >= 0 else 0


@compiled
def _read(
    data: Array,
    begin: Array,
    end: Array,
    layouts: Array,
    before: Array,
    length: Array,
    last_day: int,
    done: Array,
    fits: Array,
    local: Array,
    offset: Array,
    utc_mark: Array,
) -> None:
    for row in range(len(begin)):
        at, width = np.int64(begin[row]), end[row] - begin[row]
        for k in range(layouts.shape[0]):
            if layouts[k, WIDTH] != width or not _has_literals(data, at, layouts, k):
                continue
            short = layouts[k, SHORT_YEAR] >= 0
            if short:
                year = _two(data, at + layouts[k, SHORT_YEAR])
            else:
                year = _four(data, at + layouts[k, YEAR])
            month, day = _two(data, at + layouts[k, MONTH]), _two(data, at + layouts[k, DAY])
            hour, minute = _part(data, at, layouts[k, HOUR]), _part(data, at, layouts[k, MINUTE])
            second, minutes = _part(data, at, layouts[k, SECOND]), NO_OFFSET
            if layouts[k, OFFSET] >= 0:
                minutes = _offset(data, at + layouts[k, OFFSET], layouts[k, OFFSET_WIDTH])
                if minutes == NO_OFFSET:
                    continue
            if year | month | day | hour | minute | second < 0:
                continue
            done[row] = True
            offset[row], utc_mark[row] = minutes, minutes == 0
            if month < 1 or month > 12 or hour > 23 or minute > 59 or second > 59:
                break
            number = (year + 2000 if short else year) * 12 + month - 1
            if short and before[number] + day > last_day:
                number -= 1200
            fits[row] = 1 <= day <= length[number]
            seconds = hour * 3600 + minute * 60 + second
            days = before[number] + day
            local[row] = days * MICROSECONDS_PER_DAY + seconds * MICROSECONDS_PER_SECOND
            break
