"""The invented sizes lie within published ranges; nothing was fitted to them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from synthetic import Clinic, Scenario, clinic
from synthetic.scenario import MODEL
from synthetic.truth import expected_share, incidence, months, response
from synthetic.wear import CAUSES

USUAL = Scenario()
RELATED = ["possible", "probable", "causal"]
LOSSES = ["sensor failure", "detached", "infection", "skin reaction", "other complication"]


@pytest.fixture(scope="module")
def large() -> Clinic:
    return clinic(300, 8)


def lost(name: str, day: int) -> float:
    table = incidence(MODEL[name], frailty_sd=USUAL.frailty_sd).set_index("day")
    return float(table.loc[day, LOSSES].sum())


def test_nine_of_ten_implanted_sensors_work_at_90_days() -> None:
    # 91 % (Christiansen MP, Diabetes Technol Ther 2018)
    assert 0.88 <= 1 - lost("IG-1", 90) <= 0.98


def test_implanted_sensors_at_180_days_are_like_a_later_generation() -> None:
    # about 65 % to 90 % (Garg SK, Diabetes Technol Ther 2022; from memory); 9 % early failures
    # (Swiss single centre 2023)
    assert 0.65 <= 1 - lost("IG-1", 179) <= 0.91


def test_a_year_of_the_second_generation_is_within_the_assumption() -> None:
    # 60 to 80 %: an assumption without a source
    assert 0.60 <= 1 - lost("IG-2", 364) <= 0.80


@pytest.mark.parametrize("name", ["AP-10", "AP-14"])
def test_adhesive_sensors_reach_their_full_life_in_the_published_range(name: str) -> None:
    # 75 to 90 % now (labelling studies, from memory); 56 % for an older one (DeSalvo DJ, Diabetes
    # Care 2016;39:e112)
    full = 1 - lost(name, MODEL[name].planned_days - 1)
    assert 0.75 <= full <= 0.90


def test_adhesive_effect_lies_in_the_published_range() -> None:
    # -0.4 to -0.5 in 12 months (Diabetes Care 2009 extension trial; Front Endocrinol 2023)
    assert -0.5 <= USUAL.effect_adhesive * response(USUAL, 365) <= -0.35


def test_implanted_against_adhesive_lies_within_the_randomised_interval() -> None:
    # -0.1 (-0.4 to 0.1) against control in a randomised trial (French trial, abstract)
    assert -0.4 <= USUAL.effect_implanted <= 0.1


def test_most_of_the_fall_is_there_by_week_eight() -> None:
    # Most by week 8 (Diabetes Care 2009 extension trial)
    assert response(USUAL, 56) > 0.5 * response(USUAL, 365)


def test_uncontrolled_fall_is_larger_than_the_effect(large: Clinic) -> None:
    # -0.43 uncontrolled (Irace C, Diabetes Obes Metab 2020), -0.1 randomised: regression to the
    # mean and the step from no sensor make the difference
    falls = []
    for life in large.lives:
        starts = [d for d in life.course.decisions if d.chosen == "implanted"]
        later = [x for x in life.course.draws if starts and 136 <= x.on - starts[0].on <= 240]
        if later:
            falls.append(later[0].percent - starts[0].latest_hba1c)
    assert -0.80 <= np.mean(falls) <= -0.25


def test_time_in_range_goes_with_hba1c_as_published() -> None:
    # 70 % goes with about 7 %, 50 % with about 8 % (Beck RW, J Diabetes Sci Technol 2019;13:614),
    # with a wide spread: 28.7 x HbA1c - 46.7 = 154 and 183 mg/dL
    share = expected_share(np.array([154.0, 183.0]), 0.35, 70, 180)
    assert share[0] == pytest.approx(0.70, abs=0.06)
    assert share[1] == pytest.approx(0.50, abs=0.08)


def test_time_in_range_of_the_clinic_is_common() -> None:
    # 63 to 69 % in real-world implanted cohorts (abstracts)
    assert 0.50 <= months(clinic(60, 8))["share_70_180"].mean() <= 0.72


def test_readings_at_a_limit_are_rare(large: Clinic) -> None:
    # 0.47 to 0.98 % of readings (capping study 2026, preprint)
    few = [trace for trace, _ in zip(large.traces(), range(12), strict=False)]
    values = np.concatenate([v for trace in few for v in trace.values])
    assert 0.0005 <= ((values < 39.5) | (values >= 400.5)).mean() <= 0.012


def test_severe_lows_and_ketoacidosis_have_modern_rates(large: Clinic) -> None:
    # severe hypoglycaemia 2-10, ketoacidosis 1-5 in type 1, per 100 patient-years (from memory)
    years = sum(life.course.end - life.course.person.joined for life in large.lives) / 365.25
    count = large.complications["category"].value_counts()
    assert 2 <= 100 * count["severe hypoglycaemia"] / years <= 10
    first = [life for life in large.lives if life.course.person.diabetes_type == "type 1"]
    years = sum(life.course.end - life.course.person.joined for life in first) / 365.25
    assert 1 <= 100 * count["diabetic ketoacidosis"] / years <= 5


def test_infections_of_implanted_sensors_are_rare(large: Clinic) -> None:
    # 0.3 to 0.8 % of procedures, 0.5 to 1.5 % of people in five months (registry, from memory)
    implanted = set(large.sensors.query("kind == 'implanted'")["sensor_id"])
    rows = large.complications.query("category == 'site infection'")
    of_implants = rows["sensor_id"].isin(implanted).sum()
    assert 0.002 <= of_implants / len(large.procedures) <= 0.02


def test_failed_removals_are_in_the_published_range(large: Clinic) -> None:
    # 0.5 to 1.5 % of people in a registry of trained inserters (from memory); beginners are worse
    removals = large.procedures.query("what == 'removal' and attempt == 1")
    assert 0.005 <= (~removals["completed"]).mean() <= 0.08


def test_calibrations_of_180_days_are_about_two_hundred(large: Clinic) -> None:
    # two a day for 21 days, then one: 42 + 159 = 201 in 180 days (common practice, no source)
    shares = []
    for life, trace in zip(large.lives[:40], large.traces(), strict=False):
        due = sum(
            min(days, 21) * 2 + max(days - 21, 0)
            for s in trace.sensors
            if s.model.kind == "implanted"
            for days in [max(min(s.works_until, life.course.end) - s.placed, 0)]
        )
        if due > 100:
            shares.append(len(trace.sticks) / due)
    assert 0.80 <= np.mean(shares) <= 1.0


def test_an_implanted_sensor_of_180_days_lives_about_163() -> None:
    # 163 days in the real world (Irace C, Diabetes Obes Metab 2020)
    table = incidence(MODEL["IG-1"], frailty_sd=USUAL.frailty_sd)
    gone = table[[*CAUSES, "planned"]].sum(axis=1)
    assert 150 <= 1 + (1 - gone[:-1]).sum() <= 172


def test_related_events_lie_between_a_registry_and_trials(large: Clinic) -> None:
    # 106 related events of 3,066 people (abstract 976-P) in a programme of 1,260 patient-years for
    # 3,023 (Deiss D, Diabetes Technol Ther 2019): about 8 per 100 patient-years where only what is
    # told is written down. Trials that ask find skin events of adhesive sensors every 8 weeks of
    # wear (Asarani NAM, J Diabetes Sci Technol 2020;14:328), 650 per 100 patient-years.
    # Here everything that is told is written down, skin marks of the transmitter above all, so that
    # a small clinic's tables are not empty: on purpose several times the registry's rate.
    harms, years = related(large, "implanted")
    assert 8 <= 100 * len(harms) / years <= 60
    harms, years = related(large, "adhesive")
    assert 8 <= 100 * len(harms) / years <= 650


def test_serious_related_events_are_rare(large: Clinic) -> None:
    # no related serious event in 3,023 people (Deiss D 2019); below 1 % of participants (approval
    # report of an implanted sensor)
    harms, _ = related(large, "implanted")
    people = large.sensors.query("kind == 'implanted'")["patient_id"].nunique()
    assert harms.loc[harms["serious"], "patient_id"].nunique() / people <= 0.02


def test_the_composite_of_procedures_lies_above_the_goal_of_trained_inserters(
    large: Clinic,
) -> None:
    # Infection, a second procedure to remove, or a moderate or severe event of a procedure: below
    # 4 % was the goal met by trained inserters (Tweden KS 2024, 1,528 implants). On purpose above
    # it here: two of six inserters begin within the records, and their learning is to be seen.
    attempts = large.procedures
    again = set(attempts.loc[(attempts["what"] == "removal") & ~attempts["completed"], "sensor_id"])
    harms, _ = related(large, "implanted")
    infected = set(harms.loc[harms["category"] == "site infection", "sensor_id"])
    of_procedure = harms["procedure_id"].fillna("").ne("") & harms["severity"].ne("mild")
    implants = set(large.sensors.query("kind == 'implanted'")["sensor_id"])
    hit = (again | infected | set(harms.loc[of_procedure, "sensor_id"])) & implants
    assert 0.04 <= len(hit) / len(implants) <= 0.12


def test_severe_skin_events_are_one_to_three_in_a_hundred(large: Clinic) -> None:
    # 1.5 % of skin events in 19 trials were severe (Asarani NAM 2020)
    skin = large.complications["category"].isin(["contact dermatitis", "itching", "skin reaction"])
    severe = (large.complications.loc[skin, "severity"] == "severe").mean()
    assert 0.0 <= severe <= 0.06


def related(clinic: Clinic, kind: str) -> tuple[pd.DataFrame, float]:
    """Related harms that name a sensor of the kind, and patient-years of its wear."""
    sensors = clinic.sensors[clinic.sensors["kind"] == kind]
    export = pd.Timestamp(clinic.scenario.exported_on)
    years = (sensors["removed_on"].fillna(export) - sensors["placed_on"]).dt.days.sum() / 365.25
    rows = clinic.complications[~clinic.complications["deficiency_only"]]
    to_any = rows[["related_to_device", "related_to_procedure"]].isin(RELATED).any(axis=1)
    return rows[to_any & rows["sensor_id"].isin(set(sensors["sensor_id"]))], float(years)
