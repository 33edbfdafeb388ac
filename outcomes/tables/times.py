"""Times of rows as instants: their own offset, that of a column, or the zone of bare times."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from outcomes.tables.dates import (
    FIRST_DAY,
    MICROSECONDS_PER_DAY,
    NO_OFFSET,
    DatePattern,
    Moments,
    read_moments,
)
from outcomes.tables.feeding import Feed
from outcomes.tables.values import Parsed, Problems, Texts
from outcomes.tables.zones import MICROSECONDS_PER_MINUTE, instants_of, offsets_at

Array = npt.NDArray[Any]
NO_SUCH_TIME: Final = "no such time"


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Times:
    """Instants of rows: int64 microseconds, offset in minutes.

    `apart` is above 0 where a bare clock time comes twice: the minutes to its second passing.
    """

    utc: Array
    local: Array
    offset: Array
    apart: Array
    missing: Array
    undated: Array  # not even the day is given; a time that the clock skips still has its day
    bare: int = 0  # how many took the zone of the clinic
    untold: int = 0  # optional times that the clock skipped or passed twice: left out


def times_of(
    cells: pa.Array | Texts,
    *,
    feed: Feed,
    name: str,
    parsed: dict[str, Parsed],
    typed: bool,
    problems: Problems,
    last_day: int,
) -> tuple[Times, Array]:
    """Return the instants of a column and the problem of each row."""
    if isinstance(cells, Texts):
        cells = pa.array(cells.take(np.arange(len(cells.codes))), type=pa.string())
    column, spec = feed.columns[name]
    words = ("", *feed.source.missing, *spec.missing, *spec.never)
    moments, missing = _moments(cells, feed.patterns(name, typed=typed), words, last_day)
    fits = moments.fits & (moments.day >= FIRST_DAY) & (moments.day < 200_000)
    local = np.where(fits, moments.local, 0)
    declared = _declared_offset(parsed, len(local))
    given = moments.offset.astype(np.int64)
    given = np.where(given == NO_OFFSET, declared, given)
    has = given != NO_OFFSET
    utc = local - np.where(has, given, 0) * MICROSECONDS_PER_MINUTE
    offset = np.where(has, given, 0).astype(np.int16)
    exists, apart = np.ones(len(local), dtype=bool), np.zeros(len(local), dtype=np.int16)
    bare = np.flatnonzero(fits & ~has)
    if len(bare):
        found = instants_of(local[bare], feed.zone)
        utc[bare], offset[bare] = found.utc, found.offset
        exists[bare], apart[bare] = found.exists, found.apart
    marked = np.flatnonzero(fits & moments.utc_mark & (declared == NO_OFFSET))
    if len(marked):
        offset[marked] = offsets_at(utc[marked], feed.zone)
    marked = np.flatnonzero(fits & moments.utc_mark & (declared != NO_OFFSET))
    offset[marked] = declared[marked]
    local = utc + offset.astype(np.int64) * MICROSECONDS_PER_MINUTE
    problem = np.zeros(len(local), dtype=np.int32)
    if column.required or (name == "placed_at" and "placed_on" not in feed.columns):
        problem[missing] = problems.number("missing value", f"no {name}")
    problem[~missing & ~fits] = problems.number(
        "not a date", f"{name}: not a time written as declared"
    )
    late = fits & ((local // MICROSECONDS_PER_DAY) > last_day)
    problem[late] = problems.number("after the export", f"{name}: lies after the export")
    undated = missing
    lost = fits & ~exists
    if name == "time":
        problem[lost] = problems.number(
            NO_SUCH_TIME, f"{name}: the clock skipped this time in {feed.zone}"
        )
        lost = np.zeros_like(lost)
    else:
        lost |= apart > 0
        missing = missing | lost
    times = Times(
        utc=utc,
        local=local,
        offset=offset,
        apart=apart,
        missing=missing,
        undated=undated,
        bare=len(bare),
        untold=int(lost.sum()),
    )
    return times, problem


def _moments(
    cells: pa.Array, patterns: tuple[DatePattern, ...], words: tuple[str, ...], last_day: int
) -> tuple[Moments, Array]:
    """Return what the texts say, and which of them are missing.

    Blanks around a text and words for missing are looked for only among those that fit
    nothing as they stand.
    """
    moments = read_moments(cells, patterns, last_day=last_day)
    missing = np.zeros(len(cells), dtype=bool)
    # A declared word may itself look like a date (9999-12-31 00:00): then all are looked at.
    open_rows = np.flatnonzero(~moments.fits | (len(words) > 1))
    if len(open_rows):
        trimmed = pc.utf8_trim_whitespace(cells.take(pa.array(open_rows)))
        gone = pc.fill_null(pc.is_in(trimmed, value_set=pa.array(words)), True)
        missing[open_rows] = gone.to_numpy(zero_copy_only=False)
        again = read_moments(trimmed, patterns, last_day=last_day)
        for name in ("fits", "local", "offset", "utc_mark"):
            getattr(moments, name)[open_rows] = getattr(again, name)
    return moments, missing


def _declared_offset(parsed: dict[str, Parsed], n: int) -> Array:
    if "local_offset" not in parsed:
        return np.full(n, NO_OFFSET, dtype=np.int64)
    minutes = parsed["local_offset"].values[parsed["local_offset"].codes]
    return np.where(np.isnan(minutes), NO_OFFSET, np.nan_to_num(minutes)).astype(np.int64)


def local_day(times: Times) -> Array:
    """Return the local calendar day of each instant as datetime64[ns], NaT where missing."""
    days = (times.local // MICROSECONDS_PER_DAY).astype("datetime64[D]").astype("datetime64[ns]")
    days[times.undated] = np.datetime64("NaT")
    return days
