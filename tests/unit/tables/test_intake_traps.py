"""Inputs that make an intake wrong without an error."""

import numpy as np
import pandas as pd
import pytest

from outcomes import units
from outcomes.errors import IntakeError, SettingsError
from tests.exports import LABS, READINGS, WORKED, case, counts, take_in

NAMES = """
[[source]]
table = "patients"
files = ["names.csv"]
encoding = "ENCODING"
[source.columns]
patient_id = "patient_id"
birth_year = { constant = "1960" }
given_name = "given_name"
note = "note"
"""


def reasons(study, table):
    rows = study.set_aside
    rows = rows[rows["table"] == table]
    return dict(zip(rows["line"].astype(int), rows["rule"], strict=True))


def mg_dl(one):
    values = [
        units.glucose_mg_dl(v, ["mg/dL", "mmol/L"][u])
        for v, u in zip(one.value, one.unit, strict=True)
    ]
    return np.array(values)


# --- text stays text


def test_initials_that_look_missing_stay_text(tmp_path):
    toml = """
[[source]]
table = "patients"
files = ["people.csv"]
[source.columns]
patient_id = "patient_id"
birth_year = { constant = "1960" }
sex = { column = "sex", codes = { F = "female", M = "male" } }
initials = "initials"
"""
    people = case("initials_read_as_missing.csv")
    study = take_in(tmp_path, toml, patients=None, people=people)
    assert study.table("patients")["initials"].tolist() == ["NA", "JD", "None"]


def test_only_declared_words_and_empty_cells_are_missing(tmp_path):
    toml = LABS.replace("[source.columns]", 'missing = ["n/a"]\n[source.columns]')
    labs = "patient_id,drawn_on,hba1c,unit\nP1,2024-03-01,n/a,%\nP2,2024-03-01,NA,%\nP3,,,\n"
    study = take_in(tmp_path, toml, labs=labs)
    assert reasons(study, "hba1c") == {3: "not a number"}
    assert study.accounting.query("table == 'hba1c'")["rows_without_value"].tolist() == [2]


def test_leading_zeros_tell_patients_apart(tmp_path):
    labs = case("ids_with_leading_zeros.csv")
    study = take_in(tmp_path, LABS, patients="007 07 7", labs=labs)
    draws = study.table("hba1c").set_index("patient_id")["value"]
    assert draws.to_dict() == {"007": 7.1, "07": 8.0, "7": 6.9}


def test_a_blank_id_does_not_turn_ids_into_decimals(tmp_path):
    people = case("patients_with_number_ids.csv").replace(b"patient_id,cohort", b"id,cohort")
    study = take_in(tmp_path, LABS, patients=people, labs=case("draws_with_a_blank_id.csv"))
    assert study.table("hba1c")["patient_id"].tolist() == ["1042", "1044"]
    assert reasons(study, "hba1c") == {3: "missing value"}


def test_a_long_id_keeps_every_digit(tmp_path):
    study = take_in(tmp_path, "", patients="12345678901234567890123 1e5")
    assert study.table("patients")["patient_id"].tolist() == ["12345678901234567890123", "1e5"]


def test_a_join_that_matches_nothing_is_an_error(tmp_path):
    labs = case("draws_of_one_day.csv")
    with pytest.raises(IntakeError, match="not one of 3 rows of hba1c names a patient"):
        take_in(tmp_path, LABS, patients="A B", labs=labs)


def test_identical_patients_collapse_and_conflicting_ones_stop_the_run(tmp_path):
    people = case("patients_standing_twice.csv").replace(b"patient_id,cohort", b"id,cohort")
    toml = READINGS
    both = take_in(
        tmp_path / "a",
        toml,
        patients=people.replace(b"P2,adhesive", b"P2,implanted"),
        readings=case("readings_of_three_patients.csv"),
    )
    assert counts(both, "patients") == (5, 3, 0, 2)
    assert counts(both, "readings") == (6, 6, 0, 0)


def test_a_patient_standing_twice_with_different_content_is_named(tmp_path):
    toml = """
[[source]]
table = "patients"
files = ["people.csv"]
[source.columns]
patient_id = "patient_id"
birth_year = { constant = "1960" }
cohort = "cohort"
"""
    with pytest.raises(IntakeError, match=r"patients: P2 stands there twice .*lines 4, 5"):
        take_in(tmp_path, toml, patients=None, people=case("patients_standing_twice.csv"))
    assert not (tmp_path / "study").exists()


def test_decimal_comma_and_semicolon(tmp_path):
    toml = LABS.replace(
        "[source.columns]",
        'separator = ";"\ndecimal = ","\ndates = "day.month.year"\n[source.columns]',
    )
    study = take_in(tmp_path, toml, labs=case("decimal_comma_and_semicolon.csv"))
    assert study.table("hba1c")["value"].tolist() == [7.2, 10.5, 8.0]
    told = study.made_from["files"][-1]
    assert (told["separator"], told["decimal"]) == (";", ",")


def test_a_decimal_comma_that_is_not_declared_is_never_72(tmp_path):
    toml = LABS.replace(
        "[source.columns]", 'separator = ";"\ndates = "day.month.year"\n[source.columns]'
    )
    study = take_in(tmp_path, toml, labs=case("decimal_comma_and_semicolon.csv"))
    assert study.table("hba1c")["value"].tolist() == [8.0]
    assert set(reasons(study, "hba1c").values()) == {"not a number"}


@pytest.mark.parametrize(
    ("file", "encoding"),
    [
        ("names_in_utf8_with_mark.csv", "utf-8"),
        ("names_in_utf8_with_mark.csv", "utf-8-sig"),
        ("names_in_cp1252.csv", "cp1252"),
        ("names_in_utf16.csv", "utf-16"),
    ],
)
def test_three_encodings_give_the_same_table(tmp_path, file, encoding):
    toml = NAMES.replace("ENCODING", encoding)
    people = take_in(tmp_path, toml, patients=None, names=case(file)).table("patients")
    assert people[["patient_id", "given_name", "note"]].to_numpy().tolist() == [
        ["P1", "Zoë", "dose 4–6 u"]
    ]


def test_another_encoding_is_never_fallen_back_to(tmp_path):
    toml = NAMES.replace("ENCODING", "utf-8")
    with pytest.raises(IntakeError, match=r"names\.csv, line 2: not utf-8"):
        take_in(tmp_path, toml, patients=None, names=case("names_in_cp1252.csv"))


# --- values and units


def test_words_and_limits_stay_in_every_denominator(tmp_path):
    study = take_in(tmp_path, READINGS, readings=case("words_and_limits_among_numbers.csv"))
    one = next(study.readings())
    assert one.value.tolist() == [110, 40, 400, 250, 40, 400, 95, 180]
    assert ((one.value >= 70) & (one.value <= 180)).sum() == 3
    assert one.capped.tolist() == [0, -1, 1, 0, -1, 1, 0, 0]
    assert one.value.mean() == 189.375
    assert "4 of 8 readings (50.0%)" in study.findings.query("rule == 'capped'")["sentence"].item()


def test_words_beyond_a_limit_in_a_file_of_mmol(tmp_path):
    rows = [
        f"P1,2024-03-01 08:{m},{v}"
        for m, v in zip((10, 15, 20, 25), ("5.6", "LOW", "HIGH", "10.0"), strict=True)
    ]
    toml = READINGS.replace('unit = "mg/dL"', 'unit = "mmol/L"')
    text = "patient_id,read_at,glucose_mg_dl\n" + "".join(f"{row}\n" for row in rows)
    one = next(take_in(tmp_path, toml, readings=text).readings())
    assert mg_dl(one).mean() == pytest.approx(180.26084, abs=1e-9)
    low = np.array([54.0, 3.0])[one.unit]
    high = np.array([250.0, 13.9])[one.unit]
    assert ((one.value < low).sum(), (one.value > high).sum()) == (1, 1)


def test_own_words_and_limits_may_be_declared(tmp_path):
    toml = READINGS.replace(
        'unit = "mg/dL"', 'unit = "mg/dL", below = ["tief"], above = [], low_limit = 50'
    )
    text = "patient_id,read_at,glucose_mg_dl\nP1,2024-03-01 08:00,tief\nP1,2024-03-01 08:05,HIGH\n"
    study = take_in(tmp_path, toml, readings=text)
    assert next(study.readings()).value.tolist() == [50.0]
    assert reasons(study, "readings") == {3: "not a number"}


def test_two_units_are_kept_and_a_missing_one_is_not_guessed(tmp_path):
    study = take_in(tmp_path, LABS, labs=case("draws_in_two_units.csv"))
    draws = study.table("hba1c").set_index("patient_id")
    assert draws.loc["P2", ["value", "unit"]].tolist() == [54.0, "mmol/mol"]
    assert units.hba1c_percent(54, "mmol/mol") == pytest.approx(7.09192)
    assert reasons(study, "hba1c") == {5: "no unit", 6: "out of range"}


@pytest.mark.parametrize(
    ("text", "kept"), [("7.1 %", True), ("54 mmol/mol", True), ("62", False), ("20.1 %", False)]
)
def test_a_unit_may_stand_in_the_cell(tmp_path, text, kept):
    toml = LABS.replace('unit = "unit"\n', "")
    labs = f"patient_id,drawn_on,hba1c\nP1,2024-03-01,{text}\nP2,2024-03-01,8.0 %\n"
    assert len(take_in(tmp_path, toml, labs=labs).table("hba1c")) == 1 + kept


def test_a_unit_in_the_cell_that_is_not_the_declared_one_is_set_aside(tmp_path):
    text = "patient_id,read_at,glucose_mg_dl\nP1,2024-03-01 08:00,6.1 mmol/L\n"
    study = take_in(tmp_path, READINGS, readings=text)
    assert reasons(study, "readings") == {2: "no single unit"}


def test_same_day_draws_are_never_averaged(tmp_path):
    study = take_in(tmp_path, LABS, labs=case("draws_of_one_day.csv"))
    assert study.table("hba1c")[["patient_id", "value"]].to_numpy().tolist() == [["P2", 8.0]]
    assert counts(study, "hba1c") == (4, 1, 2, 1)


def test_draws_in_both_units_are_one_draw_when_equal_in_tenths(tmp_path):
    toml = LABS.replace('"hba1c"\nunit', '"value"\nmethod = "method"\nunit')
    people = " ".join(f"H{i}" for i in range(1, 9))
    labs = (WORKED / "w12_draws.csv").read_bytes()
    study = take_in(tmp_path, toml, patients=people, labs=labs)
    draws = study.table("hba1c").groupby("patient_id")
    assert counts(study, "hba1c") == (15, 10, 4, 1)
    assert draws.get_group("H6")["value"].tolist() == [8.8]
    assert draws.get_group("H7")[["value", "unit"]].to_numpy().tolist() == [[8.0, "%"]]
    assert "H8" not in draws.groups


def test_every_row_of_the_worked_example_has_its_place(tmp_path):
    toml = """
[[source]]
table = "readings"
files = ["readings.csv"]
[source.columns]
patient_id = "patient_id"
time = "time"
local_offset = "local_offset"
value = "value"
unit = "unit"
sensor_id = "sensor_id"
"""
    text = (WORKED / "w35_readings.csv").read_bytes()
    study = take_in(tmp_path, toml, patients="P1 P2", readings=text)
    assert counts(study, "readings") == (12, 4, 5, 3)
    first, second = study.readings()
    assert (first.value.tolist(), first.capped.tolist()) == ([110, 40], [0, -1])
    assert (second.value.tolist(), second.capped.tolist()) == ([6.1, 400], [0, 1])
    assert first.local_offset.tolist() == [120, 120]
    rules = study.set_aside["rule"].value_counts().to_dict()
    assert rules == {
        "two values at one time": 2, "unknown patient": 1, "no unit": 1, "not a number": 1,
    }  # fmt: skip


# --- dates and times


def placed(tmp_path, file, dates, **more):
    toml = f"""
[[source]]
table = "sensors"
files = ["s.csv"]
dates = "{dates}"
[source.columns]
sensor_id = "sensor_id"
patient_id = {{ constant = "P1" }}
kind = {{ constant = "implanted" }}
planned_days = {{ constant = "180" }}
placed_on = "placed_on"
"""
    return take_in(tmp_path, toml, sensors=None, s=case(file), **more)


def test_the_declared_date_order_holds_for_the_whole_column(tmp_path):
    study = placed(tmp_path, "dates_day_first.csv", "day/month/year")
    days = study.table("sensors")["placed_on"].dt.strftime("%Y-%m-%d").tolist()
    assert days == ["2024-11-05", "2024-11-23"]


def test_a_date_in_another_order_is_set_aside_by_its_line(tmp_path):
    study = placed(tmp_path, "dates_in_two_orders.csv", "day/month/year")
    assert reasons(study, "sensors") == {4: "not a date"}
    assert len(study.table("sensors")) == 2


def test_an_undeclared_date_order_is_asked_for(tmp_path):
    with pytest.raises(SettingsError, match=r"placed_on: s\.csv, line 2.*Set `dates`"):
        placed(tmp_path, "dates_undecidable.csv", "year-month-day")


def test_a_clock_time_that_never_was_is_set_aside(tmp_path):
    study = take_in(tmp_path, READINGS, readings=case("a_clock_time_that_never_was.csv"))
    assert reasons(study, "readings") == {3: "no such time"}
    times = next(study.readings()).frame()["time"].dt.strftime("%H:%M").tolist()
    assert times == ["00:45", "01:00"]  # UTC: 15 minutes apart


@pytest.mark.parametrize(("day", "expected"), [("2024-03-31", 92), ("2024-10-27", 100)])
def test_days_of_23_and_25_hours_keep_all_their_readings(tmp_path, day, expected):
    text = case("readings_of_23_and_25_hour_days.csv")
    one = next(take_in(tmp_path, READINGS, readings=text).readings())
    days = one.local_day.astype("datetime64[D]")
    assert (days == np.datetime64(day)).sum() == expected


def test_mixed_offsets_become_instants_and_bare_times_are_counted(tmp_path):
    study = take_in(tmp_path, READINGS, readings=case("mixed_offsets.csv"))
    one = next(study.readings())
    times = one.frame()["time"].dt.strftime("%d %H:%M").tolist()
    assert times == ["26 22:50", "27 01:40", "27 11:00"]
    assert one.local_offset.tolist() == [120, 60, 60]
    note = study.findings.query("rule == 'times without offset'")
    assert note["rows"].tolist() == [1]


def autumn(tmp_path, times):
    rows = [f"P1,2024-10-27 {t},{100 + i}" for i, t in enumerate(times)]
    text = "patient_id,read_at,glucose_mg_dl\n" + "".join(f"{row}\n" for row in rows)
    return take_in(tmp_path, READINGS, readings=text)


HOUR = ["01:30", "02:00", "02:30", "02:00", "02:30", "03:00"]


@pytest.mark.parametrize("times", [HOUR, HOUR[::-1]])
def test_the_repeated_hour_is_placed_by_the_order_in_the_file(tmp_path, times):
    study = autumn(tmp_path, times)
    one = next(study.readings())
    assert (np.diff(one.time) == 30 * 60_000_000).all()
    assert sorted(one.local_offset.tolist()) == [60, 60, 60, 120, 120, 120]


@pytest.mark.parametrize(
    "times", [["01:30", "02:00", "02:30", "03:00"], ["02:00", "04:00", "01:30"]]
)
def test_a_repeated_hour_that_nothing_places_is_set_aside_by_name(tmp_path, times):
    study = autumn(tmp_path, times)
    expected = sum(t.startswith("02") for t in times)
    assert list(reasons(study, "readings").values()) == ["repeated hour"] * expected


def test_two_digit_years_are_the_latest_before_the_export(tmp_path):
    toml = """
[[source]]
table = "patients"
files = ["people.csv"]
[source.columns]
patient_id = "patient_id"
birth_year = { column = "birth_date", dates = "day/month/yy" }
"""
    people = case("two_digit_birth_years.csv")
    years = take_in(tmp_path, toml, patients=None, people=people).table("patients")["birth_year"]
    assert years.tolist() == [1949, 1968, 1971]


def removals(tmp_path, file):
    toml = """
[[source]]
table = "sensors"
files = ["s.csv"]
[source.columns]
sensor_id = "sensor_id"
patient_id = "patient_id"
kind = { constant = "implanted" }
planned_days = { constant = "180" }
placed_on = "placed_on"
removed_on = { column = "removed_on", never = ["9999-12-31"] }
"""
    return take_in(tmp_path, toml, sensors=None, s=case(file))


def test_never_removed_is_no_date_and_1900_lies_before_placement(tmp_path):
    study = removals(tmp_path, "sensors_never_removed.csv")
    ends = study.table("sensors").set_index("sensor_id")["removed_on"]
    assert pd.isna(ends["S1"])
    assert ends["S3"] == pd.Timestamp("2024-03-31")
    assert reasons(study, "sensors") == {3: "wrong order"}


def test_an_undeclared_sentinel_is_a_date_after_the_export(tmp_path):
    sensors = "S1,P1,implanted,2024-01-01,9999-12-31\nS2,P2,implanted,2024-01-01,2024-03-01\n"
    study = take_in(tmp_path, "", sensors=sensors)
    assert reasons(study, "sensors") == {2: "after the export"}


def test_removal_before_placement_is_set_aside_and_on_the_same_day_is_kept(tmp_path):
    study = removals(tmp_path, "sensors_removed_before_placed.csv")
    assert reasons(study, "sensors") == {2: "wrong order"}
    assert study.table("sensors")["sensor_id"].tolist() == ["S2", "S3"]


def test_a_draw_from_years_ago_stays_in_the_table(tmp_path):
    study = take_in(tmp_path, LABS, labs=case("draws_over_years.csv"))
    assert len(study.table("hba1c")) == 3  # which one is the baseline is the cohort's rule


def test_dates_around_a_cut_off_do_not_depend_on_the_day_of_the_run(tmp_path):
    study = removals(tmp_path, "sensors_around_a_cut_off.csv")
    assert study.table("sensors")["removed_on"].notna().tolist() == [True, False, True]
    assert str(study.exported_on) == "2025-01-01"


# --- codes


def ended(tmp_path, file, codes):
    toml = f"""
[[source]]
table = "sensors"
files = ["s.csv"]
[source.columns]
sensor_id = "sensor_id"
patient_id = {{ constant = "P1" }}
kind = {{ constant = "implanted" }}
planned_days = {{ constant = "180" }}
placed_on = {{ constant = "2024-01-01" }}
end_reason = {{ column = "status", codes = {codes} }}
"""
    return take_in(tmp_path, toml, sensors=None, s=case(file))


def test_status_codes_come_from_the_declared_map(tmp_path):
    codes = '{ 1 = "planned", 2 = "sensor failure" }'
    reasons_of = ended(tmp_path, "status_as_numbers.csv", codes).table("sensors")["end_reason"]
    assert (reasons_of == "sensor failure").sum() == 2


def test_an_unknown_code_sets_its_row_aside(tmp_path):
    codes = '{ False = "planned", no = "planned", True = "sensor failure" }'
    study = ended(tmp_path, "status_as_words.csv", codes)
    assert reasons(study, "sensors") == {5: "unknown code"}
    assert (study.table("sensors")["end_reason"] == "sensor failure").sum() == 1
