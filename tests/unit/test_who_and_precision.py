"""Outcomes by group, with small cells by audience, and how small a difference could be told."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.cohorts.build import CohortSet, build_cohorts
from outcomes.errors import UsageError
from outcomes.measures.complications import complications
from outcomes.measures.hba1c_change import hba1c_change
from outcomes.measures.hba1c_change_rows import CHANGE_MODEL, DIFFERENCE_MODEL
from outcomes.measures.patient_groups import AGE, patient_groups
from outcomes.measures.patient_lines import patient_lines
from outcomes.measures.precision import DETECTABLE, precision
from outcomes.measures.sensor_survival import sensor_survival
from outcomes.measures.who import HARM, HBA1C, LASTED, who
from outcomes.plan import Hba1c
from outcomes.results import Result
from outcomes.statistics.change import paired_change
from outcomes.statistics.power import detectable_difference
from tests.invented_clinic import PLAN, invented_study, invented_tables


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """24 of each kind; three of them of type 2."""
    tables = invented_tables()
    few = tables["patients"]["patient_id"].isin(["P001", "P002", "P030"])
    tables["patients"].loc[few, "diabetes_type"] = "type 2"
    return invented_study(tmp_path_factory.mktemp("clinic"), tables)


@pytest.fixture(scope="module")
def cohorts(study: Path) -> CohortSet:
    return build_cohorts(study, PLAN)


@pytest.fixture(scope="module")
def groups(cohorts: CohortSet) -> Result:
    return who(cohorts)


@pytest.fixture(scope="module")
def change(cohorts: CohortSet) -> Result:
    return hba1c_change(cohorts)


def rows(result: Result, covariate: str, outcome: str, cohort: str = "implanted") -> pd.DataFrame:
    return result.table.query(
        "covariate == @covariate and outcome == @outcome and cohort == @cohort"
    ).set_index("level")


def of_model(change: Result, quantity: str) -> pd.DataFrame:
    at_6 = change.table.query("month == 6 and unit == 'percentage points'")
    return at_6.loc[at_6["quantity"] == quantity]


def test_a_group_s_change_is_that_of_its_patients(cohorts: CohortSet, groups: Result) -> None:
    pairs = hba1c_change(cohorts).pairs.query("new and month == 6 and cohort == 'implanted'")
    women = cohorts.table("patients").query("sex == 'female'")["patient_id"]
    want = paired_change(
        pairs.loc[pairs["patient_id"].isin(women)], before="baseline_percent", after="percent"
    )
    got = rows(groups, "sex", HBA1C).loc["female"]
    assert (got["estimate"], got["conf_low"]) == pytest.approx((want.mean, want.conf_low))
    assert got["n_patients"] == want.n
    assert got["estimate_mmol_mol"] == pytest.approx(want.mean / 0.09148)


def test_the_groups_of_a_covariate_share_out_the_sensors(
    cohorts: CohortSet, groups: Result
) -> None:
    placed = (cohorts.table("sensors")["kind"] == "implanted").sum()  # up to the cut-off
    for outcome in (LASTED, HARM):
        assert rows(groups, "sex", outcome)["n_units"].sum() == placed


def test_events_of_the_groups_add_up_to_the_clinic_s(cohorts: CohortSet, groups: Result) -> None:
    (whole,) = [
        r["events"]
        for r in complications(cohorts).records()
        if (r["quantity"], r["population"]) == ("harm of wear, all events", "cumulative")
        and r["cohort"] == "implanted" and r["by"] == {"counted": "all reported"}
        and r["unit"] == "per 100 patient-years"
    ]  # fmt: skip
    assert rows(groups, "sex", HARM)["events"].sum() == whole


def test_small_cells_take_another_with_them(groups: Result) -> None:
    kinds = rows(groups, "diabetes type", HBA1C)
    assert kinds["note"].tolist() == ["small cell, not shown"] * 2  # 2 of type 2, and the rest
    assert kinds["estimate"].isna().all()
    assert kinds["n_patients"].isna().all()


def test_an_outside_audience_hides_cells_under_11(cohorts: CohortSet, groups: Result) -> None:
    outside = who(cohorts, audience="external").table
    for counts in (outside["n_patients"], outside["events"]):
        assert not counts.dropna().astype(int).between(1, 10).any()
    assert outside["estimate"].isna().sum() > groups.table["estimate"].isna().sum()
    with pytest.raises(UsageError, match="committee"):
        who(cohorts, audience="comittee")


def test_ages_are_at_the_first_index_date(cohorts: CohortSet, groups: Result) -> None:
    born = cohorts.table("patients").set_index("patient_id")["birth_year"].astype(int)
    first = cohorts.patients.groupby("patient_id")["index_date"].min().dt.year
    old = cohorts.patients.query("cohort == 'implanted'")["patient_id"].map(first - born) >= 65
    shown = rows(groups, AGE, HARM)
    assert shown.loc["65 or older", "n_patients"] == old.sum() or old.sum() < 5
    assert list(shown.index) == sorted(shown.index)


def test_declared_numbers_are_grouped_in_bands(study: Path) -> None:
    named = ("age_years", "sex", "baseline_hba1c")
    plan = replace(PLAN, cohorts=replace(PLAN.cohorts, covariates=named))
    cohorts = build_cohorts(study, plan)
    groups = patient_groups(cohorts)
    assert {AGE, "sex", "diabetes_type", "baseline HbA1c, %"} == set(groups)
    first = cohorts.patients.set_index("patient_id")["baseline_hba1c"].astype(float)
    band = groups["baseline HbA1c, %"].reindex(first.index)
    assert band[first >= 9].eq("9 or more").all()
    assert band[(first >= 7) & (first < 8)].eq("7 to below 8").all()
    levels = list(
        dict.fromkeys(who(cohorts).table.query("covariate.str.contains('HbA1c')")["level"])
    )
    assert levels[0] in ("below 7", "7 to below 8")
    assert levels[-1] == "9 or more"


def test_nothing_is_tested_and_it_says_so(groups: Result) -> None:
    assert "p_value" not in groups.table
    assert groups.finding.endswith("this describes and tests nothing.")
    assert {r["method"] for r in groups.records()} == {"description"}


def test_the_half_width_is_half_the_interval(cohorts: CohortSet, change: Result) -> None:
    result = precision(cohorts, change, sensor_survival(cohorts), complications(cohorts))
    got = result.table.loc[result.table["quantity"] == DIFFERENCE_MODEL].iloc[0]
    shown = of_model(change, DIFFERENCE_MODEL).iloc[0]
    assert got["half_width"] == pytest.approx((shown["conf_high"] - shown["conf_low"]) / 2)
    assert result.finding.startswith("These data could tell differences between the cohorts in ")
    assert set(result.table["outcome"]) == {"hba1c_change", "sensor_survival", "complications"}


def test_no_detectable_difference_without_the_plan_s_own_sd(
    cohorts: CohortSet, change: Result
) -> None:
    result = precision(cohorts, change)
    assert DETECTABLE not in set(result.table["quantity"])
    assert "one taken from these data would go round in a circle" in " ".join(result.footnotes)
    assert "power" not in result.finding


def test_the_plan_s_sd_gives_a_detectable_difference(study: Path) -> None:
    plan = replace(PLAN, hba1c=Hba1c(planned_sd=1.1, planned_correlation=0.6))
    cohorts = build_cohorts(study, plan)
    change = hba1c_change(cohorts)
    seen = of_model(change, CHANGE_MODEL).set_index("cohort")["n"]
    want = detectable_difference(
        int(seen["implanted"]), int(seen["adhesive"]), sd=1.1, baseline_correlation=0.6
    )
    got = precision(cohorts, change).table.query("quantity == @DETECTABLE").iloc[0]
    assert got["estimate"] == pytest.approx(want)
    assert "with 80 % power" in got["words"]


def test_lines_of_hba1c_are_the_draws_themselves(cohorts: CohortSet) -> None:
    lines = patient_lines(cohorts)
    draws = cohorts.draws.query("patient_id == 'P003' and percent == percent")
    mine = lines.table.query("patient_id == 'P003'").set_index("at")["value"]
    want = draws.set_index("month")["percent"].astype(float)
    assert mine.to_dict() == pytest.approx(want.to_dict())
    assert lines.private
    assert np.isfinite(lines.table["value"]).all()
    with pytest.raises(UsageError, match="time_in_range"):
        patient_lines(cohorts, "time in range")
