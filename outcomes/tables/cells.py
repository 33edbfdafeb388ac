"""A column of text as places in the bytes of a block, and its different texts in one pass.

Nothing is copied while a file is cut: a cell is where it begins and where it ends. Millions of rows
then cost as much as a look at their bytes, and texts are made of the few that differ.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from string import ascii_letters, digits
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from outcomes.tables.compiled import compiled
from outcomes.tables.text_bytes import LINE_END

Array = npt.NDArray[Any]
PLAIN: Final = np.array([chr(byte) in ascii_letters + digits for byte in range(256)])


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Cells:
    """The cells of one column, sound UTF-8: cell i is `data[begin[i]:end[i]]`."""

    data: Array  # uint8
    begin: Array  # int32
    end: Array  # int32

    def __post_init__(self) -> None:
        """Lock the arrays: compiled code is made anew for arrays that may be written."""
        for values in (self.data, self.begin, self.end):
            values.setflags(write=False)

    @classmethod
    def of(cls, column: pa.Array | Cells) -> Cells:
        """Return a column of text as cells; a null has no bytes."""
        if isinstance(column, Cells):
            return column
        _, places, data = column.buffers()
        n, at = len(column), column.offset
        offsets = np.zeros(1, dtype=np.int32) if places is None else np.frombuffer(places, np.int32)
        text = np.zeros(0, dtype=np.uint8) if data is None else np.frombuffer(data, np.uint8)
        return cls(data=text, begin=offsets[at : at + n], end=offsets[at + 1 : at + n + 1])

    @classmethod
    def end_to_end(cls, parts: list[Cells], joined: dict[tuple[int, ...], Array]) -> Cells:
        """Return the cells of some blocks as those of one; `joined` remembers the blocks' bytes."""
        if len(parts) == 1:
            return parts[0]
        blocks = tuple(id(part.data) for part in parts)
        if blocks not in joined:
            joined[blocks] = np.concatenate([part.data for part in parts])
        firsts = np.cumsum([0, *(len(part.data) for part in parts[:-1])]).astype(np.int32)
        return cls(
            data=joined[blocks],
            begin=np.concatenate([p.begin + at for p, at in zip(parts, firsts, strict=True)]),
            end=np.concatenate([p.end + at for p, at in zip(parts, firsts, strict=True)]),
        )

    def __len__(self) -> int:
        """Return the number of cells."""
        return len(self.begin)

    def first(self, most: int) -> list[str]:
        """Return the texts of the first rows."""
        return list(self.array(np.arange(min(most, len(self)))).to_pylist())

    def where(self, kept: Array) -> Cells:
        """Return the cells of the rows to keep."""
        return Cells(data=self.data, begin=self.begin[kept], end=self.end[kept])

    def array(self, rows: Array) -> pa.Array:
        """Return the texts of some rows as an arrow array."""
        begin, length = self.begin[rows], (self.end - self.begin)[rows]
        ends = np.concatenate([[0], np.cumsum(length)]).astype(np.int32)
        places = np.repeat(begin - ends[:-1], length) + np.arange(ends[-1])
        texts = np.ascontiguousarray(self.data[places])
        return pa.StringArray.from_buffers(
            len(begin), pa.py_buffer(ends.tobytes()), pa.py_buffer(texts.tobytes())
        )

    def blank(self) -> Array:
        """Return which cells have no text but blanks."""
        blank = self.begin == self.end
        rows = np.flatnonzero(~blank)
        if not len(rows):
            return blank
        # A letter or digit at the start is text enough; only the others are looked at whole.
        rows = rows[~PLAIN[self.data[self.begin[rows]]]]
        blank[rows] = [not text.strip() for text in self.array(rows).to_pylist()]
        return blank


NO_CELLS: Final = Cells(
    data=np.empty(0, dtype=np.uint8),
    begin=np.empty(0, dtype=np.int32),
    end=np.empty(0, dtype=np.int32),
)


@compiled
def cut_at(data: Array, separator: Any, begins: Array, ends: Array) -> bool:
    """Find where the cells of lines begin and end; `begins` and `ends` have a row for each column.

    Returns whether the bytes are as many lines as there is room for, each of as many cells.
    """
    width, lines = ends.shape
    column, line, begin = 0, 0, 0
    for place in range(len(data)):
        byte = data[place]
        last = byte == LINE_END
        if last or byte == separator:
            if line == lines or last != (column == width - 1):
                return False
            begins[column, line], ends[column, line] = begin, place
            begin, column = place + 1, column + 1
            if last:
                column, line = 0, line + 1
    return line == lines and column == 0


class Vocabulary:
    """The different texts of cells, numbered in the order in which they came."""

    def __init__(self) -> None:
        self.texts: list[str] = []
        self.trimmed: tuple[str, ...] = ()  # the same without blanks around; new with every text
        self._store = np.empty(1024, dtype=np.uint8)  # the bytes of all texts, one after another
        self._ends = np.zeros(1, dtype=np.int64)  # of each text in the store, after a 0
        self._hashes = np.empty(0, dtype=np.uint64)
        self._table = np.empty(0, dtype=np.int32)

    def codes(self, cells: Cells) -> Array:
        """Return the number of each cell's text; new texts are added to `texts`."""
        codes = np.empty(len(cells), dtype=np.int32)
        row, found = 0, len(self.texts)
        while row < len(cells):
            self._make_room(found, int(cells.end[row] - cells.begin[row]))
            row, found = _coded(
                cells.data, cells.begin, cells.end, codes, row, found,
                self._store, self._ends, self._hashes, self._table,
            )  # fmt: skip
        bounds = (self._ends[len(self.texts) : found + 1] - self._ends[len(self.texts)]).tolist()
        whole = self._store[self._ends[len(self.texts)] : self._ends[found]].tobytes()
        self.texts += [whole[a:b].decode() for a, b in pairwise(bounds)]
        if len(bounds) > 1:
            self.trimmed = (*self.trimmed, *map(str.strip, self.texts[len(self.trimmed) :]))
        return codes

    def _make_room(self, found: int, length: int) -> None:
        """Make room for more texts, and for the next one's bytes."""
        if found == len(self._hashes):
            more = 3 * found or 256  # so that the table's size is a power of two
            self._hashes = np.append(self._hashes, np.zeros(more, dtype=np.uint64))
            self._ends = np.append(self._ends, np.zeros(more, dtype=np.int64))
            self._table = np.full(4 * len(self._hashes), -1, dtype=np.int32)
            _enter(self._hashes[:found], self._table)
        if self._ends[found] + length > len(self._store):
            more = 3 * len(self._store) + length
            self._store = np.append(self._store, np.empty(more, dtype=np.uint8))


@compiled
def _same(data: Array, one: Any, other: Array, two: Any, length: Any) -> bool:
    for i in range(length):  # noqa: SIM110 - compiled
        # Unsigned, so that numba need not ask whether a place counts from the end.
        if data[np.uint64(one + i)] != other[np.uint64(two + i)]:
            return False
    return True


@compiled
def _hash(data: Array, at: Any, length: Any) -> Any:
    """Return FNV-1a of some bytes, its high bits mixed into the low ones."""
    key = np.uint64(14695981039346656037)
    for i in range(length):
        key = (key ^ np.uint64(data[np.uint64(at + i)])) * np.uint64(1099511628211)
    return key ^ (key >> np.uint64(32))


@compiled
def _coded(
    data: Array,
    begin: Array,
    end: Array,
    codes: Array,
    row: Any,
    found: Any,
    store: Array,
    ends: Array,
    hashes: Array,
    table: Array,
) -> tuple[Any, Any]:
    """Number cells from `row` on, until the room is used up; return the next row, and the texts.

    Most cells of an id repeat the one before; the others are looked up by a hash.
    """
    mask = np.uint64(len(table) - 1)
    last_at, last_length, code = np.int64(0), np.int64(-1), np.int32(-1)
    while row < len(begin):
        at, length = np.int64(begin[row]), np.int64(end[row]) - np.int64(begin[row])
        if length != last_length or not _same(data, at, data, last_at, length):
            key = _hash(data, at, length)
            place = key & mask
            code = table[place]
            while code >= 0:
                known = np.uint64(code)
                alike = hashes[known] == key and ends[known + np.uint64(1)] - ends[known] == length
                if alike and _same(data, at, store, ends[known], length):
                    break
                place = (place + np.uint64(1)) & mask
                code = table[place]
            if code < 0:
                if found == len(hashes) or ends[found] + length > len(store):
                    break
                code = np.int32(found)
                table[place], hashes[found] = code, key
                for i in range(length):
                    store[ends[found] + i] = data[at + i]
                ends[found + 1] = ends[found] + length
                found += 1
        codes[row] = code
        last_at, last_length = at, length
        row += 1
    return row, found


@compiled
def _enter(hashes: Array, table: Array) -> None:
    """Enter all texts into an empty table."""
    mask = np.uint64(len(table) - 1)
    for code in range(len(hashes)):
        place = hashes[code] & mask
        while table[place] >= 0:
            place = (place + np.uint64(1)) & mask
        table[place] = code
