"""A figure that moved is told apart: software, corrected data, new data, plan."""

import json

import pandas as pd
import pytest

import outcomes as oc
from outcomes.errors import UsageError
from outcomes.plan import plan_text, read_plan
from outcomes.report.changes import HEADLINES, MEASURES, STEPS, changes, headlines


@pytest.fixture(scope="module")
def plan(demo):
    return read_plan(demo / "clinic" / "plan.toml")


def cohorts_of(demo, plan, quarter):
    return oc.build_cohorts(oc.open_study(demo / "study"), plan, quarter=quarter)


@pytest.fixture(scope="module")
def earlier(demo, plan, tmp_path_factory):
    """Folder of the report of the quarter before, as far as it is read."""
    folder = tmp_path_factory.mktemp("earlier")
    cohorts = cohorts_of(demo, plan, "2026-Q2")
    records = [record for measure in MEASURES for record in measure(cohorts).records()]
    made = {"study": cohorts.study.version, "quarter": "2026-Q2"}
    (folder / "results.json").write_text(json.dumps({"made": made, "results": records}))
    (folder / "plan.toml").write_text(plan_text(plan), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def told(demo, plan, earlier):
    return changes(cohorts_of(demo, plan, "2026-Q3"), previous=earlier)


def test_every_followed_figure_is_one_that_the_measures_give(told):
    followed = set(zip(told.table["outcome"], told.table["quantity"], strict=True))
    assert followed == {(outcome, quantity) for outcome, quantity, _, _ in HEADLINES}


def test_the_steps_add_up_to_the_change(told):
    steps = told.table[list(STEPS)].fillna(0).sum(axis=1)
    pd.testing.assert_series_equal(
        steps, told.table["now"] - told.table["before"], check_names=False
    )


def test_the_same_study_and_plan_move_by_new_data_only(told):
    assert (told.table[["software", "data corrected", "plan"]] == 0).all(axis=None)
    assert (told.table["new data"] != 0).any()


def test_another_plan_is_told_apart_from_new_data(demo, plan, earlier, told, tmp_path):
    text = plan_text(plan).replace("period_counting_days = 14", "period_counting_days = 26")
    (tmp_path / "plan.toml").write_text(text, encoding="utf-8")
    cohorts = cohorts_of(demo, read_plan(tmp_path / "plan.toml"), "2026-Q3")
    moved = changes(cohorts, previous=earlier).table
    assert (moved["plan"] != 0).any()
    pd.testing.assert_series_equal(moved["new data"], told.table["new data"])


def test_an_earlier_study_version_that_is_gone_is_told(demo, plan, earlier, tmp_path):
    stored = json.loads((earlier / "results.json").read_text())
    stored["made"]["study"] = "0" * 12
    (tmp_path / "results.json").write_text(json.dumps(stored))
    (tmp_path / "plan.toml").write_text((earlier / "plan.toml").read_text("utf-8"), "utf-8")
    result = changes(cohorts_of(demo, plan, "2026-Q3"), previous=tmp_path)
    assert result.table["software"].isna().all()
    assert "no longer in the study folder" in " ".join(result.footnotes)


def test_without_an_earlier_report_the_result_says_so(demo, plan):
    result = changes(cohorts_of(demo, plan, "2026-Q3"), previous="")
    assert "No earlier report" in result.finding


def test_a_folder_without_a_report_is_refused(demo, plan, tmp_path):
    with pytest.raises(UsageError, match=r"results\.json"):
        changes(cohorts_of(demo, plan, "2026-Q3"), previous=tmp_path)


def test_records_without_an_estimate_are_not_followed():
    record = {
        "outcome": "time_in_range", "quantity": "share 70-180", "unit": "% of time", "by": {},
        "at": "period 7", "population": "cumulative", "cohort": "implanted", "estimate": None,
    }  # fmt: skip
    assert headlines([record]) == {}
    assert len(headlines([{**record, "estimate": 1.0}])) == 1
