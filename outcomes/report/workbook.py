"""A workbook of unrounded tables in which nothing is a formula."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final

import pandas as pd
from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell

FIRST_DAY: Final = datetime(1980, 1, 1)  # the earliest that a ZIP file can state
MODIFIED: Final = re.compile(rb"(<dcterms:modified[^>]*>)[^<]*")  # the moment of the save
LONGEST_NAME: Final = 31  # of a sheet


def workbook(tables: Mapping[str, pd.DataFrame]) -> bytes:
    """Return a workbook with one sheet a table; the same bytes for the same tables.

    Numbers stay numbers. Every text is stored as text, so that one that begins like a formula is
    shown and never worked out; a spreadsheet keeps it so when the cell is edited.
    """
    book = Workbook(write_only=True)
    book.properties.created = FIRST_DAY
    for name, table in tables.items():
        sheet = book.create_sheet(name[:LONGEST_NAME])
        for row in [list(table.columns), *table.itertuples(index=False)]:
            sheet.append([_cell(sheet, value) for value in row])
    if not tables:
        book.create_sheet("no tables")
    made = io.BytesIO()
    book.save(made)
    return _dated(made)


def _cell(sheet: Any, value: Any) -> Any:
    if not pd.api.types.is_scalar(value):
        value = str(value)
    elif pd.isna(value):
        return None
    if isinstance(value, pd.Timestamp):
        return value.to_pydatetime()
    if hasattr(value, "item"):
        value = value.item()
    if not isinstance(value, str):
        return value
    cell = WriteOnlyCell(sheet, value=value)
    cell.data_type = "s"  # what begins with "=" would be stored as a formula
    cell.quotePrefix = True
    return cell


def _dated(made: io.BytesIO) -> bytes:
    """Return the file with one date on every part, in place of the time of the run."""
    kept = io.BytesIO()
    with zipfile.ZipFile(made) as parts, zipfile.ZipFile(kept, "w", zipfile.ZIP_DEFLATED) as out:
        for part in parts.infolist():
            stamp = zipfile.ZipInfo(part.filename, date_time=(1980, 1, 1, 0, 0, 0))
            stamp.compress_type = zipfile.ZIP_DEFLATED
            out.writestr(stamp, MODIFIED.sub(rb"\g<1>1980-01-01T00:00:00Z", parts.read(part)))
    return kept.getvalue()
