"""What sources.toml can say beyond headings: codes in a file, facts, pseudonyms, open guesses."""

import json

import pandas as pd
import pytest

from outcomes.errors import SettingsError
from outcomes.plan.sources import read_sources
from outcomes.results import csv_text
from outcomes.tables.intake import intake
from tests.exports import CASES, LABS, READINGS, case, counts, take_in, write_clinic

KEY = "a key of thirty-two random bytes"
HIDING = '\n[pseudonyms]\nkey_environment = "INTAKE_TEST_KEY"\n'
METHOD = "[source.columns.method]\ncolumn = 'unit'\n[source.columns.method.codes]\n"
ROWS = "patient_id,drawn_on,hba1c,unit\nP1,2024-03-01,7.1,%\nP2,2024-03-02,8.0,%\n"


def test_a_code_map_is_written_with_codes_and_counts_and_asks_for_words(tmp_path):
    toml = LABS + 'method = { column = "where", code_map = "codes.csv" }\n'
    labs = "patient_id,drawn_on,hba1c,unit,where\n" + "".join(
        f"P{i},2024-03-0{i},7,%,{where}\n" for i, where in ((1, "L"), (2, "L"), (3, "B"))
    )
    with pytest.raises(
        SettingsError, match=r"no word for 'L' \(2 rows\), 'B' \(1 rows\).*laboratory"
    ):
        take_in(tmp_path, toml, labs=labs)
    assert (tmp_path / "codes.csv").read_text() == "code,word,rows\nL,,2\nB,,1\n"
    (tmp_path / "codes.csv").write_text("code;word;rows\nL;laboratory;2\nB;point of care;1\n")
    study = intake(read_sources(tmp_path / "sources.toml"), tmp_path / "study")
    assert sorted(study.table("hba1c")["method"]) == ["laboratory", "laboratory", "point of care"]


def test_a_word_in_a_code_map_that_does_not_fit_says_what_would(tmp_path):
    toml = LABS + 'method = { column = "unit", code_map = "codes.csv" }\n'
    write_clinic(tmp_path, toml, labs=ROWS)
    (tmp_path / "codes.csv").write_text("code,word\n%,labratory\n")
    with pytest.raises(SettingsError, match="Did you mean 'laboratory'"):
        intake(read_sources(tmp_path / "sources.toml"), tmp_path / "study")


def test_further_columns_become_facts_and_measurements(tmp_path):
    more = """
[source.facts]
"insulin delivery" = "delivery"
[source.measurements]
weight = { column = "kg", unit = "kg", decimal = "," }
"""
    labs = 'patient_id,drawn_on,hba1c,unit,delivery,kg\nP1,2024-03-01,7.1,%,pump,"82,5"\n'
    study = take_in(tmp_path, LABS + more, labs=labs + "P2,2024-03-02,8,%,,heavy\n")
    facts = study.table("states")[["patient_id", "what", "value"]].to_numpy().tolist()
    assert facts == [["P1", "insulin delivery", "pump"], ["P1", "weight (kg)", "82.5"]]
    assert study.set_aside[["line", "rule"]].to_numpy().tolist() == [[3, "not a number"]]


def test_a_fact_without_a_day_asks_for_one(tmp_path):
    toml = READINGS + '[source.facts]\nmode = "glucose_mg_dl"\n'
    with pytest.raises(SettingsError, match="'mode' has no day: set dated_by"):
        take_in(tmp_path, toml, readings="patient_id,read_at,glucose_mg_dl\n")


def test_the_id_may_stand_in_a_title_line(tmp_path):
    toml = READINGS.replace(
        'patient_id = "patient_id"', "patient_id = { preamble = 'Person: (.+)' }"
    )
    text = "Export\nPerson: P2\nread_at,glucose_mg_dl\n2024-03-01 08:00,100\n"
    assert [p.patient_id for p in take_in(tmp_path, toml, readings=text).readings()] == ["P2"]


def test_open_guesses_are_listed_with_their_lines(tmp_path):
    toml = LABS.replace('"drawn_on"', '{ column = "?drawn_on", dates = "?day.month.year" }')
    path = write_clinic(tmp_path, toml, labs=ROWS)
    line = 1 + path.read_text().splitlines().index(
        'drawn_on = { column = "?drawn_on", dates = "?day.month.year" }'
    )
    with pytest.raises(
        SettingsError, match=rf"2 guesses are not confirmed.*\n  line {line}: drawn_on"
    ):
        read_sources(path)


def test_every_open_guess_is_listed_however_many_there_are(tmp_path):
    codes = "".join(f'c{i} = "?visit"\n' for i in range(90))
    toml = (
        LABS + f"[source.columns.method]\ncolumn = 'unit'\n[source.columns.method.codes]\n{codes}"
    )
    path = write_clinic(tmp_path, toml, labs=ROWS)
    with pytest.raises(SettingsError) as told:
        read_sources(path)
    assert str(told.value).count("\n  line ") == 90


def test_a_word_that_a_column_does_not_know_is_named_with_its_line(tmp_path):
    toml = (
        LABS
        + "[source.columns.method]\ncolumn = 'unit'\n[source.columns.method.codes]\nL = 'lab'\n"
    )
    path = write_clinic(tmp_path, toml, labs=ROWS)
    line = 1 + path.read_text().splitlines().index("L = 'lab'")
    with pytest.raises(SettingsError, match=rf"line {line}, .*codes\.L: 'lab' is not.*laboratory"):
        intake(read_sources(path), tmp_path / "study")


def test_a_confirmed_day_and_line_may_stay_in_quotes(tmp_path):
    toml = LABS.replace("[source.columns]", 'skip_lines = "1"\n[source.columns]')
    path = write_clinic(tmp_path, toml, labs="Lab\n" + ROWS)
    path.write_text(path.read_text().replace("2025-01-01", '"2025-01-01"'))
    study = intake(read_sources(path), tmp_path / "study")
    assert counts(study, "hba1c") == (2, 2, 0, 0)


def test_windows_paths_in_double_quotes_say_how_to_write_them(tmp_path):
    path = write_clinic(tmp_path, LABS.replace("labs.csv", "exports\\labs.csv"), labs=ROWS)
    with pytest.raises(SettingsError, match="forward slashes"):
        read_sources(path)


def test_files_of_programs_and_systems_are_left_out_and_named(tmp_path):
    toml = LABS.replace('"labs.csv"', '"*labs*.csv"')
    path = write_clinic(tmp_path, toml, labs=ROWS)
    (tmp_path / "~$labs.csv").write_text("locked")
    (tmp_path / ".labs.csv").write_text("hidden")
    study = intake(read_sources(path), tmp_path / "study")
    told = study.findings.query("rule == 'no export'")["sentence"].item()
    assert "~$labs.csv" in told
    assert ".labs.csv" in told


def everything_in(folder):
    texts = [path.relative_to(folder).as_posix() for path in folder.rglob("*")]
    for path in folder.rglob("*"):
        if path.suffix == ".parquet":
            texts.append(pd.read_parquet(path).to_csv())
        elif path.is_file():
            texts.append(path.read_text(encoding="utf-8"))
    return "\n".join(texts)


def test_pseudonyms_leave_no_id_key_or_undeclared_column_behind(tmp_path, monkeypatch):
    monkeypatch.setenv("INTAKE_TEST_KEY", KEY)
    toml = (
        (READINGS + LABS + HIDING)
        .replace('"readings.csv"', '"glucose_*.csv"')
        .replace(
            'patient_id = "patient_id"\ntime',
            "patient_id = { file_name = 'glucose_(.+)\\.csv' }\ntime",
        )
    )
    labs = "patient_id,drawn_on,hba1c,unit,name\nQX-71,2024-03-01,7.1,%,Erika Muster\n"
    labs += "QX-71,bad,7.1,%,Erika Muster\nZZ-99,2024-03-01,7.1,%,Otto Fremd\n"
    readings = "read_at,glucose_mg_dl,phone\n2024-03-01 08:00,100,555-0199\nbad,100,555-0199\n"
    sensors = "DEV-1,QX-71,implanted,2024-01-01,\n"
    given = {"labs": labs, "glucose_QX-71": readings, "sensors": sensors, "patients": "QX-71 QX-72"}
    study = take_in(tmp_path, toml, **given)
    assert counts(study, "hba1c") == (3, 1, 2, 0)
    assert counts(study, "readings") == (2, 1, 1, 0)
    told = everything_in(tmp_path / "study")
    for secret in ("QX-71", "QX-72", "ZZ-99", "DEV-1", "Muster", "Fremd", "555-0199", KEY):
        assert secret not in told
    again = take_in(tmp_path, toml, **given)
    assert again.version == study.version


def test_pseudonyms_join_tables_and_another_key_gives_others(tmp_path, monkeypatch):
    found = []
    for key in (KEY, KEY[::-1]):
        monkeypatch.setenv("INTAKE_TEST_KEY", key)
        study = take_in(tmp_path, LABS + HIDING, labs=ROWS)
        people, draws = study.table("patients"), study.table("hba1c")
        assert set(draws["patient_id"]) < set(people["patient_id"])
        found.append(set(people["patient_id"]))
    assert not found[0] & found[1]


def test_a_short_key_is_refused(tmp_path, monkeypatch):
    monkeypatch.setenv("INTAKE_TEST_KEY", "short")
    with pytest.raises(SettingsError, match="has 5 bytes; give 16 or more"):
        take_in(tmp_path, LABS + HIDING, labs=ROWS)


def test_a_second_intake_says_what_changed(tmp_path):
    toml = LABS + READINGS
    readings = (
        "patient_id,read_at,glucose_mg_dl\nP1,2024-03-01 08:00,100\nP1,2024-03-01 08:05,105\n"
    )
    first = take_in(
        tmp_path, toml, labs=ROWS, readings=readings, sensors="A,P1,implanted,2024-01-01,\n"
    )
    assert first.changes.empty
    second = take_in(
        tmp_path, toml, patients="P1 P2 P3 P4 P6",
        labs=ROWS.replace("8.0", "8.1") + "P3,2024-03-03,7,%\n",
        readings=readings.replace(",105", ",106") + "P1,2024-03-01 08:10,110\n",
        sensors="A,P1,implanted,2024-01-02,\n",
    )  # fmt: skip
    told = second.changes.set_index("table")[["rows_new", "rows_gone", "rows_altered"]]
    assert told.loc["patients"].tolist() == [1, 1, 0]
    assert told.loc["sensors"].tolist() == [0, 0, 1]
    assert told.loc["hba1c"].tolist() == [2, 1, 0]
    assert told.loc["readings"].tolist() == [1, 0, 1]
    assert set(second.changes["since"]) == {first.version}


def test_the_same_exports_again_change_nothing(tmp_path):
    take_in(tmp_path, LABS, labs=ROWS)
    again = take_in(tmp_path, LABS, labs=ROWS)
    assert again.changes[["rows_new", "rows_gone", "rows_altered"]].to_numpy().sum() == 0


def test_notes_that_look_like_formulas_are_neutral_in_csv_and_numbers_stay(tmp_path):
    toml = """
[[source]]
table = "patients"
files = ["people.csv"]
[source.columns]
patient_id = "patient_id"
birth_year = { constant = "1960" }
note = "note"
change = { column = "hba1c_change", kind = "number" }
"""
    text = case("notes_that_look_like_formulas.csv")
    people = take_in(tmp_path, toml, patients=None, people=text).table("patients")
    assert people["note"].tolist()[:3] == ["=1+1", "@SUM(A1)", "+49 30 0000"]
    lines = csv_text(people[["patient_id", "note", "change"]]).splitlines()
    assert lines[1:4] == ["P1,'=1+1,-0.5", "P2,'@SUM(A1),0.2", "P3,'+49 30 0000,-1.1"]
    assert not any(cell.startswith(("=", "@", "+")) for cell in lines[4].split(","))


def test_a_blank_cohort_stays_and_is_not_a_category(tmp_path):
    toml = """
[[source]]
table = "patients"
files = ["people.csv"]
[source.columns]
patient_id = "patient_id"
birth_year = { constant = "1960" }
cohort = "cohort"
"""
    text = (CASES / "a_blank_cohort.csv").read_bytes()
    people = take_in(tmp_path, toml, patients=None, people=text).table("patients")
    assert people["cohort"].tolist() == ["implanted", None, "adhesive"]


def test_made_from_tells_what_was_converted(tmp_path):
    text = "patient_id,read_at,glucose_mg_dl\nP1,2024-03-01 08:00,LOW\nP1,2024-03-01 08:05,105\n"
    study = take_in(tmp_path, READINGS, readings=text)
    told = json.loads((study.place / "study.json").read_text())["made_from"]["converted"]
    assert told["readings"]["below a limit"] == 1
    assert told["readings"]["values in mg/dL"] == 2
