"""Rules across rows and tables: each finds what it is for, and can be made stricter."""

import pytest

from outcomes.errors import IntakeError, SettingsError
from outcomes.tables.rules import CATALOGUE, rules_table
from tests.exports import LABS, READINGS, counts, take_in

PROCEDURES = """
[[source]]
table = "procedures"
files = ["procedures.csv"]
[source.columns]
procedure_id = "id"
patient_id = "patient"
sensor_id = "sensor"
what = "what"
on = "day"
attempt = { constant = "1" }
completed = { constant = "yes" }
"""
COMPLICATIONS = """
[[source]]
table = "complications"
files = ["harm.csv"]
[source.columns]
complication_id = "id"
patient_id = "patient"
sensor_id = "sensor"
onset_on = "day"
category = { constant = "bruising" }
deficiency_only = { constant = "no" }
severity = { constant = "mild" }
serious = { constant = "no" }
"""
DEATHS = """
[[source]]
table = "patients"
files = ["people.csv"]
[source.columns]
patient_id = "id"
birth_year = { constant = "1960" }
died_on = "died"
"""
PEOPLE = "id,died\nP1,2024-02-01\nP2,\n"
HEADING = "patient_id,read_at,glucose_mg_dl\n"


def rows(study, rule):
    found = study.findings
    return found.loc[found["rule"] == rule, ["severity", "rows"]].to_numpy().tolist()


def test_every_rule_has_a_code_a_sentence_and_a_mend_of_its_own():
    table = rules_table()
    assert table["code"].is_unique
    assert table["rule"].is_unique
    assert table["meaning"].is_unique
    assert (table[["meaning", "mend"]].map(str.strip) != "").all(axis=None)
    assert all(rule.severity in rule.may_be for rule in CATALOGUE)


def test_findings_and_rules_share_codes(tmp_path):
    study = take_in(
        tmp_path,
        LABS,
        labs="patient_id,drawn_on,hba1c,unit\nP9,2024-03-01,7,%\nP1,2024-03-01,7,%\n",
    )
    assert study.findings.query("rule == 'unknown patient'")["code"].tolist() == ["K01"]


def test_two_implants_at_once_are_noted_and_one_after_the_other_not(tmp_path):
    sensors = "A,P1,implanted,2024-01-01,2024-06-01\nB,P1,implanted,2024-06-01,\n"
    assert rows(take_in(tmp_path / "a", "", sensors=sensors), "overlapping implants") == []
    early = sensors.replace("B,P1,implanted,2024-06-01", "B,P1,implanted,2024-05-01")
    assert rows(take_in(tmp_path / "b", "", sensors=early), "overlapping implants") == [["note", 1]]


def test_planned_days_of_the_other_kind_are_noted(tmp_path):
    sensors = "A,P1,adhesive,2024-01-01,2024-01-11\n"  # planned for 180 days
    assert rows(take_in(tmp_path, "", sensors=sensors), "planned days against kind") == [
        ["note", 1]
    ]


def test_one_sensor_on_two_patients_is_set_aside(tmp_path):
    sensors = "A,P1,implanted,2024-01-01,\nA,P2,implanted,2024-01-01,\n"
    study = take_in(tmp_path, "", sensors=sensors)
    assert rows(study, "one sensor on two patients") == [["set aside", 2]]


def test_a_placement_without_its_sensor_and_the_reverse_are_noted(tmp_path):
    procedures = (
        "id,patient,sensor,what,day\n1,P1,,placement,2024-01-01\n2,P2,A,removal,2024-02-01\n"
    )
    sensors = "B,P2,implanted,2024-01-15,\n"
    study = take_in(tmp_path, PROCEDURES, sensors=sensors, procedures=procedures)
    assert rows(study, "procedure without its sensor") == [["note", 1]]
    assert rows(study, "sensor without its procedure") == [["note", 1]]
    assert rows(study, "unknown sensor") == [["note", 1]]


def test_a_complication_before_placement_or_without_a_sensor_is_noted(tmp_path):
    harm = "id,patient,sensor,day\n1,P1,A,2023-12-31\n2,P2,,2024-01-05\n3,P1,A,2024-01-05\n"
    sensors = "A,P1,implanted,2024-01-01,\n"
    study = take_in(tmp_path, COMPLICATIONS, sensors=sensors, harm=harm)
    assert rows(study, "complication before placement") == [["note", 1]]
    assert rows(study, "complication without a sensor") == [["note", 1]]


def test_what_comes_after_death_is_noted(tmp_path):
    labs = "patient_id,drawn_on,hba1c,unit\nP1,2024-02-02,7,%\nP1,2024-02-01,7.1,%\n"
    readings = HEADING + "P1,2024-02-01 08:00,100\nP1,2024-02-02 08:00,100\n"
    study = take_in(
        tmp_path,
        DEATHS + LABS + READINGS,
        patients=None,
        people=PEOPLE,
        labs=labs,
        readings=readings,
    )
    assert sorted(rows(study, "after death")) == [["note", 1], ["note", 1]]


def test_readings_are_held_against_the_wear_of_their_patient(tmp_path):
    sensors = "A,P1,implanted,2024-03-02,2024-03-05\n"
    text = HEADING + "".join(f"P1,2024-03-0{day} 08:00,100\n" for day in range(1, 8))
    study = take_in(tmp_path, READINGS, sensors=sensors, readings=text)
    assert rows(study, "outside wear") == [["note", 3]]
    assert rows(study, "first day of an implant") == [["note", 1]]


def test_readings_after_the_sensor_stopped_are_noted(tmp_path):
    toml = """
[[source]]
table = "sensors"
files = ["s.csv"]
[source.columns]
sensor_id = "s"
patient_id = { constant = "P1" }
kind = { constant = "implanted" }
planned_days = { constant = "180" }
placed_at = "placed"
stopped_on = "stopped"
removed_on = "removed"
"""
    s = "s,placed,stopped,removed\nA,2024-03-01 10:00,2024-03-03,2024-03-09\n"
    times = ("02 09:59", "02 10:00", "03 23:00", "04 08:00")
    text = HEADING + "".join(f"P1,2024-03-{t},100\n" for t in times)
    study = take_in(tmp_path, toml + READINGS, sensors=None, s=s, readings=text)
    assert rows(study, "after the sensor stopped") == [["note", 1]]
    assert rows(study, "first day of an implant") == [["note", 1]]


def test_a_step_faster_than_glucose_is_noted(tmp_path):
    text = HEADING + "P1,2024-03-01 08:00,100\nP1,2024-03-01 08:05,176\nP1,2024-03-01 08:10,240\n"
    assert rows(take_in(tmp_path, READINGS, readings=text), "implausible step") == [["note", 1]]


def test_noise_at_high_glucose_is_no_implausible_step(tmp_path):
    text = HEADING + "P1,2024-03-01 08:00,270\nP1,2024-03-01 08:05,360\n"
    assert rows(take_in(tmp_path, READINGS, readings=text), "implausible step") == []


def test_a_nameless_reading_of_an_adhesive_sensor_is_not_of_an_implants_first_day(tmp_path):
    sensors = "A,P1,implanted,2024-03-02,\nB,P1,adhesive,2024-02-25,2024-03-02\n"
    text = HEADING + "P1,2024-03-02 08:00,100\n"
    study = take_in(tmp_path, READINGS, sensors=sensors, readings=text)
    assert rows(study, "first day of an implant") == []


def test_an_expected_end_after_the_export_is_left_open_and_noted(tmp_path):
    toml = """
[[source]]
table = "states"
files = ["states.csv"]
columns = { patient_id = "id", what = "what", value = "value", from_on = "from", to_on = "to" }
"""
    states = "id,what,value,from,to\nP1,pregnancy,yes,2024-11-01,2025-06-30\n"
    states += "P2,pregnancy,yes,2024-01-01,2024-09-30\nP3,pregnancy,yes,2025-02-01,2025-06-30\n"
    study = take_in(tmp_path, toml, states=states)
    kept = study.table("states")
    assert kept["patient_id"].tolist() == ["P1", "P2"]  # what begins after the export is set aside
    assert kept["to_on"].isna().tolist() == [True, False]
    assert rows(study, "end ahead") == [["note", 1]]


@pytest.mark.parametrize("rule", ["outside wear", "X04"])
def test_a_note_can_be_made_to_set_aside(tmp_path, rule):
    toml = READINGS + f'\n[severity]\n"{rule}" = "set aside"\n'
    text = HEADING + "P1,2024-03-01 08:00,100\n"
    study = take_in(tmp_path, toml, readings=text)
    assert counts(study, "readings") == (1, 0, 1, 0)
    assert rows(study, "outside wear") == [["set aside", 1]]


def test_a_rule_can_be_made_to_stop_and_names_its_lines(tmp_path):
    toml = LABS + '\n[severity]\n"unknown patient" = "stop"\n'
    labs = "patient_id,drawn_on,hba1c,unit\nP9,2024-03-01,7,%\nP1,2024-03-01,7,%\n"
    with pytest.raises(IntakeError, match=r"K01, labs\.csv: 1 of 2 rows .*lines 2"):
        take_in(tmp_path, toml, labs=labs)
    assert not (tmp_path / "study" / "current").exists()


@pytest.mark.parametrize("change", ['"unknwn patient" = "stop"', '"unknown patient" = "note"'])
def test_an_unknown_rule_or_severity_is_an_error(tmp_path, change):
    with pytest.raises(SettingsError, match="Known: "):
        take_in(tmp_path, f"\n[severity]\n{change}\n")


def test_two_unit_systems_in_one_column_stop_the_intake(tmp_path):
    values = [f"{100 + i}" if i % 4 else f"{5 + i / 10:.1f}" for i in range(40)]
    text = HEADING + "".join(f"P1,2024-03-01 08:{i:02d},{v}\n" for i, v in enumerate(values))
    with pytest.raises(
        IntakeError, match=r"X03, readings\.csv, line 2: 10 of 40 values of readings"
    ):
        take_in(tmp_path, READINGS, readings=text)


def test_a_few_values_of_the_other_unit_are_set_aside(tmp_path):
    text = HEADING + "P1,2024-03-01 08:00,110\nP1,2024-03-01 08:05,12.3\nP1,2024-03-01 08:10,35\n"
    study = take_in(tmp_path, READINGS, readings=text)
    assert next(study.readings()).value.tolist() == [110, 35]
    assert rows(study, "other unit") == [["set aside", 1]]
