"""Readings on disk: files of whole patients, row groups of one patient, sorted by time.

A row group holds `time` (int64, microseconds UTC, delta-coded), `value`, `local_offset` (minutes),
`capped` (-1 below, 0, 1 above) and `stream`. A *stream* is what is constant for many readings: the
sensor, its kind, the unit and the interval; the small table `streams` spells each out. A value is
stored as int16, whole mg/dL or tenths of mmol/L; a patient with a value that this cannot hold
exactly goes to files of float64 in the value's own unit. The numbers read back are those written.
A file's footer holds an index (`reading_runs`), so that a pass decodes `time` and `value` alone.
"""

from __future__ import annotations

import hashlib
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, fields
from pathlib import Path
from types import TracebackType
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from outcomes.errors import StudyError, TableError
from outcomes.tables.compiled import compiled
from outcomes.tables.declared import CAPPED, GLUCOSE_UNITS, KINDS, READINGS
from outcomes.tables.parquet import MEND
from outcomes.tables.reading_runs import INDEXED, footer_of, runs_by_group, runs_of, spelt_out

Array = npt.NDArray[Any]

INDEX_COLUMNS: Final = (
    "patient_id", "file", "row_group", "rows", "first_time", "last_time", "digest",
)  # fmt: skip
STREAM_COLUMNS: Final = (
    "patient_id", "stream", "sensor_id", "kind", "unit", "interval_minutes",
)  # fmt: skip
SCALE: Final = np.array([1.0, 10.0])  # stored whole numbers per mg/dL and per mmol/L
DEFAULT_INTERVAL: Final = 5  # minutes, where a patient's readings show none
WIDEST_SPAN: Final = 1_000_000
LONGEST_INTERVAL: Final = 30  # minutes; a longer distance is a gap, not an interval
FILE_ROWS: Final = 4_000_000
WAITING_ROWS: Final = 400_000  # that may wait to be written
GROUP_ROWS: Final = 4_000_000  # of a row group at most; a patient with more has several
MICROSECONDS_PER_MINUTE: Final = 60_000_000
MICROSECONDS_PER_DAY: Final = 86_400_000_000
CAPPED_CODES: Final = np.array([0, -1, 1], dtype=np.int8)  # in the order of CAPPED


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class PatientReadings:
    """All readings of one patient, in order of time; every array has one entry a reading.

    `time` is int64 microseconds UTC, ascending; `local_offset` minutes of local time over UTC;
    `value` float64 in its own unit; `unit` an index into `GLUCOSE_UNITS`; `capped` -1 below a
    limit, 0, 1 above; `kind` an index into `KINDS`, -1 unknown; `interval` the minutes that a
    reading owns; `sensor` an index into `sensors`, -1 where none is named.
    """

    patient_id: str
    time: Array
    local_offset: Array
    value: Array
    unit: Array
    capped: Array
    kind: Array
    interval: Array
    sensor: Array
    sensors: tuple[str, ...]

    def __len__(self) -> int:
        """Return the number of readings."""
        return len(self.time)

    def __repr__(self) -> str:
        """Say whose readings and how many, without values."""
        return f"<PatientReadings of {self.patient_id}: {len(self)} readings>"

    @property
    def local_day(self) -> Array:
        """Local calendar day of each reading, as int64 days since 1970-01-01."""
        return local_days(self.time, self.local_offset)

    def frame(self) -> pd.DataFrame:
        """Return the readings as a frame in the declared columns of `readings`."""
        names = np.array([*self.sensors, None], dtype=object)
        return pd.DataFrame(
            {
                "patient_id": np.full(len(self), self.patient_id, dtype=object),
                "time": self.time.astype("datetime64[us]").astype("datetime64[ns]"),
                "local_offset": pd.array(self.local_offset.astype("int64"), dtype="Int64"),
                "value": self.value.astype("float64"),
                "unit": np.array(GLUCOSE_UNITS, dtype=object)[self.unit],
                "capped": np.array([*CAPPED[::2], CAPPED[1]], dtype=object)[self.capped],
                "sensor_id": names[self.sensor],
            }
        )


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class StoredReadings:
    """All readings of one patient as they lie on disk: what the compiled pass takes.

    `time`, `local_offset` and `capped` as in `PatientReadings`. `value` is int16, whole mg/dL or
    tenths of mmol/L; where those cannot hold every value it is empty and `exact` holds float64 in
    the value's own unit (`exact` is empty otherwise). `stream` is an index into the short arrays
    `unit_of`, `kind_of` and `interval_of` (minutes). Nothing is spelt out reading by reading,
    which is three quarters of the time that `PatientReadings` takes.
    """

    patient_id: str
    time: Array
    local_offset: Array
    value: Array
    exact: Array
    capped: Array
    stream: Array
    unit_of: Array
    kind_of: Array
    interval_of: Array

    def __post_init__(self) -> None:
        """Lock every array: compiled code is made anew for arrays that may be written."""
        for f in fields(self)[1:]:
            getattr(self, f.name).setflags(write=False)

    def __len__(self) -> int:
        """Return the number of readings."""
        return len(self.time)

    def __repr__(self) -> str:
        """Say whose readings and how many, without values."""
        return f"<StoredReadings of {self.patient_id}: {len(self)} readings>"


def local_days(time: Array, local_offset: Array) -> Array:
    """Return the local calendar day of each instant, as days since 1970-01-01."""
    local = time + local_offset.astype(np.int64) * MICROSECONDS_PER_MINUTE
    return np.floor_divide(local, MICROSECONDS_PER_DAY)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class ReadingBlock:
    """Checked readings of one whole patient on their way to disk, in any order.

    `sensor` is an index into `sensors`, -1 where none is named; the rest as in `PatientReadings`.
    """

    patient_id: str
    time: Array
    local_offset: Array
    value: Array
    unit: Array
    capped: Array
    sensor: Array
    sensors: tuple[str, ...]
    kind: Array | None = None  # of each reading, where it has been found out already

    def in_order(self) -> ReadingBlock:
        """Return the same readings sorted by time and then sensor, the sensors by name."""
        by_name = sorted(range(len(self.sensors)), key=lambda i: self.sensors[i])
        place = np.full(len(self.sensors) + 1, -1, dtype=np.int32)
        place[by_name] = np.arange(len(by_name))
        sensor = place[self.sensor]
        # Most come in order, no two at one time: then nothing is moved.
        sorted_already = bool((self.time[1:] > self.time[:-1]).all())
        order = slice(None) if sorted_already else np.lexsort((sensor, self.time))
        return ReadingBlock(
            patient_id=self.patient_id,
            time=self.time[order].astype(np.int64),
            local_offset=self.local_offset[order].astype(np.int16),
            value=self.value[order].astype(np.float64),
            unit=self.unit[order].astype(np.int8),
            capped=self.capped[order].astype(np.int8),
            sensor=sensor[order],
            sensors=tuple(self.sensors[i] for i in by_name),
            kind=None if self.kind is None else self.kind[order],
        )

    def digest(self) -> bytes:
        """Return a digest of the readings; call it on a block that is in order."""
        digest = hashlib.sha256(f"{self.patient_id}\0".encode())
        digest.update("\0".join(self.sensors).encode())
        for values in (self.time, self.local_offset, self.value, self.unit, self.capped):
            digest.update(values.data)
        digest.update(self.sensor.data)
        return digest.digest()


def blocks_of(frame: pd.DataFrame) -> Iterator[ReadingBlock]:
    """Yield one block a patient from a frame in the declared columns of `readings`.

    Raises
    ------
    TableError
        The frame breaks a declared rule of `readings`.
    """
    READINGS.check(frame)
    for patient_id, rows in frame.groupby("patient_id", sort=True):
        sensor, sensors = pd.factorize(rows["sensor_id"])
        yield ReadingBlock(
            patient_id=str(patient_id),
            time=rows["time"].to_numpy().astype("datetime64[us]").astype(np.int64),
            local_offset=rows["local_offset"].to_numpy(dtype="int16"),
            value=rows["value"].to_numpy(dtype="float64"),
            unit=pd.Categorical(rows["unit"], categories=list(GLUCOSE_UNITS)).codes,
            capped=CAPPED_CODES[pd.Categorical(rows["capped"], categories=list(CAPPED)).codes],
            sensor=sensor,
            sensors=tuple(map(str, sensors)),
        )


# --- which kind of sensor gave a reading, and how many minutes it owns ---------------------------


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class WornSensors:
    """The sensors of every patient: kind by id, and the days on which each was worn."""

    kind_of: dict[str, int]
    by_patient: dict[str, Array]  # columns: kind, first day, last day (days since 1970-01-01)

    @classmethod
    def from_table(cls, sensors: pd.DataFrame) -> WornSensors:
        """Read `sensors`; a sensor without an end is worn on every later day."""
        kind = np.asarray(pd.Categorical(sensors["kind"], categories=list(KINDS)).codes, np.int64)
        ended = sensors["stopped_on"].fillna(sensors["removed_on"])
        ended = ended.fillna(pd.Timestamp("2200-01-01"))
        days = [
            values.to_numpy().astype("datetime64[D]").astype(np.int64)
            for values in (sensors["placed_on"], ended)
        ]
        lives = np.column_stack([kind, *days])
        rows = sensors.groupby("patient_id").indices
        return cls(
            kind_of=dict(zip(sensors["sensor_id"], kind.tolist(), strict=True)),
            by_patient={str(patient): lives[places] for patient, places in rows.items()},
        )

    def kind_of_readings(self, block: ReadingBlock) -> Array:
        """Return the kind behind each reading, -1 where it is not known.

        A named sensor says it; one that the table does not know stays unknown. Without a name it
        is the only kind that the patient wore on that local day.
        """
        named = np.array([self.kind_of.get(s, -1) for s in block.sensors] + [-1], dtype=np.int8)
        kind = named[block.sensor]
        nameless = block.sensor < 0
        if nameless.any():
            days = local_days(block.time[nameless], block.local_offset[nameless])
            kind[nameless] = self._only_kind_worn(block.patient_id, days)
        return kind

    def _only_kind_worn(self, patient_id: str, days: Array) -> Array:
        lives = self.by_patient.get(patient_id)
        if lives is None:
            return np.full(len(days), -1, dtype=np.int8)
        kinds = self._kinds_throughout(lives, int(days.min()), int(days.max()))
        if kinds is not None:
            return np.full(len(days), kinds, dtype=np.int8)
        each_day, which = different(days)
        worn = np.zeros((len(KINDS), len(each_day)), dtype=bool)
        for kind, first, last in lives:
            worn[kind, np.searchsorted(each_day, first) : np.searchsorted(each_day, last + 1)] = (
                True
            )
        only = np.where(worn.sum(axis=0) == 1, worn.argmax(axis=0), -1).astype(np.int8)
        return only[which]

    @staticmethod
    def _kinds_throughout(lives: Array, first: int, last: int) -> int | None:
        """Return the only kind worn on all days from first to last; None where that differs."""
        kind, begun, ended = lives.T
        touched = (begun <= last) & (ended >= first)
        if not touched.any():
            return -1
        kinds = kind[touched]
        throughout = touched & (begun <= first) & (ended >= last)
        return int(kinds[0]) if throughout.any() and (kinds == kinds[0]).all() else None


def different(values: Array) -> tuple[Array, Array]:
    """Return the different values in order, and the place of each value among them.

    What `numpy.unique` returns, without sorting: for whole numbers that lie close together.
    """
    if not len(values):
        return np.unique(values, return_inverse=True)
    least = int(values.min())
    span = int(values.max()) - least
    if not span:
        return values[:1].copy(), np.zeros(len(values), dtype=np.int64)
    if span > WIDEST_SPAN:
        return np.unique(values, return_inverse=True)
    there = np.zeros(span + 1, dtype=bool)
    there[values - least] = True
    place = np.cumsum(there) - 1
    return np.flatnonzero(there) + least, place[values - least]


def reading_intervals(time: Array, group: Array, kind_of_group: Array) -> Array:
    """Return the interval of each group of readings, in minutes.

    It is the commonest distance of 1 to 30 whole minutes between consecutive readings of the
    group (the shortest of several equally common ones); for a group without any, that of the
    groups of the same kind together; failing that, 5 minutes.

    Parameters
    ----------
    time : int64 microseconds, ascending
    group : index of each reading's group
    kind_of_group : kind of each group
    """
    groups = len(kind_of_group)
    counts = np.zeros((groups, LONGEST_INTERVAL + 1), dtype=np.int64)
    _count_distances(time, group, counts, np.full(groups, -1, dtype=np.int64))
    interval = np.empty(groups, dtype=np.int16)
    for i in range(groups):
        own, same_kind = counts[i], counts[kind_of_group == kind_of_group[i]].sum(axis=0)
        best = own if own.any() else same_kind
        interval[i] = best.argmax() if best.any() else DEFAULT_INTERVAL
    return interval


@compiled
def _count_distances(time: Array, group: Array, counts: Array, last: Array) -> None:
    """Count by group the whole minutes between readings; `last` is where each was seen last."""
    for row in range(len(time)):
        own = group[row]
        if last[own] >= 0:
            minutes = int(np.rint((time[row] - time[last[own]]) / MICROSECONDS_PER_MINUTE))
            if 1 <= minutes <= LONGEST_INTERVAL:
                counts[own, minutes] += 1
        last[own] = row


def _streams(block: ReadingBlock, kind: Array) -> tuple[Array, tuple[Array, ...]]:
    by_sensor = (block.sensor.astype(np.int64) + 1) * 4 + kind + 1
    lives, life = different(by_sensor)
    interval = reading_intervals(block.time, life, lives % 4)
    combined = life * 2 + block.unit
    combinations, stream = different(combined)
    life_of = combinations // 2
    names = np.array([None, *block.sensors], dtype=object)
    table: tuple[Array, ...] = (
        np.full(len(combinations), block.patient_id, dtype=object),
        np.arange(len(combinations)),
        names[lives[life_of] // 4],
        lives[life_of] % 4 - 1,
        combinations % 2,
        interval[life_of].astype(np.int64),
    )  # in the order of STREAM_COLUMNS
    return stream, table


# --- writing ------------------------------------------------------------------------------------


def _file_schema(value_type: pa.DataType, stream_type: pa.DataType) -> pa.Schema:
    return pa.schema(
        [
            ("time", pa.int64()),
            ("value", value_type),
            ("local_offset", pa.int16()),
            ("capped", pa.int8()),
            ("stream", stream_type),
        ]
    )


def _arrow(values: Array, kind: pa.DataType) -> pa.Array:
    """Return numbers as an arrow array of the same type, without a copy."""
    return pa.Array.from_buffers(kind, len(values), [None, pa.py_buffer(values)])


@dataclass(kw_only=True, eq=False, repr=False)
class _OpenFile:
    """A reading file that still grows."""

    writer: pq.ParquetWriter
    name: str
    groups: int = 0
    rows: int = 0
    runs: list[Array] = field(default_factory=list)

    def append(self, columns: dict[str, Array]) -> None:
        """Write the readings of one patient."""
        runs = runs_of(columns, self.groups)
        if runs is not None:
            self.runs.append(runs)
        table = pa.Table.from_arrays(
            [_arrow(columns[f.name], f.type) for f in self.writer.schema],
            schema=self.writer.schema,
        )
        self.writer.write_table(table, row_group_size=GROUP_ROWS)
        self.groups += -(-len(table) // GROUP_ROWS)
        self.rows += len(table)

    def close(self) -> None:
        """Write the index of the runs, and end the file."""
        self.writer.add_key_value_metadata(footer_of(self.runs))
        self.writer.close()


@dataclass(kw_only=True, eq=False, repr=False)
class ReadingsWriter:
    """Writes blocks into `folder`, one row group a patient, and keeps the index of what is where.

    Used as a context; afterwards `index`, `streams`, `rows` and `digest()` tell what was written.
    A thread of its own writes, while the caller makes the next blocks; an error of it is raised by
    the next call or at the end.
    """

    folder: Path
    worn: WornSensors
    rows: int = 0
    _patients: set[str] = field(default_factory=set)
    _thread: ThreadPoolExecutor = field(default_factory=lambda: ThreadPoolExecutor(1))
    _waiting: deque[tuple[Future[None], int]] = field(default_factory=deque)
    _waiting_rows: int = 0
    _open: dict[str, _OpenFile] = field(default_factory=dict)
    _index: list[tuple[Any, ...]] = field(default_factory=list)
    _streams: list[tuple[Array, ...]] = field(default_factory=list)
    _digests: dict[str, bytes] = field(default_factory=dict)
    _files: int = 0

    def __enter__(self) -> ReadingsWriter:
        """Make the folder."""
        self.folder.mkdir()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        """Write what is waiting, unless something failed, and close every open file."""
        try:
            if error is None:
                self._wait(0)
        finally:
            self._thread.shutdown(cancel_futures=True)
            for file in self._open.values():
                file.close()

    def _wait(self, most: int) -> None:
        """Wait until at most so many readings wait to be written; raise what failed."""
        while self._waiting and self._waiting_rows > most:
            written, rows = self._waiting.popleft()
            self._waiting_rows -= rows
            written.result()

    def write(self, block: ReadingBlock) -> None:
        """Write all readings of one patient.

        Raises
        ------
        TableError
            The patient was written before: blocks must hold whole patients.
        """
        if block.patient_id in self._patients:
            raise TableError(
                f"readings: patient {block.patient_id} comes in two blocks. "
                "Give all readings of a patient in one frame."
            )
        if not len(block.time):
            return
        self._patients.add(block.patient_id)
        self._wait(WAITING_ROWS)
        self._waiting.append((self._thread.submit(self._write, block), len(block.time)))
        self._waiting_rows += len(block.time)

    def _write(self, block: ReadingBlock) -> None:
        block = block.in_order()
        kind = self.worn.kind_of_readings(block) if block.kind is None else block.kind
        stream, streams = _streams(block, kind)
        self._streams.append(streams)
        self._digests[block.patient_id] = block.digest()
        scaled = np.rint(block.value * SCALE[block.unit])
        whole = bool(
            (np.abs(scaled) <= 32767).all() and (scaled / SCALE[block.unit] == block.value).all()
        )
        columns = {
            "time": block.time,
            "value": scaled.astype(np.int16) if whole else block.value,
            "local_offset": block.local_offset,
            "capped": block.capped,
            "stream": stream.astype(np.int32),
        }
        self._append("whole" if whole else "decimal", columns, block)

    def _append(self, form: str, columns: dict[str, Array], block: ReadingBlock) -> None:
        rows = len(block.time)
        file = self._open.get(form) or self._new_file(form)
        first, last = int(block.time[0]), int(block.time[-1])
        digest = self._digests[block.patient_id].hex()
        self._index.append((block.patient_id, file.name, file.groups, rows, first, last, digest))
        file.append(columns)
        self.rows += rows
        if file.rows >= FILE_ROWS:
            file.close()
            self._open.pop(form, None)
        else:
            self._open[form] = file

    def _new_file(self, form: str) -> _OpenFile:
        name = f"{form}-{self._files:05d}.parquet"
        self._files += 1
        writer = pq.ParquetWriter(
            self.folder / name,
            _file_schema(pa.int16() if form == "whole" else pa.float64(), pa.int32()),
            compression="lz4",
            use_dictionary=["value", "local_offset", "capped", "stream"],
            column_encoding={"time": "DELTA_BINARY_PACKED"},
            write_statistics=False,
        )
        return _OpenFile(writer=writer, name=name)

    @property
    def index(self) -> pd.DataFrame:
        """Where each patient's readings are, one row a patient, sorted by patient."""
        index = pd.DataFrame(self._index, columns=list(INDEX_COLUMNS))
        return _as_whole(index, ("row_group", "rows", "first_time", "last_time"), "patient_id")

    @property
    def streams(self) -> pd.DataFrame:
        """What each stream number of a patient stands for."""
        if not self._streams:
            streams = pd.DataFrame(columns=list(STREAM_COLUMNS), dtype=object)
        else:
            columns = (np.concatenate(parts) for parts in zip(*self._streams, strict=True))
            streams = pd.DataFrame(dict(zip(STREAM_COLUMNS, columns, strict=True)))
        whole = ("stream", "kind", "unit", "interval_minutes")
        return _as_whole(streams, whole, "patient_id", "stream")

    def digest(self) -> bytes:
        """Return a digest over all patients, whatever the order in which they came."""
        return hashlib.sha256(b"".join(self._digests[p] for p in sorted(self._digests))).digest()


def _as_whole(frame: pd.DataFrame, whole: Iterable[str], *by: str) -> pd.DataFrame:
    typed = frame.astype(dict.fromkeys(whole, "Int64"))
    return typed.sort_values(list(by), ignore_index=True)


# --- reading back -------------------------------------------------------------------------------


def read_patients(
    folder: Path, index: pd.DataFrame, streams: pd.DataFrame
) -> Iterator[PatientReadings]:
    """Yield the readings of every patient of `index`, in its order.

    Raises
    ------
    StudyError
        A file is absent or damaged.
    """
    for patient_id, group, _, own in _row_groups(folder, index, streams, indexed=False):
        yield _patient(patient_id, group, own)


def read_stored(
    folder: Path, index: pd.DataFrame, streams: pd.DataFrame
) -> Iterator[StoredReadings]:
    """Yield the readings of every patient of `index` as they lie on disk, in its order.

    Raises
    ------
    StudyError
        A file is absent or damaged.
    """
    for patient_id, group, runs, own in _row_groups(folder, index, streams, indexed=True):
        yield _stored(patient_id, group, runs, own)


def _row_groups(
    folder: Path, index: pd.DataFrame, streams: pd.DataFrame, *, indexed: bool
) -> Iterator[tuple[str, pa.Table, Array | None, dict[str, Array]]]:
    """Yield id, readings, runs and streams of each patient; with runs, time and value alone."""
    of_patient = streams.groupby("patient_id").indices
    columns = {name: streams[name].to_numpy() for name in STREAM_COLUMNS}
    opened: tuple[str, pq.ParquetFile, dict[int, Array]] | None = None
    for row in index.itertuples():
        try:
            if opened is None or opened[0] != row.file:
                file = pq.ParquetFile(folder / str(row.file))
                opened = (str(row.file), file, runs_by_group(file) if indexed else {})
            runs = opened[2].get(int(row.row_group))
            group = _whole_patient(opened[1], int(row.row_group), int(row.rows), runs)
        except (OSError, ValueError, pa.ArrowException, IndexError) as error:
            raise StudyError(f"readings, {row.file}: absent or damaged. {MEND}") from error
        _refuse_another(group, runs, row)
        places = of_patient[row.patient_id]
        own = {name: values[places] for name, values in columns.items()}
        yield str(row.patient_id), group, runs, own


def _whole_patient(file: pq.ParquetFile, first: int, rows: int, runs: Array | None) -> pa.Table:
    """Read the row groups of one patient: from the first on, until they hold so many rows."""
    groups, held = [first], file.metadata.row_group(first).num_rows
    while held < rows and groups[-1] + 1 < file.metadata.num_row_groups:
        groups.append(groups[-1] + 1)
        held += file.metadata.row_group(groups[-1]).num_rows
    columns = None if runs is None else ["time", "value"]
    return file.read_row_groups(groups, columns=columns, use_threads=False)


def _refuse_another(group: pa.Table, runs: Array | None, row: Any) -> None:
    """Refuse row groups that are not those of the index: the readings would be someone else's."""
    time = group["time"]
    ends = (time[0].as_py(), time[-1].as_py()) if len(time) else None
    told = row.rows if runs is None else int(runs[:, 0].sum())
    if not len(group) == row.rows == told or ends != (row.first_time, row.last_time):
        raise StudyError(
            f"readings of {row.patient_id}, {row.file}: not what the index says. {MEND}"
        )


def _stored(
    patient_id: str, group: pa.Table, runs: Array | None, streams: dict[str, Array]
) -> StoredReadings:
    def column(name: str) -> Array:
        chunks = group[name].chunks
        return chunks[0].to_numpy() if len(chunks) == 1 else group[name].to_numpy()

    value = column("value")
    whole = value.dtype.kind == "i"
    constant = spelt_out(runs) if runs is not None else {name: column(name) for name in INDEXED}
    return StoredReadings(
        patient_id=patient_id,
        time=column("time"),
        value=value if whole else np.empty(0, dtype=np.int16),
        exact=np.empty(0) if whole else value,
        **constant,
        unit_of=streams["unit"].astype(np.int8),
        kind_of=streams["kind"].astype(np.int8),
        interval_of=streams["interval_minutes"].astype(np.int16),
    )


def _patient(patient_id: str, group: pa.Table, streams: dict[str, Array]) -> PatientReadings:
    stream = group["stream"].to_numpy()
    unit_of = streams["unit"].astype(np.int8)
    stored = group["value"].to_numpy()
    value = stored.astype(np.float64)
    if stored.dtype.kind == "i":
        value = value / SCALE[unit_of][stream]
    named = sorted({s for s in streams["sensor_id"] if s is not None})
    place = {name: i for i, name in enumerate(named)}
    sensor_of = np.array([place.get(s, -1) for s in streams["sensor_id"]], dtype=np.int32)
    return PatientReadings(
        patient_id=patient_id,
        time=group["time"].to_numpy(),
        local_offset=group["local_offset"].to_numpy(),
        value=value,
        unit=unit_of[stream],
        capped=group["capped"].to_numpy(),
        kind=streams["kind"].astype(np.int8)[stream],
        interval=streams["interval_minutes"].astype(np.int16)[stream],
        sensor=sensor_of[stream],
        sensors=tuple(named),
    )
