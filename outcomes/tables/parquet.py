"""Typed frames to Parquet and back, and the fingerprint of what a frame holds."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from outcomes.errors import StudyError
from outcomes.schema import DTYPES, Schema

ARROW_TYPES: Final = {
    "object": pa.string(),
    "datetime64[ns]": pa.timestamp("ns"),
    "float64": pa.float64(),
    "Int64": pa.int64(),
    "boolean": pa.bool_(),
}
PANDAS_TYPES: Final = {pa.int64(): pd.Int64Dtype(), pa.bool_(): pd.BooleanDtype()}
MEND: Final = "Run intake again into this folder, or restore it from a backup."


def typed(frame: pd.DataFrame, schema: Schema) -> pd.DataFrame:
    """Return the declared columns of `frame` in their declared types, then any covariates."""
    extra = [name for name in frame.columns if name not in schema.names] if schema.extra else []
    columns = {c.name: frame[c.name].astype(DTYPES[c.kind]) for c in schema.columns}
    return pd.DataFrame(columns | {name: storable(frame[name]) for name in extra})


def storable(values: pd.Series) -> pd.Series:
    """Return `values` as text, day, number, whole number or flag: the types a table can have."""
    if pd.api.types.is_bool_dtype(values.dtype):
        return values.astype("boolean")
    if pd.api.types.is_integer_dtype(values.dtype):
        return values.astype("Int64")
    if pd.api.types.is_float_dtype(values.dtype):
        return values.astype("float64")
    if pd.api.types.is_datetime64_any_dtype(values.dtype):
        return values.astype("datetime64[ns]")
    return values.astype("object").where(values.notna(), None)


def in_one_order(frame: pd.DataFrame, schema: Schema) -> pd.DataFrame:
    """Return the rows sorted by key, then by every column, so that file order leaves no trace."""
    first = [*schema.key, *(name for name in frame.columns if name not in schema.key)]
    return frame.sort_values(first, kind="stable", na_position="first", ignore_index=True)


def write_frame(frame: pd.DataFrame, path: Path) -> None:
    """Write `frame`, whose columns have storable types, to `path`."""
    arrays = [
        pa.array(frame[name], type=ARROW_TYPES.get(str(frame[name].dtype)), from_pandas=True)
        for name in frame.columns
    ]
    table = pa.Table.from_arrays(arrays, names=[str(name) for name in frame.columns])
    pq.write_table(table, path, compression="lz4")


def read_frame(path: Path) -> pd.DataFrame:
    """Read a frame that `write_frame` wrote, with exactly the types it had.

    Raises
    ------
    StudyError
        The file is absent or damaged.
    """
    try:
        return pq.read_table(path).to_pandas(types_mapper=PANDAS_TYPES.get)
    except (OSError, pa.ArrowException) as error:
        raise StudyError(
            f"{path.name}: absent or damaged ({_first_line(error)}). {MEND}"
        ) from error


def _first_line(error: Exception) -> str:
    return str(error).splitlines()[0].split("'/")[0].strip() if str(error) else "no reason given"


def frame_digest(frame: pd.DataFrame) -> bytes:
    """Return a digest of names, types and values of `frame`, row by row in its order."""
    digest = hashlib.sha256()
    for name in frame.columns:
        values = frame[name]
        missing = values.isna().to_numpy()
        digest.update(f"{name}:{values.dtype}:{len(values)}\0".encode())
        digest.update(np.packbits(missing).tobytes())
        digest.update(_content(values[~missing]))
    return digest.digest()


def _content(values: pd.Series) -> bytes:
    if values.dtype == object:
        return b"".join(b"%d:" % len(t) + t for t in (str(v).encode() for v in values))
    if values.dtype == "datetime64[ns]":
        return values.to_numpy().astype("int64").tobytes()
    return values.to_numpy(dtype="float64" if values.dtype == "float64" else "int64").tobytes()
