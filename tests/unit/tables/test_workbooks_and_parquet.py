"""Workbooks and Parquet read like text files: same rows, same judge, nothing lost or guessed."""

from datetime import date, datetime

import openpyxl
import pandas as pd
import pytest

from outcomes.errors import IntakeError, SettingsError
from outcomes.plan.sources import read_sources
from outcomes.tables.intake import intake
from outcomes.tables.workbooks import number_text
from tests.exports import CASES, LABS, counts, take_in, write_clinic

SHEET = LABS.replace("labs.csv", "labs.xlsx")


def study_of(folder, toml, book=None, **given):
    path = write_clinic(folder, toml, **given)
    if book is not None:
        book.save(folder / "labs.xlsx")
    return intake(read_sources(path), folder / "study")


def workbook(*rows, title="labs"):
    book = openpyxl.Workbook()
    book.active.title = title
    for row in (("patient_id", "drawn_on", "hba1c", "unit"), *rows):
        book.active.append(row)
    return book


def findings(study):
    return dict(zip(study.findings["rule"], study.findings["rows"].astype(int), strict=True))


def test_leading_zeros_in_a_workbook_tell_patients_apart(tmp_path):
    toml = """
[[source]]
table = "patients"
files = ["people.xlsx"]
[source.columns]
patient_id = "patient_id"
sex = { column = "sex", codes = { F = "female", M = "male" } }
birth_year = { constant = "1960" }
"""
    path = write_clinic(tmp_path, toml, patients=None)
    case = CASES / "ids_with_leading_zeros_in_a_workbook.xlsx"
    (tmp_path / "people.xlsx").write_bytes(case.read_bytes())
    study = intake(read_sources(path), tmp_path / "study")
    assert study.table("patients")["patient_id"].tolist() == ["007", "07"]


def test_title_hidden_row_hidden_sheet_and_footer_are_told_apart(tmp_path):
    path = write_clinic(tmp_path, SHEET)
    case = CASES / "a_sheet_with_title_hidden_row_and_footer.xlsx"
    (tmp_path / "labs.xlsx").write_bytes(case.read_bytes())
    study = intake(read_sources(path), tmp_path / "study")
    assert study.table("hba1c")["value"].tolist() == [7.1, 8.2, 6.8]
    assert study.table("hba1c")["drawn_on"].tolist() == [pd.Timestamp("2024-03-01")] * 3
    aside = study.set_aside
    assert aside[["line", "rule"]].to_numpy().tolist() == [[8, "unknown patient"]]
    assert findings(study)["hidden row"] == findings(study)["hidden sheet"] == 1
    assert study.accounting.iloc[-1][["title_lines", "lines"]].tolist() == [2, 8]


def test_a_declared_footer_is_counted_apart(tmp_path):
    toml = SHEET.replace("[source.columns]", 'footers = ["Total"]\n[source.columns]')
    path = write_clinic(tmp_path, toml)
    case = CASES / "a_sheet_with_title_hidden_row_and_footer.xlsx"
    (tmp_path / "labs.xlsx").write_bytes(case.read_bytes())
    study = intake(read_sources(path), tmp_path / "study")
    assert counts(study, "hba1c") == (3, 3, 0, 0)
    assert study.accounting.iloc[-1]["footer_lines"] == 1


def test_both_day_number_systems_give_the_same_day(tmp_path):
    for name, epoch in (("a", datetime(1899, 12, 30)), ("b", datetime(1904, 1, 1))):
        book = workbook(("P1", date(2024, 3, 1), 7.1, "%"))
        book.epoch = epoch
        study = study_of(tmp_path / name, SHEET, book)
        assert study.table("hba1c")["drawn_on"].tolist() == [pd.Timestamp("2024-03-01")]


def test_the_day_that_never_was_is_no_date():
    assert number_text("60", "date", ".", from_1904=False) == "day number 60"
    assert number_text("59", "date", ".", from_1904=False) == "1900-02-28"
    assert number_text("61", "date", ".", from_1904=False) == "1900-03-01"


def test_cells_come_out_as_a_person_reads_them(tmp_path):
    book = workbook((7, date(2024, 3, 1), 0.071, None), (1042, "oops", 7.5, "%"))
    book.active["A2"].number_format = "000"
    book.active["C2"].number_format = "0.0%"
    study = study_of(tmp_path, SHEET, book, patients="007 1042")
    assert study.table("hba1c")[["patient_id", "value"]].to_numpy().tolist() == [["007", 7.1]]
    assert study.set_aside["line"].tolist() == [3]


def test_a_decimal_comma_is_for_text_and_numbers_stay_numbers(tmp_path):
    toml = SHEET.replace("[source.columns]", 'decimal = ","\n[source.columns]')
    book = workbook(("P1", date(2024, 3, 1), 7.1, "%"), ("P2", date(2024, 3, 1), "8,2", "%"))
    assert study_of(tmp_path, toml, book).table("hba1c")["value"].tolist() == [7.1, 8.2]


def test_a_formula_without_a_result_is_not_an_empty_cell(tmp_path):
    study = study_of(tmp_path, SHEET, workbook(("P1", date(2024, 3, 1), "=7+0.1", "%")))
    assert study.set_aside["rule"].tolist() == ["not a number"]


def test_two_shown_sheets_are_asked_about(tmp_path):
    book = workbook(("P1", date(2024, 3, 1), 7.1, "%"))
    book.create_sheet("more")
    with pytest.raises(SettingsError, match=r"2 sheets are shown \(labs, more\)"):
        study_of(tmp_path / "a", SHEET, book)
    named = SHEET.replace("[source.columns]", 'sheet = "labs"\n[source.columns]')
    assert counts(study_of(tmp_path / "b", named, book), "hba1c") == (1, 1, 0, 0)


def test_a_workbook_reads_the_cells_that_a_second_reader_finds(tmp_path):
    rows = [
        (f"P{1 + i % 5}", date(2024, 1 + i % 12, 1 + i % 28), 6 + i / 10, "%") for i in range(60)
    ]
    study = study_of(tmp_path, SHEET, workbook(*rows))
    book = openpyxl.load_workbook(tmp_path / "labs.xlsx")
    told = sorted(row[2] for row in book.active.iter_rows(min_row=2, values_only=True))
    assert sorted(study.table("hba1c")["value"]) == pytest.approx(told)


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04 cut", b"patient_id,hba1c\nP1,7.1\n"])
def test_what_is_no_workbook_is_said_to_be_none(tmp_path, content):
    path = write_clinic(tmp_path, SHEET)
    (tmp_path / "labs.xlsx").write_bytes(content)
    with pytest.raises(IntakeError, match=r"labs\.xlsx: cannot be read as a workbook"):
        intake(read_sources(path), tmp_path / "study")


def test_parquet_reads_like_text(tmp_path):
    frame = pd.DataFrame(
        {
            "patient_id": ["P1", "P2", None],
            "drawn_on": [date(2024, 3, 1), date(2024, 3, 2), date(2024, 3, 3)],
            "hba1c": [7.1, 8.0, 7.7],
            "unit": pd.Categorical(["%", "%", "%"]),
        }
    )
    path = write_clinic(tmp_path, LABS.replace("labs.csv", "labs.parquet"))
    frame.to_parquet(tmp_path / "labs.parquet")
    study = intake(read_sources(path), tmp_path / "study")
    assert study.table("hba1c")["value"].tolist() == [7.1, 8.0]
    assert study.set_aside[["line", "rule"]].to_numpy().tolist() == [[3, "missing value"]]


def test_an_old_workbook_is_named_with_its_mend(tmp_path):
    path = write_clinic(tmp_path, LABS.replace("labs.csv", "labs.xls"))
    (tmp_path / "labs.xls").write_bytes(b"\xd0\xcf\x11\xe0")
    with pytest.raises(SettingsError, match="an old workbook; save it as"):
        intake(read_sources(path), tmp_path / "study")


def test_headings_are_found_below_title_lines(tmp_path):
    labs = "Lab export\nprinted 2024-03-05\n\npatient_id,drawn_on,hba1c,unit\nP1,2024-03-01,7.1,%\n"
    study = take_in(tmp_path, LABS, labs=labs)
    assert counts(study, "hba1c") == (1, 1, 0, 0)
    assert study.accounting.iloc[-1][["lines", "title_lines"]].tolist() == [5, 3]


def test_headings_that_are_nowhere_are_asked_for(tmp_path):
    with pytest.raises(SettingsError, match=r"is not a heading there.*set heading_line"):
        take_in(tmp_path, LABS, labs="a,b\n1,2\n")
