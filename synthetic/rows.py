"""Rows of text files: small ones from lists of texts, long ones from arrays at once.

Rows of texts wait on disk until their file is written, since some are put between the others in the
end: what a clinic of 5,000 patients needs of memory does not grow with its rows.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from tempfile import TemporaryFile

import numpy as np

from .clinic import as_date

Part = bytes | tuple[np.ndarray, np.ndarray]
BETWEEN_CELLS, AFTER_ROW = "\x1f", b"\n"  # while the rows wait; neither occurs in a cell


class Rows:
    """Rows that wait on disk in `folder`, with a label for every one that is wrong.

    Attributes
    ----------
    labels : dict of int to str
        Why the row at this place is wrong; right rows have none.
    """

    STEP = 64  # rows between two known places of the waiting file

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._waiting = TemporaryFile(dir=folder)  # has no name: gone with this process  # noqa: SIM115
        self._starts = array("Q")
        self._size = self._added = 0
        self._planted: dict[int, list[str]] = {}
        self.labels: dict[int, str] = {}

    def __len__(self) -> int:
        return self._added + len(self._planted)

    def append(self, cells: Sequence[str]) -> None:
        """Add a right row; not after one was planted."""
        if self._added % self.STEP == 0:
            self._starts.append(self._size)
        line = BETWEEN_CELLS.join(cells).encode() + AFTER_ROW
        self._size += self._waiting.write(line)
        self._added += 1

    def insert(self, place: int, cells: Sequence[str], label: str) -> None:
        """Put a wrong row at `place`; the rows from there on move down by one."""
        self._planted = {at + (at >= place): row for at, row in self._planted.items()}
        self.labels = {at + (at >= place): word for at, word in self.labels.items()}
        self._planted[place], self.labels[place] = list(cells), label

    def right(self, number: int) -> int:
        """Place of the right row of this number, from 0."""
        for wrong in sorted(self.labels):
            number += int(wrong <= number)
        return number

    def first_right(self, place: int = 0) -> int:
        """Place of the first right row from `place` on."""
        return next(at for at in count(place) if at not in self.labels)

    def __getitem__(self, place: int) -> list[str]:
        if place in self._planted:
            return list(self._planted[place])
        number = place - sum(at < place for at in self._planted)
        if not 0 <= number < self._added:
            raise IndexError(place)
        self._waiting.seek(self._starts[number // self.STEP])
        for _ in range(number % self.STEP):
            self._waiting.readline()
        cells = _cells(self._waiting.readline())
        self._waiting.seek(self._size)
        return cells

    def __iter__(self) -> Iterator[list[str]]:
        self._waiting.seek(0)
        for place in range(len(self)):
            planted = self._planted.get(place)
            yield _cells(self._waiting.readline()) if planted is None else list(planted)

    def close(self) -> None:
        """Let go of the waiting rows."""
        self._waiting.close()


def _cells(line: bytes) -> list[str]:
    return line.removesuffix(AFTER_ROW).decode().split(BETWEEN_CELLS)


@dataclass(kw_only=True)
class TextFile:
    """A text file of rows of texts under `folder`, written when all rows are there."""

    folder: Path
    path: str
    table: str
    header: tuple[str, ...]
    separator: str
    encoding: str
    title: tuple[str, ...] = ()
    newline: str = "\n"
    rows: Rows = field(init=False)

    def __post_init__(self) -> None:
        self.rows = Rows((self.folder / self.path).parent)

    def add(self, *cells: str) -> None:
        """Add a right row."""
        self.rows.append(cells)

    def plant(self, rng: np.random.Generator, label: str, *rows: list[str]) -> None:
        """Put wrong rows at places drawn at random, never before the first row."""
        for row in rows:
            self.rows.insert(int(rng.integers(1, len(self.rows) + 1)), row, label)

    def label(self, place: int, label: str) -> None:
        """Say that the row at `place` is wrong too."""
        self.rows.labels[place] = label

    def write(self) -> None:
        """Write the file and let go of its rows."""
        with (self.folder / self.path).open("w", encoding=self.encoding, newline="") as out:
            for line in (*self.title, self.separator.join(self.header)):
                out.write(line + self.newline)
            for row in self.rows:
                out.write(self.separator.join(row) + self.newline)
        self.rows.close()

    def line(self, place: int) -> int:
        """Line of the row at `place`."""
        return len(self.title) + 2 + place

    @property
    def planted(self) -> list[dict[str, object]]:
        """File, line and kind of every wrong row."""
        return [
            {"file": self.path, "table": self.table, "line": self.line(place), "kind": label}
            for place, label in sorted(self.rows.labels.items())
        ]


def field_table(texts: Sequence[str]) -> np.ndarray:
    """Return texts as a matrix of bytes, one row a text, filled up with zeros."""
    data = np.array([text.encode("ascii") for text in texts], dtype=bytes)
    return data.view(np.uint8).reshape(len(texts), -1)


def joined(parts: Sequence[Part]) -> bytes:
    """Return all rows of a long file: each part is one constant, or a table and its codes."""
    n = next(len(part[1]) for part in parts if not isinstance(part, bytes))
    widths = [len(part) if isinstance(part, bytes) else part[0].shape[1] for part in parts]
    rows = np.empty(n, dtype=[(f"{place}", f"V{width}") for place, width in enumerate(widths)])
    for place, (part, width) in enumerate(zip(parts, widths, strict=True)):
        if isinstance(part, bytes):
            rows[f"{place}"] = np.void(part)
        else:  # a whole text at once is faster to copy than its bytes
            texts = np.ascontiguousarray(part[0]).view(f"V{width}")[:, 0]
            rows[f"{place}"] = texts[part[1]]
    return rows.tobytes().translate(None, b"\0")


def _two_digits(number: np.ndarray) -> np.ndarray:
    return np.column_stack([number // 10, number % 10]).astype(np.uint8) + ord("0")


def clock_table() -> np.ndarray:
    """Return "HH:MM:SS" of every second of a day as bytes."""
    second = np.arange(86_400)
    colon = np.full((86_400, 1), ord(":"), dtype=np.uint8)
    return np.hstack(
        [
            _two_digits(second // 3600), colon, _two_digits(second // 60 % 60), colon,
            _two_digits(second % 60),
        ]
    )  # fmt: skip


def day_table(first: int, last: int, form: str) -> np.ndarray:
    """Return the dates from day `first` to day `last`, written by `form`, as bytes."""
    return field_table([as_date(number).strftime(form) for number in range(first, last + 1)])
