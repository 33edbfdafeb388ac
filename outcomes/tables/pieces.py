"""Rows of the files of one source that are judged together: a part of one, or many small ones.

What judging costs is paid once a call rather than once a file, and thousands of small files cost
about as much as one large one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from outcomes.tables.cells import Cells
from outcomes.tables.export_files import ExportFile, TextRows
from outcomes.tables.feeding import MEASURED_TABLES, Feed
from outcomes.tables.values import Texts

Array = npt.NDArray[Any]
ENOUGH_ROWS: Final = 60_000  # that are worth a call of their own


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Piece:
    """Rows of one file, and the cells of every fed column.

    A column that is the same text in every row is that text alone. `beside` are the cells of a
    column that holds the unit of each value, where one is named.
    """

    file: ExportFile
    rows: TextRows
    cells: dict[str, Cells | str]
    beside: Cells | None

    @classmethod
    def of(cls, feed: Feed, file: ExportFile, rows: TextRows) -> Piece:
        """Take the fed columns out of some rows of a file.

        Raises
        ------
        SettingsError
            A heading is not there or stands twice, or no id is found where one is looked for.
        """
        cells, beside = feed.texts(file, rows), None
        if feed.schema.name in MEASURED_TABLES and "unit" not in feed.columns:
            heading = feed.columns["value"][1].unit_column
            beside = feed.beside(heading, file, rows) if heading is not None else None
        return cls(file=file, rows=rows, cells=cells, beside=beside)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Pieces:
    """Pieces one after another: what a judge takes at a time."""

    pieces: tuple[Piece, ...]

    def __len__(self) -> int:
        """Return the number of whole rows."""
        return len(self.lines)

    def __iter__(self) -> Iterator[Piece]:
        """Yield the pieces."""
        return iter(self.pieces)

    @cached_property
    def lines(self) -> Array:
        """Line of its file on which each row begins."""
        return _end_to_end([piece.rows.lines for piece in self.pieces])

    @cached_property
    def entry(self) -> Array:
        """Number of the account of each row's file."""
        return self._by_row([piece.file.entry for piece in self.pieces])

    @cached_property
    def cells(self) -> dict[str, Cells | Texts]:
        """The cells of every fed column."""
        joined: dict[tuple[int, ...], Array] = {}  # the bytes of several columns are the same
        return {
            name: self._together([piece.cells[name] for piece in self.pieces], joined)
            for name in self.pieces[0].cells
        }

    @cached_property
    def beside(self) -> Cells | None:
        """The cells that hold the unit of each value, where they have a column of their own."""
        found = [piece.beside for piece in self.pieces if piece.beside is not None]
        return Cells.end_to_end(found, {}) if found else None

    def place(self, row: int) -> tuple[ExportFile, int]:
        """Return the file and the line of a row."""
        of_row = self._by_row(range(len(self.pieces)))
        return self.pieces[of_row[row]].file, int(self.lines[row])

    def _together(
        self, parts: list[Cells | str], joined: dict[tuple[int, ...], Array]
    ) -> Cells | Texts:
        """Join a column's cells; where it is one text a file, there are as many as files."""
        texts = tuple(part.strip() for part in parts if isinstance(part, str))
        if texts:
            return Texts(codes=self._by_row(range(len(texts))), different=texts)
        return Cells.end_to_end([part for part in parts if isinstance(part, Cells)], joined)

    def _by_row(self, values: Sequence[int]) -> Array:
        return np.repeat(values, [len(piece.rows) for piece in self.pieces])


def _end_to_end(parts: list[Array]) -> Array:
    return parts[0] if len(parts) == 1 else np.concatenate(parts)
