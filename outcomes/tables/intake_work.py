"""What one intake carries along: its sources, the ledger, and what was found on the way."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any, Final, TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.errors import IntakeError
from outcomes.plan.sources import Sources
from outcomes.tables.ahead import ahead
from outcomes.tables.declared import (
    FINGERSTICKS,
    GLUCOSE_UNITS,
    HBA1C,
    HBA1C_UNITS,
    READINGS,
)
from outcomes.tables.export_files import ExportFile
from outcomes.tables.feeding import Feed
from outcomes.tables.judging import UNENDED, Judge, Judged
from outcomes.tables.ledger import Ledger, counted
from outcomes.tables.pieces import ENOUGH_ROWS, Piece, Pieces
from outcomes.tables.pseudonyms import Pseudonymiser
from outcomes.tables.rules import NOTE, STOP
from outcomes.tables.source_files import files_of, no_export_pattern
from outcomes.tables.values import Problems

Array = npt.NDArray[Any]
TIMED: Final = (READINGS.name, FINGERSTICKS.name)


PORTION: Final = 20_000  # rows that are read ahead at a time


@dataclass(kw_only=True, eq=False, repr=False)
class Intake:
    """What one intake carries along, from the first file to the account."""

    sources: Sources
    feeds: list[Feed]
    say: Callable[[str], None]
    advance: Callable[[float], None]
    ledger: Ledger
    pseudonym: Pseudonymiser | None = None
    problems: Problems = field(default_factory=Problems)
    patients: frozenset[str] | None = None
    files: list[dict[str, Any]] = field(default_factory=list)
    bare_times: dict[str, int] = field(default_factory=dict)
    untold_times: dict[str, int] = field(default_factory=dict)
    doubted: set[int] = field(default_factory=set)  # accounts with rows that may go on elsewhere
    converted: dict[str, dict[str, int]] = field(default_factory=dict)
    all_bytes: int = 0
    bytes_done: int = 0

    def of(self, table: str) -> list[Feed]:
        """Return the sources that feed `table`."""
        return [feed for feed in self.feeds if feed.schema.name == table]

    def judged(self, feed: Feed) -> Iterator[Judged]:
        """Yield every judged part of the files of a source; the bad rows are in the ledger."""
        judge = Judge(
            problems=self.problems,
            last_day=(self.sources.clinic.exported_on - date(1970, 1, 1)).days,
            patients=self.patients,
            pseudonym=self.pseudonym,
            doubt_unended=self.ledger.severity(UNENDED) != NOTE,
        )
        waiting: list[Piece] = []
        held = 0  # rows in those
        ended: list[ExportFile] = []  # whose last rows wait, or have been judged
        for file, piece in self._pieces_of(feed):
            if piece is None:
                ended.append(file)
                continue
            rows = piece.rows
            alone = len(rows) > ENOUGH_ROWS or (waiting and waiting[0].file.typed != file.typed)
            if waiting and (alone or held > ENOUGH_ROWS):
                yield self._judged_together(judge, feed, waiting, ended)
                waiting, ended, held = [], [], 0
            waiting.append(piece)
            held += len(rows)
        if waiting:
            yield self._judged_together(judge, feed, waiting, ended)
        else:
            self._close(feed, ended)
        judge.refuse_unread_dates(feed)
        self._tell_of_source(feed, judge.two_unit_systems(feed))
        ahead = judge.ends_ahead.get(feed.number, 0)
        if ahead:
            told = f"{ahead} rows of {feed.schema.name} end after the export; kept, the end open."
            self.ledger.note("end ahead", feed.schema.name, None, ahead, told, "")

    def _pieces_of(self, feed: Feed) -> Iterator[tuple[ExportFile, Piece | None]]:
        """Yield each piece with its file, whose account is open; None after the last of a file."""
        done = 0
        for number, file, piece, done in ahead(_read(feed), _rows_in, portion=PORTION):
            if file.entry < 0:
                file.told = self._name_told(feed, file, number)
                file.entry = self.ledger.open(file.told, feed.schema.name)
            yield file, piece
            self._advance(done)
        self.bytes_done += done

    def _judged_together(
        self, judge: Judge, feed: Feed, waiting: list[Piece], ended: list[ExportFile]
    ) -> Judged:
        part = judge.rows(feed, Pieces(pieces=tuple(waiting)))
        for piece in waiting:
            self.ledger.entries[piece.file.entry].read += len(piece.rows) + len(piece.rows.ragged)
        for entry, count in counted(part.entry[part.nothing]):
            self.ledger.entries[entry].nothing += count
        self._put_aside(part, waiting)
        for times in part.times.values():
            name = feed.schema.name
            self.bare_times[name] = self.bare_times.get(name, 0) + times.bare
            self.untold_times[name] = self.untold_times.get(name, 0) + times.untold
        self._count_converted(part, feed.schema.name)
        unended = np.isin(part.problem[part.bad], self.problems.of_rule(UNENDED))
        self.doubted.update(part.entry[part.bad][unended].tolist())
        self._close(feed, ended)
        return part

    def _close(self, feed: Feed, ended: list[ExportFile]) -> None:
        for file in ended:
            self._describe(feed, file)

    def _advance(self, of_this_source: int) -> None:
        """Tell which share of all bytes has been read; a zipped file counts by what is in it."""
        if self.all_bytes:
            self.advance(min(1.0, (self.bytes_done + of_this_source) / self.all_bytes))

    def _name_told(self, feed: Feed, file: ExportFile, number: int) -> str:
        """Return how the study calls a file: nothing that a pattern stood for, if ids are hidden.

        An id in the name is told by its pseudonym.
        """
        patterns = [p for p in feed.source.files if set(p) & set("*?[")]
        named = [(n, spec.file_name) for n, (_, spec) in feed.columns.items() if spec.file_name]
        if self.pseudonym is None or not (patterns or named):
            return file.name
        place = patterns[0] if patterns else f"source {feed.number + 1}"
        for name, expression in named:
            found = re.search(expression, Path(file.name).name)
            if found is not None:
                return f"{place}, {self.pseudonym(name, found[1] or '')}"
        return f"{place}, file {number}"

    def _count_converted(self, part: Judged, table: str) -> None:
        measured = part.measured
        if measured is None:
            return
        counted = measured.counts_of(part.good)
        units = HBA1C_UNITS if table == HBA1C.name else GLUCOSE_UNITS
        counts = self.converted.setdefault(table, {})
        found = {
            **{
                f"values in {u}": int(counted[measured.unit == i].sum())
                for i, u in enumerate(units)
            },
            "below a limit": int(counted[measured.capped < 0].sum()),
            "above a limit": int(counted[measured.capped > 0].sum()),
        }
        for what, count in found.items():
            counts[what] = counts.get(what, 0) + count

    def _tell_of_source(self, feed: Feed, two_systems: str) -> None:
        table = feed.schema.name
        if two_systems:
            self.ledger.note("two unit systems", table, None, 0, two_systems, "")
            if self.ledger.severity("two unit systems") == STOP:
                self.ledger.refuse_stopping()
        if feed.skipped:
            names = sorted(feed.skipped)
            if self.pseudonym is not None:  # people name files after people
                names = sorted({no_export_pattern(name) for name in names})
            told = f"Left out, no exports: {', '.join(names)}."
            self.ledger.note("no export", table, None, len(feed.skipped), told, "")

    def _put_aside(self, part: Judged, pieces: list[Piece]) -> None:
        bad = part.bad
        if len(bad):
            known = [self.problems.known[i] for i in part.problem[bad]]
            self.ledger.set_aside(
                part.entry[bad],
                part.lines[bad],
                np.array([p.rule if p else "" for p in known], dtype=object),
                np.array([p.reason if p else "" for p in known], dtype=object),
                part.text_frame(bad),
            )
        for piece in pieces:
            ragged = piece.rows.ragged
            if not ragged:
                continue
            self.ledger.set_aside(
                np.full(len(ragged), piece.file.entry),
                np.array([line for line, _ in ragged], dtype=np.int64),
                "fields",
                np.array([reason for _, reason in ragged], dtype=object),
                pd.DataFrame(index=range(len(ragged))),
            )

    def _describe(self, feed: Feed, file: ExportFile) -> None:
        account, told = self.ledger.entries[file.entry], file.told
        self.say(f"{told}: {feed.schema.name}, {account.read:,} rows")
        account.lines, account.titles = file.lines, max(file.heading_line - 1, 0)
        account.footers, account.empty = file.footers, file.empty_lines
        source = feed.source
        self.files.append(
            {
                "file": told,
                "table": feed.schema.name,
                "sha256": file.sha256,
                "separator": source.separator,
                "decimal": source.decimal,
                "encoding": source.encoding,
                "dates": source.dates,
                "time_zone": feed.zone,
            }
        )
        doubted = file.entry in self.doubted
        for seen in file.seen:
            if doubted and seen.rule == "no last line end":
                continue
            what = seen.sentence if self.pseudonym is None else seen.discreet or seen.sentence
            self.ledger.note(seen.rule, feed.schema.name, told, seen.rows, f"{told}: {what}.", "")

    def refuse_empty_join(self, table: str) -> None:
        """Raise where every row of a table names a patient that nobody knows."""
        rows = self.ledger.all_set_aside()
        rows = rows[rows["table"] == table]
        kept = sum(e.kept for e in self.ledger.entries if e.table == table)
        if not kept and len(rows) and (rows["rule"] == "unknown patient").all():
            first = rows.iloc[0]
            raise IntakeError(
                f"{first['file']}, line {first['line']}: not one of {len(rows)} rows of {table} "
                f"names a patient of the patients table (first: '{first['patient_id']}'). "
                "Check that both exports write patient ids alike."
            )


Read: TypeAlias = tuple[int, ExportFile, Piece | None, int]


def _read(feed: Feed) -> Iterator[Read]:
    """Yield number of each file of a source, file, a piece (None after the last), bytes read."""
    before = 0
    for number, file in enumerate(files_of(feed), start=1):
        for rows in file.rows():
            piece = Piece.of(feed, file, rows)
            # The first part has no rows: it shows the headings.
            if len(rows) or rows.ragged or feed.schema.name not in TIMED:
                yield number, file, piece, before + file.bytes_read
        before += file.size
        yield number, file, None, before


def _rows_in(item: Read) -> int:
    return 0 if item[2] is None else len(item[2].rows)
