"""Sensor survival where there is nothing, or too little, to estimate: sentences, no NaN."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

from outcomes.cohorts.build import CohortSet, build_cohorts
from outcomes.measures.sensor_states import sensor_states
from outcomes.measures.sensor_survival import sensor_survival
from outcomes.results import Result
from tests.invented_clinic import PLAN, declared, invented_study

LAST = pd.Timestamp("2025-06-30")  # the cut-off of the study's last quarter
START = pd.Timestamp("2024-01-10")


def clinic(folder: Path, sensors: list[dict[str, object]]) -> CohortSet:
    """A clinic of just these implanted sensors, planned for 180 days."""
    who = sorted({str(sensor["patient_id"]) for sensor in sensors}) or ["A"]
    patients = [
        {"patient_id": one, "birth_year": 1970, "sex": "female", "diabetes_type": "type 1",
         "sensor_use_before": "none", "covered_from": "2023-01-01"}
        for one in who
    ]  # fmt: skip
    rows: list[dict[str, object]] = [
        {"sensor_id": f"S{i}", "kind": "implanted", "planned_days": 180, "placed_on": START} | given
        for i, given in enumerate(sensors)
    ]
    tables = {"patients": declared("patients", patients), "sensors": declared("sensors", rows)}
    return build_cohorts(invented_study(folder, tables), PLAN)


def lost(who: str, day: int, reason: str | None = "sensor failure") -> dict[str, object]:
    return {"patient_id": who, "removed_on": START + pd.Timedelta(days=day), "end_reason": reason}


def in_place(who: str, day: int) -> dict[str, object]:
    return {"patient_id": who, "placed_on": LAST - pd.Timedelta(days=day)}


def planned(who: str) -> dict[str, object]:
    return lost(who, 180, "planned")


CASES: dict[str, tuple[list[dict[str, object]], str]] = {
    "no sensors": ([], "no implanted sensor was placed since 2024-01-01"),
    "one sensor": ([lost("A", 50)], "not estimable: one sensor"),
    "one patient with all sensors": (
        [lost("A", 50), planned("A"), in_place("A", 90)],
        "not estimable: one patient wore all 3 sensors",
    ),
    "all censored": (
        [in_place(who, 20 + i) for i, who in enumerate("ABCD")],
        "not estimable: none of 4 sensors ended before its planned day (0 were watched to it)",
    ),
    "no loss": (
        [planned(who) for who in "ABCD"],
        "not estimable: none of 4 sensors ended before its planned day (4 were watched to it)",
    ),
    "all lost on day 0": (
        [lost(who, 0) for who in "ABCD"],
        "not estimable: all 4 sensors ended before their planned day, all on day 0",
    ),
    "everyone lost early": (
        [lost(who, 30 + i) for i, who in enumerate("ABCD")],
        "not estimable: all 4 sensors ended before their planned day, the last on day 33",
    ),
    "everything unknown": (
        [lost(who, 50 + i, "unknown") for i, who in enumerate("ABCD")],
        "not estimable: all 4 sensors ended before their planned day, the last on day 53",
    ),
}  # fmt: skip


def without_numbers_that_are_none(result: Result) -> None:
    json.dumps(result.records(), allow_nan=False)
    for record in result.records():
        assert record["estimate"] is not None or record["note"]
    assert "nan" not in repr(result).lower()
    result.plot()


@pytest.mark.parametrize("case", list(CASES))
def test_an_edge_case_gives_a_sentence(tmp_path: Path, case: str) -> None:
    sensors, words = CASES[case]
    cohorts = clinic(tmp_path, sensors)
    result = sensor_survival(cohorts)
    assert words.lower() in result.finding.lower()
    without_numbers_that_are_none(result)
    without_numbers_that_are_none(sensor_survival(cohorts, by="site"))
    without_numbers_that_are_none(sensor_states(cohorts))


def test_thousands_that_share_the_planned_day_do_not_disturb_each_other(tmp_path: Path) -> None:
    """150 of 3,000 lost: their share is 5 of 100, whatever shares the planned day with whom."""
    sensors = [planned(f"P{i:04d}") for i in range(2850)]
    sensors += [lost(f"L{i:04d}", 178) for i in range(150)]
    result = sensor_survival(clinic(tmp_path, sensors))
    table = result.table.loc[result.table["quantity"] == "lost before the planned day"]
    assert table["estimate"].dropna().iloc[0] == pytest.approx(5.0, rel=1e-12)
    without_numbers_that_are_none(result)


def test_all_losses_on_one_day_are_pointed_out(tmp_path: Path) -> None:
    sensors = [lost(who, 60) for who in "ABCD"] + [planned(who) for who in "EFGH"]
    notes = " ".join(sensor_survival(clinic(tmp_path, sensors)).footnotes)
    assert "All 4 losses of implanted sensors fall on one calendar day" in notes
    assert "All 4 losses of implanted sensors fall on one day of their lives" in notes


def test_sensors_in_place_when_the_quarter_begins_enter_late(tmp_path: Path) -> None:
    """Placed long before the quarter and lost in it: at risk in it only from their age then."""
    sensors = [in_place(who, 150) for who in "ABCDEF"]
    sensors += [
        {"patient_id": who, "placed_on": LAST - pd.Timedelta(days=170),
         "removed_on": LAST - pd.Timedelta(days=5), "end_reason": "sensor failure"}
        for who in "GH"
    ]  # fmt: skip
    result = sensor_survival(clinic(tmp_path, sensors))
    quarter = result.table.loc[result.table["population"] == "quarter"]
    rate = quarter.loc[quarter["quantity"] == "losses per patient-year of wear"].iloc[0]
    assert rate["events"] == 2
    # 91 days of quarter for six, 86 for the two that were lost.
    assert rate["exposure"] == pytest.approx((6 * 91 + 2 * 86) / 365.25, rel=1e-12)
    assert "8 were in place before it and enter late" in " ".join(result.footnotes)


def test_the_states_add_to_100_at_every_time_and_end_at_the_headline(tmp_path: Path) -> None:
    sensors = [planned(f"P{i:02d}") for i in range(30)]
    sensors += [lost(f"L{i:02d}", 10 * i) for i in range(12)]
    sensors += [lost(f"C{i:02d}", 15 * i + 3, "patient choice") for i in range(8)]
    sensors += [lost("U01", 77, "unknown"), lost("D01", 99, "death")]
    cohorts = clinic(tmp_path, sensors)
    table = sensor_states(cohorts).table
    sums = table.groupby(["kind", "share_of_planned"])["estimate"].sum()
    assert (abs(sums - 100) < 1e-9).all()
    assert len(sums) == 101
    eve = table.loc[table["share_of_planned"] == 1].set_index("state")["estimate"]
    whole = sensor_survival(cohorts).table
    mine = whole.loc[(whole["population"] == "cumulative") & (whole["reason"] == "")]
    head = mine.loc[mine["kind"] == "implanted"].drop_duplicates("quantity").set_index("quantity")
    assert eve["reached planned removal"] == pytest.approx(
        head.loc["reached planned removal", "estimate"], rel=1e-12
    )
    assert sensor_states(cohorts).plot() is not None
