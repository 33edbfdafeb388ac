"""Times of rows as instants: their own offset, that of a column, or the zone of bare times."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from outcomes.tables.cells import Cells
from outcomes.tables.date_bytes import MICROSECONDS_PER_DAY, NO_OFFSET
from outcomes.tables.dates import FIRST_DAY, MOMENT, DatePattern, Moments, read_moments
from outcomes.tables.feeding import Feed
from outcomes.tables.values import Parsed, Problems, Texts
from outcomes.tables.zones import MICROSECONDS_PER_MINUTE, Instants, instants_of, offsets_at

Array = npt.NDArray[Any]
NO_SUCH_TIME: Final = "no such time"
FIRST_TIME: Final = FIRST_DAY * MICROSECONDS_PER_DAY
LAST_TIME: Final = 200_000 * MICROSECONDS_PER_DAY


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
    cells: Cells | Texts,
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
        cells = Cells.of(pa.array(cells.take(np.arange(len(cells.codes))), type=pa.string()))
    column, spec = feed.columns[name]
    words = ("", *feed.source.missing, *spec.missing, *spec.never)
    moments, missing = _moments(cells, feed.patterns(name, typed=typed), words, last_day)
    fits = moments.fits & (moments.local >= FIRST_TIME) & (moments.local < LAST_TIME)
    local = moments.local if fits.all() else np.where(fits, moments.local, 0)
    found, bare = _instants(local, fits, moments, _declared_offset(parsed), feed.zone)
    local = found.utc + found.offset * np.int64(MICROSECONDS_PER_MINUTE)
    problem = np.zeros(len(local), dtype=np.int32)
    if column.required or (name == "placed_at" and "placed_on" not in feed.columns):
        problem[missing] = problems.number("missing value", f"no {name}")
    unread = ~(missing | fits)
    if unread.any():
        told = f"{name}: not a time written as declared"
        problem[unread] = problems.number("not a date", told)
    late = fits & (local >= (last_day + 1) * MICROSECONDS_PER_DAY)
    if late.any():
        problem[late] = problems.number("after the export", f"{name}: lies after the export")
    undated = missing
    lost = fits & ~found.exists
    if name == "time":
        if lost.any():
            told = f"{name}: the clock skipped this time in {feed.zone}"
            problem[lost] = problems.number(NO_SUCH_TIME, told)
        lost = np.zeros_like(lost)
    else:
        lost |= found.apart > 0
        missing = missing | lost
    times = Times(
        utc=found.utc,
        local=local,
        offset=found.offset,
        apart=found.apart,
        missing=missing,
        undated=undated,
        bare=bare,
        untold=int(lost.sum()),
    )
    return times, problem


def _instants(
    local: Array, fits: Array, moments: Moments, declared: Array | None, zone: str
) -> tuple[Instants, int]:
    """Return the instants of clock times, and how many of them took the zone's offset."""
    given = moments.offset.astype(np.int64)
    if declared is not None:
        given = np.where(given == NO_OFFSET, declared, given)
    has = given != NO_OFFSET
    bare = np.flatnonzero(fits & ~has)
    if len(bare) == len(local):
        return instants_of(local, zone), len(bare)
    given[~has] = 0
    utc = local - given * MICROSECONDS_PER_MINUTE
    offset = given.astype(np.int16)
    exists, apart = np.ones(len(local), dtype=bool), np.zeros(len(local), dtype=np.int16)
    if len(bare):
        found = instants_of(local[bare], zone)
        utc[bare], offset[bare] = found.utc, found.offset
        exists[bare], apart[bare] = found.exists, found.apart
    # Z tells the instant, but not the clock: that is the one declared, or the zone's.
    marked = fits & moments.utc_mark
    if marked.any():
        told = np.zeros_like(marked) if declared is None else declared != NO_OFFSET
        to_zone = np.flatnonzero(marked & ~told)
        offset[to_zone] = offsets_at(utc[to_zone], zone)
        if declared is not None:
            offset[marked & told] = declared[marked & told]
    return Instants(utc=utc, offset=offset, exists=exists, apart=apart), len(bare)


def _moments(
    cells: Cells, patterns: tuple[DatePattern, ...], words: tuple[str, ...], last_day: int
) -> tuple[Moments, Array]:
    """Return what the texts say, and which of them are missing.

    Blanks around a text and words for missing are looked for only among those that fit
    nothing as they stand.
    """
    moments = read_moments(cells, patterns, last_day=last_day)
    missing = np.zeros(len(cells), dtype=bool)
    # A declared word may itself look like a date (9999-12-31 00:00): then all are looked at.
    dated = len(words) > 1 and read_moments(pa.array(words), patterns, last_day=last_day).fits.any()
    open_rows = np.flatnonzero(~moments.fits | dated)
    if len(open_rows):
        trimmed = pc.utf8_trim_whitespace(cells.array(open_rows))
        gone = pc.fill_null(pc.is_in(trimmed, value_set=pa.array(words)), True)
        missing[open_rows] = gone.to_numpy(zero_copy_only=False)
        again = read_moments(trimmed, patterns, last_day=last_day)
        for name in MOMENT:
            getattr(moments, name)[open_rows] = getattr(again, name)
    return moments, missing


def _declared_offset(parsed: dict[str, Parsed]) -> Array | None:
    if "local_offset" not in parsed:
        return None
    minutes = parsed["local_offset"].values[parsed["local_offset"].codes]
    return np.where(np.isnan(minutes), NO_OFFSET, np.nan_to_num(minutes)).astype(np.int64)


def local_day(times: Times) -> Array:
    """Return the local calendar day of each instant as datetime64[ns], NaT where missing."""
    days = (times.local // MICROSECONDS_PER_DAY).astype("datetime64[D]").astype("datetime64[ns]")
    days[times.undated] = np.datetime64("NaT")
    return days
