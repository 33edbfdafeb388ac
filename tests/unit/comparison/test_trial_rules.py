"""Who enters an emulated trial, when and in which arm: tiny clinics, typed here."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pandas as pd
import pytest

from outcomes.cohorts.build import build_cohorts
from outcomes.comparison.arms import trial_flow
from outcomes.comparison.people import compared
from outcomes.comparison.trial import FIRST, FIRST_STEPS, KEPT, SWITCH, SWITCH_STEPS, person_trials
from outcomes.plan import Frame, Plan
from outcomes.tables.study import write_study
from tests.comparison_clinic import cohorts
from tests.invented_clinic import declared

PLAN = Plan(plan=Frame(start=date(2024, 1, 1)))
ZERO = date(2024, 5, 10)  # the visit of most tests


def on(days: int) -> pd.Timestamp:
    return pd.Timestamp(ZERO + timedelta(days=days))


def adhesive(first: int, last: int, who: str = "P1") -> list[dict]:
    """Adhesive sensors of 10 days from day `first` to day `last`, one after the other."""
    return [
        {
            "sensor_id": f"{who}A{day}", "patient_id": who, "kind": "adhesive",
            "placed_on": on(day), "planned_days": 10, "stopped_on": on(min(day + 10, last)),
            "end_reason": "planned",
        }
        for day in range(first, last, 10)
    ]  # fmt: skip


def implanted(day: int, last: int | None = None, who: str = "P1") -> dict:
    return {
        "sensor_id": f"{who}I{day}", "patient_id": who, "kind": "implanted", "placed_on": on(day),
        "planned_days": 180, "removed_on": None if last is None else on(last),
    }  # fmt: skip


def trials(tmp_path, sensors, *, visits=(0,), draws=(), states=(), before="adhesive", plan=PLAN):
    """Return the entries of one patient."""
    tables = {
        "patients": [
            {"patient_id": "P1", "birth_year": 1970, "sex": "female", "diabetes_type": "type 1",
             "diagnosis_year": 2000, "covered_from": on(-300), "sensor_use_before": before}
        ],
        "sensors": sensors,
        "contacts": [{"patient_id": "P1", "on": on(d), "what": "visit"} for d in visits],
        "hba1c": [
            {"patient_id": "P1", "drawn_on": on(d), "value": v, "unit": "%", "method": "laboratory"}
            for d, v in draws
        ],
        "states": [
            {"patient_id": "P1", "what": what, "value": value, "from_on": on(d)}
            for what, value, d in states
        ],
    }  # fmt: skip
    study = write_study(
        tmp_path / "study", {name: declared(name, rows) for name, rows in tables.items()},
        clinic="One patient", time_zone="Europe/Berlin", exported_on=date(2025, 7, 1),
    )  # fmt: skip
    return person_trials(build_cohorts(study, plan, quarter="2025-Q2"))


def step(found, trial: str = SWITCH) -> str:
    return found.steps.loc[found.steps["trial"] == trial, "step"].item()


def test_a_placement_soon_after_the_visit_is_a_switch_from_the_day_of_the_visit(tmp_path):
    row = trials(tmp_path, [*adhesive(-120, 20), implanted(20)]).of(SWITCH).iloc[0]
    assert (row["arm"], row["time_zero"], row["started_on"]) == ("implanted", on(0), on(20))


def test_a_placement_after_the_time_to_decide_is_a_stay_that_changed_later(tmp_path):
    row = trials(tmp_path, [*adhesive(-120, 60), implanted(60)]).of(SWITCH).iloc[0]
    assert (row["arm"], row["time_zero"]) == ("adhesive", on(0))
    assert row["on_kind_until"] == on(60)


def test_a_placement_carries_out_the_latest_decision_only(tmp_path):
    sensors = [*adhesive(-120, 75), implanted(75)]
    found = trials(tmp_path, sensors, visits=(45, 60)).of(SWITCH)
    # The visits of 24 June and 9 July are entries of two quarters; the sensor came on 24 July.
    assert found["arm"].tolist() == ["adhesive", "implanted"]
    assert found["time_zero"].tolist() == [on(45), on(60)]


def test_one_entry_a_quarter_at_its_first_visit(tmp_path):
    found = trials(tmp_path, adhesive(-120, 300), visits=(0, 10, 20, 60, 70)).of(SWITCH)
    assert found["time_zero"].tolist() == [on(0), on(60)]


@pytest.mark.parametrize(
    ("sensors", "visits", "reason"),
    [
        (adhesive(-120, 300), (), SWITCH_STEPS[0]),
        (adhesive(-120, 300), (-220,), SWITCH_STEPS[0]),  # before the plan's start
        ([*adhesive(-300, 0), implanted(-100)], (0,), SWITCH_STEPS[2]),
        ([*adhesive(-120, 0), implanted(-200, -40)], (0,), SWITCH_STEPS[2]),
        (adhesive(-60, 300), (0,), SWITCH_STEPS[3]),
        ([*adhesive(-200, -60), *adhesive(-30, 300)], (0,), SWITCH_STEPS[3]),  # a long gap
        (adhesive(-120, 420), (400,), SWITCH_STEPS[4]),
    ],
)
def test_everybody_left_out_has_a_reason(tmp_path, sensors, visits, reason):
    found = trials(tmp_path, sensors, visits=visits)
    assert found.of(SWITCH).empty
    assert step(found) == reason


def test_shorter_coverage_keeps_a_patient_out(tmp_path):
    plan = replace(PLAN, cohorts=replace(PLAN.cohorts, coverage_days=310))
    assert step(trials(tmp_path, adhesive(-120, 300), plan=plan)) == SWITCH_STEPS[1]


def test_a_short_gap_does_not_end_the_wear(tmp_path):
    found = trials(tmp_path, [*adhesive(-120, -50), *adhesive(-40, 300)])
    assert step(found) == KEPT


def test_nothing_after_time_zero_is_a_baseline_and_nothing_known_later_a_covariate(tmp_path):
    found = trials(
        tmp_path, adhesive(-120, 420), draws=((-20, 8.0), (3, 7.0), (183, 7.5)),
        states=(("insulin delivery", "injections", -200), ("insulin delivery", "pump", 5)),
    )  # fmt: skip
    row = found.of(SWITCH).iloc[0]
    assert (row["baseline_hba1c"], row["insulin_delivery"]) == (8.0, "injections")


def test_a_draw_after_giving_the_kind_up_counts_only_for_the_decision(tmp_path):
    plan = replace(PLAN, comparison=replace(PLAN.comparison, covariates=("baseline_hba1c",)))
    found = trials(
        tmp_path, [*adhesive(-120, 100), implanted(100)], draws=((-5, 8.0), (180, 7.4)), plan=plan
    )
    row = compared(found, trial=SWITCH, month=6, rules=plan.comparison).rows.iloc[0]
    assert row["change"] == pytest.approx(-0.6)
    assert pd.isna(row["change_on_kind"])


def test_an_implanted_sensor_placed_again_soon_is_worn_on(tmp_path):
    sensors = [*adhesive(-120, 10), implanted(10, 190), implanted(215)]
    assert trials(tmp_path, sensors).of(SWITCH).iloc[0]["on_kind_until"] > on(400)
    longer = [*adhesive(-120, 10), implanted(10, 190), implanted(225)]
    row = trials(tmp_path / "longer", longer).of(SWITCH).iloc[0]
    assert row["on_kind_until"] == on(190)


@pytest.mark.parametrize("first", [implanted(12), adhesive(12, 300)[0]])
def test_a_first_sensor_enters_at_the_last_visit_before_it_in_both_arms(tmp_path, first):
    found = trials(tmp_path, [first], visits=(-30, 0), before="none")
    row = found.of(FIRST).iloc[0]
    assert (row["arm"], row["time_zero"]) == (first["kind"], on(0))
    assert step(found) == SWITCH_STEPS[3]


def test_a_first_sensor_without_a_visit_before_it_is_left_out(tmp_path):
    found = trials(tmp_path, [implanted(60)], before="none")
    assert step(found, FIRST) == FIRST_STEPS[2]


def test_in_a_whole_clinic_time_zero_is_a_contact_in_both_arms_and_nothing_starts_before_it():
    made = cohorts(120)
    rows = person_trials(made).rows
    contacts = made.table("contacts")
    known = set(zip(contacts["patient_id"], contacts["on"], strict=True))
    assert set(rows["arm"]) == {"implanted", "adhesive"}
    assert all(pair in known for pair in zip(rows["patient_id"], rows["time_zero"], strict=True))
    assert (rows["started_on"].dropna() >= rows.loc[rows["started_on"].notna(), "time_zero"]).all()


@pytest.mark.parametrize("month", [6, 12])
def test_every_exclusion_adds_up(month):
    made = cohorts(120)
    table = trial_flow(person_trials(made), made, month=month).table
    for (_, counted), part in table.groupby(["trial", "counted"]):
        sums = part.groupby("role")[["n", "implanted", "adhesive"]].sum()
        kept = "kept" if counted == "patients" else "compared"
        assert (sums.loc["total"] == sums.loc["left out"] + sums.loc[kept]).all()
