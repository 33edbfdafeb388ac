"""One small written clinic, shared by the tests of this folder; four months of readings."""

from __future__ import annotations

import csv
import json
from datetime import date
from pathlib import Path

import pytest
from openpyxl import load_workbook

from synthetic import Scenario, write_clinic

SHORT = Scenario(readings_from=date(2026, 5, 20))
LAYOUTS = {  # separator, encoding, title lines: written down here apart from sources.toml
    "register": (";", "cp1252", 0),
    "implant_log": ("\t", "utf-16", 2),
    "central.csv": (";", "utf-8-sig", 0),
    "bedside": (",", "utf-8", 0),
    "patches.csv": (",", "utf-8", 0),
    "centre": (",", "utf-8", 0),
    "satellites": (";", "utf-8", 0),
    "implant_cloud": (",", "utf-8", 0),
    "quality": (";", "utf-8", 0),
}


def rows_of(path: Path) -> list[list[str]]:
    """Rows below the headings, by the plain csv module or by openpyxl."""
    if path.suffix == ".xlsx":
        return sheet_rows(path)
    separator, encoding, title = next(
        layout for part, layout in LAYOUTS.items() if part in path.as_posix().split("exports/")[1]
    )
    with path.open(encoding=encoding, newline="") as file:
        return list(csv.reader(file, delimiter=separator))[title + 1 :]


def sheet_rows(path: Path) -> list[list[str]]:
    """Rows of the shown sheet between the headings and the footer, dates as year-month-day."""
    (sheet,) = [each for each in load_workbook(path) if each.sheet_state == "visible"]
    rows = [[cell.value for cell in row] for row in sheet.iter_rows(min_row=4)]
    kept = [row for row in rows if row[0] != "Total rows" and any(row)]
    return [
        ["" if v is None else f"{v:%Y-%m-%d}" if hasattr(v, "year") else str(v) for v in row]
        for row in kept
    ]


@pytest.fixture(scope="session")
def small_clinic(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """24 patients."""
    return write_clinic(tmp_path_factory.mktemp("clinic"), patients=24, scenario=SHORT)


def known(folder: Path) -> dict:
    """The known numbers of a written clinic."""
    return json.loads((folder / "known_numbers.json").read_text(encoding="utf-8"))
