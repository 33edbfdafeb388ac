"""Parquet exports as text: the cells of typed columns written out, so that one judge reads all."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from outcomes.errors import IntakeError
from outcomes.tables.export_files import ExportFile, TextRows
from outcomes.tables.workbooks import file_digest

PART_ROWS: Final = 500_000


@dataclass(kw_only=True, eq=False, repr=False)
class ParquetFile(ExportFile):
    """A Parquet file as an export file; its column names are the headings, on line 0."""

    typed: bool = True

    def rows(self) -> Iterator[TextRows]:
        """Yield the rows, some at a time; `lines` are row numbers from 1.

        Raises
        ------
        IntakeError
            The file is damaged, or a column holds what is no plain value.
        SettingsError
            The file cannot be opened.
        """
        self.sha256 = file_digest(self.path, self.name)
        try:
            file = pq.ParquetFile(self.path)
            self.set_headings(file.schema_arrow.names, 0, ())
            yield self.no_rows_yet()
            for batch in file.iter_batches(batch_size=PART_ROWS):
                columns = tuple(_as_text(c, self.source.decimal) for c in batch.columns)
                yield TextRows(
                    lines=np.arange(self.lines + 1, self.lines + 1 + len(batch)), columns=columns
                )
                self.lines += len(batch)
                self._row_lines += len(batch)
        except (OSError, pa.ArrowException, ValueError) as error:
            raise IntakeError(
                f"{self.name}: cannot be read as Parquet ({type(error).__name__}). The file is "
                "damaged or holds columns of lists; export it again."
            ) from error
        self.close_account()


def _as_text(column: pa.Array, decimal: str) -> pa.Array:
    """Return the cells as text, "" where there is none; dates as year-month-day."""
    kind = column.type
    if pa.types.is_dictionary(kind):
        column, kind = column.cast(kind.value_type), kind.value_type
    if pa.types.is_timestamp(kind):
        text = _instants(column)
    elif pa.types.is_floating(kind):
        text = _numbers(column, decimal)
    elif pa.types.is_decimal(kind):
        text = pc.replace_substring(column.cast(pa.string()), ".", decimal)
    elif pa.types.is_binary(kind) or pa.types.is_nested(kind):
        raise ValueError(f"a column of {kind}")
    else:
        text = column.cast(pa.string())
    return pc.fill_null(text.cast(pa.string()), "")


def _instants(column: pa.Array) -> pa.Array:
    zoned = column.type.tz is not None
    plain = column.cast(pa.timestamp("us", tz=column.type.tz), safe=False)
    if zoned:  # instants are written out in UTC
        plain = plain.cast(pa.timestamp("us", tz="UTC")).cast(pa.timestamp("us"))
    text = pc.strftime(plain, format="%Y-%m-%d %H:%M:%S")
    return pc.binary_join_element_wise(text, "Z", "") if zoned else text


def _numbers(column: pa.Array, decimal: str) -> pa.Array:
    # Shortest text that reads back as the same number; NaN is a number to nobody.
    values = column.to_pylist()
    texts = [
        None if v is None else str(int(v)) if v == v and abs(v) < 1e15 and v == int(v)
        else repr(v).replace(".", decimal)
        for v in values
    ]  # fmt: skip
    return pa.array(texts, type=pa.string())
