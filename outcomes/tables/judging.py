"""Rows of an export judged one by one: typed values, or the first rule that a row breaks."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.tables.cells import Cells
from outcomes.tables.declared import GLUCOSE_UNITS, HBA1C_UNITS
from outcomes.tables.feeding import MEASURED_TABLES, Feed
from outcomes.tables.measured import Measured, Memory
from outcomes.tables.pieces import Pieces
from outcomes.tables.pseudonyms import Pseudonymiser
from outcomes.tables.times import Times, local_day, times_of
from outcomes.tables.values import Parsed, Problems, Reading, Texts, parse, shape_of

Array = npt.NDArray[Any]
# Days that must not come before another day of the same row.
NOT_BEFORE: Final = {
    "sensors": (("stopped_on", "placed_on"), ("removed_on", "placed_on")),
    "states": (("to_on", "from_on"),),
}
EXPECTED_END: Final = ("states", "to_on")
REPEATED_HOUR: Final = "repeated hour"
UNENDED: Final = "unended row"
FEW_VALUES: Final = 20  # below, nothing is said about the distribution of a column
OTHER_UNIT_SHARE: Final = 0.1  # of the values of a column


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Judged:
    """Rows of files for one table. `problem` is 0 for a good row; `nothing` has none to give.

    `entry` is the number of the account of each row's file.
    """

    lines: Array
    entry: Array
    problem: Array
    nothing: Array
    parsed: dict[str, Parsed]
    texts: dict[str, Cells | Texts]
    measured: Measured | None = None
    times: dict[str, Times] = field(default_factory=dict)
    veiled: dict[str, Array] = field(default_factory=dict)  # rows whose text is told by its shape

    @cached_property
    def good(self) -> Array:
        """Positions of the rows to keep."""
        return np.flatnonzero((self.problem == 0) & ~self.nothing)

    @cached_property
    def bad(self) -> Array:
        """Positions of the rows to set aside."""
        return np.flatnonzero((self.problem > 0) & ~self.nothing)

    def text_frame(self, rows: Array) -> pd.DataFrame:
        """Return the text of the fed columns of some rows, as it stood in the file.

        Where ids are hidden, a cell that cannot be read as its column is not repeated: it may be
        a name or a telephone number that slipped into another column.
        """
        told = {name: _take(cells, rows) for name, cells in self.texts.items()}
        for name, veiled in self.veiled.items():
            for i in np.flatnonzero(veiled[rows]):
                told[name][i] = None if told[name][i] is None else shape_of(told[name][i])
        return pd.DataFrame(told)


def _take(cells: Cells | Texts, rows: Array) -> Array:
    if isinstance(cells, Texts):
        return cells.take(rows)
    texts = cells.array(rows).to_pylist()
    return np.array([t.strip() or None for t in texts], dtype=object)


@dataclass(frozen=True, kw_only=True, eq=False)
class Judge:
    """Judges rows; `patients` are the known ids, None while they are being read."""

    problems: Problems
    last_day: int
    patients: frozenset[str] | None
    pseudonym: Pseudonymiser | None = None
    doubt_unended: bool = True  # whether a last row without a line end is set aside
    other_units: dict[int, list[Any]] = field(default_factory=dict)  # by source: all, other, first
    ends_ahead: dict[int, int] = field(default_factory=dict)  # by source: ends after the export
    _dates: dict[tuple[int, str], list[Any]] = field(default_factory=dict)
    _memory: dict[int, Memory] = field(default_factory=lambda: defaultdict(Memory))  # by source

    def rows(self, feed: Feed, rows: Pieces) -> Judged:
        """Judge some rows by every rule that one row alone can break."""
        cells, typed = rows.cells, rows.pieces[0].file.typed
        instants = {name: given for name, given in cells.items() if self._is_instant(feed, name)}
        texts = {
            name: given if isinstance(given, Texts) else self._taken_apart(feed, name, given)
            for name, given in cells.items()
            if name not in instants
        }
        if self.pseudonym is not None:
            texts = {name: self._hidden(feed, name, given) for name, given in texts.items()}
        kept = {**cells, **texts}
        nothing = self._nothing(feed, kept, len(rows))
        problem, none = (np.zeros(len(rows), dtype=np.int32) for _ in range(2))
        parsed: dict[str, Parsed] = {}
        times: dict[str, Times] = {}
        broken_by: dict[str, Array] = {}
        measured, ahead = None, np.zeros(len(rows), dtype=bool)
        for name, given in texts.items():
            if feed.schema.name in MEASURED_TABLES and name in ("value", "unit"):
                continue
            parsed[name] = parse(given, self._how(feed, name, typed=typed), self.problems)
            if name == "patient_id" and self.patients is not None:
                self._refuse_unknown(parsed[name])
                # A closing line such as "Total rows: 3" is a row that names nobody known.
                stranger = np.isin(parsed[name].problem, self.problems.of_rule("unknown patient"))
                if not feed.columns[name][1].constant:
                    nothing &= ~stranger[parsed[name].codes]
            if (feed.schema.name, name) == EXPECTED_END:
                ahead = self._leave_open(parsed[name])
            broken_by[name] = none
            if parsed[name].problem.any():
                broken_by[name] = parsed[name].row_problem()
                self._mark(problem, broken_by[name])
            if feed.columns[name][0].kind == "date":
                self._tally(feed, rows, name, ~given.empty, broken_by[name])
        for name, at in instants.items():
            times[name], broken_by[name] = times_of(
                at, feed=feed, name=name, parsed=parsed, typed=typed,
                problems=self.problems, last_day=self.last_day,
            )  # fmt: skip
            self._mark(problem, broken_by[name])
            self._tally(feed, rows, name, ~times[name].missing, broken_by[name])
        if feed.schema.name in MEASURED_TABLES:
            measured = self._measured(feed, rows, texts)
            broken_by["value"] = broken_by["unit"] = none
            if measured.problem.any():
                broken_by["value"] = broken_by["unit"] = measured.problem[measured.codes]
                self._mark(problem, broken_by["value"])
        self._mark(problem, self._out_of_order(feed, parsed, times, len(rows)))
        if self.doubt_unended:
            self._mark(problem, self._doubtful(feed, rows))
        kept_open = int(np.count_nonzero(ahead & (problem == 0) & ~nothing))
        self.ends_ahead[feed.number] = self.ends_ahead.get(feed.number, 0) + kept_open
        return Judged(
            lines=rows.lines,
            entry=rows.entry,
            problem=problem,
            nothing=nothing,
            parsed=parsed,
            texts={**kept, **texts},  # with the units beside the values
            measured=measured,
            times=times,
            veiled=self._veiled(feed, {*kept, *texts}, broken_by),
        )

    def _veiled(self, feed: Feed, fed: set[str], broken_by: dict[str, Array]) -> dict[str, Array]:
        """Return by column which rows' text must not be repeated; pseudonyms may be."""
        if self.pseudonym is None:
            return {}
        ids = {n for n, (column, _) in feed.columns.items() if column.kind == "id"}
        return {n: broken > 0 for n, broken in broken_by.items() if n in fed and n not in ids}

    def _tally(self, feed: Feed, rows: Pieces, name: str, given: Array, broken: Array) -> None:
        """Count the dates given and those that do not fit, for `refuse_unread_dates`."""
        failed = np.flatnonzero(given & np.isin(broken, self.problems.of_rule("not a date")))
        tally = self._dates.setdefault((feed.number, name), [0, 0, ""])
        tally[0] += int(given.sum())
        tally[1] += len(failed)
        if len(failed) and not tally[2]:
            file, line = rows.place(failed[0])
            tally[2] = f"{file.name}, line {line}"

    def refuse_unread_dates(self, feed: Feed) -> None:
        """Raise where not one date of a column fits its order: then the order is wrong, not rows.

        Raises
        ------
        SettingsError
            Names the column, the order and the first line.
        """
        for name, (_, spec) in feed.columns.items():
            given, failed, first = self._dates.get((feed.number, name), (0, 0, ""))
            if given >= 2 and failed == given:
                raise feed.error(
                    ("columns", name),
                    f"{first}: not written '{spec.dates or feed.source.dates}', and none of the "
                    f"{given} others is. Set `dates` of this source or column, in words such as "
                    "day.month.year, or the words of `missing`.",
                )

    @staticmethod
    def _mark(problem: Array, further: Array) -> None:
        np.copyto(problem, further, where=problem == 0, casting="unsafe")

    @staticmethod
    def _is_instant(feed: Feed, name: str) -> bool:
        return feed.columns[name][0].kind == "instant"

    def _taken_apart(self, feed: Feed, name: str, cells: Cells) -> Texts:
        if name == "value" and feed.schema.name in MEASURED_TABLES:
            return self._memory[feed.number].of(cells)
        return Texts.of(cells)

    def _how(self, feed: Feed, name: str, *, typed: bool = False) -> Reading:
        column, spec = feed.columns[name]
        dated = column.kind == "date" or spec.dates is not None
        return Reading(
            column=column,
            spec=spec,
            decimal=spec.decimal or feed.source.decimal,
            missing=feed.source.missing,
            patterns=feed.patterns(name, typed=typed) if dated else (),
            last_day=self.last_day,
        )

    def _doubtful(self, feed: Feed, rows: Pieces) -> Array:
        """Return the rows whose last or first cell may be only a part of itself."""
        problem = np.zeros(len(rows), dtype=np.int32)
        first = 0
        for piece in rows:
            headings, own = piece.file.headings, slice(first, first + len(piece.rows))
            first = own.stop
            for lines, heading, reason in (
                (piece.rows.unended, headings[-1], "its last cell may be cut off or go on below"),
                (piece.rows.unbegun, headings[0], "its first cell may begin in the line above"),
            ):
                if lines and _is_read(feed, heading):
                    there = np.isin(piece.rows.lines, lines)
                    problem[own][there] = self.problems.number(UNENDED, reason)
        return problem

    def _leave_open(self, ends: Parsed) -> Array:
        """Take an end after the export for none, since it is only expected; return which rows."""
        ahead = np.isin(ends.problem, self.problems.of_rule("after the export"))
        ends.problem[ahead] = 0
        ends.values[ahead], ends.missing[ahead] = np.datetime64("NaT"), True
        return np.asarray(ahead[ends.codes])

    def _refuse_unknown(self, ids: Parsed) -> None:
        assert self.patients is not None
        for i, patient_id in enumerate(ids.values):
            if patient_id is not None and not ids.problem[i] and patient_id not in self.patients:
                ids.problem[i] = self.problems.number(
                    "unknown patient", "patient_id: not among the patients"
                )

    def _nothing(self, feed: Feed, texts: dict[str, Cells | Texts], n: int) -> Array:
        """Return which rows are empty in every fed column, or in the one that tells."""
        read = [name for name in texts if feed.columns[name][1].column is not None]
        read.sort(key=lambda name: self._is_instant(feed, name))  # those cost most, and go last
        nothing = np.full(n, bool(read))
        for name in read:
            if nothing.any():
                nothing &= self._no_text(feed, name, texts[name])
        if feed.telling:
            nothing |= self._no_text(feed, feed.telling, texts[feed.telling])
        return nothing

    def _no_text(self, feed: Feed, name: str, cells: Cells | Texts) -> Array:
        if not isinstance(cells, Texts):
            return cells.blank()
        spec = feed.columns[name][1]
        missing = {"", *feed.source.missing, *spec.missing} - set(spec.codes or ())
        if missing.isdisjoint(cells.different):
            return np.zeros(len(cells.codes), dtype=bool)
        return np.array([text in missing for text in cells.different])[cells.codes]

    def _measured(self, feed: Feed, rows: Pieces, texts: dict[str, Texts]) -> Measured:
        units = HBA1C_UNITS if feed.schema.name == "hba1c" else GLUCOSE_UNITS
        beside: Texts | None = None
        if "unit" in texts:
            beside = self._with_our_units(feed, texts["unit"])
        elif rows.beside is not None:
            beside = Texts.of(rows.beside)
            texts["unit"] = beside
        measured, sound, other = self._memory[feed.number].judged(
            texts["value"], beside, self._how(feed, "value"), units, self.problems
        )
        # The values and those that look like the other unit are counted for the whole column.
        counts = measured.counts
        other = other & (counts > 0)
        tally = self.other_units.setdefault(feed.number, [0, 0, "", 0])
        tally[0] += int(counts[sound].sum())
        tally[1] += int(counts[other].sum())
        if other.any() and not tally[2]:
            file, line = rows.place(np.flatnonzero(other[measured.codes])[0])
            tally[2], tally[3] = file.told, line
        return measured

    def two_unit_systems(self, feed: Feed) -> str:
        """Return what to say where many values of a column do not fit its unit, else ""."""
        given, other, name, line = self.other_units.get(feed.number, (0, 0, "", 0))
        if given < FEW_VALUES or other <= OTHER_UNIT_SHARE * given:
            return ""
        return (
            f"{name}, line {line}: {other} of {given} values of {feed.schema.name} look like the "
            "other unit, by their size and decimals."
        )

    def _hidden(self, feed: Feed, name: str, texts: Texts) -> Texts:
        """Return a column of ids with its pseudonyms; other columns as they are."""
        column, spec = feed.columns[name]
        if column.kind != "id" or self.pseudonym is None:
            return texts
        plain = ("", *feed.source.missing, *spec.missing)
        hidden = [t if t in plain else self.pseudonym(name, t) for t in texts.different]
        return Texts(codes=texts.codes, different=tuple(hidden))

    def _with_our_units(self, feed: Feed, cells: Texts) -> Texts:
        spec = feed.columns["unit"][1]
        words = {**(spec.units or {}), **(spec.codes or {})}
        missing = (*feed.source.missing, *spec.missing)
        ours = tuple("" if t in missing else words.get(t, t) for t in cells.different)
        return Texts(codes=cells.codes, different=ours)

    def _out_of_order(
        self, feed: Feed, parsed: dict[str, Parsed], times: dict[str, Times], n: int
    ) -> Array:
        problem = np.zeros(n, dtype=np.int32)
        days = {
            name: found.values[found.codes]
            for name, found in parsed.items()
            if feed.columns[name][0].kind == "date"
        }
        if "placed_on" not in days and "placed_at" in times:
            days["placed_on"] = local_day(times["placed_at"])
        for later, earlier in NOT_BEFORE.get(feed.schema.name, ()):
            if later in days and earlier in days:
                broken = (days[later] < days[earlier]) & (problem == 0)
                problem[broken] = self.problems.number(
                    "wrong order", f"{later} lies before {earlier}"
                )
        return problem


def _is_read(feed: Feed, heading: str) -> bool:
    """Return whether the cells under a heading are read as something that could be longer.

    A unit that is cut off is no unit, so that its row is set aside for that.
    """
    for name, (_, spec) in feed.columns.items():
        read = (spec.column,) if isinstance(spec.column, str) else spec.column or ()
        if heading in read and name != "unit":
            return True
    return False
