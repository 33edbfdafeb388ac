"""Files as they come: several per table, several tables per file, quotes, blanks, damage."""

import gzip

import pandas as pd
import pytest

from outcomes.errors import IntakeError, SettingsError
from outcomes.plan.sources import read_sources
from outcomes.tables import timed_rows
from outcomes.tables.intake import intake
from tests.exports import LABS, READINGS, counts, take_in, write_clinic

ROWS = "patient_id,drawn_on,hba1c,unit\nP1,2024-03-01,7.1,%\nP2,2024-03-02,8.0,%\n"

VISITS = """
[[source]]
table = "hba1c"
files = ["visits.csv"]
[source.columns]
patient_id = "id"
drawn_on = "day"
value = { column = "a1c", unit = "%" }

[[source]]
table = "contacts"
files = ["visits.csv"]
[source.columns]
patient_id = "id"
on = "day"
what = { constant = "visit" }

[[source]]
table = "states"
files = ["visits.csv"]
[source.columns]
patient_id = "id"
from_on = "day"
what = { constant = "insulin delivery" }
value = "delivery"
"""


def failing_line(study, table):
    rows = study.set_aside
    return rows.loc[rows["table"] == table, ["line", "rule"]].to_numpy().tolist()


def test_one_visit_sheet_feeds_three_tables(tmp_path):
    visits = "id,day,a1c,delivery\nP1,2024-03-01,7.1,pump\nP1,2024-05-01,,\nP2,2024-05-01,8.0,\n"
    study = take_in(tmp_path, VISITS, visits=visits)
    account = study.accounting.set_index("table")
    assert account.loc["hba1c", ["rows_kept", "rows_without_value"]].tolist() == [2, 1]
    assert account.loc["states", ["rows_kept", "rows_without_value"]].tolist() == [1, 2]
    assert account.loc["contacts", "rows_kept"] == 3
    assert account["rows_set_aside"].sum() == 0


def test_patterns_gather_files_and_the_file_name_may_hold_the_patient(tmp_path):
    toml = READINGS.replace('"readings.csv"', '"glucose_*.csv"').replace(
        'patient_id = "patient_id"', "patient_id = { file_name = 'glucose_(.+)\\.csv' }"
    )
    text = "read_at,glucose_mg_dl\n2024-03-01 08:00,100\n"
    study = take_in(tmp_path, toml, glucose_P2=text, glucose_P1=text)
    assert [one.patient_id for one in study.readings()] == ["P1", "P2"]
    assert study.accounting["file"].tolist()[-2:] == ["glucose_P1.csv", "glucose_P2.csv"]


def test_a_zipped_export_reads_like_a_plain_one(tmp_path):
    toml = LABS.replace("labs.csv", "labs.csv.gz")
    path = write_clinic(tmp_path, toml)
    (tmp_path / "labs.csv.gz").write_bytes(gzip.compress(ROWS.encode()))
    assert counts(intake(read_sources(path), tmp_path / "study"), "hba1c") == (2, 2, 0, 0)


def test_a_zipped_export_that_is_cut_off_is_said_to_be(tmp_path):
    path = write_clinic(tmp_path, LABS.replace("labs.csv", "labs.csv.gz"))
    (tmp_path / "labs.csv.gz").write_bytes(gzip.compress(ROWS.encode())[:-20])
    with pytest.raises(IntakeError, match=r"labs\.csv\.gz: cannot be read to its end"):
        intake(read_sources(path), tmp_path / "study")


def test_a_line_end_inside_quotes_does_not_shift_line_numbers(tmp_path):
    text = 'patient_id,drawn_on,hba1c,unit,note\nP1,2024-03-01,7.1,%,"two\nlines"\nP2,bad,8,%,x\n'
    study = take_in(tmp_path, LABS, labs=text + "P3,2024-03-03,8,%,x\n")
    assert failing_line(study, "hba1c") == [[4, "not a date"]]
    assert counts(study, "hba1c") == (3, 2, 1, 0)


def test_title_lines_and_empty_lines_are_no_rows(tmp_path):
    toml = LABS.replace("[source.columns]", "skip_lines = 2\n[source.columns]")
    text = "Laboratory\nQuarter 1\n" + ROWS.replace("P2,", "\nP2,").replace("8.0", "x") + "\n\n"
    study = take_in(tmp_path, toml, labs=text)
    assert counts(study, "hba1c") == (2, 1, 1, 0)
    assert failing_line(study, "hba1c") == [[6, "not a number"]]


def test_ragged_rows_are_set_aside_by_line_and_the_others_go_on(tmp_path):
    text = ROWS + "P3,2024-03-01,7.0\nP4,2024-03-01,7.0,%,extra\nP5,2024-03-01,7.0,%\n"
    study = take_in(tmp_path, LABS, labs=text)
    assert failing_line(study, "hba1c") == [[4, "fields"], [5, "fields"]]
    assert counts(study, "hba1c") == (5, 3, 2, 0)


def test_rows_of_separators_alone_have_nothing_to_give(tmp_path):
    study = take_in(tmp_path, LABS, labs=ROWS + ",,,\n,,,\n")
    assert study.accounting.query("table == 'hba1c'")["rows_without_value"].tolist() == [2]


def test_a_file_that_ends_in_the_middle_of_a_line_is_noted(tmp_path):
    study = take_in(tmp_path, LABS, labs=ROWS + "P3,2024-03-01,7.")
    assert counts(study, "hba1c") == (3, 2, 1, 0)
    assert "no last line end" in study.findings["rule"].tolist()


def test_a_quotation_mark_that_never_closes_is_named_by_line(tmp_path):
    with pytest.raises(IntakeError, match=r"labs\.csv, line 3: a quotation mark opens"):
        take_in(tmp_path, LABS, labs=ROWS.replace("P2", '"P2') + "P3,2024-03-01,7.0,%\n")


def test_an_empty_file_is_an_error(tmp_path):
    with pytest.raises(IntakeError, match=r"labs\.csv: empty"):
        take_in(tmp_path, LABS, labs="")


def test_a_file_with_headings_only_gives_an_empty_table(tmp_path):
    study = take_in(tmp_path, LABS, labs="patient_id,drawn_on,hba1c,unit\n")
    assert study.has("hba1c")
    assert len(study.table("hba1c")) == 0


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (('"labs.csv"', '"labz.csv"'), r"files: 'labz\.csv' finds no file.*labs\.csv"),
        (('"hba1c"\nunit', '"hba1"\nunit'), r"labs\.csv, line 1: 'hba1' is not a heading there"),
        (("drawn_on =", "drawn ="), r"drawn: 'drawn' is not a column of hba1c"),
        (('table = "hba1c"', 'table = "labs"'), "'labs' is not a table"),
        (('drawn_on = "drawn_on"\n', ""), "hba1c needs drawn_on too"),
        (('unit = "unit"', 'unit = { column = "unit", constant = "%" }'), "give one of column"),
        (('"drawn_on"\n', '{ column = "drawn_on", dates = "dd.mm.yy" }\n'), "dates: 'dd.mm.yy'"),
    ],
)
def test_settings_that_do_not_fit_the_files_say_what_would(tmp_path, change, says):
    with pytest.raises(SettingsError, match=says) as caught:
        take_in(tmp_path, LABS.replace(*change), labs=ROWS)
    assert "sources.toml" in str(caught.value)


def test_a_code_for_a_word_we_do_not_know_is_refused_before_reading(tmp_path):
    toml = LABS + 'method = { column = "m", codes = { L = "labratory" } }\n'
    with pytest.raises(SettingsError, match="Did you mean 'laboratory'"):
        take_in(tmp_path, toml, labs=ROWS)


def test_a_category_that_is_not_recorded_is_unknown_and_said_to_be(tmp_path):
    study = take_in(tmp_path, LABS, labs=ROWS)
    assert set(study.table("hba1c")["method"]) == {"unknown"}
    assert "not recorded" in study.findings["rule"].tolist()


def test_covariates_take_their_declared_kind(tmp_path):
    toml = """
[[source]]
table = "patients"
files = ["people.csv"]
decimal = ","
separator = ";"
[source.columns]
patient_id = "id"
birth_year = "born"
bmi = { column = "bmi", kind = "number" }
"""
    people = "id;born;bmi\nA;1960;27,5\nB;1970;\n"
    frame = take_in(tmp_path, toml, patients=None, people=people).table("patients")
    assert frame["bmi"].dtype == "float64"
    assert frame["bmi"].tolist()[0] == 27.5
    assert pd.isna(frame["bmi"].tolist()[1])


def test_placement_with_a_time_gives_day_and_instant(tmp_path):
    toml = """
[[source]]
table = "sensors"
files = ["s.csv"]
[source.columns]
sensor_id = "s"
patient_id = { constant = "P1" }
kind = { constant = "implanted" }
planned_days = { constant = "180" }
placed_at = "at"
"""
    sensors = take_in(tmp_path, toml, sensors=None, s="s,at\nA,2024-07-01 00:30\n").table("sensors")
    assert sensors["placed_on"].item() == pd.Timestamp("2024-07-01")
    assert sensors["placed_at"].item() == pd.Timestamp("2024-06-30 22:30")


def test_two_meter_values_at_one_time_are_both_set_aside(tmp_path):
    toml = READINGS.replace('"readings"', '"fingersticks"').replace(
        "[source.columns]", '[source.columns]\nused_for_calibration = "used"'
    )
    text = "patient_id,read_at,glucose_mg_dl,used\n"
    text += "P1,2024-03-01 08:00,100,yes\nP1,2024-03-01 08:00,104,yes\nP1,2024-03-01 09:00,99,no\n"
    study = take_in(tmp_path, toml, readings=text)
    assert study.table("fingersticks")["value"].tolist() == [99.0]
    assert study.table("fingersticks")["used_for_calibration"].tolist() == [False]


def test_two_sensors_may_give_a_value_at_one_time(tmp_path):
    toml = READINGS + 'sensor_id = "sensor"\n'
    text = "patient_id,read_at,glucose_mg_dl,sensor\nP1,2024-03-01 08:00,100,A\n"
    study = take_in(tmp_path, toml, readings=text + "P1,2024-03-01 08:00,104,B\n")
    assert counts(study, "readings") == (2, 2, 0, 0)
    assert "unknown sensor" in study.findings["rule"].tolist()


def test_two_rows_of_one_sensor_id_that_differ_are_both_set_aside(tmp_path):
    sensors = (
        "S1,P1,implanted,2024-01-01,\nS1,P1,adhesive,2024-01-01,\nS2,P1,adhesive,2024-01-01,\n"
    )
    study = take_in(tmp_path, "", sensors=sensors)
    assert study.table("sensors")["sensor_id"].tolist() == ["S2"]


def test_the_same_sources_give_the_same_fingerprint_whatever_the_row_order(tmp_path):
    turned = "\n".join([ROWS.splitlines()[0], *ROWS.splitlines()[:0:-1]]) + "\n"
    first = take_in(tmp_path / "a", LABS, labs=ROWS)
    again = take_in(tmp_path / "b", LABS, labs=ROWS)
    other = take_in(tmp_path / "c", LABS, labs=turned)
    assert first.version == again.version == other.version


def test_spilled_readings_are_the_same_readings(tmp_path, monkeypatch):
    rows = [f"P{1 + i % 5},2024-03-{1 + i // 24:02d} {i % 24:02d}:00,{100 + i}" for i in range(240)]
    text = "patient_id,read_at,glucose_mg_dl\n" + "\n".join(rows) + "\n"
    held = take_in(tmp_path / "a", READINGS, readings=text)
    monkeypatch.setattr(timed_rows, "HELD_ROWS", 50)
    spilled = take_in(tmp_path / "b", READINGS, readings=text)
    assert spilled.version == held.version
    assert counts(spilled, "readings") == (240, 240, 0, 0)


def test_small_blocks_read_like_one_block(tmp_path, monkeypatch):
    text = 'patient_id,drawn_on,hba1c,unit,note\nP1,2024-03-01,7.1,%,"a\r\nb ""c"""\r\n'
    text += "P2,2024-03-02,8.0,%,d\r\nP3,oops,8.0,%,ö\r\n"
    whole = take_in(tmp_path / "a", LABS, labs=text)
    monkeypatch.setattr("outcomes.tables.text_files.BLOCK_BYTES", 7)
    parts = take_in(tmp_path / "b", LABS, labs=text)
    assert parts.version == whole.version
    assert failing_line(parts, "hba1c") == failing_line(whole, "hba1c") == [[5, "not a date"]]


def test_readings_whose_kind_nobody_can_tell_are_counted(tmp_path):
    text = "patient_id,read_at,glucose_mg_dl\nP1,2024-03-01 08:00,100\nP1,2024-06-01 08:00,100\n"
    sensors = "S1,P1,adhesive,2024-03-01,2024-03-10\n"
    study = take_in(tmp_path, READINGS, sensors=sensors, readings=text)
    assert next(study.readings()).kind.tolist() == [1, -1]
    assert study.findings.query("rule == 'unknown kind'")["rows"].tolist() == [1]


def test_a_last_value_without_its_line_end_is_set_aside_since_it_may_be_cut(tmp_path):
    text = "patient_id,read_at,glucose_mg_dl\nP1,2024-03-01 08:00,110\nP1,2024-03-01 08:05,24"
    study = take_in(tmp_path / "a", READINGS, readings=text)
    assert counts(study, "readings") == (2, 1, 1, 0)
    assert study.set_aside["rule"].tolist() == ["unended row"]
    noted = READINGS + '\n[severity]\nF06 = "note"\n'
    study = take_in(tmp_path / "b", noted, readings=text)
    assert counts(study, "readings") == (2, 2, 0, 0)
    assert study.findings["code"].tolist().count("F02") == 1


def test_a_last_line_that_ends_in_a_cell_nobody_reads_is_kept_and_noted(tmp_path):
    text = "patient_id,drawn_on,hba1c,unit,note\nP1,2024-03-01,7.1,%,calle"
    study = take_in(tmp_path, LABS, labs=text)
    assert counts(study, "hba1c") == (1, 1, 0, 0)
    assert "F02" in study.findings["code"].tolist()


def test_a_row_before_a_broken_last_line_is_kept(tmp_path):
    text = "patient_id,read_at,glucose_mg_dl\nP1,2024-03-01 08:00,110\nP1,2024-03-01 08:05"
    study = take_in(tmp_path, READINGS, readings=text)
    assert counts(study, "readings") == (2, 1, 1, 0)
    assert study.set_aside["rule"].tolist() == ["fields"]


def test_utf8_declared_as_a_one_byte_code_is_refused(tmp_path):
    labs = "patient_id,drawn_on,hba1c,unit,note\nP1,2024-03-01,7.1,%,nüchtern\n"
    toml = LABS.replace('files = ["labs.csv"]', 'files = ["labs.csv"]\nencoding = "cp1252"')
    with pytest.raises(IntakeError, match="as in UTF-8"):
        take_in(tmp_path / "a", toml, labs=labs.encode())
    study = take_in(tmp_path / "b", toml, labs=labs.encode("cp1252"))
    assert counts(study, "hba1c")[1] == 1


@pytest.mark.parametrize("sensor", ["S\x001", '"S""1"', "S" * 101, "#REF!"])
def test_an_id_that_nobody_can_have_meant_is_set_aside(tmp_path, sensor):
    rows = f"{sensor},P1,implanted,2024-01-01,\nS2,P1,implanted,2024-01-01,2024-02-01\n"
    study = take_in(tmp_path, "", sensors=rows)
    assert study.set_aside["rule"].tolist() == ["unsound text"]
    assert len(study.set_aside["reason"].item()) < 120  # a huge cell is not repeated


@pytest.mark.parametrize("block", [7, 64, 4_000_000])
def test_rows_beside_a_line_of_one_field_are_doubted_in_whatever_blocks(
    tmp_path, monkeypatch, block
):
    monkeypatch.setattr("outcomes.tables.text_files.BLOCK_BYTES", block)
    rows = ["P1,2024-03-01 08:00,110", "P1,2024-03-01 08:05,12", "0", "P1,2024-03-01 08:10,130"]
    text = "\n".join(["patient_id,read_at,glucose_mg_dl", *rows, "P1,2024-03-01 08:15,140", ""])
    study = take_in(tmp_path, READINGS, readings=text)
    assert next(study.readings()).value.tolist() == [110, 140]
    assert sorted(study.set_aside["line"]) == [3, 4, 5]
