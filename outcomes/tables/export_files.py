"""What every kind of export file gives: headings, rows with their lines, and its own account.

The headings are looked for: the first line that holds every heading asked for. What stands above
them are title lines; lines that begin as `footers` say close the file. Both are counted apart.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from outcomes.errors import IntakeError, OutcomesError
from outcomes.plan.sources import TableSource
from outcomes.tables.cells import NO_CELLS, Cells

SEARCHED_LINES: Final = 60
ISO_DATES: Final = "year-month-day"  # how cells that are dates by their own type are written out
NO_RESULT: Final = "#formula without a result"  # must not pass for an empty cell
# Left by operating systems and by spreadsheet programs that have a file open: never exports.
NO_EXPORTS: Final = ("~$*", ".~lock.*", "~*.tmp", "*.tmp", "thumbs.db", "desktop.ini", ".*")


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class TextRows:
    """Some rows of a file: `lines[i]` is the line on which row i begins; one array a heading.

    `ragged` holds the rows that have more or fewer fields than there are headings: line and why.
    `unended` are lines of whole rows whose last cell may be cut off or go on in the next line,
    `unbegun` of those whose first cell may have begun in the line before; `lone` are the lines of
    ragged rows of one field, which may be parts of the rows beside them.
    """

    lines: npt.NDArray[np.int64]
    columns: tuple[pa.Array | Cells, ...]
    ragged: tuple[tuple[int, str], ...] = ()
    unended: tuple[int, ...] = ()
    unbegun: tuple[int, ...] = ()
    lone: tuple[int, ...] = ()

    def __len__(self) -> int:
        """Return the number of whole rows; ragged ones are not among them."""
        return len(self.lines)


@dataclass(frozen=True)
class Seen:
    """Something about a file that a reader of the account should know: rule, rows, sentence.

    `discreet` is said instead where ids are hidden, if the sentence names what people have named.
    """

    rule: str
    rows: int
    sentence: str
    discreet: str = ""


@dataclass(kw_only=True, eq=False, repr=False)
class ExportFile:
    """One export file, read front to back once.

    `name` is how messages call it, `told` how the study does: without a name where ids are hidden.
    After `rows()` is exhausted, `sha256` holds the digest of the file's bytes, `cut_short` whether
    its last line has no end, `titles` the lines above the headings, `lines` how many lines the file
    has by a count of its own, `empty_lines` and `footers` those of them that are no rows.
    """

    path: Path
    name: str
    source: TableSource
    wanted: tuple[tuple[str, ...], ...] = ()  # the headings asked for; of each, one must be there
    headings: tuple[str, ...] = ()
    heading_line: int = 0
    titles: tuple[str, ...] = ()
    sha256: str = ""
    cut_short: bool = False
    lines: int = 0
    empty_lines: int = 0
    footers: int = 0
    seen: list[Seen] = field(default_factory=list)
    told: str = ""
    size: int = 0  # bytes, when the files were looked for
    entry: int = -1  # number of its account for one table, once that is open
    typed: bool = False  # whether cells know by themselves that they are dates
    bytes_read: int = 0
    _digest: Any = field(default_factory=hashlib.sha256)
    _row_lines: int = 0

    def __post_init__(self) -> None:
        """Call the file by its name until somebody says otherwise."""
        self.told = self.told or self.name

    def rows(self) -> Iterator[TextRows]:
        """Yield the rows below the headings, some at a time; `headings` is set before the first."""
        raise NotImplementedError

    def close_account(self) -> None:
        """Compare the lines that were told as rows, titles, footers or empty with all lines.

        Raises
        ------
        OutcomesError
            A line has no place: a mistake in the toolkit, never in the data.
        """
        told = self.heading_line + self._row_lines + self.empty_lines + self.footers
        if told != self.lines:
            raise OutcomesError(
                f"{self.name}: {self.lines} lines, but {told} are accounted for. "
                "Please report this."
            )

    def no_rows_yet(self) -> TextRows:
        """Return a part without rows, which shows that the headings are set."""
        return TextRows(
            lines=np.empty(0, dtype=np.int64),
            columns=(NO_CELLS,) * len(self.headings),
        )

    def headings_among(self, rows: Sequence[Sequence[str]]) -> int | None:
        """Return the place of the headings in the first rows of a file, None if all are empty.

        It is the first row that holds every heading asked for; failing that the first that is not
        empty, so that the message can say what is there.
        """
        first = None
        for place, row in enumerate(rows[:SEARCHED_LINES]):
            if self.holds_headings(row):
                return place
            if first is None and any(cell.strip() for cell in row):
                first = place
        return first

    def holds_headings(self, row: Sequence[str]) -> bool:
        """Return whether every heading asked for stands in a row."""
        cells = {cell.strip() for cell in row}
        return bool(self.wanted) and all(not cells.isdisjoint(names) for names in self.wanted)

    def set_headings(self, cells: Sequence[str], line: int, titles: Sequence[str]) -> None:
        """Take the headings, the line on which they end, and the lines above them."""
        self.headings = tuple(cell.strip() for cell in cells)
        self.heading_line = line
        self.titles = tuple(titles)

    def without_headings(self) -> IntakeError:
        """Return the error for a file that has no line of headings."""
        return IntakeError(
            f"{self.name}: empty, without a line of headings. Export it again, or take it out "
            "of sources.toml."
        )

    def is_footer(self, first_cell: str) -> bool:
        """Return whether a row that begins with this cell closes the file."""
        return bool(self.source.footers) and first_cell.strip().startswith(self.source.footers)
