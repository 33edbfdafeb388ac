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
MICROSECONDS_PER_SECOND: Final = 1_000_000
MICROSECONDS_PER_DAY: Final = 86_400_000_000
FIRST_DAY: Final = -43830  # 1850-01-01 in days since 1970-01-01; nothing older is believed
NO_OFFSET: Final = -(2**15)


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


def read_moments(texts: pa.Array, patterns: tuple[DatePattern, ...], *, last_day: int) -> Moments:
    """Read every text by the first pattern that it fits.

    Parameters
    ----------
    texts : arrow array of str
        Trimmed; null where missing (those do not fit).
    patterns : tuple of DatePattern
    last_day : int
        Day of the export, in days since 1970-01-01; decides the century of a two-digit year.
    """
    n = len(texts)
    fields = _Fields.empty(n)
    open_rows = pc.is_valid(texts).to_numpy(zero_copy_only=False)
    for reader in (_read_fixed, _read_by_expression):
        for pattern in patterns:
            rows = np.flatnonzero(open_rows)
            if not len(rows):
                break
            some = texts if len(rows) == n else texts.take(pa.array(rows))
            done = reader(some, pattern, fields, rows)
            open_rows[rows[done]] = False
    return fields.moments(last_day)


@dataclass(kw_only=True, eq=False, repr=False)
class _Fields:
    """Numbers read from the texts; `read` tells which texts fitted a pattern."""

    year: Array
    month: Array
    day: Array
    second: Array  # of the day
    microsecond: Array
    offset: Array
    utc_mark: Array
    short_year: Array
    read: Array

    @classmethod
    def empty(cls, n: int) -> _Fields:
        return cls(
            year=np.zeros(n, dtype=np.int16),
            month=np.zeros(n, dtype=np.uint8),
            day=np.zeros(n, dtype=np.uint8),
            second=np.zeros(n, dtype=np.int32),
            microsecond=np.zeros(n, dtype=np.int32),
            offset=np.full(n, NO_OFFSET, dtype=np.int16),
            utc_mark=np.zeros(n, dtype=bool),
            short_year=np.zeros(n, dtype=bool),
            read=np.zeros(n, dtype=bool),
        )

    def put(self, rows: Array, numbers: dict[str, Array], offset: Array, is_utc: Array) -> None:
        # Where all texts were read at once, nothing needs to be put row by row.
        place: Any = slice(None) if len(rows) == len(self.read) else rows
        short = "yy" in numbers
        self.year[place] = numbers["yy"] + np.int16(2000) if short else numbers["year"]
        self.month[place], self.day[place] = numbers["month"], numbers["day"]
        seconds = np.zeros(len(rows), dtype=np.int32)
        sound = np.ones(len(rows), dtype=bool)
        for name, length, most in (("hour", 3600, 24), ("minute", 60, 60), ("second", 1, 60)):
            if name in numbers:
                seconds += numbers[name] * np.int32(length)
                sound &= numbers[name] < most
        self.second[place] = seconds
        if "microsecond" in numbers:
            self.microsecond[place] = numbers["microsecond"]
        self.read[place] = sound
        self.short_year[place] = short
        self.offset[place], self.utc_mark[place] = offset, is_utc

    def moments(self, last_day: int) -> Moments:
        year = self.year
        if self.short_year.any():
            late = self.short_year & (_days(year, self.month)[0] + self.day > last_day)
            year = np.where(late, year - np.int16(100), year)
        before, length = _days(year, self.month)
        exists = (self.day >= 1) & (self.day <= length)
        local = before + self.day
        local *= MICROSECONDS_PER_DAY
        local += self.second * np.int64(MICROSECONDS_PER_SECOND)
        if self.microsecond.any():
            local += self.microsecond
        return Moments(
            fits=self.read & exists, local=local, offset=self.offset, utc_mark=self.utc_mark
        )


def days_since_1970(year: Array, month: Array, day: Array) -> Array:
    """Return the day number of a date of the Gregorian calendar; year 1 and later.

    Counts from 1 March, so that the leap day is the last of its year.
    """
    y = year - (month <= 2)
    m = (month + 9) % 12
    days = 365 * y + y // 4 - y // 100 + y // 400 + (153 * m + 2) // 5 + day
    return days - 719469


@lru_cache(maxsize=1)
def _months() -> tuple[Array, Array]:
    """Return by month, from that of the year 0: the day number before its first, and its length."""
    number = np.arange(10_000 * 12)
    year, month = number // 12, number % 12 + 1
    length = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])[month - 1]
    leap = (year % 4 == 0) & ((year % 100 != 0) | (year % 400 == 0))
    length = length + ((month == 2) & leap)
    return days_since_1970(year, month, np.zeros_like(year)), length.astype(np.uint8)


def _days(year: Array, month: Array) -> tuple[Array, Array]:
    """Return the day number before each month, and its length; 0 for a month that is none."""
    sound = (month >= 1) & (month <= 12)
    number = year * np.int32(12) + month - np.int32(1)
    if not sound.all():
        number = np.where(sound, number, 0)
    before, length = _months()
    return before[number], np.where(sound, length[number], np.uint8(0))


def _read_fixed(texts: pa.Array, pattern: DatePattern, fields: _Fields, rows: Array) -> Array:
    """Read the texts that have the full width of `pattern`; return which did fit."""
    widths = {"year": 4, "offset": 0}
    width = sum(widths.get(p, 2) if p in TOKEN_PATTERNS else len(p.encode()) for p in pattern.parts)
    done = np.zeros(len(texts), dtype=bool)
    if pattern.has("ampm"):
        return done
    lengths = pc.binary_length(texts).to_numpy(zero_copy_only=False)
    for rest in (1, 5, 6) if pattern.has("offset") else (0,):
        some = np.flatnonzero(lengths == width + rest)
        if len(some):
            one_width = texts if len(some) == len(texts) else texts.take(pa.array(some))
            widths["offset"] = rest
            data = _cells(one_width, width + rest)
            done[some] = _read_cells(data, pattern, widths, fields, rows[some])
    return done


def _cells(texts: pa.Array, width: int) -> Array:
    """Return the bytes of texts of one width as a matrix, one row a text."""
    start = np.frombuffer(texts.buffers()[1], dtype=np.int32)[texts.offset]
    data = np.frombuffer(texts.buffers()[2], dtype=np.uint8)
    return data[start : start + len(texts) * width].reshape(len(texts), width)


def _read_cells(
    data: Array, pattern: DatePattern, widths: dict[str, int], fields: _Fields, rows: Array
) -> Array:
    n = len(data)
    data = np.ascontiguousarray(data.T)  # one row a character: every step runs along memory
    numbers: dict[str, Array] = {}
    fits, at = np.ones(n, dtype=bool), 0
    offset, is_utc = np.full(n, NO_OFFSET, dtype=np.int16), np.zeros(n, dtype=bool)
    for part in pattern.parts:
        size = widths.get(part, 2) if part in TOKEN_PATTERNS else len(part.encode())
        cells = data[at : at + size]
        if part == "offset":
            offset, is_utc, good = _fixed_offset(cells)
        elif part in TOKEN_PATTERNS:
            numbers[part], good = _fixed_number(cells)
        else:
            good = (cells == np.frombuffer(part.encode(), dtype=np.uint8)[:, None]).all(axis=0)
        fits &= good
        at += size
    if fits.all():
        fields.put(rows, numbers, offset, is_utc)
        return fits
    chosen = {name: values[fits] for name, values in numbers.items()}
    fields.put(rows[fits], chosen, offset[fits], is_utc[fits])
    return fits


def _fixed_number(cells: Array) -> tuple[Array, Array]:
    """Return the numbers written in `cells` (one row a digit), and which are digits throughout."""
    digits = cells - np.uint8(ord("0"))  # wraps around for what comes before "0"
    good = digits.max(axis=0) <= 9
    number = digits[0].astype(np.int16) if len(cells) > 2 else digits[0]
    for digit in digits[1:]:
        number = number * number.dtype.type(10) + digit
    return number, good


def _fixed_offset(cells: Array) -> tuple[Array, Array, Array]:
    if len(cells) == 1:
        z = cells[0] == ord("Z")
        return np.zeros(len(z), dtype=np.int16), z, z
    sign = np.where(cells[0] == ord("-"), -1, 1)
    hours, good_hours = _fixed_number(cells[1:3])
    minutes, good_minutes = _fixed_number(cells[-2:])
    hours, minutes = hours.astype(np.int16), minutes.astype(np.int16)
    good = good_hours & good_minutes & ((cells[0] == ord("+")) | (cells[0] == ord("-")))
    if len(cells) == 6:
        good &= cells[3] == ord(":")
    offset = (sign * (hours * 60 + minutes)).astype(np.int16)
    return offset, offset == 0, good & (np.abs(offset) <= 900)


def _read_by_expression(
    texts: pa.Array, pattern: DatePattern, fields: _Fields, rows: Array
) -> Array:
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
    fields.put(rows[fits], numbers, offset, is_utc)
    return fits


def _offset_minutes(text: str) -> int:
    if text == "Z":
        return 0
    return (-1 if text[0] == "-" else 1) * (int(text[1:3]) * 60 + int(text[-2:]))
