"""Dates and times by a declared pattern in words, applied strictly to the whole column.

A pattern is written with the words `year`, `yy`, `month`, `day`, `hour`, `minute`, `second`,
`ampm` and `offset`, everything else standing for itself: `day.month.year`,
`year-month-day hour:minute`, `month/day/yy`. Several are joined by " or "; a text must fit one.
A pattern without `hour`, used for a time, is followed by a blank or a T, hour, minute, and where
they are there, seconds and an offset. A two-digit year is the latest that is not after the export.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from outcomes.tables.cells import Cells
from outcomes.tables.date_bytes import (
    MICROSECONDS_PER_DAY,
    MICROSECONDS_PER_SECOND,
    NO_OFFSET,
    months,
    read_widths,
)

Array = npt.NDArray[Any]

TOKENS: Final = re.compile(r"year|yy|month|day|hour|minute|second|ampm|offset")
TOKEN_PATTERNS: Final = {
    "year": r"(?P<year>\d{4})",
    "yy": r"(?P<yy>\d{2})",
    "month": r"(?P<month>\d{1,2})",
    "day": r"(?P<day>\d{1,2})",
    "hour": r"(?P<hour>\d{1,2})",
    "minute": r"(?P<minute>\d{2})",
    "second": r"(?P<second>\d{2})(?P<fraction>\.\d{1,9})?",
    "ampm": r"(?P<ampm>[AaPp]\.?[Mm]\.?)",
    "offset": r"(?P<offset>Z|[+-]\d{2}:?\d{2})",
}
FIRST_DAY: Final = -43830  # 1850-01-01 in days since 1970-01-01; nothing older is believed
MOMENT: Final = ("fits", "local", "offset", "utc_mark")
CLOCK: Final = (  # part, microseconds of one, and what it stays below
    ("hour", 3600 * MICROSECONDS_PER_SECOND, 24),
    ("minute", 60 * MICROSECONDS_PER_SECOND, 60),
    ("second", MICROSECONDS_PER_SECOND, 60),
    ("microsecond", 1, MICROSECONDS_PER_SECOND),
)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Moments:
    """What a column of texts says: one entry a text.

    `fits` tells which texts fit the pattern and name a day that exists; `local` is int64
    microseconds of the clock since 1970-01-01 00:00; `offset` the minutes that the text itself
    gives (`NO_OFFSET` where it gives none); `utc_mark` whether it was given as Z or +00:00.
    """

    fits: Array
    local: Array
    offset: Array
    utc_mark: Array

    @property
    def day(self) -> Array:
        """Calendar day as int64 days since 1970-01-01."""
        return np.floor_divide(self.local, MICROSECONDS_PER_DAY)


@dataclass(frozen=True, kw_only=True)
class DatePattern:
    """One pattern, taken apart."""

    parts: tuple[str, ...]  # tokens and literals, in order

    @property
    def expression(self) -> str:
        """The regular expression that a text must fit from end to end."""
        return "^" + "".join(TOKEN_PATTERNS.get(p, re.escape(p)) for p in self.parts) + "$"

    def has(self, token: str) -> bool:
        """Return whether the pattern holds this token."""
        return token in self.parts


@lru_cache(maxsize=256)
def date_patterns(text: str, *, with_time: bool) -> tuple[DatePattern, ...]:
    """Return the patterns that `text` declares.

    Raises
    ------
    ValueError
        A pattern lacks year, month or day, repeats a word, or holds letters that mean nothing.

    Examples
    --------
    >>> [p.parts for p in date_patterns("day.month.year", with_time=False)]
    [('day', '.', 'month', '.', 'year')]
    """
    found: list[DatePattern] = []
    for written in text.split(" or "):
        parts = _parts(written)
        if with_time and "hour" not in parts:
            for gap, seconds, offset in product((" ", "T"), (True, False), (True, False)):
                more = (gap, "hour", ":", "minute", *((":", "second") if seconds else ()))
                found.append(DatePattern(parts=(*parts, *more, *(("offset",) if offset else ()))))
        else:
            found.append(DatePattern(parts=parts))
    return tuple(found)


@lru_cache(maxsize=256)
def _parts(written: str) -> tuple[str, ...]:
    parts: list[str] = []
    at = 0
    for match in TOKENS.finditer(written):
        parts += [written[at : match.start()], match.group()]
        at = match.end()
    kept = tuple(p for p in (*parts, written[at:]) if p)
    words = [p for p in kept if p in TOKEN_PATTERNS]
    literals = "".join(p for p in kept if p not in TOKEN_PATTERNS).replace("T", "")
    years = words.count("year") + words.count("yy")
    if years != 1 or words.count("month") != 1 or words.count("day") != 1:
        raise ValueError(f"'{written}' must name day, month and year (or yy) once each.")
    if len(set(words)) != len(words) or re.search(r"[A-Za-z0-9]", literals):
        raise ValueError(
            f"'{written}' is not understood. Write it with the words year (or yy), month, day, "
            "hour, minute, second, ampm, offset, each at most once: day.month.year hour:minute."
        )
    return kept


def read_moments(
    texts: pa.Array | Cells, patterns: tuple[DatePattern, ...], *, last_day: int
) -> Moments:
    """Read every text by the first pattern that it fits.

    Those of a pattern's full width are read first, then what else its expression allows.

    Parameters
    ----------
    texts : arrow array of str, or cells
        Trimmed; null or without bytes where missing (those do not fit).
    patterns : tuple of DatePattern
    last_day : int
        Day of the export, in days since 1970-01-01; decides the century of a two-digit year.
    """
    cells = Cells.of(texts)
    parts = tuple(pattern.parts for pattern in patterns)
    done, fits, local, offset, utc_mark = read_widths(cells, parts, last_day)
    moments = Moments(fits=fits, local=local, offset=offset, utc_mark=utc_mark)
    for pattern in patterns:
        rows = np.flatnonzero(~done)
        if not len(rows):
            break
        read, found = _read_by_expression(cells.array(rows), pattern, last_day)
        rows = rows[read]
        done[rows] = True
        for name in MOMENT:
            getattr(moments, name)[rows] = getattr(found, name)
    return moments


def _read_by_expression(
    texts: pa.Array, pattern: DatePattern, last_day: int
) -> tuple[Array, Moments]:
    """Return which texts fit the expression of a pattern, and what those say."""
    found = pc.extract_regex(texts, pattern.expression)
    fits = pc.is_valid(found).to_numpy(zero_copy_only=False)
    groups = {f.name: found.field(i).filter(pa.array(fits)) for i, f in enumerate(found.type)}
    numbers = {
        name: pc.cast(group, pa.int64()).to_numpy()
        for name, group in groups.items()
        if name not in ("fraction", "ampm", "offset")
    }
    n = int(fits.sum())
    if "fraction" in groups:
        digits = pc.utf8_slice_codeunits(groups["fraction"], 1, 7)
        padded = pc.utf8_rpad(digits, 6, padding="0")
        numbers["microsecond"] = pc.cast(padded, pa.int64()).to_numpy()
    if "ampm" in groups:
        afternoon = pc.match_substring_regex(groups["ampm"], "^[Pp]").to_numpy(zero_copy_only=False)
        twelve = numbers["hour"]
        impossible = (twelve < 1) | (twelve > 12)
        numbers["hour"] = np.where(impossible, 99, twelve % 12 + 12 * afternoon)
    offset, is_utc = np.full(n, NO_OFFSET, dtype=np.int16), np.zeros(n, dtype=bool)
    if "offset" in groups:
        given = groups["offset"].dictionary_encode()
        minutes = [_offset_minutes(text) for text in given.dictionary.to_pylist()]
        offset = np.array(minutes, dtype=np.int16)[given.indices.to_numpy()]
        is_utc = offset == 0
    sound, local = _local(numbers, last_day, n)
    return fits, Moments(fits=sound, local=local, offset=offset, utc_mark=is_utc)


def _local(numbers: dict[str, Array], last_day: int, n: int) -> tuple[Array, Array]:
    """Return which numbers name a time that exists, and its microseconds."""
    microseconds, sound = np.zeros(n, dtype=np.int64), np.ones(n, dtype=bool)
    for name, length, most in CLOCK:
        if name in numbers:
            microseconds += numbers[name] * length
            sound &= numbers[name] < most
    month, day = numbers["month"], numbers["day"]
    year = numbers["yy"] + 2000 if "yy" in numbers else numbers["year"]
    before, days = _days(year, month)
    if "yy" in numbers:
        before, days = _days(np.where(before + day > last_day, year - 100, year), month)
    sound &= (day >= 1) & (day <= days)
    return sound, (before + day) * MICROSECONDS_PER_DAY + microseconds


def _days(year: Array, month: Array) -> tuple[Array, Array]:
    """Return the day number before each month, and its length; 0 for a month that is none."""
    sound = (month >= 1) & (month <= 12)
    number = np.where(sound, year * 12 + month - 1, 0)
    before, length = months()
    return before[number], np.where(sound, length[number], np.uint8(0))


def _offset_minutes(text: str) -> int:
    if text == "Z":
        return 0
    return (-1 if text[0] == "-" else 1) * (int(text[1:3]) * 60 + int(text[-2:]))
