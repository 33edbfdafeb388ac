"""Months, the quarter and single days as windows."""

from datetime import date

import pandas as pd

from outcomes.glucose import days, months, periods, quarter, sensors, summary, together
from outcomes.glucose.windows import WINDOWS
from outcomes.plan import Frame, Plan, Quarter
from outcomes.tables.declared import SENSORS
from tests import small_clinic

PLAN = Plan(plan=Frame(start=date(2024, 1, 1)))


def patients(*index_dates: str) -> pd.DataFrame:
    n = len(index_dates)
    return pd.DataFrame(
        {
            "patient_id": [f"P{i}" for i in range(n)],
            "cohort": ["implanted"] * n,
            "index_date": pd.to_datetime(list(index_dates)),
        }
    )


def spans(windows: pd.DataFrame) -> list[str]:
    WINDOWS.check(windows)
    return [f"{row.first_on:%m-%d}..{row.last_on:%m-%d}" for row in windows.itertuples()]


def test_months_begin_on_the_index_date_and_close_by_the_cut_off() -> None:
    made = months(patients("2024-01-20"), PLAN, date(2024, 3, 15))
    assert spans(made) == ["01-20..01-31", "02-01..02-29", "03-01..03-31"]
    assert made["closed"].tolist() == [True, True, False]
    assert made["month"].tolist() == ["2024-01", "2024-02", "2024-03"]


def test_the_quarter_begins_on_the_index_date_and_leaves_out_who_came_later() -> None:
    given = patients("2023-12-01", "2024-02-10", "2024-04-01")
    made = quarter(given, PLAN, Quarter(2024, 1).span())
    assert spans(made) == ["01-01..03-31", "02-10..03-31"]
    assert made["closed"].all()


def test_with_a_lag_the_quarter_runs_from_the_day_after_the_cut_off_before() -> None:
    made = quarter(patients("2023-01-01"), PLAN, Quarter(2024, 1).span(lag_days=14))
    assert spans(made) == ["12-18..03-17"]


def test_single_days_are_windows_of_one_day() -> None:
    made = days(patients("2024-01-01", "2024-01-01"), Quarter(2024, 1).span())
    assert len(made) == 2 * 91
    assert (made["first_on"] == made["last_on"]).all()
    assert set(made["needed_days"]) == {1}


def worn(**columns: object) -> pd.DataFrame:
    frame = SENSORS.empty().reindex(range(1))
    frame["sensor_id"], frame["patient_id"], frame["kind"] = "S1", "P000", "implanted"
    frame["planned_days"] = pd.array([180], dtype="Int64")
    return frame.assign(**{name: pd.to_datetime([day]) for name, day in columns.items()})


def test_a_sensors_window_ends_with_the_day_it_stopped_and_its_span_the_day_before() -> None:
    given = worn(placed_on="2024-03-01", placed_at="2024-03-01 09:00", stopped_on="2024-03-20")
    made = sensors(given, PLAN, date(2024, 6, 30), zone="UTC")
    assert spans(made) == ["03-01..03-20"]
    assert made["closed"].tolist() == [True]
    assert made["span_from"].tolist() == [pd.Timestamp("2024-03-02 09:00")]  # after 24 hours
    assert made["span_to"].tolist() == [pd.Timestamp("2024-03-20")]


def test_a_sensor_without_an_end_is_followed_to_its_planned_day_or_the_cut_off() -> None:
    given = worn(placed_on="2024-03-01")
    for cut_off, until in ((date(2024, 6, 30), "2024-07-01"), (date(2025, 6, 30), "2024-08-28")):
        made = sensors(given, PLAN, cut_off, zone="UTC")
        assert made["span_to"].tolist() == [pd.Timestamp(until)]
        assert made["closed"].tolist() == [False]


def test_only_the_part_of_a_life_within_the_quarter_is_taken() -> None:
    given = pd.concat([worn(placed_on="2024-03-01"), worn(placed_on="2023-01-01",
                       stopped_on="2023-06-01").assign(sensor_id="S2")])  # fmt: skip
    made = sensors(given, PLAN, date(2024, 6, 30), zone="UTC", during=Quarter(2024, 2).span())
    assert spans(made) == ["04-01..06-30"]
    assert made["sensor_id"].tolist() == ["S1"]


def test_several_kinds_of_windows_in_one_pass_give_the_numbers_of_each_alone(tmp_path) -> None:
    study = small_clinic.study(tmp_path / "study", 2, days=90)
    given = patients("2024-01-08", "2024-01-09").assign(patient_id=["P000", "P001"])
    given["cohort"] = ["implanted", "adhesive"]
    until = date(2024, 6, 30)
    kinds = {
        "period": periods(given, PLAN, until), "month": months(given, PLAN, until),
        "quarter": quarter(given, PLAN, Quarter(2024, 1).span()),
        "day": days(given, Quarter(2024, 1).span()),
        "sensor": sensors(study.table("sensors"), PLAN, until, zone="UTC"),
    }  # fmt: skip
    rules = PLAN.time_in_range
    whole = summary(study, together(**kinds), settings=rules).table
    for name, windows in kinds.items():
        alone = summary(study, windows, settings=rules).table
        mine = whole.loc[whole["of"] == name].reset_index(drop=True)
        for column in ("readings", "share_from_70_to_180", "low_1_episodes", "counting_days"):
            pd.testing.assert_series_equal(mine[column], alone[column])


def test_nobody_gives_no_windows() -> None:
    nobody = patients()
    for made in (months(nobody, PLAN, date(2024, 3, 15)), days(nobody, Quarter(2024, 1).span())):
        assert spans(made) == []
