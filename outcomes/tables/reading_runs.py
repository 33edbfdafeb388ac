"""The index of a reading file: where offset, capped code and stream change.

These three are the same for long runs of readings. The file's footer holds the runs, so that a
pass over very many readings decodes time and value alone; the columns themselves are there for
whoever reads the file with something else, and for files that have no index.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping
from itertools import pairwise
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from outcomes.tables.reading_blocks import run_starts

Array = npt.NDArray[Any]

KEY: Final = "outcomes.runs"
READINGS_A_RUN: Final = 50  # with fewer (two sensors in turn) the columns are the smaller ones
INDEXED: Final = ("local_offset", "capped", "stream")
TYPES: Final = (np.int16, np.int8, np.int32)  # of the columns, in that order


def runs_of(columns: Mapping[str, Array], starts: Array) -> list[Array | None]:
    """Return for each patient one row per run: row group, readings, offset, capped code, stream.

    `starts` tells where each patient begins. The row group is 0 until it is known. None where the
    runs of a patient are so short that an index would be larger than the columns.
    """
    together = [columns[name] for name in INDEXED]
    at = run_starts(starts, *together)
    runs = np.zeros((len(at), 2 + len(INDEXED)), dtype=np.int32)
    runs[:, 1] = np.diff(at, append=starts[-1])
    for place, values in enumerate(together, start=2):
        runs[:, place] = values[at]
    bounds, rows = np.searchsorted(at, starts), np.diff(starts)
    short = (np.diff(bounds) - 1) * READINGS_A_RUN > rows
    return [
        None if too_short else runs[first:end]
        for (first, end), too_short in zip(pairwise(bounds.tolist()), short.tolist(), strict=True)
    ]


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
