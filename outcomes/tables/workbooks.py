"""Workbooks (.xlsx) as text: one sheet, streamed from its XML, hidden rows and sheets told.

A cell comes out as a person reads it in the sheet: text as text, a whole number without a decimal
point, a number formatted `000` with its zeros, a share formatted as per cent with its sign, and a
date or time as year-month-day, whichever of the two day-number systems the workbook counts in.
A formula counts by its stored result.

The format is ECMA-376 part 1: cells 18.3.1.4, shared strings 18.4, number formats 18.8.30 and
18.8.31, day numbers 18.17.4.1. In the system of 1900 day 60 is a 29 February that never was.
"""

from __future__ import annotations

import hashlib
import math
import re
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import IO, Any, Final
from xml.etree import ElementTree

import numpy as np
import pyarrow as pa

from outcomes.errors import IntakeError, SettingsError, known_names
from outcomes.tables.export_files import NO_RESULT, SEARCHED_LINES, ExportFile, Seen, TextRows

PART_ROWS: Final = 50_000
MOST_COLUMNS: Final = 2_000  # beyond, cells are stray formatting
MAIN: Final = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
RELATION: Final = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"
# Numbers of built-in formats that show a date or a time (18.8.30, also those of East Asia).
DATE_FORMATS: Final = frozenset({*range(14, 23), *range(27, 37), *range(45, 48), *range(50, 59)})
PERCENT_FORMATS: Final = frozenset({9, 10})
MILLISECONDS_PER_DAY: Final = 86_400_000


@dataclass(frozen=True)
class Sheet:
    """One sheet of a workbook: its name, whether people see it, and where its cells lie."""

    name: str
    shown: bool
    part: str


@dataclass(kw_only=True, eq=False, repr=False)
class Book:
    """What holds for all sheets of an open workbook."""

    archive: zipfile.ZipFile
    sheets: tuple[Sheet, ...]
    from_1904: bool
    shared: list[str]
    looks: list[str]  # of each cell style: date, percent, zeros such as "000", or ""
    decimal: str = "."
    decimals: dict[int, str] = field(default_factory=dict)  # of columns with a mark of their own

    def cells(self, sheet: Sheet) -> Iterator[tuple[int, bool, list[str]]]:
        """Yield number, whether it is hidden, and the cells of every row that has any."""
        number = 0
        with self.archive.open(sheet.part) as file:
            for row in _elements(file, f"{MAIN}row"):
                number = int(row.get("r", number + 1))
                hidden = row.get("hidden") in ("1", "true")
                cells: list[str] = []
                for cell in row.iterfind(f"{MAIN}c"):
                    place = _column(cell.get("r")) if cell.get("r") else len(cells)
                    if place >= MOST_COLUMNS:
                        break
                    cells += [""] * (place - len(cells))
                    cells.append(self._text(cell, place))
                yield number, hidden, cells

    def _text(self, cell: ElementTree.Element, place: int) -> str:
        kind = cell.get("t", "n")
        if kind == "inlineStr":
            return _plain(cell.find(f"{MAIN}is"))
        found = cell.find(f"{MAIN}v")
        value = "" if found is None else (found.text or "")
        if not value:
            return NO_RESULT if cell.find(f"{MAIN}f") is not None else ""
        if kind == "s":
            return self.shared[int(value)]
        if kind == "b":
            return "true" if value == "1" else "false"
        if kind == "d":
            return value.removesuffix("T00:00:00")
        if kind in ("str", "e"):
            return value
        look = self.looks[int(cell.get("s", 0))] if self.looks else ""
        return number_text(
            value, look, self.decimals.get(place, self.decimal), from_1904=self.from_1904
        )


def number_text(value: str, look: str, decimal: str, *, from_1904: bool) -> str:
    """Return a stored number as its look shows it.

    Examples
    --------
    >>> number_text("45352", "date", ".", from_1904=False)
    '2024-03-01'
    >>> number_text("43890.5", "date", ".", from_1904=True)
    '2024-03-01 12:00:00'
    >>> number_text("7", "000", ".", from_1904=False), number_text("7.1", "", ",", from_1904=False)
    ('007', '7,1')
    """
    number = float(value)
    if not math.isfinite(number):
        return value
    if look == "date":
        return _moment(number, from_1904=from_1904)
    if look == "percent":
        return _decimal(round(number * 100, 10), decimal) + " %"
    if look and number == int(number) and number >= 0:
        return str(int(number)).zfill(len(look))
    # Whole numbers beyond 15 digits were rounded by the spreadsheet program already.
    return _decimal(number, decimal)


def _decimal(number: float, mark: str) -> str:
    text = str(int(number)) if number == int(number) else repr(number)
    return text.replace(".", mark)


def _moment(number: float, *, from_1904: bool) -> str:
    """Return a day number as text; one that names no day stays a number, which no date is."""
    milliseconds = round(number * MILLISECONDS_PER_DAY)
    day, rest = divmod(milliseconds, MILLISECONDS_PER_DAY)
    clock = (datetime(2000, 1, 1) + timedelta(milliseconds=rest)).strftime("%H:%M:%S.%f")
    clock = clock.rstrip("0").rstrip(".")
    if day == 0 and not from_1904:
        return clock
    if from_1904:
        begins = datetime(1904, 1, 1)
    else:
        begins = datetime(1899, 12, 30) if day > 60 else datetime(1899, 12, 31)
    if not 0 <= day < 2_958_466 or (day == 60 and not from_1904):
        return f"day number {number:g}"
    found = begins + timedelta(days=day)
    return f"{found:%Y-%m-%d}" + (f" {clock}" if rest else "")


def _elements(file: IO[bytes], tag: str) -> Iterator[ElementTree.Element]:
    """Yield every element `tag` when it is complete, and forget it afterwards."""
    above: list[ElementTree.Element] = []
    for event, element in ElementTree.iterparse(file, events=("start", "end")):
        if event == "start":
            above.append(element)
            continue
        above.pop()
        if element.tag == tag:
            yield element
            if above:
                above[-1].remove(element)


def _column(place: str | None) -> int:
    """Return the column of a cell such as "AB12", from 0."""
    number = 0
    for letter in place or "":
        if not letter.isalpha():
            break
        number = number * 26 + ord(letter) - 64
    return number - 1


def _plain(element: ElementTree.Element | None) -> str:
    """Return the text of a string in parts, without readings in another script."""
    if element is None:
        return ""
    runs = [element, *element.iterfind(f"{MAIN}r")]
    return "".join(text.text or "" for run in runs for text in run.iterfind(f"{MAIN}t"))


def _look(number: int, code: str | None) -> str:
    if code is None:
        if number in DATE_FORMATS:
            return "date"
        return "percent" if number in PERCENT_FORMATS else ""
    first = code.split(";")[0]
    bare = re.sub(r'"[^"]*"|\[[^\]]*\]|\\.|_.|\*.', "", first)
    if "%" in bare:
        return "percent"
    if re.fullmatch(r"0{2,}", bare):
        return bare
    return "date" if re.search(r"[ymdhs]", bare, re.IGNORECASE) else ""


def open_book(archive: zipfile.ZipFile) -> Book:
    """Return sheets, shared strings and cell styles of a workbook."""
    book = ElementTree.fromstring(archive.read("xl/workbook.xml"))
    relations = ElementTree.fromstring(archive.read("xl/_rels/workbook.xml.rels"))
    target = {r.get("Id"): str(r.get("Target")) for r in relations}
    sheets = tuple(
        Sheet(
            str(sheet.get("name")),
            sheet.get("state", "visible") == "visible",
            _part(target[sheet.get(RELATION)]),
        )
        for sheet in book.iter(f"{MAIN}sheet")
    )
    properties = book.find(f"{MAIN}workbookPr")
    return Book(
        archive=archive,
        sheets=sheets,
        from_1904=properties is not None and properties.get("date1904") in ("1", "true"),
        shared=_shared(archive),
        looks=_looks(archive),
    )


def _part(target: str) -> str:
    return target.lstrip("/") if target.startswith("/") else f"xl/{target}"


def _shared(archive: zipfile.ZipFile) -> list[str]:
    if "xl/sharedStrings.xml" not in archive.namelist():
        return []
    with archive.open("xl/sharedStrings.xml") as file:
        return [_plain(item) for item in _elements(file, f"{MAIN}si")]


def _looks(archive: zipfile.ZipFile) -> list[str]:
    if "xl/styles.xml" not in archive.namelist():
        return []
    styles = ElementTree.fromstring(archive.read("xl/styles.xml"))
    codes = {
        int(f.get("numFmtId", 0)): str(f.get("formatCode")) for f in styles.iter(f"{MAIN}numFmt")
    }
    formats = styles.find(f"{MAIN}cellXfs")
    if formats is None:
        return []
    numbers = [int(style.get("numFmtId", 0)) for style in formats]
    return [_look(number, codes.get(number)) for number in numbers]


@dataclass(kw_only=True, eq=False, repr=False)
class WorkbookFile(ExportFile):
    """One sheet of a workbook as an export file; lines are the rows of the sheet."""

    typed: bool = True

    def rows(self) -> Iterator[TextRows]:
        """Yield the rows below the headings, some at a time; `headings` is set before the first.

        Raises
        ------
        IntakeError
            The file is no workbook, or damaged, or the sheet has no headings.
        SettingsError
            The file or the sheet does not exist, or nothing says which sheet is meant.
        """
        self.sha256 = file_digest(self.path, self.name)
        try:
            with zipfile.ZipFile(self.path) as archive:
                book = open_book(archive)
                yield from self._sheet_rows(book, self._sheet_of(book))
        except (
            zipfile.BadZipFile, zlib.error, KeyError, ValueError, IndexError, EOFError, OSError,
            ElementTree.ParseError, NotImplementedError, RuntimeError,
        ) as error:  # fmt: skip
            raise IntakeError(
                f"{self.name}: cannot be read as a workbook ({type(error).__name__}). It is "
                "damaged, protected by a password, or no .xlsx; save it again, or export CSV."
            ) from error

    def _sheet_of(self, book: Book) -> Sheet:
        hidden = [sheet.name for sheet in book.sheets if not sheet.shown]
        if hidden:
            told = f"not read: hidden sheet {', '.join(hidden)}"
            number = f"not read: {len(hidden)} hidden sheet{'s' * (len(hidden) > 1)}"
            self.seen.append(Seen("hidden sheet", len(hidden), told, number))
        names = {sheet.name: sheet for sheet in book.sheets}
        if self.source.sheet is not None:
            if self.source.sheet not in names:
                raise SettingsError(
                    f"{self.name}: {known_names('sheet there', self.source.sheet, names)} "
                    "Correct `sheet` in sources.toml."
                )
            return names[self.source.sheet]
        shown = [sheet for sheet in book.sheets if sheet.shown]
        if len(shown) != 1:
            raise SettingsError(
                f"{self.name}: {len(shown)} sheets are shown "
                f"({', '.join(sheet.name for sheet in shown) or 'none'}). Say which one with "
                "`sheet` in sources.toml."
            )
        return shown[0]

    def _sheet_rows(self, book: Book, sheet: Sheet) -> Iterator[TextRows]:
        rows = book.cells(sheet)
        book.decimal = self.source.decimal
        below = self._find_headings(rows)
        book.decimals = self._own_decimals()
        yield self.no_rows_yet()
        last, hidden, held = self.heading_line, [], []
        for number, is_hidden, cells in (*below, *rows):
            if number <= last:
                raise ValueError("the rows of the sheet are out of order")
            self.empty_lines += number - last - 1
            last = number
            if not any(cell.strip() for cell in cells):
                self.empty_lines += 1
                continue
            if self.is_footer(next(cell for cell in cells if cell.strip())):
                self.footers += 1
                continue
            self._row_lines += 1
            if is_hidden:
                hidden.append(number)
            held.append((number, cells))
            if len(held) >= PART_ROWS:
                yield self._part(held)
                held = []
        if held:
            yield self._part(held)
        if hidden:
            told = ", ".join(map(str, hidden[:10])) + (" ..." if len(hidden) > 10 else "")
            self.seen.append(
                Seen("hidden row", len(hidden), f"hidden rows are read like the others: {told}")
            )
        self.lines = last
        self.close_account()

    def _find_headings(
        self, rows: Iterator[tuple[int, bool, list[str]]]
    ) -> list[tuple[int, bool, list[str]]]:
        """Set the headings from the first rows; return those below them that were read."""
        least = max(self.source.skip_lines + 1, self.source.heading_line or 1)
        first = []
        for row in rows:
            first.append(row)
            if len(first) >= SEARCHED_LINES:
                break
        given = self.source.heading_line
        asked = [row for row in first if row[0] >= least and given in (None, row[0])]
        place = self.headings_among([cells for *_, cells in asked])
        if place is None:
            raise self.without_headings()
        line, _, cells = asked[place]
        titles = [" ".join(c for c in row if c) for number, _, row in first if number < line]
        self.set_headings(cells, line, titles)
        return [row for row in first if row[0] > line]

    def _own_decimals(self) -> dict[int, str]:
        """Return the decimal mark of columns that are declared with another one."""
        marks = {}
        for spec in (self.source.column(name) for name in self.source.columns):
            names = (spec.column,) if isinstance(spec.column, str) else spec.column or ()
            there = next((n for n in names if n in self.headings), None)
            if spec.decimal is not None and there is not None:
                marks[self.headings.index(there)] = spec.decimal
        return marks

    def _part(self, rows: list[tuple[int, list[str]]]) -> TextRows:
        """Cut rows to the width of the headings; what stands beyond them makes a row ragged."""
        width = len(self.headings)
        ragged = [
            (line, f"cells beyond the {width} headings")
            for line, cells in rows
            if any(cell.strip() for cell in cells[width:])
        ]
        odd = {line for line, _ in ragged}
        whole = [(line, cells) for line, cells in rows if line not in odd]
        columns = (
            pa.array([c[i] if i < len(c) else "" for _, c in whole], type=pa.string())
            for i in range(width)
        )
        return TextRows(
            lines=np.array([line for line, _ in whole], dtype=np.int64),
            columns=tuple(columns),
            ragged=tuple(ragged),
        )


def file_digest(path: Path, name: str) -> str:
    """Return the digest of a file's bytes; raise SettingsError where it cannot be opened."""
    digest: Any = hashlib.sha256()
    try:
        with path.open("rb") as file:
            while part := file.read(1 << 20):
                digest.update(part)
    except OSError as error:
        raise SettingsError(
            f"{name}: cannot be opened ({error.strerror}). Check files in sources.toml."
        ) from error
    return str(digest.hexdigest())
