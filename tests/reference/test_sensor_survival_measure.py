"""The measure's whole path against published competing-risk data.

`mgus2` (R package survival; Kyle RA et al. N Engl J Med 2002;346:564-569): 1,384 people followed in
months to progression (1), death (2) or censoring (0). Here a month is a day, a person a sensor,
progression a sensor failure and the planned day 121, so that the eve is day 120. The values are R's
(survival 3.5-3), as named in each row of `data/survival.csv`.
"""

from __future__ import annotations

from datetime import date

import pandas as pd
import pytest

from outcomes.cohorts.build import build_cohorts
from outcomes.measures.sensor_survival import SensorSurvivalResult, sensor_survival
from outcomes.plan import Frame, Plan
from outcomes.tables.study import write_study
from tests.invented_clinic import declared
from tests.reference.survival_rows import data, expect

CUT_OFF = pd.Timestamp("2024-12-31")


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> SensorSurvivalResult:
    people = data("mgus2")
    who = people["id"].astype(str)
    reason = people["event"].map({0: None, 1: "sensor failure", 2: "death"})
    # Everybody ends on the cut-off day, or is censored by it.
    placed = CUT_OFF - pd.to_timedelta(people["etime"], "D")
    sensors = [
        {
            "sensor_id": f"S{name}", "patient_id": name, "kind": "implanted", "placed_on": day,
            "planned_days": 121, "stopped_on": CUT_OFF if why else None, "end_reason": why,
        }
        for name, day, why in zip(who, placed, reason, strict=True)
    ]  # fmt: skip
    patients = [
        {"patient_id": name, "birth_year": 1950, "sex": "unknown", "diabetes_type": "unknown",
         "sensor_use_before": "unknown"}
        for name in who
    ]  # fmt: skip
    tables = {"patients": declared("patients", patients), "sensors": declared("sensors", sensors)}
    study = write_study(
        tmp_path_factory.mktemp("mgus2"), tables, clinic="Published data", time_zone="UTC",
        exported_on=date(2025, 1, 5),
    )  # fmt: skip
    cohorts = build_cohorts(study, Plan(plan=Frame(start=date(1980, 1, 1))))
    return sensor_survival(cohorts)


def row_of(result: SensorSurvivalResult, quantity: str) -> pd.Series:
    table = result.table
    mine = (table["population"] == "cumulative") & (table["quantity"] == quantity)
    return table.loc[mine & (table["kind"] == "implanted")].iloc[0]


def test_the_share_lost_is_the_cumulative_incidence_of_progression(
    result: SensorSurvivalResult,
) -> None:
    lost = row_of(result, "lost before the planned day")
    expect("CIFA-01", lost["estimate"] / 100)
    expect("CIFA-06", lost["conf_low"] / 100)
    expect("CIFA-07", lost["conf_high"] / 100)
    assert lost["n_units"] == lost["n_patients"] == 1384


def test_the_share_that_died_is_the_cumulative_incidence_of_death(
    result: SensorSurvivalResult,
) -> None:
    expect("CIFA-02", row_of(result, "patient died")["estimate"] / 100)


def test_the_finding_carries_the_printed_estimate(result: SensorSurvivalResult) -> None:
    assert "6.4 (95 % interval 5.1 to 7.8) were lost" in result.finding
