"""Readings onto disk: one row group a patient, and the index of what is where."""

from __future__ import annotations

import hashlib
from collections import deque
from collections.abc import Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from types import TracebackType
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from outcomes.errors import TableError
from outcomes.tables.reading_blocks import OrderedBlock, ReadingBlock
from outcomes.tables.reading_runs import footer_of, runs_of
from outcomes.tables.reading_store import INDEX_COLUMNS, SCALE, STREAM_COLUMNS
from outcomes.tables.reading_streams import streams_of
from outcomes.tables.worn_sensors import WornSensors

Array = npt.NDArray[Any]
FILE_ROWS: Final = 4_000_000
WAITING_ROWS: Final = 400_000  # that may wait to be written
GROUP_ROWS: Final = 4_000_000  # of a row group at most; a patient with more has several
LARGEST: Final = 32767  # whole number that int16 holds, up or down
TYPES: Final = {
    "time": pa.int64(),
    "value": pa.int16(),
    "local_offset": pa.int16(),
    "capped": pa.int8(),
    "stream": pa.int32(),
}
VALUE_TYPES: Final = {"whole": pa.int16(), "decimal": pa.float64()}  # of the two kinds of files


def _arrow(values: Array, kind: pa.DataType) -> pa.Array:
    """Return numbers as an arrow array of the same type, without a copy."""
    return pa.Array.from_buffers(kind, len(values), [None, pa.py_buffer(values)])


def _stored(block: OrderedBlock) -> tuple[Array, Array]:
    """Return the values as whole numbers, and for which patients those say all."""
    scale: Any = SCALE[block.unit] if block.unit.any() else SCALE[0]
    scaled = np.rint(block.value * scale)
    exact = (scaled <= LARGEST) & (scaled >= -LARGEST) & (scaled / scale == block.value)
    if exact.all():
        return scaled.astype(np.int16), np.ones(len(block.patient_ids), dtype=bool)
    whole = np.logical_and.reduceat(exact, block.starts[:-1])
    return np.where(exact, scaled, 0).astype(np.int16), whole


@dataclass(kw_only=True, eq=False, repr=False)
class _OpenFile:
    """A reading file that still grows."""

    writer: pq.ParquetWriter
    name: str
    groups: int = 0
    rows: int = 0
    runs: list[Array] = field(default_factory=list)

    def append(self, readings: pa.Table, runs: Array | None) -> None:
        """Write the readings of one patient, and remember their runs."""
        if runs is not None:
            runs[:, 0] = self.groups
            self.runs.append(runs)
        self.writer.write_table(readings, row_group_size=GROUP_ROWS)
        self.groups += -(-len(readings) // GROUP_ROWS)
        self.rows += len(readings)

    def close(self) -> None:
        """Write the index of the runs, and end the file."""
        self.writer.add_key_value_metadata(footer_of(self.runs))
        self.writer.close()


@dataclass(kw_only=True, eq=False, repr=False)
class ReadingsWriter:
    """Writes blocks into `folder`, one row group a patient, and keeps the index of what is where.

    Used as a context; afterwards `index`, `streams`, `rows` and `digest()` tell what was written.
    Blocks are put in order as they come; a thread of its own writes them, while the caller makes
    the next ones. An error of it is raised by the next call or at the end.
    """

    folder: Path
    worn: WornSensors
    rows: int = 0
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
        """Write all readings of some patients.

        Raises
        ------
        TableError
            A patient was written before: blocks must hold whole patients.
        """
        self._refuse_second(block)
        if not len(block):
            return
        kind = self.worn.kind_of_readings(block) if block.kind is None else block.kind
        ordered = OrderedBlock.of(block, kind)
        self._digests.update({p: ordered.digest(i) for i, p in enumerate(ordered.patient_ids)})
        stream, streams = streams_of(ordered)
        self._streams.append(streams)
        self._wait(WAITING_ROWS)
        self._waiting.append((self._thread.submit(self._write, ordered, stream), len(block)))
        self._waiting_rows += len(block)

    def _refuse_second(self, block: ReadingBlock) -> None:
        for patient_id in block.patient_ids:
            if patient_id in self._digests:
                raise TableError(
                    f"readings: patient {patient_id} comes in two blocks. "
                    "Give all readings of a patient in one frame."
                )

    def _write(self, block: OrderedBlock, stream: Array) -> None:
        stored, whole = _stored(block)
        columns = {
            "time": block.time,
            "value": stored,
            "local_offset": block.local_offset,
            "capped": block.capped,
            "stream": stream,
        }
        table = pa.table({name: _arrow(values, TYPES[name]) for name, values in columns.items()})
        runs = runs_of(columns, block.starts)
        for i, (first, end) in enumerate(pairwise(block.starts.tolist())):
            own = table.slice(first, end - first)
            if not whole[i]:
                value = _arrow(block.value[first:end], VALUE_TYPES["decimal"])
                own = own.set_column(1, "value", value)
            self._append("whole" if whole[i] else "decimal", block, i, own, runs[i])

    def _append(
        self, form: str, block: OrderedBlock, patient: int, own: pa.Table, runs: Array | None
    ) -> None:
        file = self._open.get(form) or self._new_file(form)
        patient_id = block.patient_ids[patient]
        digest = self._digests[patient_id].hex()
        first, last = block.starts[patient], block.starts[patient + 1] - 1
        times = int(block.time[first]), int(block.time[last])
        self._index.append((patient_id, file.name, file.groups, len(own), *times, digest))
        file.append(own, runs)
        self.rows += len(own)
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
            pa.schema(list({**TYPES, "value": VALUE_TYPES[form]}.items())),
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
