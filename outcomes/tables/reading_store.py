"""Readings on disk: files of whole patients, row groups of one patient, sorted by time.

A row group holds `time` (int64, microseconds UTC, delta-coded), `value`, `local_offset` (minutes),
`capped` (-1 below, 0, 1 above) and `stream`. A *stream* is what is constant for many readings: the
sensor, its kind, the unit and the interval; the small table `streams` spells each out. A value is
stored as int16, whole mg/dL or tenths of mmol/L; a patient with a value that this cannot hold
exactly goes to files of float64 in the value's own unit. The numbers read back are those written.
A file's footer holds an index (`reading_runs`), so that a pass decodes `time` and `value` alone.
`reading_writer` writes these files; here they are read back.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from outcomes.errors import StudyError
from outcomes.tables.declared import CAPPED, GLUCOSE_UNITS
from outcomes.tables.parquet import MEND
from outcomes.tables.reading_runs import INDEXED, runs_by_group, spelt_out

Array = npt.NDArray[Any]

INDEX_COLUMNS: Final = (
    "patient_id", "file", "row_group", "rows", "first_time", "last_time", "digest",
)  # fmt: skip
STREAM_COLUMNS: Final = (
    "patient_id", "stream", "sensor_id", "kind", "unit", "interval_minutes",
)  # fmt: skip
SCALE: Final = np.array([1.0, 10.0])  # stored whole numbers per mg/dL and per mmol/L
MICROSECONDS_PER_MINUTE: Final = 60_000_000
MICROSECONDS_PER_DAY: Final = 86_400_000_000


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
