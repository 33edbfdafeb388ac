"""What the cells of one column look like: dates in which orders, numbers, units, codes, ids."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property, lru_cache
from typing import Final

import numpy as np
import pyarrow as pa

from outcomes.tables.dates import date_patterns, read_moments
from outcomes.tables.draft_codes import unit_for
from outcomes.tables.draft_words import (
    HIGH_WORDS,
    LOW_WORDS,
    MISSING_WORDS,
)

MOST_CODES: Final = 40
LOOKED_AT: Final = 12_000  # rows of one layout
MOSTLY: Final = 0.9  # of the filled cells; the rest may be wrong
FITTING: Final = 0.6  # of the cells must fit a date order; their shape is a date's already
FAST_MINUTES: Final = 20.0
FAR_FUTURE: Final = 30_000  # days since 1970: beyond 2052 no day of a clinic's export has happened
LONG_AGO: Final = -25_567  # 1900-01-01
LAST_DAY: Final = (date.today() - date(1970, 1, 1)).days  # for the century of two-digit years
CLOCK: Final = re.compile(
    r"(?P<day>.*?)(?P<gap>[ T])(?P<hour>\d{1,2})(?P<mark>[:.])(?P<minute>\d{2})"
    r"(?P<second>[:.]\d{2}(\.\d+)?)?"
    r"(?P<blank> ?)(?P<ampm>[AaPp]\.?[Mm]\.?)?(?P<offset>Z|[+-]\d{2}:?\d{2})?"
)
DAY: Final = re.compile(r"(\d{1,4})([./\- ])(\d{1,2})\2(\d{1,4})")
NUMBER: Final = re.compile(r"[+-]?\d+([.,]\d+)?")
MEASURED: Final = re.compile(r"[<>≤≥]?\s*([+-]?\d+(?:[.,]\d+)?)\s*([^\d\s].*)?")


@dataclass(frozen=True, kw_only=True)
class Order:
    """One way of reading dates: the pattern, how many cells fit it, and how many only it."""

    pattern: str
    fits: int
    alone: int


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Profile:
    """The cells of one heading over all files of a layout that were looked at."""

    heading: str
    counts: Counter[str]  # filled cells, trimmed
    rows: int  # rows looked at, empty cells too
    typed: bool = False
    first_cells: Sequence[str] = ()  # in the order of one file

    @cached_property
    def filled(self) -> int:
        """Number of filled cells."""
        return sum(self.counts.values())

    @cached_property
    def told(self) -> int:
        """Number of cells that hold no word for missing."""
        return sum(n for text, n in self.counts.items() if text.casefold() not in MISSING_WORDS)

    def share(self, texts: Iterable[str]) -> float:
        """Return which share of the cells that say something these texts are."""
        return sum(self.counts[text] for text in texts) / self.told if self.told else 0.0

    @cached_property
    def orders(self) -> tuple[Order, ...]:
        """Every way of reading the cells as dates that most of them fit, the best first."""
        return _orders(self)

    @cached_property
    def has_clock(self) -> bool:
        """Whether most cells hold a time of day."""
        return self.share(t for t in self.counts if CLOCK.fullmatch(t)) >= MOSTLY

    @cached_property
    def is_midnight(self) -> bool:
        """Whether every time of day is 00:00, as systems write that have no days without time."""
        found = [m for text in self.counts if (m := CLOCK.fullmatch(text))]
        return bool(found) and all(
            int(m["hour"]) in (0, 12 * bool(m["ampm"])) and m["minute"] == "00" for m in found
        )

    def day_pattern(self, pattern: str) -> str:
        """Return `pattern` with the time of day spelt as the cells have it, for a column of days.

        Times of day are read by themselves only where a time is wanted.
        """
        spelt = {_clock_part(m, always=True) for text in list(self.counts)[:2000]
                 if (m := CLOCK.fullmatch(text))}  # fmt: skip
        if self.typed or "hour" in pattern or not spelt:
            return pattern
        return " or ".join(f"{pattern}{clock}" for clock in sorted(spelt))

    @cached_property
    def is_paced(self) -> bool | None:
        """Whether the clock times of one file follow each other as a sensor gives them.

        That is at most `FAST_MINUTES` apart, or always at the same distance; None where nothing
        tells.
        """
        found = [m for text in self.first_cells if (m := CLOCK.fullmatch(text))]
        minutes = [
            int(m["hour"]) % (12 if m["ampm"] else 24) * 60 + int(m["minute"])
            + 720 * bool(m["ampm"] and m["ampm"][0] in "pP")
            for m in found
        ]  # fmt: skip
        steps = np.abs(np.diff(minutes)) if len(minutes) > 1 else np.array([])
        steps = steps[steps > 0]
        if not len(steps):
            return None
        usual = float(np.median(steps))
        return usual <= FAST_MINUTES or float((np.abs(steps - usual) <= 1).mean()) >= 0.7

    @cached_property
    def offsets(self) -> Counter[str]:
        """Offsets that stand in the cells."""
        found: Counter[str] = Counter()
        for text, n in self.counts.items():
            match = CLOCK.fullmatch(text)
            if match and match["offset"]:
                found[match["offset"]] += n
        return found

    @cached_property
    def numbers(self) -> np.ndarray:
        """The cells that hold a number (and perhaps a unit), as numbers, each as often as told."""
        values, times = [], []
        for text, n in self.counts.items():
            match = MEASURED.fullmatch(text)
            if match:
                values.append(float(match[1].replace(",", ".")))
                times.append(n)
        return np.repeat(np.array(values), np.array(times, dtype=int))

    @cached_property
    def is_number(self) -> bool:
        """Whether most cells are numbers, words beyond a limit apart."""
        beyond = sum(self.counts[t] for t in (*self.low_words, *self.high_words))
        return self.told > 0 and len(self.numbers) + beyond >= MOSTLY * self.told

    @cached_property
    def is_plain_number(self) -> bool:
        """Whether most cells are bare numbers."""
        return self.share(t for t in self.counts if NUMBER.fullmatch(t)) >= MOSTLY

    @cached_property
    def years(self) -> np.ndarray:
        """Years of the cells, where they are dates or whole numbers that can be years."""
        if self.orders:
            texts = tuple(t for t in self.counts if DAY.match(t))
            days = _days(texts, self.orders[0].pattern)
            given = [(1970 + d / 365.2425, self.counts[t]) for t, d in zip(texts, days, strict=True)
                     if d is not None]  # fmt: skip
            return np.repeat([year for year, _ in given], [n for _, n in given])
        if not self.is_plain_number or self.marks:
            return np.array([])
        good = (self.numbers >= 1880) & (self.numbers <= 2100)
        return self.numbers if good.mean() >= MOSTLY else np.array([])

    @cached_property
    def marks(self) -> Counter[str]:
        """Decimal marks of the numbers."""
        found: Counter[str] = Counter()
        for text, n in () if self.orders else self.counts.items():
            match = MEASURED.fullmatch(text)
            if match and ("," in match[1] or "." in match[1]):
                found["," if "," in match[1] else "."] += n
        return found

    @cached_property
    def units(self) -> Counter[str]:
        """Units that stand behind the numbers in the cells, in our words."""
        found: Counter[str] = Counter()
        for text, n in self.counts.items():
            match = MEASURED.fullmatch(text)
            unit = unit_for(match[2]) if match and match[2] else None
            if unit:
                found[unit] += n
        return found

    @cached_property
    def low_words(self) -> tuple[str, ...]:
        """Words that mean below a limit."""
        return tuple(t for t in self.counts if t.casefold() in LOW_WORDS)

    @cached_property
    def high_words(self) -> tuple[str, ...]:
        """Words that mean above a limit."""
        return tuple(t for t in self.counts if t.casefold() in HIGH_WORDS)

    @cached_property
    def is_category(self) -> bool:
        """Whether the cells are few different short texts, again and again."""
        different = len(self.counts)
        short = all(len(text) <= 45 for text in self.counts)
        return (
            0 < different <= MOST_CODES
            and short
            and (different <= 8 or different <= 0.25 * self.filled)
            and not self.orders
        )

    @cached_property
    def is_unique(self) -> bool:
        """Whether hardly any text comes twice: an id of the row itself."""
        return self.filled > 0 and len(self.counts) >= 0.9 * self.filled

    @cached_property
    def looks_like_id(self) -> bool:
        """Whether the cells can be ids: no dates, no measured numbers, more than a few."""
        if self.orders or not self.counts or self.units or self.marks:
            return False
        return len(self.counts) > 1 and max(map(len, self.counts)) <= 40

    def missing_words(self) -> list[str]:
        """Return the words for missing that stand among the cells."""
        return [t for t in self.counts if t.casefold() in MISSING_WORDS]

    def sentinels(self, pattern: str) -> list[str]:
        """Return dates that stand for "has not happened": far in the future, often, or 1900."""
        dated = [t for t in self.counts if DAY.match(t)]
        if not dated:
            return []
        days = _days(tuple(dated), pattern)
        return [
            text
            for text, day in zip(dated, days, strict=True)
            if day is not None
            and (day >= FAR_FUTURE or (day == LONG_AGO and self.counts[text] >= 3))
        ]


def _days(texts: tuple[str, ...], pattern: str) -> list[float | None]:
    """Return the days since 1970 of texts that begin with a day; None where one does not."""
    moments = read_moments(
        pa.array([t[:10].strip() for t in texts], type=pa.string()),
        date_patterns(_day_part(pattern), with_time=False),
        last_day=LAST_DAY,
    )
    return [float(d) if fit else None for d, fit in zip(moments.day, moments.fits, strict=True)]


def _day_part(pattern: str) -> str:
    return re.split(r"[ T]hour", pattern)[0]


def _orders(profile: Profile) -> tuple[Order, ...]:
    texts = [t for t in profile.counts if t.casefold() not in MISSING_WORDS]
    candidates = list(dict.fromkeys(p for text in texts[:400] for p in _candidates(text)))
    if not candidates:
        return ()
    cells = pa.array(texts, type=pa.string())
    weight = np.array([profile.counts[t] for t in texts])
    fits = {}
    for pattern in candidates:
        timed = profile.has_clock and "hour" not in pattern
        moments = read_moments(cells, date_patterns(pattern, with_time=timed), last_day=LAST_DAY)
        plausible = (moments.day >= LONG_AGO - 1) & moments.fits
        fits[pattern] = plausible
    return _ranked(fits, weight)


def _ranked(fits: dict[str, np.ndarray], weight: np.ndarray) -> tuple[Order, ...]:
    count = {pattern: int(weight[fit].sum()) for pattern, fit in fits.items()}
    good = [p for p, n in count.items() if n >= FITTING * weight.sum()]
    found = []
    for pattern in good:
        others = [fits[p] for p in good if p != pattern]
        elsewhere = np.any(others, axis=0) if others else np.zeros(len(weight), dtype=bool)
        found.append(
            Order(
                pattern=pattern, fits=count[pattern],
                alone=int(weight[fits[pattern] & ~elsewhere].sum()),
            )
        )  # fmt: skip
    return tuple(sorted(found, key=lambda order: (-order.fits, -order.alone, order.pattern)))


@lru_cache(maxsize=65536)
def _candidates(text: str) -> tuple[str, ...]:
    """Return the patterns that the shape of a text allows."""
    clock = CLOCK.fullmatch(text)
    day = clock["day"] if clock else text
    match = DAY.fullmatch(day)
    if match is None:
        compact = ("yearmonthday",) if re.fullmatch(r"(19|20)\d{6}", day) else ()
        return tuple(f"{p}{_clock_part(clock)}" for p in compact)
    mark, first, last = match[2], len(match[1]), len(match[4])
    if first == 4:
        orders = [("year", "month", "day")]
    elif last == 4:
        orders = [("day", "month", "year"), ("month", "day", "year")]
    elif first <= 2 and last <= 2:
        orders = [("day", "month", "yy"), ("month", "day", "yy")]
        orders += [("yy", "month", "day")] if first == last == 2 else []
    else:
        return ()
    return tuple(f"{mark.join(order)}{_clock_part(clock)}" for order in orders)


def _clock_part(clock: re.Match[str] | None, *, always: bool = False) -> str:
    """Return how a time is spelt in a pattern; "" where the reader knows it, unless `always`."""
    if clock is None:
        return ""
    usual = clock["mark"] == ":" and len(clock["hour"]) == 2 and not clock["ampm"]
    if usual and not clock["blank"] and not always:
        return ""
    mark = clock["mark"]
    spelt = f"{clock['gap']}hour{mark}minute"
    spelt += f"{clock['second'][0]}second" if clock["second"] else ""
    spelt += clock["blank"]
    spelt += "ampm" if clock["ampm"] else ""
    return spelt + ("offset" if clock["offset"] else "")


def profiles_of(
    headings: Sequence[str], parts: Sequence[list[list[str]]], *, typed: bool
) -> tuple[Profile, ...]:
    """Return one profile a heading from the rows of several files of one layout."""
    found = []
    beginning = parts[0][:500] if parts else []
    every = max(1, sum(map(len, parts)) // LOOKED_AT)
    parts = [part[:3] + part[3::every] for part in parts]
    for place, heading in enumerate(headings):
        counts: Counter[str] = Counter()
        rows = 0
        for part in parts:
            rows += len(part)
            counts.update(row[place].strip() for row in part)
        del counts[""]
        first = [row[place].strip() for row in beginning]
        found.append(
            Profile(heading=heading, counts=counts, rows=rows, typed=typed, first_cells=first)
        )
    return tuple(found)
