"""Rows of text files: small ones from lists of texts, long ones from arrays at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from .clinic import as_date

Part = bytes | tuple[np.ndarray, np.ndarray]


@dataclass(kw_only=True)
class TextFile:
    """A small text file: rows with a label each, "" for a right row, else why it is wrong."""

    path: str
    table: str
    header: tuple[str, ...]
    separator: str
    encoding: str
    title: tuple[str, ...] = ()
    newline: str = "\n"
    rows: list[list[str]] = field(default_factory=list)
    labels: list[str] = field(default_factory=list)

    def add(self, *cells: str) -> None:
        """Add a right row."""
        self.rows.append(list(cells))
        self.labels.append("")

    def plant(self, rng: np.random.Generator, label: str, *rows: list[str]) -> None:
        """Put wrong rows at places drawn at random, never before the first row."""
        for row in rows:
            place = int(rng.integers(1, len(self.rows) + 1))
            self.rows.insert(place, row)
            self.labels.insert(place, label)

    def label(self, place: int, label: str) -> None:
        """Say that the row at `place` is wrong too."""
        self.labels[place] = label

    def write(self, folder: Path) -> None:
        """Write the file under `folder`."""
        lines = [*self.title, self.separator.join(self.header)]
        lines += [self.separator.join(row) for row in self.rows]
        path = folder / self.path
        path.parent.mkdir(parents=True, exist_ok=True)
        text = self.newline.join(lines) + self.newline
        path.write_bytes(text.encode(self.encoding))

    @property
    def planted(self) -> list[dict[str, object]]:
        """File, line and kind of every wrong row."""
        above = len(self.title) + 2
        return [
            {"file": self.path, "table": self.table, "line": above + place, "kind": label}
            for place, label in enumerate(self.labels)
            if label
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
