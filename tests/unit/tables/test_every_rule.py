"""Every rule of the catalogue: a clinic on which it speaks, and every severity it can have."""

import openpyxl
import pandas as pd
import pytest

from outcomes.errors import IntakeError
from outcomes.plan.sources import read_sources
from outcomes.tables.intake import intake
from outcomes.tables.rules import CATALOGUE, NOTE, RULES, STOP
from tests.exports import LABS, READINGS, write_clinic
from tests.unit.tables.test_intake_rules import COMPLICATIONS, DEATHS, PROCEDURES

LAB = "patient_id,drawn_on,hba1c,unit\n"
SOUND_LAB = "P1,2024-03-01,7.1,%\n"
HEADING = "patient_id,read_at,glucose_mg_dl\n"
IMPLANT = "A,P1,implanted,2024-01-01,2024-06-01\n"
SHEET = LABS.replace("labs.csv", "labs.xlsx")
STATES = """
[[source]]
table = "states"
files = ["states.csv"]
columns = { patient_id = "id", what = "what", value = "value", from_on = "from", to_on = "to" }
"""
CONTACTS = """
[[source]]
table = "contacts"
files = ["contacts.csv"]
columns = { patient_id = "id", on = "on", what = { constant = "visit" } }
"""
PLACED_AT = """
[[source]]
table = "sensors"
files = ["s.csv"]
[source.columns]
sensor_id = "s"
patient_id = "patient"
kind = { constant = "implanted" }
planned_days = { constant = "180" }
placed_at = "placed"
stopped_on = "stopped"
removed_on = "removed"
"""
CODED = LABS + 'method = { column = "where", codes = { L = "laboratory" } }\n'


def lab(*rows):
    return {"toml": LABS, "labs": LAB + SOUND_LAB + "".join(f"{row}\n" for row in rows)}


def readings(*rows, toml=READINGS, **more):
    return {"toml": toml, "readings": HEADING + "".join(f"P1,{row}\n" for row in rows), **more}


MANY_UNITS = [
    f"2024-03-01 08:{i:02d},{100 + i if i % 4 else f'{5 + i / 10:.1f}'}" for i in range(40)
]
WORN = {"toml": PLACED_AT + READINGS, "sensors": None}
STOPPED = "s,patient,placed,stopped,removed\nA,P1,2024-03-01 10:00,2024-03-03,2024-03-09\n"
CASES = {
    "F01": lab("P1,2024-03-02,7.1"),
    "F02": {"toml": LABS, "labs": LAB + SOUND_LAB + "P1,2024-03-02,7.1,%"},
    "F03": {"toml": SHEET, "book": "hidden row"},
    "F04": {"toml": SHEET, "book": "hidden sheet"},
    "F05": {"toml": LABS.replace('"labs.csv"', '"*labs.csv"'), "labs": LAB + SOUND_LAB,
            "~$labs": "locked"},
    "F06": {"toml": READINGS, "readings": HEADING + "P1,2024-03-01 08:00,24"},
    "V01": lab("P1,,7.1,%"),
    "V02": lab("P1,2024-03-02,x,%"),
    "V03": lab("P1,2024-03-02,71,%"),
    "V04": lab("P1,2024-03-02,7.1,"),
    "V05": lab("P1,2024-03-02,7.1 %,mmol/mol"),
    "V06": readings("2024-03-01 08:00,110", "2024-03-01 08:05,12.3"),
    "V07": lab("P1,2024-03-02,>14,%"),
    "V08": {"toml": CODED, "labs": "patient_id,drawn_on,hba1c,unit,where\n"
            "P1,2024-03-01,7.1,%,L\nP1,2024-03-02,7.1,%,Z\n"},
    "V09": {"toml": "", "sensors": IMPLANT + "#REF!,P1,implanted,2024-07-01,\n"},
    "D01": lab("P1,01.03.2024,7.1,%"),
    "D02": lab("P1,2025-01-02,7.1,%"),
    "D03": {"toml": "", "sensors": IMPLANT + "B,P1,implanted,2024-07-02,2024-07-01\n"},
    "D04": readings("2024-03-31 02:30,100"),
    "D05": readings("2024-10-27 02:30,100"),
    "K01": lab("P9,2024-03-02,7.1,%"),
    "K02": {"toml": "", "sensors": IMPLANT + "A,P1,implanted,2024-07-01,\n"},
    "K03": {"toml": "", "sensors": IMPLANT + "A,P2,implanted,2024-01-01,\n"},
    "X01": readings("2024-03-01 08:00,100", "2024-03-01 08:00,101"),
    "X02": lab("P1,2024-03-01,7.2,%"),
    "X03": readings(*MANY_UNITS),
    "X04": readings("2024-07-01 08:00,100", sensors=IMPLANT),
    "X05": readings("2024-01-01 08:00,100", sensors=IMPLANT),
    "X06": readings("2024-03-04 08:00,100", s=STOPPED, **WORN),
    "X07": readings("2024-03-01 08:00,100", "2024-03-01 08:05,180"),
    "X08": {"toml": DEATHS + LABS, "patients": None, "people": "id,died\nP1,2024-02-01\n",
            "labs": LAB + SOUND_LAB + "P1,2024-01-01,7,%\n"},
    "X09": {"toml": "", "sensors": IMPLANT + "B,P1,implanted,2024-05-01,\n"},
    "X10": {"toml": "", "sensors": IMPLANT + "B,P1,adhesive,2024-07-01,\n"},
    "X11": {"toml": PROCEDURES, "sensors": IMPLANT,
            "procedures": "id,patient,sensor,what,day\n1,P2,A,removal,2024-02-01\n"},
    "X12": {"toml": PROCEDURES, "sensors": IMPLANT,
            "procedures": "id,patient,sensor,what,day\n1,P1,,placement,2024-02-01\n"},
    "X13": {"toml": PROCEDURES, "sensors": IMPLANT,
            "procedures": "id,patient,sensor,what,day\n1,P1,,removal,2024-01-01\n"},
    "X14": {"toml": COMPLICATIONS, "sensors": IMPLANT,
            "harm": "id,patient,sensor,day\n1,P1,A,2023-12-31\n"},
    "X15": {"toml": COMPLICATIONS, "sensors": IMPLANT,
            "harm": "id,patient,sensor,day\n1,P2,,2024-01-05\n"},
    "N01": readings("2024-03-01 08:00,100"),
    "N02": {"toml": PLACED_AT, "sensors": None,
            "s": "s,patient,placed,stopped,removed\nA,P1,2024-03-31 02:30,,\n"},
    "N03": readings("2024-03-01 08:00,HIGH", "2024-03-01 08:05,390"),
    "N04": lab("P1,2024-03-01,54,mmol/mol"),
    "N05": lab(),
    "N06": readings("2024-03-01 08:00,100"),
    "N07": {"toml": STATES,
            "states": "id,what,value,from,to\nP1,pregnancy,yes,2024-11-01,2025-06-01\n"},
}  # fmt: skip


def taken_in(folder, code, severity=None):
    given = dict(CASES[code])
    toml, book = given.pop("toml"), given.pop("book", None)
    if severity is not None:
        toml += f'\n[severity]\n{code} = "{severity}"\n'
    path = write_clinic(folder, toml, **given)
    if book is not None:
        _workbook(book).save(folder / "labs.xlsx")
    study = intake(read_sources(path), folder / "study")
    found = study.findings[study.findings["code"] == code]
    return found["severity"].unique().tolist(), study


def _workbook(what):
    book = openpyxl.Workbook()
    book.active.title = "labs"
    for row in (LAB.strip().split(","), ["P1", "2024-03-01", 7.1, "%"]):
        book.active.append(row)
    if what == "hidden row":
        book.active.row_dimensions[2].hidden = True
    else:
        book.create_sheet("old").sheet_state = "hidden"
    return book


def test_every_rule_has_a_case():
    assert sorted(CASES) == sorted(rule.code for rule in CATALOGUE)


@pytest.mark.parametrize("rule", CATALOGUE, ids=lambda rule: rule.code)
def test_a_rule_speaks_with_its_own_severity(tmp_path, rule):
    if rule.severity == STOP:
        with pytest.raises(IntakeError, match=rule.code):
            taken_in(tmp_path, rule.code)
        return
    severities, study = taken_in(tmp_path, rule.code)
    assert severities == [rule.severity]
    if rule.severity != NOTE:
        assert rule.name in study.set_aside["rule"].tolist()


OTHERS = [(r.code, s) for r in CATALOGUE for s in r.may_be if s != r.severity]


@pytest.mark.parametrize(("code", "severity"), OTHERS)
def test_the_severity_of_a_rule_can_be_changed(tmp_path, code, severity):
    (rule,) = [r for r in RULES.values() if r.code == code]
    if severity == STOP:
        with pytest.raises(IntakeError, match=rf"{code}, "):
            taken_in(tmp_path, code, severity)
        assert not (tmp_path / "study" / "current").exists()
        return
    severities, study = taken_in(tmp_path, code, severity)
    if code == "F06":  # kept, it is told as the last line without its end
        assert study.findings["code"].tolist().count("F02") == 1
        return
    assert severities == [severity]
    if severity == NOTE:
        assert rule.name not in study.set_aside["rule"].tolist()


@pytest.mark.parametrize(
    ("table", "toml", "files"),
    [
        ("contacts", CONTACTS, {"contacts": "id,on\nP1,2024-02-02\nP1,2024-01-01\n"}),
        ("readings", READINGS, {"readings": HEADING + "P1,2024-02-02 08:00,100\n"}),
        ("hba1c", LABS, {"labs": LAB + "P1,2024-02-02,7,%\n"}),
    ],
)
def test_a_contact_draw_or_reading_after_death_is_noted(tmp_path, table, toml, files):
    people = "id,died\nP1,2024-02-01\n"
    path = write_clinic(tmp_path, DEATHS + toml, patients=None, people=people, **files)
    found = intake(read_sources(path), tmp_path / "study").findings
    assert found.loc[found["code"] == "X08", "table"].tolist() == [table]


@pytest.mark.parametrize(
    ("toml", "files"),
    [
        (LABS, {"labs": LAB + SOUND_LAB + "P1,2025-02-02,7,%\n"}),
        (READINGS, {"readings": HEADING + "P1,2025-02-02 08:00,100\n"}),
        (CONTACTS, {"contacts": "id,on\nP1,2025-02-02\n"}),
        ("", {"sensors": "A,P1,implanted,2025-02-01,\n"}),
        ("", {"sensors": "A,P1,implanted,2024-02-01,2025-03-01\n"}),
    ],
)
def test_nothing_after_the_export_is_kept(tmp_path, toml, files):
    study = intake(read_sources(write_clinic(tmp_path, toml, **files)), tmp_path / "study")
    assert study.set_aside["rule"].tolist() == ["after the export"]


def test_a_placement_in_a_skipped_hour_keeps_its_day_and_loses_its_time(tmp_path):
    _, study = taken_in(tmp_path, "N02")
    (sensor,) = study.table("sensors").itertuples()
    assert str(sensor.placed_on.date()) == "2024-03-31"
    assert sensor.placed_at is pd.NaT


def test_a_sensor_without_any_day_of_placement_is_set_aside(tmp_path):
    s = "s,patient,placed,stopped,removed\nA,P1,2024-03-01 10:00,,\nB,P1,,,\n"
    path = write_clinic(tmp_path, PLACED_AT, sensors=None, s=s)
    study = intake(read_sources(path), tmp_path / "study")
    assert study.set_aside[["rule", "line"]].to_numpy().tolist() == [["missing value", 3]]
