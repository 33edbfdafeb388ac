"""The study: a folder of checked tables that every analysis opens.

A study is `versions/<fingerprint>/` and a small file `current` that names the one in use. The
fingerprint is taken over the content of the tables and readings, so that the same exports always
give the same one, and a report can name what it was made from.
"""

from __future__ import annotations

import hashlib
import html
import json
import platform
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import nullcontext
from dataclasses import dataclass, field, replace
from datetime import date
from importlib import metadata
from pathlib import Path
from typing import Any, Final, TypeAlias

import numpy as np
import pandas as pd
import pyarrow as pa

from outcomes.errors import StudyError, UsageError, known_names
from outcomes.schema import Column, Schema
from outcomes.tables.declared import DECLARED, READINGS, SENSORS
from outcomes.tables.parquet import (
    MEND,
    frame_digest,
    in_one_order,
    read_frame,
    storable,
    typed,
    write_frame,
)
from outcomes.tables.reading_blocks import ReadingBlock, block_of_frame
from outcomes.tables.reading_store import (
    PatientReadings,
    StoredReadings,
    read_patients,
    read_stored,
)
from outcomes.tables.reading_writer import ReadingsWriter
from outcomes.tables.versions import finish, sole_writer, version_folder
from outcomes.tables.worn_sensors import WornSensors

FORMAT: Final = 1

ACCOUNTING: Final = Schema(
    name="accounting",
    grain="one row per export file and the table it fed",
    columns=(
        Column(name="file", kind="text", meaning="name of the export file"),
        Column(name="table", kind="text", meaning="the table it fed"),
        Column(name="rows_read", kind="integer", meaning="rows below the headings"),
        Column(name="rows_kept", kind="integer", meaning="rows in the study"),
        Column(name="rows_set_aside", kind="integer", meaning="rows kept out, with reasons"),
        Column(name="exact_repeats", kind="integer", meaning="rows that repeat another one"),
        Column(
            name="rows_without_value", kind="integer", meaning="rows with nothing for this table"
        ),
    ),
    extra=True,  # then lines of the file, of its titles and of its end, and empty ones
)
FINDINGS: Final = Schema(
    name="findings",
    grain="one row per thing that a reader of the study should know",
    columns=(
        Column(name="rule", kind="text", meaning="short name of the rule"),
        Column(
            name="severity", kind="category", categories=("stop", "set aside", "note"),
            meaning="stop, set aside or note",
        ),
        Column(name="table", kind="text", required=False, meaning="the table"),
        Column(name="file", kind="text", required=False, meaning="the export file"),
        Column(name="rows", kind="integer", meaning="how many rows"),
        Column(name="sentence", kind="text", meaning="what was found"),
        Column(name="mend", kind="text", meaning="what to do about it"),
    ),
    extra=True,  # then the code of the rule
)  # fmt: skip
SET_ASIDE: Final = Schema(
    name="set_aside",
    grain="one row per row of an export that was kept out",
    extra=True,  # then the declared columns of all tables, as the text that stood in the file
    columns=(
        Column(name="file", kind="text", meaning="name of the export file"),
        Column(name="line", kind="integer", meaning="line of the file on which the row begins"),
        Column(name="table", kind="text", meaning="the table it would have fed"),
        Column(name="rule", kind="text", meaning="short name of the rule"),
        Column(name="reason", kind="text", meaning="why it was kept out"),
    ),
)
CHANGES: Final = Schema(
    name="changes",
    grain="one row per table",
    columns=(
        Column(name="table", kind="text", meaning="the table"),
        Column(name="rows_before", kind="integer", meaning="rows in the version replaced"),
        Column(name="rows_now", kind="integer", meaning="rows in this version"),
        Column(name="rows_new", kind="integer", meaning="rows that were not there"),
        Column(name="rows_gone", kind="integer", meaning="rows that are no longer there"),
        Column(
            name="rows_altered", kind="integer",
            meaning="rows with the same key and other content; 0 for tables without a key",
        ),
        Column(name="since", kind="text", meaning="fingerprint of the version replaced"),
    ),
)  # fmt: skip
About: TypeAlias = pd.DataFrame | Callable[[], pd.DataFrame] | None
ABOUT_THE_INTAKE: Final = {s.name: s for s in (ACCOUNTING, FINDINGS, SET_ASIDE)}


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Study:
    """One version of a study, open for reading. `open_study` makes it.

    `folder` is the study's folder, `place` that of this version, `version` its fingerprint;
    `counts` holds rows per table; `made_from` what the intake read.
    """

    folder: Path
    place: Path
    version: str
    clinic: str
    time_zone: str
    exported_on: date
    counts: Mapping[str, int] = field(default_factory=dict)
    made_from: Mapping[str, Any] = field(default_factory=dict)
    toolkit: Mapping[str, str] = field(default_factory=dict)
    scheduler: str | None = None  # of the cluster that makes the passes, where there is one

    def has(self, name: str) -> bool:
        """Return whether the table was among the clinic's exports, with or without rows."""
        return _declared(name).name in self.counts

    def table(self, name: str) -> pd.DataFrame:
        """Return a declared table; without rows, but typed, where the study does not have it.

        `readings` come as one frame too: for small studies only, `readings()` streams them.
        """
        schema = _declared(name)
        if not self.has(name):
            return schema.empty()
        if name == READINGS.name:
            frames = [patient.frame() for patient in self.readings()]
            return pd.concat(frames, ignore_index=True) if frames else schema.empty()
        return read_frame(self.place / f"{name}.parquet")

    @property
    def accounting(self) -> pd.DataFrame:
        """Rows read, kept, set aside and repeated, per file and table."""
        return read_frame(self.place / "accounting.parquet")

    @property
    def findings(self) -> pd.DataFrame:
        """What the intake found, with its severity and what to do about it."""
        return read_frame(self.place / "findings.parquet")

    @property
    def set_aside(self) -> pd.DataFrame:
        """Every row kept out: file, line, table, rule, reason, and its declared columns as text."""
        return read_frame(self.place / "set_aside.parquet")

    @property
    def changes(self) -> pd.DataFrame:
        """What this version says against the one it replaced; empty for a first one."""
        path = self.place / "changes.parquet"
        return read_frame(path) if path.is_file() else CHANGES.empty()

    @property
    def reading_index(self) -> pd.DataFrame:
        """One row per patient with readings: file, row group, rows, first and last time."""
        return read_frame(self.place / "reading_index.parquet")

    @property
    def streams(self) -> pd.DataFrame:
        """One row per patient and stream: sensor, kind (-1 unknown), unit, interval."""
        return read_frame(self.place / "streams.parquet")

    def reading_files(self) -> tuple[Path, ...]:
        """Return the Parquet files that hold the readings, in order."""
        return tuple(sorted((self.place / "readings").glob("*.parquet")))

    def readings(self, patient_ids: Iterable[str] | None = None) -> Iterator[PatientReadings]:
        """Yield the readings of each patient that has any, sorted by patient id.

        Parameters
        ----------
        patient_ids : iterable of str, optional
            Only these patients; those without readings are passed over.
        """
        index = self.reading_index
        if patient_ids is not None:
            index = index[index["patient_id"].isin(list(patient_ids))]
        yield from read_patients(self.place / "readings", index, self.streams)

    def stored_readings(self, patient_ids: Iterable[str] | None = None) -> Iterator[StoredReadings]:
        """Yield what `readings` yields, as it lies on disk: for passes over very many readings."""
        index = self.reading_index
        if patient_ids is not None:
            index = index[index["patient_id"].isin(list(patient_ids))]
        yield from read_stored(self.place / "readings", index, self.streams)

    def __repr__(self) -> str:
        """Say what the study holds, as text."""
        rows = ", ".join(f"{name} {count:,}" for name, count in self.counts.items())
        return (
            f"Study of {self.clinic}, exported on {self.exported_on}, version {self.version[:12]}\n"
            f"Rows: {rows}\nFindings: {_finding_counts(self.findings)}"
        )

    def _repr_html_(self) -> str:
        lines = "".join(f"<p>{html.escape(line)}</p>" for line in repr(self).splitlines())
        return f"<div>{lines}</div>"


def _finding_counts(findings: pd.DataFrame) -> str:
    counts = findings["severity"].value_counts()
    return ", ".join(f"{name} {count}" for name, count in counts.items()) or "none"


def _declared(name: str) -> Schema:
    if name not in DECLARED:
        raise UsageError(known_names("table", name, DECLARED))
    return DECLARED[name]


def write_study(
    folder: str | Path,
    tables: Mapping[str, pd.DataFrame],
    *,
    clinic: str,
    time_zone: str,
    exported_on: date,
    readings: pd.DataFrame | Iterable[pd.DataFrame] | Iterable[ReadingBlock] | None = None,
    accounting: About = None,
    findings: About = None,
    set_aside: About = None,
    made_from: Mapping[str, Any] | Callable[[], Mapping[str, Any]] | None = None,
    compare: Callable[[Study, Study], pd.DataFrame] | None = None,
    unfinished: Path | None = None,
) -> Study:
    """Write a version of a study from checked tables, point to it, and open it.

    Parameters
    ----------
    folder : path
        The study's folder; made where it does not exist. Earlier versions stay.
    tables : mapping of name to DataFrame
        Declared tables by name, each keeping its declaration. `readings` may stand here too.
    clinic, time_zone, exported_on
        Whose study it is, the zone of its local days, and the day of the export.
    readings : DataFrame or iterable of DataFrames (or blocks), optional
        In the declared columns of `readings`; each frame of an iterable holds whole patients, so
        that memory stays bounded.
    accounting, findings, set_aside : DataFrame, or a function that returns one, optional
        What the intake tells of itself; empty where absent. A function is called, in this order,
        once all readings are written, since only then the account is complete.
    made_from : mapping, or a function that returns one, optional
        What the study was made from, in plain JSON types.
    compare : function of two studies, optional
        Returns what this version changes against the one it replaces, where there is one.
    unfinished : path, optional
        Where the caller holds the study's lock already (`sole_writer`): the folder it was given.

    Returns
    -------
    Study

    Raises
    ------
    TableError
        A table breaks its declaration, or a patient's readings come in two frames.
    UsageError
        A table is not declared.
    WriteError
        Another intake is writing, or the folder cannot be written.
    """
    given = {name: frame for name, frame in tables.items() if name != READINGS.name}
    if readings is None:
        readings = tables.get(READINGS.name)
    checked = {name: _checked(name, frame) for name, frame in given.items()}
    about = {"accounting": accounting, "findings": findings, "set_aside": set_aside}
    folder = Path(folder)
    with sole_writer(folder) if unfinished is None else nullcontext(unfinished) as unfinished:
        digest = hashlib.sha256(f"{FORMAT}\0{clinic}\0{time_zone}\0".encode())
        for name in sorted(checked):
            write_frame(checked[name], unfinished / f"{name}.parquet")
            digest.update(name.encode() + frame_digest(checked[name]))
        counts = {name: len(checked[name]) for name in DECLARED if name in checked}
        worn = WornSensors.from_table(checked.get("sensors", SENSORS.empty()))
        with ReadingsWriter(folder=unfinished / "readings", worn=worn) as writer:
            for block in _blocks(readings):
                writer.write(block)
        write_frame(writer.index, unfinished / "reading_index.parquet")
        write_frame(writer.streams, unfinished / "streams.parquet")
        if readings is not None:
            counts[READINGS.name] = writer.rows
            digest.update(writer.digest())
        for name, frame in about.items():
            _write_about(name, frame, unfinished)
        version = digest.hexdigest()[:32]
        description = {
            "format": FORMAT,
            "version": version,
            "clinic": clinic,
            "time_zone": time_zone,
            "exported_on": exported_on.isoformat(),
            "counts": counts,
            "made_from": dict((made_from() if callable(made_from) else made_from) or {}),
            "toolkit": _toolkit(),
            "files": sorted(
                str(path.relative_to(unfinished).as_posix())
                for path in unfinished.rglob("*.parquet")
            ),
        }
        # One line a key: thousands of files would take a second to write out with indents.
        lines = (f'"{k}": {json.dumps(v, ensure_ascii=False)}' for k, v in description.items())
        text = "{\n" + ",\n".join(lines) + "\n}\n"
        (unfinished / "study.json").write_text(text, encoding="utf-8")
        refreshed = (*(f"{name}.parquet" for name in about), "study.json")
        if compare is not None and (replaced := _study_before(folder)) is not None:
            found = compare(replaced, _opened(folder, unfinished, description))
            write_frame(found, unfinished / "changes.parquet")
            refreshed = (*refreshed, "changes.parquet")
        finish(unfinished, version, refreshed=refreshed)
    return open_study(folder, version=version)


def _checked(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    schema = _declared(name)
    schema.check(frame)
    return in_one_order(typed(frame, schema), schema)


def _blocks(
    readings: pd.DataFrame | Iterable[pd.DataFrame] | Iterable[ReadingBlock] | None,
) -> Iterator[ReadingBlock]:
    if readings is None:
        return
    for part in [readings] if isinstance(readings, pd.DataFrame) else readings:
        yield part if isinstance(part, ReadingBlock) else block_of_frame(part)


def _write_about(name: str, given: About, unfinished: Path) -> None:
    schema = ABOUT_THE_INTAKE[name]
    told = given() if callable(given) else given
    frame = schema.empty() if told is None else told
    schema.check(frame)
    extra = {c: storable(frame[c]) for c in frame.columns if c not in schema.names}
    write_frame(
        pd.DataFrame({c: frame[c] for c in schema.names} | extra), unfinished / f"{name}.parquet"
    )


def _toolkit() -> dict[str, str]:
    try:
        own = metadata.version("outcomes")
    except metadata.PackageNotFoundError:  # run from a source tree
        own = "source tree"
    return {
        "outcomes": own,
        "python": platform.python_version(),
        "pandas": pd.__version__,
        "numpy": np.__version__,
        "pyarrow": pa.__version__,
    }


def open_study(
    folder: str | Path, *, version: str | None = None, scheduler: str | None = None
) -> Study:
    """Open a study: the version in use, or the one asked for.

    Parameters
    ----------
    folder : path
        The folder that intake wrote.
    version : str, optional
        Fingerprint of an earlier version, as a report prints it.
    scheduler : str, optional
        Address of a cluster's scheduler that is to make the passes over the readings, such as
        "tcp://127.0.0.1:8786"; see `outcomes.glucose.Workers`. No number depends on it.

    Raises
    ------
    StudyError
        There is no study, it is damaged, or another version of the toolkit wrote its format.
    """
    folder = Path(folder)
    place = version_folder(folder, version)
    try:
        told = json.loads((place / "study.json").read_text(encoding="utf-8"))
        form = int(told["format"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise StudyError(f"{folder.name}, study.json: absent or damaged. {MEND}") from error
    if form > FORMAT:
        raise StudyError(
            f"{folder.name}: format {form} is newer than this toolkit reads ({FORMAT}). "
            "Update the toolkit."
        )
    if form < FORMAT:
        raise StudyError(f"{folder.name}: format {form} is older than {FORMAT}. Run intake again.")
    absent = [name for name in told.get("files", ()) if not (place / name).is_file()]
    if absent:
        raise StudyError(f"{folder.name}: {', '.join(absent)} is missing. {MEND}")
    return replace(_opened(folder, place, told), scheduler=scheduler or None)


def _opened(folder: Path, place: Path, told: Mapping[str, Any]) -> Study:
    try:
        return Study(
            folder=folder,
            place=place,
            version=told["version"],
            clinic=told["clinic"],
            time_zone=told["time_zone"],
            exported_on=date.fromisoformat(str(told["exported_on"])),
            counts=told["counts"],
            made_from=told["made_from"],
            toolkit=told["toolkit"],
        )
    except (KeyError, ValueError, TypeError) as error:
        raise StudyError(f"{folder.name}, study.json: damaged. {MEND}") from error


def _study_before(folder: Path) -> Study | None:
    """Return the version in use; None where there is none that can be read."""
    try:
        return open_study(folder)
    except StudyError:
        return None
