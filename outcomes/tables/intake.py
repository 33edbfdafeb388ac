"""Reading a clinic's exports into a study folder: nothing lost, nothing guessed.

Every row of every file ends in one of four places, and the account says how many are in each:
kept, set aside with its reason, an exact repeat of another row, or a row that has nothing for the
table (an empty cell under the heading that the table lives on). Patients are read first, since
every other row must name one of them; rules across tables come when all small tables are read.
"""

from __future__ import annotations

import hashlib
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
from outcomes.schema import DTYPES, Column, Schema
from outcomes.tables.changes import changes
from outcomes.tables.code_maps import with_code_maps
from outcomes.tables.crossing import Tables, WholeTable, crossed
from outcomes.tables.declared import (
    CAPPED,
    DECLARED,
    FINGERSTICKS,
    GLUCOSE_UNITS,
    HBA1C,
    HBA1C_UNITS,
    READINGS,
)
from outcomes.tables.export_files import ExportFile
from outcomes.tables.feeding import Feed, feeds_of, files_of, no_export_pattern
from outcomes.tables.judging import UNENDED, Judge, Judged, local_day
from outcomes.tables.ledger import Ledger
from outcomes.tables.pseudonyms import Pseudonymiser, pseudonymiser
from outcomes.tables.reading_rules import REASONS, ReadingRules
from outcomes.tables.reading_store import ReadingBlock, WornSensors
from outcomes.tables.rules import NOTE, RULES, STOP, severities
from outcomes.tables.study import Study, write_study
from outcomes.tables.timed_rows import TimedRows, block_of, set_rows_aside, settled
from outcomes.tables.values import Problems
from outcomes.tables.versions import sole_writer
from outcomes.tables.whole_tables import checked_whole

Array = npt.NDArray[Any]
TIMED: Final = (READINGS.name, FINGERSTICKS.name)
MUCH_CAPPED: Final = 0.01  # above this share, a mean or SD is read with care


@dataclass(kw_only=True, eq=False, repr=False)
class _Intake:
    """What one intake carries along."""

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
        good = part.good
        units = HBA1C_UNITS if table == HBA1C.name else GLUCOSE_UNITS
        counts = self.converted.setdefault(table, {})
        found = {
            **{
                f"values in {u}": int((measured.unit[good] == i).sum()) for i, u in enumerate(units)
            },
            "below a limit": int((measured.capped[good] < 0).sum()),
            "above a limit": int((measured.capped[good] > 0).sum()),
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


def intake(
    sources: Sources,
    folder: str | Path,
    *,
    progress: Callable[[str], None] | None = None,
    advance: Callable[[float], None] | None = None,
) -> Study:
    """Read a clinic's exports, as `sources.toml` describes them, into a study folder.

    Parameters
    ----------
    sources : Sources
        From `read_sources`.
    folder : path
        The study's folder; made where it does not exist.
    progress : callable, optional
        Given one line of text per file as it has been read; it names files, never their contents.
    advance : callable, optional
        Given the share of all bytes that has been read, from 0 to 1, as it grows.

    Returns
    -------
    Study
        The new version, opened. Its `accounting` adds up for every file and table; `set_aside`
        holds every row kept out with file, line and reason; `findings` tells both in words.

    Raises
    ------
    SettingsError
        `sources.toml` does not fit the files: a file, heading, table, column or code that is not
        there, or a date order that fits no row.
    IntakeError
        A file is empty, damaged or in another encoding; a patient stands twice with different
        content; a whole table names only unknown patients; or a rule that stops finds something.
    WriteError
        The study cannot be written, or another intake is writing it.
    """
    hidden = pseudonymiser(sources)
    work = _Intake(
        sources=sources,
        feeds=with_code_maps(feeds_of(sources)),
        say=progress or (lambda line: None),
        advance=advance or (lambda share: None),
        ledger=Ledger(severity_of=severities(sources.severity)),
        pseudonym=hidden,
        problems=Problems(discreet=hidden is not None),
    )
    work.all_bytes = sum(f.path.stat().st_size for feed in work.feeds for f in files_of(feed))
    folder = Path(folder)
    # The lock is taken before the first row is read: a second intake is refused at once.
    with sole_writer(folder) as unfinished:
        tables = _small_tables(work)
        spill = unfinished.with_name(f"{unfinished.name}-rows")
        if work.of(FINGERSTICKS.name):
            tables[FINGERSTICKS.name] = _fingersticks(work, spill)
        with TimedRows(spill=spill) as rows:
            return _written(work, tables, rows, folder, unfinished)


def _written(
    work: _Intake,
    tables: dict[str, pd.DataFrame],
    rows: TimedRows,
    folder: Path,
    unfinished: Path,
) -> Study:
    clinic = work.sources.clinic
    fed = work.of(READINGS.name)
    _collect(work, fed, rows)

    def account() -> pd.DataFrame:
        _tell(work)
        work.ledger.refuse_stopping()
        return work.ledger.accounting()

    return write_study(
        folder,
        tables,
        clinic=clinic.name,
        time_zone=clinic.time_zone,
        exported_on=clinic.exported_on,
        readings=_blocks(work, rows, tables) if fed else None,
        accounting=account,
        findings=work.ledger.findings,
        set_aside=work.ledger.all_set_aside,
        made_from=lambda: _made_from(work),
        compare=changes,
        unfinished=unfinished,
    )


def _made_from(work: _Intake) -> dict[str, Any]:
    return {
        "sources_sha256": _digest_of(work.sources.path),
        "files": work.files,
        "converted": work.converted,
        "pseudonyms": work.pseudonym is not None,
    }


def _digest_of(path: Path | None) -> str | None:
    return hashlib.sha256(path.read_bytes()).hexdigest() if path and path.is_file() else None


# --- tables that fit in memory -------------------------------------------------------------------


def _small_tables(work: _Intake) -> dict[str, pd.DataFrame]:
    """Return every small table after the rules of rows, of the table and across tables."""
    whole: Tables = {}
    for name in DECLARED:
        if name not in TIMED and work.of(name):
            whole[name] = _small_table(work, name)
        if name == "patients":
            work.patients = frozenset(whole[name].frame["patient_id"])
    whole = crossed(whole, work.ledger)
    for name in whole:
        work.ledger.close_table(name)
        work.refuse_empty_join(name)
        _note_unrecorded(work, name)
    return {name: table.frame for name, table in whole.items()}


def _small_table(work: _Intake, name: str) -> WholeTable:
    parts = [
        (*_typed(feed, part), np.full(len(part.good), entry), part.lines[part.good])
        for feed in work.of(name)
        for entry, part in work.judged(feed)
    ]
    frames, texts, entries, lines = (list(column) for column in zip(*parts, strict=True))
    whole = WholeTable(
        frame=_together(frames, DECLARED[name]),
        entry=np.concatenate(entries),
        line=np.concatenate(lines),
        texts=pd.concat(texts, ignore_index=True),
    )
    return checked_whole(name, whole, work.ledger)


def _together(frames: list[pd.DataFrame], schema: Schema) -> pd.DataFrame:
    filled = [frame for frame in frames if len(frame)] or frames[:1]
    frame = pd.concat(filled, ignore_index=True)
    declared = {c.name: DTYPES[c.kind] for c in schema.columns}
    further = [c for part in frames for c in part.columns if c not in declared]
    columns = [*declared, *dict.fromkeys(further)]
    return frame.reindex(columns=columns).astype(declared)


def _typed(feed: Feed, part: Judged) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the good rows of a part as typed columns, and as text."""
    good = part.good
    columns: dict[str, pd.Series] = {}
    for column in feed.schema.columns:
        columns[column.name] = _column(column, part, good)
    for name, (column, _) in feed.columns.items():
        if name not in columns:
            columns[name] = part.parsed[name].series(column, good)
    return pd.DataFrame(columns, index=range(len(good))), part.text_frame(good)


def _column(column: Column, part: Judged, good: Array) -> pd.Series:
    measured = part.measured
    if measured is not None and column.name == "value":
        return pd.Series(measured.value[good])
    if measured is not None and column.name == "unit":
        return pd.Series(np.array(HBA1C_UNITS, dtype=object)[measured.unit[good]])
    if column.name in part.parsed:
        return part.parsed[column.name].series(column, good)
    if column.name in part.times:
        times = part.times[column.name]
        instants = times.utc[good].astype("datetime64[us]").astype("datetime64[ns]")
        instants[times.missing[good]] = np.datetime64("NaT")
        return pd.Series(instants)
    if column.name == "placed_on" and "placed_at" in part.times:
        return pd.Series(local_day(part.times["placed_at"])[good])
    if column.required and "unknown" in column.categories:
        return pd.Series(np.full(len(good), "unknown", dtype=object))
    empty = pd.Series(np.full(len(good), None, dtype=object))
    return empty.astype(DTYPES[column.kind])


def _note_unrecorded(work: _Intake, name: str) -> None:
    for column in DECLARED[name].columns:
        if column.required and "unknown" in column.categories:
            without = [f for f in work.of(name) if column.name not in f.columns]
            for feed in without:
                work.ledger.note(
                    "not recorded", name, None, 0,
                    f"{name}: source {feed.number + 1} has no {column.name}; it is 'unknown'.", "",
                )  # fmt: skip


# --- readings and fingersticks -------------------------------------------------------------------


def _collect(work: _Intake, feeds: list[Feed], rows: TimedRows) -> None:
    for feed in feeds:
        for entry, part in work.judged(feed):
            rows.add(part, entry)


def _fingersticks(work: _Intake, spill: Path) -> pd.DataFrame:
    with TimedRows(spill=spill) as rows:
        _collect(work, work.of(FINGERSTICKS.name), rows)
        parts = []
        for patient_id, own in rows.by_patient():
            kept = settled(
                FINGERSTICKS.name, patient_id, own, rows.sensors.names, work.ledger, by_sensor=False
            )
            work.ledger.keep(kept["entry"])
            parts.append(_fingerstick_frame(patient_id, kept))
    work.ledger.close_table(FINGERSTICKS.name)
    work.refuse_empty_join(FINGERSTICKS.name)
    return pd.concat(parts, ignore_index=True) if parts else FINGERSTICKS.empty()


def _fingerstick_frame(patient_id: str, rows: Array) -> pd.DataFrame:
    flags = np.array([False, True, None], dtype=object)[rows["flag"]]
    return pd.DataFrame(
        {
            "patient_id": np.full(len(rows), patient_id, dtype=object),
            "time": rows["time"].astype("datetime64[us]").astype("datetime64[ns]"),
            "local_offset": pd.array(rows["offset"].astype(np.int64), dtype="Int64"),
            "value": rows["value"],
            "unit": np.array(GLUCOSE_UNITS, dtype=object)[rows["unit"]],
            "capped": np.array([CAPPED[0], CAPPED[2], CAPPED[1]], dtype=object)[rows["capped"]],
            "used_for_calibration": pd.array(flags, dtype="boolean"),
        }
    )


def _blocks(
    work: _Intake, rows: TimedRows, tables: dict[str, pd.DataFrame]
) -> Iterator[ReadingBlock]:
    sensors = tables["sensors"]
    known = frozenset(sensors["sensor_id"])
    names = rows.sensors.names
    strangers = np.array([*(name not in known for name in names), False])
    worn = WornSensors.from_table(sensors)
    rules = ReadingRules.from_tables(sensors, tables["patients"])
    broken: dict[str, int] = {}
    count = capped = unknown = kindless = 0
    for patient_id, own in rows.by_patient():
        kept = settled(READINGS.name, patient_id, own, names, work.ledger, by_sensor=True)
        kept = _by_rules(work, rules, patient_id, kept, names, broken)
        work.ledger.keep(kept["entry"])
        count += len(kept)
        capped += int(np.count_nonzero(kept["capped"]))
        unknown += int(np.count_nonzero(strangers[kept["sensor"]]))
        block = block_of(patient_id, kept, names)
        if (block.sensor < 0).any():
            nameless = worn.kind_of_readings(block)[block.sensor < 0]
            kindless += int((nameless < 0).sum())
        yield block
    work.ledger.close_table(READINGS.name)
    work.refuse_empty_join(READINGS.name)
    for rule, found in broken.items():
        work.ledger.note(
            rule, READINGS.name, None, found,
            f"{found:,} of {count:,} readings {RULES[rule].what}; kept.", "",
        )  # fmt: skip
    told = {
        "unknown sensor": (unknown, "name a sensor that is not in sensors; their kind is unknown"),
        "unknown kind": (
            kindless,
            "name no sensor, and no kind or both were worn that day; their kind is unknown",
        ),
        "capped": (
            capped if capped > MUCH_CAPPED * count else 0,
            f"({capped / max(count, 1):.1%}) stand for beyond a limit",
        ),
    }  # fmt: skip
    for rule, (found, what) in told.items():
        if found:
            sentence = f"{found} of {count} readings {what}."
            work.ledger.note(rule, READINGS.name, None, found, sentence, "")


def _by_rules(
    work: _Intake,
    rules: ReadingRules,
    patient_id: str,
    rows: Array,
    names: list[str],
    broken: dict[str, int],
) -> Array:
    """Return a patient's rows without those that a rule sets aside; count the noted ones."""
    out = np.zeros(len(rows), dtype=bool)
    for rule, found in rules.broken(patient_id, rows, names):
        found &= ~out
        count = int(np.count_nonzero(found))
        if not count:
            continue
        if work.ledger.severity(rule) == NOTE:
            broken[rule] = broken.get(rule, 0) + count
            continue
        set_rows_aside(patient_id, rows[found], names, work.ledger, rule, REASONS[rule])
        out |= found
    return rows[~out] if out.any() else rows


# --- what the study says of its making -----------------------------------------------------------


def _tell(work: _Intake) -> None:
    for table, count in work.bare_times.items():
        if count:
            zones = sorted({feed.zone for feed in work.of(table)})
            work.ledger.note(
                "times without offset", table, None, count,
                f"{count} times of {table} without an offset are read in {', '.join(zones)}.", "",
            )  # fmt: skip
    for table, count in work.untold_times.items():
        if count:
            work.ledger.note(
                "times left out", table, None, count,
                f"{count} times of {table} fall where the clock skips or repeats an hour; their "
                "day is kept, the time is not.", "",
            )  # fmt: skip
