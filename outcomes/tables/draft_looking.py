"""A first look at one file of a folder: encoding, separator, headings, title lines and some rows.

Nothing here decides how an export is read: `sources.toml` does. A look only finds what a draft of
it may propose, with the evidence in words.
"""

from __future__ import annotations

import codecs
import csv
import gzip
import io
import re
import zipfile
import zlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final
from xml.etree import ElementTree

from outcomes.errors import IntakeError
from outcomes.plan.sources import TableSource
from outcomes.tables.cells import Cells
from outcomes.tables.draft_words import FOOTER_WORDS, plain
from outcomes.tables.parquet_files import ParquetFile
from outcomes.tables.source_files import NOT_READ
from outcomes.tables.workbooks import open_book

SEPARATORS: Final = (";", "\t", ",", "|", "^", "~")
TEXT_KINDS: Final = (".csv", ".tsv", ".txt", ".tab", ".dat", ".gz")
WORKBOOKS: Final = (".xlsx", ".xlsm")
HEAD_BYTES: Final = 1_000_000  # of a file that stands alone
SMALL_HEAD_BYTES: Final = 60_000  # of one file among many of its kind
PIECES: Final = 8  # further places of a long file that are looked at
PIECE_BYTES: Final = 50_000
MOST_ROWS: Final = 30_000
TITLE_LINES: Final = 40  # headings stand in the first lines or nowhere
LOOKS_LIKE_DATA: Final = re.compile(r"[<>+-]?\d[\d.,:/ T+-]*(%|mg/dl|mmol.*)?", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Look:
    """What one file, or one sheet of a workbook, shows.

    `rows` are whole rows below the headings, as text, at most `MOST_ROWS`; `shown_sheets` how many
    sheets of the workbook are shown; `footers` how its last lines begin where they are no rows.
    """

    path: Path
    name: str
    headings: tuple[str, ...]
    heading_line: int
    rows: list[list[str]]
    titles: tuple[str, ...] = ()
    footers: tuple[str, ...] = ()
    encoding: str = ""
    encoding_because: str = ""
    separator: str = ""
    separator_because: str = ""
    sheet: str | None = None
    shown_sheets: int = 1

    @property
    def is_text(self) -> bool:
        """Whether separator, encoding and decimal mark matter."""
        return bool(self.encoding)


def looks(path: Path, name: str, *, among_many: bool) -> tuple[list[Look], str]:
    """Return the looks at a file (one a shown sheet), and why there is none in words.

    Parameters
    ----------
    path : Path
    name : str
        How the draft calls it: its path from the folder of the draft.
    among_many : bool
        Whether it is one of many files of its kind, so that its beginning will do.
    """
    kind = path.suffix.casefold()
    try:
        if kind in NOT_READ:
            return [], NOT_READ[kind]
        if kind in WORKBOOKS:
            found = _sheets(path, name)
        elif kind == ".parquet":
            found = _parquet(path, name)
        elif kind in TEXT_KINDS:
            found = _text(path, name, SMALL_HEAD_BYTES if among_many else HEAD_BYTES)
        else:
            return [], f"'{kind or path.name}' is no kind of export that is read"
    except (
        OSError, EOFError, zlib.error, UnicodeError, csv.Error, zipfile.BadZipFile, KeyError,
        ValueError, IndexError, ElementTree.ParseError, IntakeError, NotImplementedError,
        RuntimeError,
    ) as error:  # fmt: skip
        return [], f"it cannot be read ({type(error).__name__})"
    return found, "" if found else "no line of headings was found in it"


# --- text


def _text(path: Path, name: str, most: int) -> list[Look]:
    encoding, because = _encoding(path)
    head, pieces = _text_of(path, encoding, most)
    best = _layout(head)
    if best is None:
        return []
    separator, place, rows, lines, because_of_fields = best
    headings = tuple(cell.strip() for cell in rows[place])
    below = rows[place + 1 :]
    for piece in pieces:
        below += _parsed(piece, separator)[0]
    width = len(headings)
    closing = sum(map(_is_footer, below[-3:]))
    whole = [row for row in below[: len(below) - closing] if len(row) == width]
    return [
        Look(
            path=path, name=name, headings=headings, heading_line=lines[place],
            rows=whole[:MOST_ROWS], footers=_footers(below[-3:]),
            titles=tuple(head.split("\n")[: lines[place] - 1]),
            encoding=encoding, encoding_because=because, separator=separator,
            separator_because=because_of_fields,
        )
    ]  # fmt: skip


def _encoding(path: Path) -> tuple[str, str]:
    """Return the encoding of the whole file, and why."""
    with gzip.open(path) if path.suffix == ".gz" else path.open("rb") as file:
        first = file.read(4)
        if first.startswith(codecs.BOM_UTF8):
            return "utf-8", "begins with the byte-order mark of UTF-8"
        if first[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
            return "utf-16", "begins with the byte-order mark of UTF-16"
        if first[1::2] == b"\0\0":
            return "utf-16", "every second byte is zero"
        decoder = codecs.getincrementaldecoder("utf-8")()
        beyond_ascii = False
        block = first
        while block:
            try:
                decoder.decode(block)
            except UnicodeDecodeError:
                return (
                    "cp1252",
                    "its bytes are no UTF-8; another code page of one byte may be meant",
                )
            beyond_ascii |= not block.isascii()
            block = file.read(1 << 20)
    if beyond_ascii:
        return "utf-8", "all its bytes are UTF-8"
    return "utf-8", "plain ASCII, which utf-8 and cp1252 read alike"


def _text_of(path: Path, encoding: str, most: int) -> tuple[str, list[str]]:
    """Return the decoded beginning of a file, and whole lines of places further on to its end."""
    codec = "utf-8-sig" if encoding == "utf-8" else encoding
    pieces = []
    with gzip.open(path) if path.suffix == ".gz" else path.open("rb") as file:
        raw = file.read(most)
        text = _lines(codecs.getincrementaldecoder(codec)().decode(raw))
        if len(raw) == most and path.suffix != ".gz" and encoding != "utf-16":
            last = path.stat().st_size - PIECE_BYTES
            count = PIECES if most == HEAD_BYTES else 1
            for k in range(1, count + 1):
                at = max(most, most + (last - most) * k // count)
                file.seek(at)
                piece = _lines(file.read(PIECE_BYTES).decode(codec, errors="ignore"))
                whole = piece if k == count else piece[: piece.rfind("\n") + 1]
                pieces.append(whole.partition("\n")[2])
    return (text[: text.rfind("\n") + 1] if len(raw) == most else text), pieces


def _lines(text: str) -> str:
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _parsed(text: str, separator: str) -> tuple[list[list[str]], list[int]]:
    """Return rows that hold anything, and the line on which each begins."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    rows, lines, begins = [], [], 1
    for row in reader:
        if any(cell.strip() for cell in row):
            rows.append(row)
            lines.append(begins)
            if len(rows) > MOST_ROWS:
                break
        begins = reader.line_num + 1
    return rows, lines


def _layout(text: str) -> tuple[str, int, list[list[str]], list[int], str] | None:
    """Return separator, place of the headings, rows, their lines and the evidence."""
    few = "\n".join(text.split("\n", 300)[:300])
    found = []
    for separator in SEPARATORS:
        rows, _ = _parsed(few, separator)
        widths = Counter(len(row) for row in rows if len(row) > 1)
        if not widths:
            continue
        width = widths.most_common(1)[0][0]
        place = heading_place(rows, width)
        if place is None:
            continue
        below = rows[place + 1 :]
        fitting = sum(len(row) == width for row in below)
        share = fitting / len(below) if below else 1.0
        found.append((round(share, 1), width, separator, f"{width} fields in {fitting} of "
                      f"{len(below)} lines"))  # fmt: skip
    if not found:
        rows, lines = _parsed(text, ",")
        place = heading_place(rows, 1)
        told = "one column only: nothing to separate"
        return None if place is None else (",", place, rows, lines, told)
    _, width, separator, because = max(found)
    rows, lines = _parsed(text, separator)
    place = heading_place(rows, width)
    return None if place is None else (separator, place, rows, lines, because)


def heading_place(rows: Sequence[Sequence[str]], width: int) -> int | None:
    """Return the place of the headings among the first rows, None where there are none.

    It is the first row as wide as the rows that follow, with different texts and no data in it.

    Examples
    --------
    >>> heading_place([["Title", ""], ["id", "day"], ["7", "2024-03-01"]], 2)
    1
    >>> heading_place([["7", "2024-03-01"], ["8", "2024-03-02"]], 2) is None
    True
    """
    for place, row in enumerate(rows[:TITLE_LINES]):
        cells = [cell.strip() for cell in row]
        filled = [cell for cell in cells if cell]
        if len(row) == width and len(filled) >= max(0.7 * width, min(width, 2)):
            data = sum(bool(LOOKS_LIKE_DATA.fullmatch(cell)) for cell in filled)
            if data == 0 and len(set(filled)) == len(filled):
                return place
            if data > 0 and place + 1 < len(rows) and len(rows[place + 1]) == width:
                return None  # the first whole row holds data: a file without headings
    return None


def _footers(last: Sequence[Sequence[str]]) -> tuple[str, ...]:
    """Return how the last rows begin that close the file and are no rows."""
    closing = [row for row in last if _is_footer(row)]
    return tuple(dict.fromkeys(_footer_text(next(c for c in row if c.strip())) for row in closing))


def _is_footer(row: Sequence[str]) -> bool:
    filled = [cell for cell in row if cell.strip()]
    if not filled or len(filled) > max(2, len(row) // 3):
        return False
    words = plain(filled[0]).split()
    return bool(words) and words[0] in FOOTER_WORDS


def _footer_text(cell: str) -> str:
    return re.split(r"[\d:=]", cell.strip())[0].strip() or cell.strip()


# --- workbooks and Parquet


def _sheets(path: Path, name: str) -> list[Look]:
    found = []
    with zipfile.ZipFile(path) as archive:
        book = open_book(archive)
        shown = [sheet for sheet in book.sheets if sheet.shown]
        for sheet in shown:
            numbered = []
            for number, _, cells in book.cells(sheet):
                if any(cell.strip() for cell in cells):
                    numbered.append((number, cells))
                if len(numbered) > MOST_ROWS:
                    break
            look = _sheet(path, name, sheet.name, len(shown), numbered)
            if look is not None:
                found.append(look)
    return found


def _sheet(
    path: Path, name: str, sheet: str, shown: int, numbered: list[tuple[int, list[str]]]
) -> Look | None:
    width = max((sum(bool(c.strip()) for c in cells) for _, cells in numbered), default=0)
    # A row of a sheet ends with its last filled cell.
    place = next(
        (
            i for i, (_, cells) in enumerate(numbered[:TITLE_LINES])
            if sum(bool(c.strip()) for c in cells) >= max(0.7 * width, 1)
        ),
        None,
    )  # fmt: skip
    if place is None or heading_place([numbered[place][1]], len(numbered[place][1])) is None:
        return None
    line, headings = numbered[place]
    wide = len(headings)
    rows = [(cells + [""] * wide)[:wide] for _, cells in numbered[place + 1 :]]
    return Look(
        path=path, name=name, headings=tuple(h.strip() for h in headings), heading_line=line,
        rows=rows[: len(rows) - sum(map(_is_footer, rows[-3:]))], footers=_footers(rows[-3:]),
        titles=tuple(" ".join(c for c in cells if c) for _, cells in numbered[:place]),
        sheet=sheet, shown_sheets=shown,
    )  # fmt: skip


def _parquet(path: Path, name: str) -> list[Look]:
    file = ParquetFile(path=path, name=name, source=TableSource(table="", files=(), columns={}))
    rows: list[list[str]] = []
    for part in file.rows():
        cells = [Cells.of(column).first(MOST_ROWS) for column in part.columns]
        rows += [list(row) for row in zip(*cells, strict=True)]
        if len(rows) >= MOST_ROWS:
            break
    return [Look(path=path, name=name, headings=file.headings, heading_line=0, rows=rows)]
