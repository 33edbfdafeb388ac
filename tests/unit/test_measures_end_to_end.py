"""The measures on a small invented study, and on studies where something is not there."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from outcomes.cohorts.baseline import baseline
from outcomes.cohorts.build import CohortSet, build_cohorts
from outcomes.errors import UsageError
from outcomes.measures.complications import complications
from outcomes.measures.hba1c_change import hba1c_change
from outcomes.measures.sensor_survival import sensor_survival
from outcomes.plan import Frame, Plan
from outcomes.results import Result
from tests.invented_clinic import PLAN, declared, invented_study, invented_tables

MEASURES = (hba1c_change, sensor_survival, complications)
Measure = Callable[[CohortSet], Result]


@pytest.fixture(scope="module")
def cohorts(tmp_path_factory: pytest.TempPathFactory) -> CohortSet:
    return build_cohorts(invented_study(tmp_path_factory.mktemp("clinic"), invented_tables()), PLAN)


@pytest.fixture(scope="module")
def results(cohorts: CohortSet) -> dict[str, Result]:
    """Return each measure's result on the invented clinic."""
    return {measure.__name__: measure(cohorts) for measure in MEASURES}


NAMES = [measure.__name__ for measure in MEASURES]


def cohorts_of(folder: Path, **changed: pd.DataFrame | None) -> CohortSet:
    """Return cohorts of the invented clinic with tables replaced, or left out by None."""
    tables = invented_tables(implanted=12, adhesive=12) | changed
    given = {name: table for name, table in tables.items() if table is not None}
    return build_cohorts(invented_study(folder, given), PLAN)


@pytest.mark.parametrize("name", NAMES)
def test_every_result_is_complete(results: dict[str, Result], name: str) -> None:
    result = results[name]
    assert result.finding
    assert result.footnotes
    assert result.settings
    assert result.finding in result.alt
    assert result.finding.endswith(".")
    assert result.finding.count(". ") <= 1
    assert "<table>" in result._repr_html_()
    assert result.plot() is not None


@pytest.mark.parametrize("name", NAMES)
def test_records_are_plain_and_finite_and_say_why_there_is_none(
    results: dict[str, Result], name: str
) -> None:
    records = results[name].records()
    json.dumps(records, allow_nan=False)
    for record in records:
        assert record["population"] in ("cumulative", "quarter")
        assert record["estimate"] is not None or record["note"]
        assert record["unit"]
        low, high, value = record["conf_low"], record["conf_high"], record["estimate"]
        if low is not None and high is not None:
            assert math.isfinite(value)
            assert low <= value <= high


def test_both_populations_and_both_cohorts_are_there(results: dict[str, Result]) -> None:
    for result in results.values():
        records = pd.DataFrame(result.records())
        assert set(records["population"]) == {"cumulative", "quarter"}
        assert {"implanted", "adhesive"} <= set(records["cohort"].dropna())


def test_the_finding_s_numbers_stand_in_the_table(results: dict[str, Result]) -> None:
    result = results["sensor_survival"]
    row = result.table.iloc[0]
    assert f"{row['estimate']:.1f} (95 % interval {row['conf_low']:.1f}" in result.finding


def test_sensors_can_be_shown_by_model(cohorts: CohortSet) -> None:
    result = sensor_survival(cohorts, by="model")
    assert {"all", "model 0", "model 1"} <= set(result.table["group"])
    assert {"model": "model 0"} in [record["by"] for record in result.records()]
    assert result.plot() is not None


def test_unknown_options_answer_with_the_valid_ones(cohorts: CohortSet) -> None:
    with pytest.raises(UsageError, match="model"):
        sensor_survival(cohorts, by="modl")
    with pytest.raises(UsageError, match="1,000 sensor-days"):
        complications(cohorts, per="year")
    with pytest.raises(UsageError, match="Known: 12, 3, 6"):
        hba1c_change(cohorts, month=5)


def test_a_cut_off_after_the_export_is_refused_with_both_days(cohorts: CohortSet) -> None:
    with pytest.raises(UsageError, match=r"2025-09-30.*2025-07-10"):
        build_cohorts(cohorts.study, PLAN, quarter="2025-Q3")
    with pytest.raises(UsageError, match=r"2023-12-31.*2024-01-01"):
        build_cohorts(cohorts.study, PLAN, quarter="2023-Q4")


def test_a_lag_gives_the_last_quarter_whose_cut_off_has_passed(cohorts: CohortSet) -> None:
    plan = Plan(plan=Frame(start=date(2024, 1, 1), lag_days=14))
    assert build_cohorts(cohorts.study, plan).cut_off == date(2025, 6, 16)


def test_cohorts_show_themselves(cohorts: CohortSet) -> None:
    assert "2025-Q2" in repr(cohorts)
    assert "patients in the study" in cohorts._repr_html_()
    assert "cut-off 2025-06-30" in repr(cohorts)


def test_without_an_adhesive_cohort_each_result_says_so(tmp_path: Path) -> None:
    tables = invented_tables(implanted=14, adhesive=0)
    cohorts = build_cohorts(invented_study(tmp_path, tables), PLAN)
    assert "no adhesive sensor was placed" in sensor_survival(cohorts).finding
    assert "no adhesive sensor was worn" in complications(cohorts).finding
    finding = hba1c_change(cohorts).finding
    assert "no change can be shown in the adhesive cohort (nobody due has both draws)" in finding
    assert "fewer than 10 in the smaller arm (" in finding
    assert "Nobody is new to adhesive sensors" in cohorts.baseline.finding


@pytest.mark.parametrize("measure", MEASURES)
def test_with_nobody_new_each_result_still_returns(tmp_path: Path, measure: Measure) -> None:
    patients = invented_tables(implanted=12, adhesive=12)["patients"]
    cohorts = cohorts_of(tmp_path, patients=patients.assign(covered_from=pd.NaT))
    assert not cohorts.patients["new"].any()
    result = measure(cohorts)
    assert result.finding
    json.dumps(result.records(), allow_nan=False)
    assert result._repr_html_()


def test_the_stratum_without_coverage_stands_apart(tmp_path: Path) -> None:
    patients = invented_tables(implanted=12, adhesive=12)["patients"]
    cohorts = cohorts_of(tmp_path, patients=patients.assign(covered_from=pd.NaT))
    result = hba1c_change(cohorts)
    apart = [r for r in result.records() if r["by"]]
    assert {r["by"]["stratum"] for r in apart} == {"coverage shorter or unknown"}
    assert "no change in HbA1c can be shown" in result.finding


def test_without_draws_the_result_says_so(tmp_path: Path) -> None:
    result = hba1c_change(cohorts_of(tmp_path, hba1c=None))
    assert "no change in HbA1c can be shown: nobody due has both draws" in result.finding
    assert any("no hba1c table" in note for note in result.footnotes)
    assert result.drawing is None


def test_no_complications_table_is_not_no_harm(tmp_path: Path) -> None:
    result = complications(cohorts_of(tmp_path, complications=None))
    assert "not the same as no harm" in result.finding
    wear = [r for r in result.records() if r["quantity"].startswith("harm")]
    assert wear
    assert all(r["estimate"] is None and r["note"] for r in wear)


def test_an_empty_complications_table_is_no_harm_with_a_bound(tmp_path: Path) -> None:
    result = complications(cohorts_of(tmp_path, complications=declared("complications", [])))
    assert "no harm of wearing implanted sensors was reported" in result.finding
    assert "one-sided 95 % upper bound" in result.finding
    wear = result.table.loc[result.table["quantity"] == "harm of wear, all events"].iloc[0]
    assert (wear["estimate"], wear["conf_low"]) == (0, 0)
    assert wear["method"] == "exact (Garwood)"
    bounds = [r for r in result.records() if r["quantity"].endswith("one-sided bound")]
    assert len(bounds) == 2
    assert all(f"being {r['conf_high']:.2f} per" in result.finding for r in bounds)
    assert not result.table["quantity"].str.contains("bound").any()


@pytest.mark.parametrize("measure", MEASURES)
def test_patients_and_sensors_alone_are_enough(tmp_path: Path, measure: Measure) -> None:
    absent = dict.fromkeys(("states", "contacts", "procedures", "hba1c", "complications"))
    result = measure(cohorts_of(tmp_path, **absent))
    json.dumps(result.records(), allow_nan=False)
    assert result.finding


@pytest.mark.parametrize("measure", MEASURES)
def test_a_study_without_sensors_still_returns(tmp_path: Path, measure: Measure) -> None:
    absent = dict.fromkeys(("procedures", "complications"))
    cohorts = cohorts_of(tmp_path, sensors=declared("sensors", []), **absent)
    result = measure(cohorts)
    json.dumps(result.records(), allow_nan=False)
    assert result._repr_html_()


def test_a_serious_related_complication_not_marked_as_reported_is_counted(
    cohorts: CohortSet,
) -> None:
    result = complications(cohorts)
    found = result.attributed
    unmarked = found["serious"] & found["related"] & ~found["reported"]
    unmarked &= found["belongs_to"] != "deficiency without harm"
    notes = " ".join(result.footnotes)
    assert f"Caution: not marked as reported: {unmarked.sum()} of" in notes


def test_a_small_cell_of_the_baseline_table_is_not_shown() -> None:
    members = pd.DataFrame(
        {
            "cohort": ["implanted"] * 30 + ["adhesive"] * 30, "new": True,
            "sex": ["male"] * 3 + ["female"] * 27 + ["male"] * 15 + ["female"] * 15,
        }
    )  # fmt: skip
    result = baseline(members, covariates=["sex"])
    shown = result.table.set_index("level")
    assert shown.loc["male", "implanted"] == "<5"
    assert shown.loc["female", "implanted"] == "not shown"
    assert shown["smd"].isna().all()
    assert shown.loc["male", "adhesive"] == "15 (50.0 %)"
    hidden = [r for r in result.records() if r["cohort"] == "implanted"]
    assert all(r["estimate"] is None and r["note"] for r in hidden)


def test_an_unknown_covariate_answers_with_the_known_ones(cohorts: CohortSet) -> None:
    rules = dataclasses.replace(PLAN.cohorts, covariates=("ages",))
    with pytest.raises(UsageError, match="age_years"):
        build_cohorts(cohorts.study, dataclasses.replace(PLAN, cohorts=rules))


def test_a_patient_in_both_cohorts_has_two_index_dates(tmp_path: Path) -> None:
    tables = invented_tables(implanted=12, adhesive=12)
    extra = tables["sensors"].loc[tables["sensors"]["patient_id"] == "P000"].head(1)
    extra = extra.assign(sensor_id="extra", kind="adhesive", placed_on=pd.Timestamp("2025-01-10"),
                         removed_on=pd.Timestamp("2025-01-20"), planned_days=10)  # fmt: skip
    sensors = pd.concat([tables["sensors"], extra.astype(tables["sensors"].dtypes)])
    found = cohorts_of(tmp_path, sensors=sensors.reset_index(drop=True)).patients
    both = found.loc[found["in_both"]]
    assert both["patient_id"].tolist() == ["P000", "P000"]
    assert both["index_date"].nunique() == 2
