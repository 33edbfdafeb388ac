"""Reading a clinic's exports into a study folder: nothing lost, nothing guessed.

Every row of every file ends in one of four places, and the account says how many are in each:
kept, set aside with its reason, an exact repeat of another row, or a row that has nothing for the
table (an empty cell under the heading that the table lives on). Patients are read first, since
every other row must name one of them; rules across tables come when all small tables are read.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.plan.sources import Sources
from outcomes.schema import DTYPES, Column, Schema
from outcomes.tables.changes import changes
from outcomes.tables.code_maps import with_code_maps
from outcomes.tables.crossing import Tables, WholeTable, crossed
from outcomes.tables.declared import (
    DECLARED,
    FINGERSTICKS,
    HBA1C_UNITS,
    READINGS,
)
from outcomes.tables.feeding import Feed, feeds_of
from outcomes.tables.intake_readings import blocks, collect, fingersticks
from outcomes.tables.intake_work import TIMED, Intake
from outcomes.tables.judging import Judged
from outcomes.tables.ledger import Ledger
from outcomes.tables.pseudonyms import pseudonymiser
from outcomes.tables.rules import severities
from outcomes.tables.source_files import found_files
from outcomes.tables.study import Study, write_study
from outcomes.tables.timed_rows import TimedRows
from outcomes.tables.times import local_day
from outcomes.tables.values import Problems
from outcomes.tables.versions import sole_writer
from outcomes.tables.whole_tables import checked_whole

Array = npt.NDArray[Any]


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
    work = Intake(
        sources=sources,
        feeds=with_code_maps(feeds_of(sources)),
        say=progress or (lambda line: None),
        advance=advance or (lambda share: None),
        ledger=Ledger(severity_of=severities(sources.severity)),
        pseudonym=hidden,
        problems=Problems(discreet=hidden is not None),
    )
    work.all_bytes = sum(file.size for feed in work.feeds for file in found_files(feed))
    folder = Path(folder)
    # The lock is taken before the first row is read: a second intake is refused at once.
    with sole_writer(folder) as unfinished:
        tables = _small_tables(work)
        spill = unfinished.with_name(f"{unfinished.name}-rows")
        if work.of(FINGERSTICKS.name):
            tables[FINGERSTICKS.name] = fingersticks(work, spill)
        with TimedRows(spill=spill) as rows:
            return _written(work, tables, rows, folder, unfinished)


def _written(
    work: Intake,
    tables: dict[str, pd.DataFrame],
    rows: TimedRows,
    folder: Path,
    unfinished: Path,
) -> Study:
    clinic = work.sources.clinic
    fed = work.of(READINGS.name)
    collect(work, fed, rows)

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
        readings=blocks(work, rows, tables) if fed else None,
        accounting=account,
        findings=work.ledger.findings,
        set_aside=work.ledger.all_set_aside,
        made_from=lambda: _made_from(work),
        compare=changes,
        unfinished=unfinished,
    )


def _made_from(work: Intake) -> dict[str, Any]:
    return {
        "sources_sha256": _digest_of(work.sources.path),
        "files": work.files,
        "converted": work.converted,
        "pseudonyms": work.pseudonym is not None,
    }


def _digest_of(path: Path | None) -> str | None:
    return hashlib.sha256(path.read_bytes()).hexdigest() if path and path.is_file() else None


# --- tables that fit in memory -------------------------------------------------------------------


def _small_tables(work: Intake) -> dict[str, pd.DataFrame]:
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


def _small_table(work: Intake, name: str) -> WholeTable:
    parts = [
        (*_typed(feed, part), part.entry[part.good], part.lines[part.good])
        for feed in work.of(name)
        for part in work.judged(feed)
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
        return pd.Series(measured.value[measured.codes[good]])
    if measured is not None and column.name == "unit":
        return pd.Series(np.array(HBA1C_UNITS, dtype=object)[measured.unit[measured.codes[good]]])
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


def _note_unrecorded(work: Intake, name: str) -> None:
    for column in DECLARED[name].columns:
        if column.required and "unknown" in column.categories:
            without = [f for f in work.of(name) if column.name not in f.columns]
            for feed in without:
                work.ledger.note(
                    "not recorded", name, None, 0,
                    f"{name}: source {feed.number + 1} has no {column.name}; it is 'unknown'.", "",
                )  # fmt: skip


# --- what the study says of its making -----------------------------------------------------------


def _tell(work: Intake) -> None:
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
