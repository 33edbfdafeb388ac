"""The index of a reading file: where offset, capped code and stream change.

These three are the same for long runs of readings. The file's footer holds the runs, so that a
pass over very many readings decodes time and value alone; the columns themselves are there for
whoever reads the file with something else, and for files that have no index.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

Array = npt.NDArray[Any]

KEY: Final = "outcomes.runs"
READINGS_A_RUN: Final = 50  # with fewer (two sensors in turn) the columns are the smaller ones
INDEXED: Final = ("local_offset", "capped", "stream")
TYPES: Final = (np.int16, np.int8, np.int32)  # of the columns, in that order


def runs_of(columns: Mapping[str, Array], row_group: int) -> Array | None:
    """Return one row per run of readings: row group, readings, offset, capped code, stream.

    None where the runs are so short that an index would be larger than the columns.
    """
    together = [columns[name] for name in INDEXED]
    rows, changes = len(together[0]), np.zeros(max(len(together[0]) - 1, 0), dtype=bool)
    for values in together:
        changes |= values[1:] != values[:-1]
    starts = np.flatnonzero(changes) + 1
    if len(starts) * READINGS_A_RUN > rows:
        return None
    starts = np.concatenate([[0], starts])
    runs = np.empty((len(starts), 2 + len(INDEXED)), dtype=np.int32)
    runs[:, 0], runs[:, 1] = row_group, np.diff(starts, append=rows)
    for place, values in enumerate(together, start=2):
        runs[:, place] = values[starts]
    return runs


def footer_of(runs: list[Array]) -> dict[str, str]:
    """Return the index of a file as its footer keeps it."""
    if not runs:
        return {}
    rows = np.concatenate(runs).astype("<i4")
    return {KEY: base64.b64encode(rows.tobytes()).decode("ascii")}


def runs_by_group(file: pq.ParquetFile) -> dict[int, Array]:
    """Return the runs by first row group of a patient; none where the file has no index."""
    kept = (file.metadata.metadata or {}).get(KEY.encode())
    if kept is None:
        return {}
    rows = np.frombuffer(base64.b64decode(kept), dtype="<i4").reshape(-1, 2 + len(INDEXED))
    groups, starts = np.unique(rows[:, 0], return_index=True)
    return dict(zip(groups.tolist(), np.split(rows[:, 1:], starts[1:]), strict=True))


def spelt_out(runs: Array) -> dict[str, Array]:
    """Return the three columns, one entry a reading.

    Arrow spells them out: its memory is kept for the next patient, where that of numpy goes back
    to the system after every patient under some allocator settings.
    """
    ends = pa.array(np.cumsum(runs[:, 0]), pa.int32())
    columns = {}
    for place, (name, kind) in enumerate(zip(INDEXED, TYPES, strict=True)):
        values = pa.array(runs[:, 1 + place].astype(kind))
        columns[name] = pc.run_end_decode(pa.RunEndEncodedArray.from_arrays(ends, values))
    return {name: column.to_numpy() for name, column in columns.items()}
