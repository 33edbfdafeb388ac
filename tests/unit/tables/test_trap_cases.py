"""Known traps of intake, from their files to the answer; and every one of them has its test."""

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from outcomes.cohorts.build import build_cohorts
from outcomes.cohorts.cut_off import as_of
from outcomes.measures.sensor_ends import end_states
from outcomes.plan import Frame, Plan, SensorSurvival
from tests.exports import CASES, LABS, case, take_in

TESTS = Path(__file__).parents[2]
TRAPS = {
    "initials read as missing": ["initials_read_as_missing.csv"],
    "leading zeros": ["ids_with_leading_zeros.csv", "ids_with_leading_zeros_in_a_workbook.xlsx"],
    "a blank id turns ids into decimals": [
        "draws_with_a_blank_id.csv", "patients_with_number_ids.csv",
    ],
    "duplicate people multiply readings": [
        "patients_standing_twice.csv", "readings_of_three_patients.csv",
    ],
    "decimal comma and semicolon": ["decimal_comma_and_semicolon.csv"],
    "encodings": ["names_in_cp1252.csv", "names_in_utf16.csv", "names_in_utf8_with_mark.csv"],
    "words and limits in a number column": ["words_and_limits_among_numbers.csv"],
    "two unit systems": ["draws_in_two_units.csv"],
    "spreadsheet furniture": ["a_sheet_with_title_hidden_row_and_footer.xlsx"],
    "formula injection on export": ["notes_that_look_like_formulas.csv"],
    "blank cohort disappears": ["a_blank_cohort.csv"],
    "same-day labs averaged": ["draws_of_one_day.csv"],
    "day or month first": [
        "dates_day_first.csv", "dates_in_two_orders.csv", "dates_undecidable.csv",
    ],
    "a clock time that never was": ["a_clock_time_that_never_was.csv"],
    "days of 23 and 25 hours": ["readings_of_23_and_25_hour_days.csv"],
    "mixed offsets": ["mixed_offsets.csv"],
    "two-digit years": ["two_digit_birth_years.csv"],
    "never ended": ["sensors_never_removed.csv"],
    "baseline lab from years ago": ["draws_over_years.csv", "a_sensor_placed_between_draws.csv"],
    "same-day events of different kinds": [
        "same_day_events.csv", "same_day_events_and_censorings.csv",
    ],
    "negative and zero durations": ["sensors_removed_before_placed.csv"],
    "status codes": ["status_as_numbers.csv", "status_as_words.csv"],
    "cut-off date": ["sensors_around_a_cut_off.csv"],
}  # fmt: skip
SENSORS = """
[[source]]
table = "sensors"
files = ["s.csv"]
[source.columns]
sensor_id = "sensor_id"
patient_id = "patient_id"
kind = { constant = "implanted" }
planned_days = { constant = "180" }
placed_on = "placed_on"
"""
REMOVALS = (
    SENSORS
    + """removed_on = "removed_on"
end_reason = { column = "reason", codes = { failed = "sensor failure", planned = "planned" } }
"""
)
PLAN = Plan(plan=Frame(start=date(2024, 1, 1)))


@pytest.mark.parametrize("trap", TRAPS)
def test_every_trap_has_its_file_and_a_test_that_reads_it(trap):
    code = "\n".join(
        path.read_text(encoding="utf-8")
        for path in TESTS.rglob("test_*.py")
        if path != Path(__file__) or trap in ("baseline lab from years ago",)
    )
    for name in TRAPS[trap]:
        assert (CASES / name).stat().st_size
        assert name in code or f'case("{name.removesuffix(".csv")}")' in code


@pytest.mark.parametrize(("to_day", "baseline"), [(7, [8.0]), (0, [])])
def test_the_baseline_is_the_draw_near_the_placement_or_none(tmp_path, to_day, baseline):
    labs, sensor = case("draws_over_years.csv"), case("a_sensor_placed_between_draws.csv")
    study = take_in(tmp_path, LABS + SENSORS, sensors=None, labs=labs, s=sensor)
    plan = replace(PLAN, hba1c=replace(PLAN.hba1c, baseline_to_day=to_day))
    draws = build_cohorts(study, plan, quarter="2024-Q3").draws
    first = draws[(draws["month"] == 0) & (draws["patient_id"] == "P1")]
    assert first["value"].dropna().tolist() == baseline


def test_a_sensor_still_in_place_or_removed_later_is_watched_to_the_cut_off(tmp_path):
    study = take_in(tmp_path, REMOVALS, sensors=None, s=case("sensors_around_a_cut_off.csv"))
    cut_off = date(2024, 2, 1)
    seen = as_of("sensors", study.table("sensors"), cut_off)
    ends = end_states(seen, cut_off=cut_off, rules=SensorSurvival())
    assert ends["day"].tolist() == [9, 31, 31]
    assert ends["state"].tolist() == ["lost: sensor failure", "censored", "censored"]


def test_a_removal_on_the_day_of_placement_is_an_event_on_day_0(tmp_path):
    text = case("sensors_removed_before_placed.csv")
    study = take_in(tmp_path, REMOVALS, sensors=None, s=text)
    ends = end_states(study.table("sensors"), cut_off=date(2024, 12, 31), rules=SensorSurvival())
    assert study.set_aside["line"].tolist() == [2]
    assert ends.set_index("sensor_id").loc["S2", "day"] == 0
