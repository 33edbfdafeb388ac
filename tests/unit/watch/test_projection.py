"""What is to come from sensors in place: who counts, when, and the sentence where nobody does."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.cohorts.build import CohortSet, build_cohorts
from outcomes.plan import Frame, Plan, SensorSurvival
from outcomes.results import Result
from outcomes.watch.projection import AGAIN, DUE, LOST, _delays, _lateness, in_place, projection
from tests.invented_clinic import PLAN, invented_study, invented_tables

QUICK = Plan(
    plan=Frame(start=PLAN.plan.start), sensor_survival=SensorSurvival(projection_draws=200)
)


@pytest.fixture(scope="module")
def cohorts(tmp_path_factory: pytest.TempPathFactory) -> CohortSet:
    tables = invented_tables(implanted=60, adhesive=0)
    study = invented_study(tmp_path_factory.mktemp("clinic"), tables)
    return build_cohorts(study, QUICK, quarter="2024-Q4")


@pytest.fixture(scope="module")
def result(cohorts: CohortSet) -> Result:
    return projection(cohorts)


def part(result: Result, over: str, quantity: str) -> pd.DataFrame:
    table = result.table
    return table.loc[(table["over"] == over) & (table["quantity"] == quantity)]


def test_eight_weeks_and_two_quarters_follow_each_other(result: Result) -> None:
    for over, number in (("week", 8), ("quarter", 2)):
        rows = part(result, over, DUE)
        assert rows["number"].tolist() == list(range(1, number + 1))
        first = pd.to_datetime(rows["first_on"]).tolist()[1:]
        assert first == [day + pd.Timedelta(days=1) for day in pd.to_datetime(rows["last_on"])][:-1]
        assert rows["first_on"].iloc[0] == "2025-01-01"


def test_only_sensors_in_place_of_followed_patients_count(cohorts: CohortSet) -> None:
    place = in_place(cohorts)
    sensors = cohorts.table("sensors").set_index("sensor_id").loc[place["sensor_id"]]
    assert sensors["removed_on"].isna().all()
    assert (place["age"] >= 0).all()
    lost = cohorts.follow_up.loc[cohorts.follow_up["follow_up_end"] != "cut-off", "patient_id"]
    assert not place["patient_id"].isin(lost).any()


def test_planned_days_are_met_within_the_grace(result: Result, cohorts: CohortSet) -> None:
    """Here every planned removal falls on its day, so no more are due than planned days fall in."""
    left = in_place(cohorts)["planned_left"]
    for row in part(result, "week", DUE).itertuples():
        fall = int(left.between(7 * row.number - 6, 7 * row.number).sum())
        assert row.conf_high <= fall
        assert 0.6 * fall <= row.estimate <= fall


def test_limits_hold_the_mean_and_losses_come_on_top(result: Result) -> None:
    table = result.table
    assert (table["conf_low"] <= table["estimate"]).all()
    assert (table["estimate"] <= table["conf_high"]).all()
    assert part(result, "quarter", LOST)["estimate"].iloc[0] > 0
    assert part(result, "quarter", AGAIN)["estimate"].iloc[0] > 0
    json.dumps(result.records(), allow_nan=False)
    assert result.plot() is not None


def test_the_same_cohorts_give_the_same_numbers(result: Result, cohorts: CohortSet) -> None:
    pd.testing.assert_frame_equal(result.table, projection(cohorts).table)


def test_who_is_past_the_planned_day_comes_out_later_still_or_is_not_projected() -> None:
    rng, seen = np.random.default_rng(1), np.array([0.0, 3.0, 12.0])
    left = np.array([10.0, -5.0, -40.0])
    for _ in range(20):
        late = _lateness(left, seen, rng)
        assert late[0] in seen
        assert late[1] == 12.0
        assert np.isinf(late[2])


def test_without_sensors_in_place_there_is_a_sentence(tmp_path: Path) -> None:
    tables = {"patients": invented_tables(implanted=2, adhesive=0)["patients"]}
    tables["sensors"] = invented_tables(implanted=2, adhesive=0)["sensors"].iloc[:0]
    result = projection(build_cohorts(invented_study(tmp_path, tables), PLAN))
    assert result.finding == "Not estimable: no implanted sensor is in place."
    assert all(record["estimate"] is None and record["note"] for record in result.records())
    assert result.plot() is None


def test_what_follows_a_loss_is_counted_from_the_loss(tmp_path: Path) -> None:
    """Every next sensor is placed at the removal; one that ended early, five days later."""
    tables = invented_tables(implanted=60, adhesive=0)
    sensors = tables["sensors"]
    lasted = (sensors["removed_on"] - sensors["placed_on"]).dt.days
    ended = (sensors["end_reason"] != "planned") & (lasted > 5)
    stopped = sensors["removed_on"] - pd.Timedelta(days=5)
    sensors["stopped_on"] = stopped.where(ended).astype("datetime64[ns]")
    planned, early = _delays(
        build_cohorts(invented_study(tmp_path, tables), QUICK, quarter="2025-Q1")
    )
    assert set(early[~np.isnan(early)]) == {5.0}
    assert (early == 5).sum() >= 10
    assert set(planned[~np.isnan(planned)]) == {0.0}
