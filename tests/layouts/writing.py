"""Write the tables of an invented clinic in one of the layouts, and say what is true of it."""

from __future__ import annotations

import csv
import gzip
import io
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from openpyxl import Workbook

from outcomes.tables.study import Study
from tests.layouts.ways import Way
from tests.layouts.words import EXTRAS

TABLES = (
    "patients", "sensors", "hba1c", "contacts", "readings", "fingersticks", "complications",
    "procedures",
)  # fmt: skip
READINGS = 150  # of a patient
READERS = 9  # patients with readings
MOLAR = 18.0156
UNREAD = {column for columns in EXTRAS.values() for column in columns}


@dataclass(kw_only=True)
class Truth:
    """What is true of one file and table: what a draft should say of it."""

    table: str
    files: tuple[str, ...]
    columns: dict[str, str] = field(default_factory=dict)  # our column to heading
    settings: dict[str, str] = field(default_factory=dict)  # of the source
    of_columns: dict[tuple[str, str], object] = field(default_factory=dict)  # column, key
    codes: dict[str, dict[str, str]] = field(default_factory=dict)  # column: theirs to ours
    patients: tuple[str, ...] = ()  # whose files these are, where the name or a title line says
    unread: tuple[str, ...] = ()


def clinic_tables(study: Study, rng: np.random.Generator) -> dict[str, pd.DataFrame]:
    """Return the study's tables with local times, a made-up name a patient, few readings."""
    found = {name: study.table(name).copy() for name in TABLES if name != "readings"}
    people = found["patients"]
    syllables = ["ka", "lo", "mi", "rus", "ten", "vad", "wo", "zel"]
    people["name"] = ["".join(rng.choice(syllables, 3)).title() for _ in range(len(people))]
    months, days = rng.integers(1, 13, len(people)), rng.integers(1, 29, len(people))
    people["birth"] = [
        pd.Timestamp(int(y), int(m), int(d))
        for y, m, d in zip(people["birth_year"], months, days, strict=True)
    ]
    people["phone"] = [f"0{rng.integers(10**8, 10**9)}" for _ in range(len(people))]
    for name in ("patients", "sensors"):
        found[name]["remark"] = _remarks(len(found[name]), rng)
    found["hba1c"]["order"] = [f"{rng.integers(10**6, 10**7)}" for _ in range(len(found["hba1c"]))]
    sticks = found["fingersticks"]
    sticks["time"] += pd.to_timedelta(sticks["local_offset"], unit="min")
    found["fingersticks"] = sticks.groupby("patient_id").head(60)
    parts = []
    for one in study.readings():
        frame = one.frame()
        if len(parts) < READERS and len(frame) > READINGS:
            start = int(rng.integers(0, len(frame) - READINGS))
            frame = frame.iloc[start : start + READINGS]
            own = frame.assign(
                patient_id=one.patient_id,
                time=frame["time"] + pd.to_timedelta(frame["local_offset"], unit="min"),
                value=np.where(frame["unit"] == "mmol/L", frame["value"] * MOLAR, frame["value"]),
            )
            parts.append(own[own["capped"] == "no"])
    found["readings"] = pd.concat(parts, ignore_index=True)
    return found


def _remarks(n: int, rng: np.random.Generator) -> list[str]:
    """Return free text in some of the rows."""
    beginnings = ["called back", "wants more rest", "sister came along", "asks about travel"]
    return [
        f"{rng.choice(beginnings)} {rng.integers(100, 999)}" if rng.random() < 0.4 else ""
        for _ in range(n)
    ]


def write_layout(tables: dict[str, pd.DataFrame], way: Way, folder: Path) -> list[Truth]:
    """Write the exports of a layout below `folder`; return what is true of every file."""
    truths: list[Truth] = []
    book = Workbook() if way.one_book else None
    for table in (t for t in TABLES if t in way.headings):
        if way.visits and table == "contacts":
            truths += _visits(tables, way, folder)
        elif not (way.visits and table == "hba1c"):
            for rows, name, who in _files(tables[table], way, table):
                truths.append(_one(rows, name, who, way, table, folder, book))
    if book is not None:
        del book[book.sheetnames[0]]
        book.save(folder / "clinic.xlsx")
    return _together(truths)


def _files(frame: pd.DataFrame, way: Way, table: str) -> Iterator[tuple[pd.DataFrame, str, str]]:
    name = way.files.get(table, table)
    if table != "readings" or way.one_file == "mixed":
        yield frame, name, ""
        return
    for number, (who, rows) in enumerate(frame.groupby("patient_id", sort=True)):
        yield rows, f"{name}_{who if way.one_file == 'name' else f'{number:03d}'}", str(who)


def _one(
    rows: pd.DataFrame, name: str, who: str, way: Way, table: str, folder: Path,
    book: Workbook | None,
) -> Truth:  # fmt: skip
    headings = dict(way.headings[table])
    headings |= {c: c.title() for c in EXTRAS.get(table, ()) if c not in headings}
    if who:
        del headings["patient_id"]
    unit = headings.pop("unit", None)
    truth = Truth(table=table, files=(), columns={_ours(c, table): h for c, h in headings.items()
                                                  if c not in UNREAD})  # fmt: skip
    cells = {h: _cells(rows, column, way, table, truth) for column, h in headings.items()}
    if unit is not None:
        cells[unit] = _units(rows, way)
        truth.of_columns["value", "unit_column"] = unit
    truth.unread = tuple(h for c, h in headings.items() if c in UNREAD)
    truth.patients = (who,) if who else ()
    _settings(truth, way, cells)
    truth.files = (_write(cells, name, who, way, folder, book, table),)
    return truth


def _ours(column: str, table: str) -> str:
    return "birth_year" if column == "birth" else column


def _settings(truth: Truth, way: Way, cells: dict[str, list[str]]) -> None:
    text = way.kind in ("csv", "gz")
    if text:
        truth.settings["separator"] = way.separator
        everything = "".join(c for column in cells.values() for c in (*column, *cells))
        narrow = everything.isascii() and way.encoding != "utf-16"
        truth.settings["encoding"] = "any" if narrow else way.encoding.removesuffix("-sig")
        if any(way.decimal in c for h, column in cells.items() for c in column
               if truth.columns.get("value") == h):  # fmt: skip
            truth.settings["decimal"] = way.decimal
    if way.one_book:
        truth.settings["sheet"] = truth.table
    if way.footer and not way.one_book:
        truth.settings["footers"] = way.footer


# --- cells ------------------------------------------------------------------------------------


def _cells(rows: pd.DataFrame, column: str, way: Way, table: str, truth: Truth) -> list[str]:
    values = rows[column]
    ours = _ours(column, table)
    if column == "time":
        truth.of_columns[column, "dates"] = way.dates + _spelt(way)
        return [_time(v, way) for v in values]
    if column == "birth" or column.endswith("_on") or column == "on":
        order = (way.birth_dates or way.dates) if column == "birth" else way.dates
        typed = way.kind in ("xlsx", "parquet")
        clock = " hour:minute:second" if way.midnight else ""
        truth.of_columns[ours, "dates"] = "year-month-day" if typed else order + clock
        never = way.never if column in ("removed_on", "died_on") else ""
        if never:
            truth.of_columns[ours, "never"] = [never]
        behind = " 00:00:00" if way.midnight else ""
        return [_day(v, order) + behind if pd.notna(v) else never for v in values]
    if column == "value" and table in ("readings", "fingersticks"):
        truth.of_columns[column, "unit"] = way.glucose
        molar = way.glucose == "mmol/L"
        return [_number(v / MOLAR, 1, way) if molar else str(round(v)) for v in values]
    if column == "value":
        return [_draw(v, u, way, truth) for v, u in zip(values, rows["unit"], strict=True)]
    if column == "planned_days" or column == "attempt":
        return [str(int(v)) for v in values]
    return [_word(v, column, table, way, truth) for v in values]


def _spelt(way: Way) -> str:
    return " hour:minute ampm" if way.ampm else ""


def _time(value: pd.Timestamp, way: Way) -> str:
    text = f"{_day(value, way.dates)}{way.between}{value.strftime(way.clock)}"
    if way.offset:
        local = value.tz_localize("Europe/Berlin", ambiguous=True, nonexistent="shift_forward")
        text += local.strftime("%z")
    return text


def _day(value: pd.Timestamp, order: str) -> str:
    written = {"year": f"{value.year:04d}", "yy": f"{value.year % 100:02d}",
               "month": f"{value.month:02d}", "day": f"{value.day:02d}"}  # fmt: skip
    mark = next(c for c in order if not c.isalpha())
    return mark.join(written[part] for part in order.split(mark))


def _number(value: float, digits: int, way: Way) -> str:
    return f"{value:.{digits}f}".replace(".", way.decimal)


def _draw(value: float, unit: str, way: Way, truth: Truth) -> str:
    wanted = unit if way.hba1c == "column" else way.hba1c
    if way.hba1c != "column":
        truth.of_columns["value", "unit"] = wanted
    if wanted == "%":
        percent = value if unit == "%" else 0.09148 * value + 2.152
        return _number(percent, 1, way)
    return str(round(value if unit != "%" else (value - 2.152) / 0.09148))


def _units(rows: pd.DataFrame, way: Way) -> list[str]:
    return list(rows["unit"])


def _word(value: object, column: str, table: str, way: Way, truth: Truth) -> str:
    if value is None or value is pd.NA:
        return ""
    ours = str(value).lower() if isinstance(value, (bool, np.bool_)) else str(value)
    codes = way.codes.get(f"{table}.{column}") or way.codes.get(column)
    if codes is None:
        return ours
    theirs = codes.get(ours, ours)
    if theirs.casefold() != ours.casefold():
        truth.codes.setdefault(column, {})[theirs] = ours
    return theirs


# --- files ------------------------------------------------------------------------------------


def _write(
    cells: dict[str, list[str]], name: str, who: str, way: Way, folder: Path,
    book: Workbook | None, table: str,
) -> str:  # fmt: skip
    ending = {"csv": ".csv", "gz": ".csv.gz", "xlsx": ".xlsx", "parquet": ".parquet"}[way.kind]
    path = folder / f"{name}{ending}"
    path.parent.mkdir(parents=True, exist_ok=True)
    rows = list(zip(*cells.values(), strict=True))
    if way.kind == "xlsx":
        _sheet(cells, rows, way, path, book, table)
        return "clinic.xlsx" if book is not None else path.relative_to(folder).as_posix()
    if way.kind == "parquet":
        pq.write_table(pa.table({h: _typed(column) for h, column in cells.items()}), path)
        return path.relative_to(folder).as_posix()
    titles = [f"Export of the clinic, part {i + 1}" for i in range(way.titles)]
    if who and way.one_file == "preamble":
        titles += ["Informe", f"Paciente: {who}"]
    out = io.StringIO(newline="")
    out.writelines(f"{title}\r\n" for title in titles)
    writer = csv.writer(out, delimiter=way.separator)
    writer.writerow(cells)
    writer.writerows(rows)
    if way.footer:
        out.write(f"{way.footer}: {len(rows)}\r\n")
    data = out.getvalue().encode(way.encoding)
    path.write_bytes(gzip.compress(data, mtime=0) if way.kind == "gz" else data)
    return path.relative_to(folder).as_posix()


def _sheet(
    cells: dict[str, list[str]], rows: list[tuple[str, ...]], way: Way, path: Path,
    book: Workbook | None, table: str,
) -> None:  # fmt: skip
    own = book if book is not None else Workbook()
    sheet = own.create_sheet(table) if book is not None else own.worksheets[0]
    for number in range(way.titles):
        sheet.append([f"List of the clinic, part {number + 1}"])
    sheet.append(list(cells))
    for row in rows:
        sheet.append([_cell(text) for text in row])
    if way.footer:
        sheet.append([way.footer, len(rows)])
    if book is None:
        own.save(path)


def _cell(text: str) -> object:
    for pattern in ("%Y-%m-%d", "%Y-%m-%d %H:%M:%S"):
        try:
            return datetime.strptime(text, pattern)
        except ValueError:
            continue
    if text.replace(".", "", 1).isdigit() and not (text.startswith("0") and text[1:2] != "."):
        return float(text) if "." in text else int(text)
    return text or None


def _typed(column: list[str]) -> pa.Array:
    cells = [_cell(text) for text in column]
    if all(isinstance(c, datetime) or c is None for c in cells) and any(cells):
        days = all(c is None or (c.hour == c.minute == c.second == 0) for c in cells)
        return pa.array(cells, type=pa.date32() if days else pa.timestamp("us"))
    if all(isinstance(c, (float, int)) for c in cells):
        return pa.array([float(c) for c in cells])
    return pa.array([text or None for text in column], type=pa.string())


def _visits(tables: dict[str, pd.DataFrame], way: Way, folder: Path) -> list[Truth]:
    """Write one sheet that feeds contacts and HbA1c, with insulin delivery and weight beside."""
    draws = tables["hba1c"][tables["hba1c"]["unit"] == "%"].drop_duplicates(
        ["patient_id", "drawn_on"]
    )
    visits = tables["contacts"][tables["contacts"]["what"].isin(["visit", "call"])]
    one = visits.merge(draws, left_on=["patient_id", "on"], right_on=["patient_id", "drawn_on"],
                       how="outer")  # fmt: skip
    day = one["on"].fillna(one["drawn_on"])
    kinds = way.codes["contacts.what"]
    who = one["patient_id"]
    cells = {
        "Patient ID": list(who),
        "Visit date": [_day(d, way.dates) for d in day],
        "Contact type": [kinds[w] if isinstance(w, str) else kinds["visit"] for w in one["what"]],
        "HbA1c": [f"{v:.1f}" if pd.notna(v) else "" for v in one["value"]],
        "Insulin delivery": ["pump" if int(w) % 3 == 0 else "injections" for w in who],
        "Weight": [f"{60 + int(w) % 37}.{int(w) % 10}" for w in who],
    }
    common = {"patient_id": "Patient ID"}
    used = {theirs: ours for ours, theirs in kinds.items() if theirs in cells["Contact type"]
            and theirs.casefold() != ours}  # fmt: skip
    contacts = Truth(
        table="contacts", files=(), columns={**common, "on": "Visit date", "what": "Contact type"},
        codes={"what": used} if used else {},
    )  # fmt: skip
    hba1c = Truth(
        table="hba1c", files=(), columns={**common, "drawn_on": "Visit date", "value": "HbA1c"},
        of_columns={("value", "unit"): "%"},
    )  # fmt: skip
    for truth, column in ((contacts, "on"), (hba1c, "drawn_on")):
        truth.of_columns[column, "dates"] = way.dates
        _settings(truth, way, cells)
        truth.files = ("visits.csv",)
    hba1c.settings["facts"] = "insulin delivery: Insulin delivery"
    hba1c.settings["measurements"] = "weight: Weight"
    _write(cells, "visits", "", way, folder, None, "contacts")
    return [contacts, hba1c]


def _together(truths: list[Truth]) -> list[Truth]:
    """Return the truths with those of one file a patient as one."""
    kept: list[Truth] = []
    for truth in truths:
        if truth.patients and kept and kept[-1].patients:
            kept[-1].files += truth.files
            kept[-1].patients += truth.patients
        else:
            kept.append(truth)
    return kept
