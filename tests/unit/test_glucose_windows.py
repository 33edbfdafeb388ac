"""Months, the quarter and single days as windows."""

from datetime import date

import pandas as pd

from outcomes.glucose import days, months, quarter
from outcomes.glucose.windows import WINDOWS
from outcomes.plan import Frame, Plan, Quarter

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


def test_nobody_gives_no_windows() -> None:
    nobody = patients()
    for made in (months(nobody, PLAN, date(2024, 3, 15)), days(nobody, Quarter(2024, 1).span())):
        assert spans(made) == []
