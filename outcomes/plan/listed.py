"""Small CSV files that a clinic keeps beside its plan, read strictly: actions and chart audits."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any, Literal

import pandas as pd

from outcomes.errors import SettingsError, known_names

Cell = Literal["text", "text?", "date", "date?", "count"]


def read_listed(path: Path, columns: Mapping[str, Cell], *, key: str | None = None) -> pd.DataFrame:
    """Return the rows of a small CSV file: every column declared, every cell of its kind.

    Parameters
    ----------
    path : Path
        UTF-8, comma between cells, the first line the headings in any order.
    columns : mapping of name to {"text", "text?", "date", "date?", "count"}
        A question mark allows an empty cell. Dates are written 2026-09-30.
    key : str, optional
        Column in which no text may come twice.

    Returns
    -------
    DataFrame, one row per line, in order
        Texts as str or None, dates as datetime64 (missing NaT), counts as int; `line` is the
        number of the line in the file.

    Raises
    ------
    SettingsError
        The file cannot be read, a column is unknown or missing, a cell does not fit its kind, or
        a key comes twice. The message names file, line and column.
    """
    rows = _lines(path, columns)
    cells = {
        name: [_cell(path, number, name, kind, row[name]) for number, row in rows]
        for name, kind in columns.items()
    }
    frame = pd.DataFrame({**cells, "line": [number for number, _ in rows]})
    for name, kind in columns.items():
        if kind.startswith("date"):
            frame[name] = pd.to_datetime(frame[name])
        elif kind.startswith("text"):
            frame[name] = frame[name].astype(object)
    if key is not None and frame[key].duplicated().any():
        again = frame.loc[frame[key].duplicated()].iloc[0]
        raise SettingsError(
            f"{path.name}, line {again['line']}, {key}: '{again[key]}' comes twice. Keep one line."
        )
    return frame


def _lines(path: Path, columns: Mapping[str, Cell]) -> list[tuple[int, dict[str, str]]]:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path.name}: cannot be read as UTF-8 text ({error}).") from error
    reader = csv.DictReader(text.splitlines(), strict=True, restkey="", restval="")
    try:
        names = list(reader.fieldnames or [])
        rows = [(reader.line_num, row) for row in reader]
    except csv.Error as error:
        raise SettingsError(f"{path.name}, line {reader.line_num}: {error}.") from error
    for name in names:
        if name not in columns:
            raise SettingsError(f"{path.name}, line 1: {known_names('column', name, columns)}")
    absent = [name for name in columns if name not in names]
    if absent or len(set(names)) != len(names):
        raise SettingsError(
            f"{path.name}, line 1: needs each of {', '.join(columns)} once; "
            f"missing: {', '.join(absent) or 'none'}."
        )
    for number, row in rows:
        if "" in row:
            raise SettingsError(f"{path.name}, line {number}: more cells than headings.")
    return rows


def _cell(path: Path, line: int, name: str, kind: Cell, text: str) -> Any:
    text = text.strip()
    if not text:
        if kind.endswith("?"):
            return None
        raise SettingsError(f"{path.name}, line {line}, {name}: is empty.")
    # A spreadsheet's guard against formulas, as our own tables carry it.
    text = text[1:] if text[:1] == "'" and text[1:2] in tuple("=+-@") else text
    if kind.startswith("text"):
        return text
    try:
        return date.fromisoformat(text) if kind.startswith("date") else _count(text)
    except ValueError as error:
        expected = "a date such as 2026-09-30" if kind.startswith("date") else "a whole number"
        raise SettingsError(
            f"{path.name}, line {line}, {name}: '{text}' is not {expected}."
        ) from error


def _count(text: str) -> int:
    if not text.isdecimal():
        raise ValueError(text)
    return int(text)
