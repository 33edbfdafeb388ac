"""How a table is declared: its grain, its columns with kind, unit and range, and its key.

Every frame that crosses a room's border has one declaration; `Schema.check` is called at the
door of a public function, helpers behind it trust their callers.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import pandas as pd

from outcomes.errors import TableError

Kind = Literal["id", "text", "category", "date", "instant", "number", "integer", "flag"]

# How each kind is stored in pandas. Text is plain `str` objects with None where missing.
DTYPES: Final[dict[str, str]] = {
    "id": "object",
    "text": "object",
    "category": "object",
    "date": "datetime64[ns]",  # a calendar date of the clinic, at midnight, without a zone
    "instant": "datetime64[ns]",  # UTC, without a zone
    "number": "float64",
    "integer": "Int64",
    "flag": "boolean",
}


@dataclass(frozen=True, kw_only=True)
class Column:
    """One declared column.

    `low` and `high` are the closed range of a number (years for a date); `categories` the closed
    list of a category. `derived` columns are made by the toolkit, never read from an export.
    """

    name: str
    kind: Kind
    meaning: str
    required: bool = True
    unit: str = ""
    categories: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    derived: bool = False


@dataclass(frozen=True, kw_only=True)
class Schema:
    """One declared table: `grain` says what one row is, `key` what makes a row unique."""

    name: str
    grain: str
    columns: tuple[Column, ...]
    key: tuple[str, ...] = ()
    extra: bool = False  # further declared columns (covariates) may follow

    def column(self, name: str) -> Column:
        """Return the column called `name`; a KeyError tells a mistake in the code."""
        return {column.name: column for column in self.columns}[name]

    @property
    def names(self) -> tuple[str, ...]:
        """Names of all declared columns, in order."""
        return tuple(column.name for column in self.columns)

    def empty(self) -> pd.DataFrame:
        """Return a table without rows that has every declared column in its type."""
        return pd.DataFrame({c.name: pd.Series(dtype=DTYPES[c.kind]) for c in self.columns})

    def check(self, frame: pd.DataFrame) -> None:
        """Raise `TableError` with the failing rows unless `frame` keeps every declared rule."""
        absent = [name for name in self.names if name not in frame.columns]
        if absent:
            raise TableError(
                f"{self.name}: no column {', '.join(absent)}. "
                f"The table has {', '.join(map(str, frame.columns)) or 'none'}."
            )
        for column in self.columns:
            self._refuse(frame, column.name, *broken_rows(frame[column.name], column))
        if self.key:
            repeated = frame.duplicated(list(self.key), keep=False).to_numpy()
            self._refuse(frame, " + ".join(self.key), repeated, "not unique")

    def _refuse(self, frame: pd.DataFrame, column: str, broken: np.ndarray, why: str) -> None:
        if broken.any():
            count = int(broken.sum())
            raise TableError(
                f"{self.name}, column {column}: {count} of {len(frame)} rows {why} "
                f"(first: row {int(np.flatnonzero(broken)[0]) + 1}).",
                failing_rows=frame.loc[broken],
            )


def broken_rows(values: pd.Series, column: Column) -> tuple[np.ndarray, str]:
    """Return which values break the rule of `column`, and the rule in words.

    Only the first rule that is broken is told: missing, then type or category, then range.
    """
    missing = values.isna().to_numpy()
    if column.required and missing.any():
        return missing, "without a value"
    if str(values.dtype) != DTYPES[column.kind] and not missing.all():
        return ~missing, f"are {values.dtype} where {DTYPES[column.kind]} is declared"
    if column.categories:
        outside = ~missing & ~values.isin(column.categories).to_numpy()
        if outside.any():
            return outside, f"not one of {', '.join(column.categories)}"
    if column.kind in ("number", "integer"):
        numbers = values.astype("float64").to_numpy()
        low = -np.inf if column.low is None else column.low
        high = np.inf if column.high is None else column.high
        outside = ~missing & ~((numbers >= low) & (numbers <= high))
        if outside.any():
            return outside, f"outside {low:g} to {high:g} {column.unit}".rstrip()
    return np.zeros(len(values), dtype=bool), ""
