"""What each `[[source]]` feeds: its table, and where every column comes from.

Everything that can be wrong with `sources.toml` is found here, before a file is read.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Final, NamedTuple

from outcomes.errors import SettingsError, known_names
from outcomes.plan.sources import ColumnSource, Sources, TableSource
from outcomes.plan.strict import Document
from outcomes.schema import Column, Schema
from outcomes.tables.cells import Cells
from outcomes.tables.dates import DatePattern, date_patterns
from outcomes.tables.declared import DECLARED, NEEDED
from outcomes.tables.export_files import ISO_DATES, ExportFile, TextRows
from outcomes.tables.values import FLAGS

# Columns that the toolkit finds by itself where the export has none.
FOUND: Final = {
    "readings": ("local_offset", "unit", "capped"),
    "fingersticks": ("local_offset", "unit", "capped"),
    "hba1c": ("unit",),
}
# The column whose empty cell means that a row has nothing for the table: the first of these that is
# read from a heading. For tables with an id that holds only where the file feeds several tables.
TELLING: Final = {
    "hba1c": ("value",),
    "states": ("value", "from_on"),
    "contacts": ("what", "on"),
    "readings": ("value",),
    "fingersticks": ("value",),
}
MEASURED_TABLES: Final = ("readings", "fingersticks", "hba1c")
# The day of a row, from which its facts and measurements hold unless `dated_by` names a heading.
DAY_OF_ROW: Final = {
    "hba1c": "drawn_on",
    "contacts": "on",
    "procedures": "on",
    "sensors": "placed_on",
    "complications": "onset_on",
    "states": "from_on",
}


class FoundFile(NamedTuple):
    """A file of a source: where it is, what messages call it, how many bytes it has."""

    path: Path
    name: str
    size: int


@dataclass(frozen=True, kw_only=True, eq=False)
class Feed:
    """One `[[source]]`, checked against the table that it feeds."""

    number: int  # place in sources.toml, from 0
    source: TableSource
    schema: Schema
    sources: Sources
    shared: bool = False  # its files feed other tables too
    found: list[FoundFile] = field(default_factory=list)  # once they have been looked for
    skipped: list[str] = field(default_factory=list)  # files of the pattern that are no exports
    _places: dict[tuple[tuple[str, ...], ...], int] = field(default_factory=dict)  # of headings

    @cached_property
    def columns(self) -> dict[str, tuple[Column, ColumnSource]]:
        """The fed columns in the order of the declaration, covariates last."""
        named = {name: self.source.column(name) for name in self.source.columns}
        declared = {c.name: (c, named[c.name]) for c in self.schema.columns if c.name in named}
        further = {
            name: (_covariate(name, spec), spec)
            for name, spec in named.items()
            if name not in self.schema.names
        }
        return declared | further

    @property
    def zone(self) -> str:
        """Zone of the files' bare times."""
        return self.source.time_zone or self.sources.clinic.time_zone

    @cached_property
    def telling(self) -> str | None:
        """Name of the column whose empty cell means: nothing here for this table."""
        candidates: Sequence[str] = TELLING.get(self.schema.name, ())
        if not candidates and self.shared and self.schema.key:
            candidates = self.schema.key[:1]
        from_heading = [n for n in candidates if n in self.columns and self.columns[n][1].column]
        return from_heading[0] if from_heading else None

    @cached_property
    def wanted(self) -> tuple[tuple[str, ...], ...]:
        """The headings asked for, each with its alternatives."""
        headings = []
        for _, spec in self.columns.values():
            if spec.column is not None:
                headings.append((spec.column,) if isinstance(spec.column, str) else spec.column)
            if spec.unit_column is not None:
                headings.append((spec.unit_column,))
        return tuple(headings)

    def patterns(self, name: str, *, typed: bool = False) -> tuple[DatePattern, ...]:
        """Return the date patterns of a column; cells of a `typed` file know to be dates."""
        column, spec = self.columns[name]
        with_time = column.kind == "instant"
        declared = date_patterns(spec.dates or self.source.dates, with_time=with_time)
        if not typed:
            return declared
        own = date_patterns(ISO_DATES, with_time=True)
        return declared + own + (() if with_time else date_patterns(ISO_DATES, with_time=False))

    def error(self, keys: Sequence[str], message: str) -> SettingsError:
        """Return an error for a key of this source, with its line where the file is known."""
        return _error(self.sources, ("source", f"#{self.number + 1}", *keys), message)

    def texts(self, file: ExportFile, rows: TextRows) -> dict[str, Cells | str]:
        """Return the cells of every fed column: their places, or the one text of all rows."""
        return {
            name: self.cells(name, spec, file, rows) for name, (_, spec) in self.columns.items()
        }

    def beside(self, heading: str, file: ExportFile, rows: TextRows) -> Cells:
        """Return the cells under a heading that a column refers to, such as its unit column."""
        return Cells.of(rows.columns[self._place("value", (heading,), file)])

    def cells(self, name: str, spec: ColumnSource, file: ExportFile, rows: TextRows) -> Cells | str:
        """Return the cells of one column: their places, or the one text of all rows."""
        if spec.constant is not None:
            return spec.constant
        if spec.file_name is not None:
            found = re.search(spec.file_name, file.path.name)
            if found is None:
                raise self.error(
                    ("columns", name), f"'{spec.file_name}' does not fit the file {file.name}."
                )
            return found[1] or ""
        if spec.preamble is not None:
            above = re.search(spec.preamble, "\n".join(file.titles))
            if above is None:
                raise self.error(
                    ("columns", name),
                    f"{file.name}: '{spec.preamble}' is not found in the {len(file.titles)} lines "
                    f"above the headings (line {file.heading_line}).",
                )
            return above[1] or ""
        wanted = (spec.column,) if isinstance(spec.column, str) else spec.column
        return Cells.of(rows.columns[self._place(name, wanted or (), file)])

    def _place(self, name: str, wanted: tuple[str, ...], file: ExportFile) -> int:
        """Return where a heading stands; thousands of files hardly differ in that."""
        place = self._places.get((wanted, file.headings))
        if place is None:
            place = self._places[wanted, file.headings] = self._looked_for(name, wanted, file)
        return place

    def _looked_for(self, name: str, wanted: tuple[str, ...], file: ExportFile) -> int:
        there = next((heading for heading in wanted if heading in file.headings), None)
        where = f"{file.name}, line {file.heading_line}"
        if there is None:
            hint = known_names("heading there", wanted[0], file.headings)
            separator = "" if len(file.headings) > 1 else " Check separator too."
            if not file.titles and file.heading_line:
                separator += " If the headings stand on another line, set heading_line."
            raise self.error(("columns", name), f"{where}: {hint}{separator}")
        if file.headings.count(there) > 1:
            raise self.error(("columns", name), f"{where}: the heading '{there}' stands twice.")
        return file.headings.index(there)


def _covariate(name: str, spec: ColumnSource) -> Column:
    return Column(
        name=name,
        kind=spec.kind,  # type: ignore[arg-type]  # checked where the settings are read
        meaning="further fixed covariate of the clinic",
        required=False,
    )


def _error(sources: Sources, where: Sequence[str], message: str) -> SettingsError:
    if sources.path is not None and sources.path.is_file():
        return Document.open(sources.path).error(where, message)
    return SettingsError(f"sources, {'.'.join(where).replace('.#', ' ')}: {message}")


def feeds_of(sources: Sources) -> list[Feed]:
    """Return every source checked against its table, in the order of the declared tables.

    Raises
    ------
    SettingsError
        A table, column, code, pattern or regular expression is not what it must be, a column that
        the table requires is not declared, or a needed table has no source.
    """
    feeds = []
    for number, source in _all_sources(sources):
        where = ("source", f"#{number + 1}", "table")
        if source.table not in DECLARED:
            raise _error(sources, where, known_names("table", source.table, DECLARED))
        others = [s for i, s in enumerate(sources.source) if i != number]
        shared = bool(source.facts or source.measurements)
        shared |= any(set(s.files) & set(source.files) for s in others)
        feed = Feed(
            number=number, source=source, schema=DECLARED[source.table], sources=sources,
            shared=shared,
        )  # fmt: skip
        _check(feed)
        feeds.append(feed)
    fed = {feed.schema.name for feed in feeds}
    absent = [name for name in NEEDED if name not in fed]
    if absent:
        raise SettingsError(
            f"sources: no [[source]] feeds {' and '.join(absent)}; a study needs both "
            f"{' and '.join(NEEDED)}."
        )
    order = list(DECLARED)
    return sorted(feeds, key=lambda feed: (order.index(feed.schema.name), feed.number))


def _all_sources(sources: Sources) -> Iterator[tuple[int, TableSource]]:
    """Yield every source with its number, and one of `states` for each fact and measurement."""
    for number, source in enumerate(sources.source):
        yield number, source
        facts = {name: (name, spec) for name, spec in (source.facts or {}).items()}
        for name, given in (source.measurements or {}).items():
            spec = ColumnSource(column=given) if isinstance(given, str) else given
            told = f"{name} ({spec.unit})" if spec.unit else name
            facts[name] = (told, replace(spec, kind="number", unit=None))
        for told, value in facts.values():
            yield number, _fact(sources, number, source, told, value)


def _fact(
    sources: Sources, number: int, source: TableSource, told: str, value: str | ColumnSource
) -> TableSource:
    own_day = DAY_OF_ROW.get(source.table)
    if source.dated_by is not None:
        day: str | ColumnSource = source.dated_by
    elif own_day in source.columns:
        day = source.columns[str(own_day)]
    else:
        raise _error(
            sources,
            ("source", f"#{number + 1}"),
            f"'{told}' has no day: set dated_by to the heading of the day from which it holds.",
        )
    if "patient_id" not in source.columns:
        raise _error(sources, ("source", f"#{number + 1}"), f"'{told}' needs patient_id.")
    return replace(
        source,
        table="states",
        columns={
            "patient_id": source.columns["patient_id"],
            "what": ColumnSource(constant=told),
            "value": value,
            "from_on": day,
        },
        facts=None,
        measurements=None,
    )


def _check(feed: Feed) -> None:
    schema, given = feed.schema, feed.source.columns
    separator = feed.source.separator
    if len(separator) != 1 and separator != "\\t":
        raise feed.error(("separator",), f"'{separator}' is not one character.")
    known = [c.name for c in schema.columns if not c.derived]
    for name in given:
        if name not in known and not schema.extra:
            raise feed.error(
                ("columns", name), known_names(f"column of {schema.name}", name, known)
            )
    for name in feed.columns:
        _check_column(feed, name)
    absent = [c.name for c in schema.columns if c.required and not _provided(feed, c)]
    if absent:
        raise feed.error(
            ("columns",),
            f"{schema.name} needs {', '.join(absent)} too: give a heading, or one constant "
            "for every row.",
        )


def _provided(feed: Feed, column: Column) -> bool:
    if column.name in feed.columns or column.name in FOUND.get(feed.schema.name, ()):
        return True
    if column.name == "placed_on" and "placed_at" in feed.columns:
        return True
    return "unknown" in column.categories


def _check_column(feed: Feed, name: str) -> None:
    column, spec = feed.columns[name]
    places = [spec.column, spec.constant, spec.file_name, spec.preamble]
    if sum(place is not None for place in places) != 1:
        raise feed.error(("columns", name), "give one of column, constant, file_name and preamble.")
    for expression in (spec.file_name, spec.preamble):
        if expression is None:
            continue
        try:
            groups = re.compile(expression).groups
        except re.error as error:
            raise feed.error(("columns", name), f"not a regular expression ({error}).") from error
        if groups != 1:
            raise feed.error(("columns", name), "it needs one pair of round brackets.")
    if spec.codes is not None and spec.code_map is not None:
        raise feed.error(("columns", name), "give one of codes and code_map.")
    if column.kind in ("date", "instant") or spec.dates is not None:
        try:
            feed.patterns(name)
        except ValueError as error:
            raise feed.error(("columns", name), f"dates: {error}") from error
    measurement = feed.schema.name == "states" and name == "value" and spec.kind == "number"
    if name in feed.schema.names and spec.kind != "text" and not measurement:
        raise feed.error(("columns", name), f"kind is declared already: {column.kind}.")
    for code, word in (spec.codes or {}).items():
        allowed = column.categories or (tuple(FLAGS) if column.kind == "flag" else ())
        if allowed and word and word not in allowed:
            raise feed.error(
                ("columns", name, "codes", code), known_names("word for it", word, allowed)
            )
