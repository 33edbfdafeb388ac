"""Where ids are hidden, nothing that names a person leaves the exports, whatever slipped where."""

import gzip

import openpyxl
import pandas as pd
import pytest

from outcomes.command import main
from outcomes.tables.values import shape_of
from tests.exports import LABS, READINGS, write_clinic

KEY = "a key of sixteen bytes or more"
HIDING = '\n[pseudonyms]\nkey_environment = "INTAKE_TEST_KEY"\n'
SECRETS = ("Muster", "Erika", "Fremd", "555-0199", "4711-88", "QX-71", "QX-72", "ZZ-99", "DEV-1")
VISITS = """
[[source]]
table = "contacts"
files = ["visits*.xlsx"]
sheet = "visits"
[source.columns]
patient_id = "patient"
on = "day"
what = { column = "kind", codes = { B = "visit" } }
"""


def everything_in(folder):
    texts = [path.relative_to(folder).as_posix() for path in folder.rglob("*")]
    for path in folder.rglob("*"):
        if path.suffix == ".parquet":
            texts.append(pd.read_parquet(path).to_csv())
        elif path.is_file():
            texts.append(path.read_text(encoding="utf-8"))
    return "\n".join(texts)


def visits(path):
    book = openpyxl.Workbook()
    book.active.title = "visits"
    rows = (
        ("Visits of Erika Muster",),
        ("patient", "day", "kind", "note"),
        ("QX-71", "2024-03-01", "B", "call 555-0199"),
        ("QX-71", "2024-03-02", "Erika Muster", ""),
        ("QX-71", "Muster, Erika", "B", ""),
    )
    for row in rows:
        book.active.append(row)
    book.create_sheet("Erika Muster").sheet_state = "hidden"
    book.save(path)


@pytest.fixture
def clinic(tmp_path, monkeypatch):
    """Exports with names, record numbers and telephone numbers where they should not be."""
    monkeypatch.setenv("INTAKE_TEST_KEY", KEY)
    toml = READINGS.replace('"readings.csv"', '"glucose_*.csv"').replace(
        'patient_id = "patient_id"\ntime',
        "patient_id = { file_name = 'glucose_([^_]+)_' }\ntime",
    )
    toml += LABS.replace('"labs.csv"', '"*labs*.csv"') + VISITS + HIDING
    labs = "patient_id,drawn_on,hba1c,unit,name\nQX-71,2024-03-01,7.1,%,Erika Muster\n"
    labs += "QX-71,4711-88,7.1,%,x\nQX-71,2024-03-02,Erika Muster,%,x\n"  # shifted by one
    labs += "QX-71,2024-03-03,7.1,Muster,x\nZZ-99,2024-03-01,7.1,%,Otto Fremd\n"
    labs += "QX-71,2024-03-04,7.1,%,a,Erika Muster\nErika Muster,2024-03-01,7,%,\n"
    readings = "read_at,glucose_mg_dl,phone\n2024-03-01 08:00,100,555-0199\nMuster,4711-88,\n"
    given = {"labs_of_Erika_Muster": labs, "glucose_QX-71_Muster": readings}
    sensors = "DEV-1,QX-71,implanted,2024-01-01,\nDEV-2,QX-71,Muster,2024-01-01,\n"
    path = write_clinic(tmp_path / "clinic", toml, sensors=sensors, patients="QX-71 QX-72", **given)
    visits(tmp_path / "clinic" / "visits_Muster.xlsx")
    (tmp_path / "clinic" / "~$labs_of_Erika_Muster.csv").write_text("locked")
    (tmp_path / "clinic" / ".labs_Fremd.csv").write_bytes(gzip.compress(b"x"))
    return path


def test_no_name_number_or_id_reaches_study_page_screen_or_log(clinic, tmp_path, capsys):
    log = tmp_path / "log.txt"
    study = tmp_path / "study"
    assert main(["--log", str(log), "intake", str(clinic), "--study", str(study)]) == 0
    told = capsys.readouterr()
    everywhere = everything_in(study) + told.out + told.err + log.read_text("utf-8")
    assert [secret for secret in (*SECRETS, KEY) if secret in everywhere] == []
    assert "'" not in told.out  # no text of a cell is quoted


def test_what_is_hidden_is_still_told_by_its_shape_and_line(clinic, tmp_path):
    assert main(["intake", str(clinic), "--study", str(tmp_path / "study")]) == 0
    text = everything_in(tmp_path / "study")
    assert "value: aaaaa aaaaaa is not a number" in text
    assert "not read: 1 hidden sheet." in text
    assert "Left out, no exports: .*, ~$*." in text


def test_the_log_of_an_intake_that_fails_names_nobody(clinic, tmp_path, capsys):
    log = tmp_path / "log.txt"
    text = clinic.read_text("utf-8").replace('"hba1c"\nunit', '"Erika"\nunit')
    clinic.write_text(text, encoding="utf-8")
    assert main(["--log", str(log), "intake", str(clinic), "--study", str(tmp_path / "s")]) == 2
    assert [s for s in SECRETS if s in log.read_text("utf-8")] == []
    assert "heading" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("text", "shape"), [("Müller 0170-55", "aaaaaa 9999-99"), ("٣ x_y", "9 a_a"), ("", "")]
)
def test_the_shape_of_a_text_says_nothing_of_it(text, shape):
    assert shape_of(text) == shape
