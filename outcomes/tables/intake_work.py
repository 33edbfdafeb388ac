"""What one intake carries along: its sources, the ledger, and what was found on the way."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.errors import IntakeError
from outcomes.plan.sources import Sources
from outcomes.tables.declared import (
    FINGERSTICKS,
    GLUCOSE_UNITS,
    HBA1C,
    HBA1C_UNITS,
    READINGS,
)
from outcomes.tables.export_files import ExportFile
from outcomes.tables.feeding import Feed, files_of, no_export_pattern
from outcomes.tables.judging import UNENDED, Judge, Judged
from outcomes.tables.ledger import Ledger
from outcomes.tables.pseudonyms import Pseudonymiser
from outcomes.tables.rules import NOTE, STOP
from outcomes.tables.values import Problems

Array = npt.NDArray[Any]
TIMED: Final = (READINGS.name, FINGERSTICKS.name)


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
    converted: dict[str, dict[str, int]] = field(default_factory=dict)
    all_bytes: int = 0
    bytes_done: int = 0

    def of(self, table: str) -> list[Feed]:
        """Return the sources that feed `table`."""
        return [feed for feed in self.feeds if feed.schema.name == table]

    def judged(self, feed: Feed) -> Iterator[tuple[int, Judged]]:
        """Yield every judged part of every file of a source; the bad rows are in the ledger."""
        judge = Judge(
            problems=self.problems,
            last_day=(self.sources.clinic.exported_on - date(1970, 1, 1)).days,
            patients=self.patients,
            pseudonym=self.pseudonym,
            doubt_unended=self.ledger.severity(UNENDED) != NOTE,
        )
        for number, file in enumerate(files_of(feed), start=1):
            file.told = self._name_told(feed, file, number)
            entry = self.ledger.open(file.told, feed.schema.name)
            doubted = False
            for rows in file.rows():
                if feed.schema.name in TIMED and not len(rows) and not rows.ragged:
                    feed.texts(file, rows)  # the first part has no rows: it shows the headings
                    continue
                part = judge.rows(feed, file, rows)
                account = self.ledger.entries[entry]
                account.read += len(rows) + len(rows.ragged)
                account.nothing += int(part.nothing.sum())
                self._put_aside(entry, part, rows.ragged)
                doubted |= bool(np.isin(part.problem, self.problems.of_rule(UNENDED)).any())
                for times in part.times.values():
                    name = feed.schema.name
                    self.bare_times[name] = self.bare_times.get(name, 0) + times.bare
                    self.untold_times[name] = self.untold_times.get(name, 0) + times.untold
                self._count_converted(part, feed.schema.name)
                yield entry, part
                self._advance(file.bytes_read)
            self.bytes_done += file.path.stat().st_size
            self._advance(0)
            self._describe(feed, file, entry, doubted=doubted)
        judge.refuse_unread_dates(feed)
        self._tell_of_source(feed, judge.two_unit_systems(feed))
        ahead = judge.ends_ahead.get(feed.number, 0)
        if ahead:
            told = f"{ahead} rows of {feed.schema.name} end after the export; kept, the end open."
            self.ledger.note("end ahead", feed.schema.name, None, ahead, told, "")

    def _advance(self, of_this_file: int) -> None:
        """Tell which share of all bytes has been read; a zipped file counts by what is in it."""
        if self.all_bytes:
            self.advance(min(1.0, (self.bytes_done + of_this_file) / self.all_bytes))

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
        counted = measured.counts(part.good)
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

    def _put_aside(self, entry: int, part: Judged, ragged: tuple[tuple[int, str], ...]) -> None:
        bad = part.bad
        if not len(bad) and not ragged:
            return
        known = [self.problems.known[i] for i in part.problem[bad]]
        self.ledger.set_aside(
            np.full(len(bad), entry),
            part.lines[bad],
            np.array([p.rule if p else "" for p in known], dtype=object),
            np.array([p.reason if p else "" for p in known], dtype=object),
            part.text_frame(bad),
        )
        self.ledger.set_aside(
            np.full(len(ragged), entry),
            np.array([line for line, _ in ragged], dtype=np.int64),
            "fields",
            np.array([reason for _, reason in ragged], dtype=object),
            pd.DataFrame(index=range(len(ragged))),
        )

    def _describe(self, feed: Feed, file: ExportFile, entry: int, *, doubted: bool) -> None:
        account, told = self.ledger.entries[entry], file.told
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
        seen_here = [s for s in file.seen if not (s.rule == "no last line end" and doubted)]
        for seen in seen_here:
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
