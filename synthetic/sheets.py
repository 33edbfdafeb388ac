"""A spreadsheet as an office keeps it: title, blank rows, a hidden row, a hidden sheet, a footer.

Written by openpyxl, then packed again with fixed times and order, so that the same rows give the
same bytes.
"""

from __future__ import annotations

import io
import re
import zipfile
from dataclasses import dataclass
from datetime import datetime

from openpyxl import Workbook
from openpyxl.worksheet.worksheet import Worksheet

from .rows import TextFile

PACKED = (1980, 1, 1, 0, 0, 0)
WRITTEN = re.compile(rb"<dcterms:(created|modified)([^>]*)>[^<]*<")
FIXED = rb"<dcterms:\1\2>2026-10-06T08:00:00Z<"
FOOTER = "Total rows"


@dataclass(kw_only=True)
class SheetFile(TextFile):
    """A workbook with the rows on its shown sheet; texts that are dates or numbers become such.

    `dates` and `numbers` name the columns whose cells are typed where their text allows it; all
    other cells are text, ids with zeros in front and notes that look like formulas too.
    """

    sheet: str = "Sheet1"
    dates: tuple[str, ...] = ()
    numbers: tuple[str, ...] = ()
    blank_before: int = 7  # a row that somebody left blank

    @property
    def first_line(self) -> int:
        """Line of the first row: below the title, a blank row and the headings."""
        return len(self.title) + 3

    def line(self, place: int) -> int:
        """Line of the row at `place`."""
        return self.first_line + place + int(place >= self.blank_before)

    def write(self) -> None:
        """Write the workbook and let go of its rows."""
        book = Workbook()
        shown = book.active
        assert shown is not None
        shown.title = self.sheet
        for number, title in enumerate(self.title, start=1):
            _text(shown, number, 1, title)
        for column, heading in enumerate(self.header, start=1):
            _text(shown, self.first_line - 1, column, heading)
        for place, row in enumerate(self.rows):
            for column, (heading, value) in enumerate(zip(self.header, row, strict=True), start=1):
                self._cell(shown, self.line(place), column, heading, value)
        last = self.line(len(self.rows))
        _text(shown, last, 1, FOOTER)
        shown.cell(last, 2, len(self.rows))
        shown.row_dimensions[self.line(self.rows.first_right(3))].hidden = True
        old = book.create_sheet("old list")
        old.sheet_state = "hidden"
        for column, heading in enumerate(self.header, start=1):
            _text(old, 1, column, heading)
        for column, value in enumerate(self.rows[0], start=1):
            _text(old, 2, column, value)
        (self.folder / self.path).write_bytes(_packed(book))
        self.rows.close()

    def _cell(self, sheet: Worksheet, line: int, column: int, heading: str, value: str) -> None:
        if heading in self.dates and _is_day(value):
            cell = sheet.cell(line, column, datetime.strptime(value, "%Y-%m-%d"))
            cell.number_format = "dd.mm.yyyy"
        elif heading in self.numbers and value.isdigit():
            sheet.cell(line, column, int(value))
        elif value:
            _text(sheet, line, column, value)


def _text(sheet: Worksheet, line: int, column: int, value: str) -> None:
    cell = sheet.cell(line, column)
    cell.value = value
    cell.data_type = "s"  # otherwise "=1+1" would become a formula
    cell.number_format = "@"


def _is_day(value: str) -> bool:
    try:
        datetime.strptime(value, "%Y-%m-%d")
    except ValueError:
        return False
    return True


def _packed(book: Workbook) -> bytes:
    """Return the workbook's bytes without the moment at which they were written."""
    made, fixed = io.BytesIO(), io.BytesIO()
    book.save(made)
    with zipfile.ZipFile(made) as old, zipfile.ZipFile(fixed, "w") as new:
        for name in sorted(old.namelist()):
            data = WRITTEN.sub(FIXED, old.read(name))
            new.writestr(zipfile.ZipInfo(name, PACKED), data, zipfile.ZIP_DEFLATED)
    return fixed.getvalue()
