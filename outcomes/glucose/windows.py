"""Windows of whole local days: 28-day periods, calendar months, the quarter, single days.

Every function returns one row per window: `window_id`, `patient_id`, `kind` (which goes first where
sensors overlap), `first_on` and `last_on` (both included), `closed` (over by the cut-off) and
`needed_days` (counting days that it needs), followed by what names the window.
"""

from __future__ import annotations

from datetime import date
from typing import Final

import numpy as np
import pandas as pd

from outcomes.plan import Plan, Span
from outcomes.schema import Column, Schema
from outcomes.tables.declared import KINDS

WINDOWS: Final = Schema(
    name="windows",
    grain="one row per patient and window",
    key=("window_id",),
    extra=True,
    columns=(
        Column(name="window_id", kind="integer", meaning="number of the window"),
        Column(name="patient_id", kind="id", meaning="whose readings"),
        Column(
            name="kind", kind="category", categories=KINDS,
            meaning="the kind of sensor that goes first where two overlap",
        ),
        Column(name="first_on", kind="date", meaning="first local day"),
        Column(name="last_on", kind="date", meaning="last local day"),
        Column(name="closed", kind="flag", meaning="whether it was over by the cut-off"),
        Column(
            name="needed_days", kind="integer", low=1, unit="days",
            meaning="counting days that it needs to count",
        ),
    ),
)  # fmt: skip


def periods(patients: pd.DataFrame, plan: Plan, cut_off: date) -> pd.DataFrame:
    """Return the periods of each patient and cohort, counted from the index date.

    Period k covers local days (k - 1) x 28 to k x 28 - 1 from the index date, so period 1 begins
    on it; period 0 is the 28 days before. A period is closed when its last day is at or before
    the cut-off; one that has not begun by then is left out.

    Parameters
    ----------
    patients : DataFrame, one row per patient and cohort
        `patient_id`, `cohort` (a kind of sensor), `index_date`.
    plan : Plan
    cut_off : date

    Returns
    -------
    DataFrame
        Windows, with `cohort` and `period`.

    Examples
    --------
    >>> from outcomes.plan import Frame
    >>> one = pd.DataFrame({"patient_id": ["P1"], "cohort": ["implanted"],
    ...                     "index_date": pd.to_datetime(["2024-03-01"])})
    >>> plan = Plan(plan=Frame(start=date(2024, 1, 1)))
    >>> periods(one, plan, date(2024, 4, 24))[["period", "first_on", "last_on", "closed"]]
       period   first_on    last_on  closed
    0       0 2024-02-02 2024-02-29    True
    1       1 2024-03-01 2024-03-28    True
    2       2 2024-03-29 2024-04-25   False
    """
    settings = plan.time_in_range
    numbers = np.arange(settings.last_period + 1)
    repeated = patients.loc[patients.index.repeat(len(numbers))]
    period = np.tile(numbers, len(patients))
    first_on = repeated["index_date"] + pd.to_timedelta((period - 1) * settings.period_days, "D")
    windows = pd.DataFrame(
        {
            "patient_id": repeated["patient_id"],
            "kind": repeated["cohort"],
            "first_on": first_on,
            "last_on": first_on + pd.Timedelta(days=settings.period_days - 1),
            "cohort": repeated["cohort"],
            "period": period,
        }
    )
    return _finished(windows, cut_off, settings.period_counting_days)


def months(patients: pd.DataFrame, plan: Plan, cut_off: date) -> pd.DataFrame:
    """Return the calendar months of each patient and cohort from the index date to the cut-off.

    The first month begins on the index date. Extra columns: `cohort` and `month` ("2024-03").
    """
    rows = []
    for patient in patients.itertuples():
        for month in pd.period_range(patient.index_date, pd.Timestamp(cut_off), freq="M"):
            rows.append(
                {
                    "patient_id": patient.patient_id,
                    "kind": patient.cohort,
                    "first_on": max(month.start_time, patient.index_date),
                    "last_on": month.end_time.normalize(),
                    "cohort": patient.cohort,
                    "month": str(month),
                }
            )
    columns = ["patient_id", "kind", "first_on", "last_on", "cohort", "month"]
    return _finished(
        pd.DataFrame(rows, columns=columns), cut_off, plan.time_in_range.period_counting_days
    )


def quarter(patients: pd.DataFrame, plan: Plan, span: Span) -> pd.DataFrame:
    """Return the days of *this quarter* of each patient and cohort, from the index date on.

    One window each; patients whose index date is later have none. `needed_days` is what the time
    in range needs; lows and CV over a quarter need `quarter_counting_days`.
    """
    first, last = pd.Timestamp(span.first_on), pd.Timestamp(span.last_on)
    windows = pd.DataFrame(
        {
            "patient_id": patients["patient_id"],
            "kind": patients["cohort"],
            "first_on": patients["index_date"].clip(lower=first),
            "last_on": last,
            "cohort": patients["cohort"],
        }
    )
    return _finished(windows, span.last_on, plan.time_in_range.period_counting_days)


def days(patients: pd.DataFrame, span: Span) -> pd.DataFrame:
    """Return every single local day of the span for each patient and cohort."""
    every = pd.date_range(span.first_on, span.last_on, freq="D")
    repeated = patients.loc[patients.index.repeat(len(every))]
    on = np.tile(every.to_numpy(), len(patients))
    windows = pd.DataFrame(
        {
            "patient_id": repeated["patient_id"],
            "kind": repeated["cohort"],
            "first_on": on,
            "last_on": on,
            "cohort": repeated["cohort"],
        }
    )
    return _finished(windows, span.last_on, 1)


def _finished(windows: pd.DataFrame, cut_off: date, needed_days: int) -> pd.DataFrame:
    """Drop what has not begun, say what is closed, and number the windows."""
    begun = (windows["first_on"] <= pd.Timestamp(cut_off)).to_numpy(dtype=bool)
    windows = windows.loc[begun].reset_index(drop=True)
    for column in ("first_on", "last_on"):
        windows[column] = windows[column].astype("datetime64[ns]")
    windows.insert(0, "window_id", pd.array(np.arange(len(windows)), dtype="Int64"))
    closed = (windows["last_on"] <= pd.Timestamp(cut_off)).to_numpy(dtype=bool)
    windows.insert(5, "closed", pd.array(closed, dtype="boolean"))
    windows.insert(6, "needed_days", pd.array([needed_days] * len(windows), dtype="Int64"))
    return windows
