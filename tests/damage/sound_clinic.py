"""A small sound clinic, written in many styles: the truth that damaged files are held against."""

from __future__ import annotations

import io
from collections import Counter
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import openpyxl
import pandas as pd

from outcomes.tables.study import Study

EPOCH = datetime(1970, 1, 1)
IDS = ("007", "07", "7", "P1", "P2", "P3", "Zoë", "P10")
CENTRES = ("Zürich", "Genève", "Basel", "Malmö")
HEADINGS = {
    "patients": ("id", "born", "centre"),
    "sensors": ("sensor", "id", "kind", "placed", "removed"),
    "labs": ("id", "drawn", "hba1c", "unit", "note"),
    "readings": ("id", "at", "glucose"),
}
SOURCES = {
    "patients": """table = "patients"
columns = { patient_id = "id", birth_year = "born", centre = "centre" }
""",
    "sensors": """table = "sensors"
[source.columns]
sensor_id = "sensor"
patient_id = "id"
kind = { column = "kind", codes = { IM = "implanted", AD = "adhesive" } }
placed_on = "placed"
removed_on = "removed"
planned_days = { constant = "180" }
""",
    "labs": """table = "hba1c"
[source.columns]
patient_id = "id"
drawn_on = "drawn"
value = { column = "hba1c", unit_column = "unit" }
""",
    "readings": """table = "readings"
[source.columns]
patient_id = "id"
time = "at"
value = { column = "glucose", unit = "mg/dL" }
""",
}
ZONE = ZoneInfo("Europe/Berlin")


@dataclass(kw_only=True)
class Style:
    """How a clinic writes its files."""

    separator: str
    encoding: str
    line_end: str
    decimal: str
    dates: str  # in words
    suffix: str = ".csv"

    def day(self, day: date) -> str:
        """Write a day."""
        year, month, of_month = f"{day.year}", f"{day.month:02d}", f"{day.day:02d}"
        words = self.dates.replace("year", year).replace("month", month)
        return words.replace("day", of_month)

    def number(self, value: float) -> str:
        """Write a value."""
        return f"{value:g}".replace(".", self.decimal)


@dataclass(kw_only=True)
class Clinic:
    """The cells of every export, and what a study must hold of them."""

    style: Style
    cells: dict[str, list[list[str]]]
    truth: dict[str, Counter[tuple[Any, ...]]] = field(default_factory=dict)


def sound_clinic(rng: np.random.Generator) -> Clinic:
    """Return a clinic in a style drawn at random; every row of it is sound."""
    style = Style(
        separator=str(rng.choice([",", ";", "\t"])),
        encoding=str(rng.choice(["utf-8", "utf-16", "cp1252"], p=[0.6, 0.2, 0.2])),
        line_end=str(rng.choice(["\n", "\r\n"])),
        decimal=".",
        dates=str(rng.choice(["day.month.year", "month/day/year", "year-month-day"])),
    )
    if style.separator != ",":
        style.decimal = str(rng.choice([".", ","]))
    clinic = Clinic(style=style, cells={}, truth={})
    _people(clinic, rng)
    _sensors(clinic, rng)
    _labs(clinic, rng)
    _readings(clinic, rng)
    return clinic


def _people(clinic: Clinic, rng: np.random.Generator) -> None:
    rows = [(i, int(rng.integers(1930, 2005)), str(rng.choice(CENTRES))) for i in IDS]
    clinic.cells["patients"] = [[i, str(born), centre] for i, born, centre in rows]
    clinic.truth["patients"] = Counter(rows)


def _sensors(clinic: Clinic, rng: np.random.Generator) -> None:
    style, rows, truth = clinic.style, [], []
    for number, owner in enumerate(IDS):
        placed = date(2023, 1, 1) + timedelta(days=int(rng.integers(0, 300)))
        removed = placed + timedelta(days=int(rng.integers(100, 181)))
        there = bool(rng.random() < 0.7)
        truth.append((f"S{number:03d}", owner, "implanted", placed, removed if there else None))
        rows.append(
            [f"S{number:03d}", owner, "IM", style.day(placed), style.day(removed) if there else ""]
        )
    clinic.cells["sensors"], clinic.truth["sensors"] = rows, Counter(truth)


def _labs(clinic: Clinic, rng: np.random.Generator) -> None:
    style, rows, truth = clinic.style, [], []
    for owner in IDS:
        day = date(2023, 1, 1)
        for _ in range(4):
            day += timedelta(days=int(rng.integers(30, 120)))
            per_cent = bool(rng.random() < 0.6)
            value = round(float(rng.uniform(5.5, 11)), 1) if per_cent else int(rng.integers(38, 97))
            unit = "%" if per_cent else "mmol/mol"
            truth.append((owner, day, float(value), unit))
            note = "" if rng.random() < 0.5 else "nüchtern"
            rows.append([owner, style.day(day), style.number(value), unit, note])
    clinic.cells["labs"], clinic.truth["labs"] = rows, Counter(truth)


def _readings(clinic: Clinic, rng: np.random.Generator) -> None:
    style, rows, truth = clinic.style, [], []
    for owner in IDS:
        at = datetime(2023, 5, int(rng.integers(1, 29)), int(rng.integers(0, 24)), 0)
        value = float(rng.integers(90, 200))
        for _ in range(8):
            at += timedelta(minutes=15)
            value = float(np.clip(value + rng.integers(-25, 26), 45, 395))
            instant = at - (at.replace(tzinfo=ZONE).utcoffset() or timedelta())
            truth.append((owner, (instant - EPOCH) // timedelta(microseconds=1), value))
            rows.append([owner, f"{style.day(at.date())} {at:%H:%M}", style.number(value)])
    clinic.cells["readings"], clinic.truth["readings"] = rows, Counter(truth)


def as_text(style: Style, headings: tuple[str, ...], rows: list[list[str]]) -> str:
    """Return an export as one text with its line ends."""
    lines = [style.separator.join(quoted(c, style.separator) for c in r) for r in (headings, *rows)]
    return "".join(line + style.line_end for line in lines)


def quoted(cell: str, separator: str) -> str:
    """Return a cell as it stands in a file; what is quoted already stays as it is."""
    return '"' + cell.replace('"', '""') + '"' if set(cell) & {separator, "\n"} else cell


def as_workbook(headings: tuple[str, ...], rows: list[list[str]]) -> bytes:
    """Return an export as a workbook of text cells."""
    book = openpyxl.Workbook()
    for row in (headings, *rows):
        book.active.append(["".join(c for c in cell if c >= " ")[:30_000] for cell in row])
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def as_parquet(headings: tuple[str, ...], rows: list[list[str]]) -> bytes:
    """Return an export as a Parquet file of text columns."""
    stream = io.BytesIO()
    pd.DataFrame(rows, columns=list(headings)).to_parquet(stream, index=False)
    return stream.getvalue()


def write(
    folder: Path, clinic: Clinic, contents: dict[str, bytes], suffixes: dict[str, str]
) -> Path:
    """Write the files and their sources.toml; return the path of the latter."""
    style = clinic.style
    text = (
        'format = 1\n[clinic]\nname = "Damaged"\ntime_zone = "Europe/Berlin"\n'
        "exported_on = 2025-01-01\n"
    )
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in contents.items():
        file = f"{name}{suffixes.get(name, '.csv')}"
        (folder / file).write_bytes(content)
        separator = "\\t" if style.separator == "\t" else style.separator
        text += (
            f'[[source]]\nfiles = ["{file}"]\nseparator = "{separator}"\n'
            f'encoding = "{style.encoding}"\ndecimal = "{style.decimal}"\n'
            f'dates = "{style.dates}"\n{SOURCES[name]}'
        )
    (folder / "sources.toml").write_text(text, encoding="utf-8")
    return folder / "sources.toml"


def kept(study: Study) -> dict[str, Counter[tuple[Any, ...]]]:
    """Return what the study holds, in the shape of a clinic's truth."""

    def day(value: Any) -> date | None:
        return None if pd.isna(value) else value.date()

    people, sensors, labs = (study.table(n) for n in ("patients", "sensors", "hba1c"))
    readings = [
        (p.patient_id, int(t), float(v))
        for p in study.readings()
        for t, v in zip(p.time, p.value, strict=True)
    ]
    return {
        "patients": Counter(
            (r.patient_id, int(r.birth_year), r.centre) for r in people.itertuples()
        ),
        "sensors": Counter(
            (r.sensor_id, r.patient_id, r.kind, day(r.placed_on), day(r.removed_on))
            for r in sensors.itertuples()
        ),
        "labs": Counter(
            (r.patient_id, day(r.drawn_on), r.value, r.unit) for r in labs.itertuples()
        ),
        "readings": Counter(readings),
    }
