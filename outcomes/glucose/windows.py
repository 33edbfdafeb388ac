"""Windows of whole local days: periods, calendar months, the quarter, sensors, single days.

Every function returns one row per window: `window_id`, `patient_id`, `kind` (which goes first where
sensors overlap), `first_on` and `last_on` (both included), `closed` (over by the cut-off) and
`needed_days` (counting days that it needs), followed by what names the window. `together` puts
several kinds of windows into one frame, so that one pass makes them all.
"""

from __future__ import annotations

from datetime import date
from typing import Final

import numpy as np
import pandas as pd

from outcomes.glucose.local_days import Midnights, day_numbers
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
    index_month = patients["index_date"].to_numpy().astype("datetime64[M]")
    number = np.maximum(0, (np.datetime64(cut_off, "M") - index_month).astype(np.int64) + 1)
    repeated = patients.loc[patients.index.repeat(number)]
    nth = np.arange(len(repeated)) - np.repeat(np.cumsum(number) - number, number)
    month = np.repeat(index_month, number) + nth.astype("timedelta64[M]")
    begins = pd.Series(month.astype("datetime64[ns]"), index=repeated.index)
    windows = pd.DataFrame(
        {
            "patient_id": repeated["patient_id"],
            "kind": repeated["cohort"],
            "first_on": np.maximum(begins, repeated["index_date"]),
            "last_on": begins + pd.offsets.MonthEnd(0),
            "cohort": repeated["cohort"],
            "month": np.datetime_as_string(month, unit="M").astype(object),
        }
    )
    return _finished(windows, cut_off, plan.time_in_range.period_counting_days)


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


def sensors(
    worn: pd.DataFrame, plan: Plan, cut_off: date, *, zone: str, during: Span | None = None
) -> pd.DataFrame:
    """Return the life of each sensor, from its placement until it stopped or the cut-off.

    Parameters
    ----------
    worn : DataFrame, one row per sensor
        As the declared table `sensors`.
    zone : str
        Of the local days.
    during : Span, optional
        Only the part of each life on these days; sensors not worn on them are left out.

    Returns
    -------
    DataFrame
        Windows, with `sensor_id` and its span: `span_from`, `span_to` (instants). The span begins
        where it was placed (where the time of day is not known: with the next day), for an
        implanted sensor after its first hours, and ends where the day begins on which it stopped;
        without an end, with the planned day or the cut-off. A sensor that had not ended by the
        cut-off is not closed.
    """
    worn = worn.loc[worn["placed_on"].notna()]
    ended = worn["stopped_on"].fillna(worn["removed_on"])
    ended = ended.where(ended <= pd.Timestamp(cut_off))
    after = pd.Timestamp(cut_off) + pd.Timedelta(days=1)
    planned = worn["placed_on"] + pd.to_timedelta(worn["planned_days"].astype("float64"), "D")
    windows = pd.DataFrame(
        {
            "patient_id": worn["patient_id"],
            "kind": worn["kind"],
            "first_on": worn["placed_on"],
            "last_on": ended.fillna(pd.Timestamp(cut_off)),
            "sensor_id": worn["sensor_id"],
            "span_from": _worn_from(worn, plan.time_in_range.first_hours, zone),
            "span_to": _midnight(ended.fillna(planned.clip(upper=after)), zone),
        }
    )
    if during is not None:
        first, last = pd.Timestamp(during.first_on), pd.Timestamp(during.last_on)
        begins = _midnight(pd.Series([first, last + pd.Timedelta(days=1)]), zone)
        windows["first_on"] = windows["first_on"].clip(lower=first)
        windows["last_on"] = windows["last_on"].clip(upper=last)
        windows["span_from"] = windows["span_from"].clip(lower=begins[0])
        windows["span_to"] = windows["span_to"].clip(upper=begins[1])
    forwards = (windows["last_on"] >= windows["first_on"]).to_numpy(dtype=bool)
    made = _finished(windows.loc[forwards], cut_off, plan.time_in_range.period_counting_days)
    begun = (windows["first_on"] <= pd.Timestamp(cut_off)).to_numpy(dtype=bool) & forwards
    made["closed"] = pd.array(ended.notna().to_numpy()[begun], dtype="boolean")
    return made


def _worn_from(worn: pd.DataFrame, first_hours: int, zone: str) -> pd.Series:
    begins = worn["placed_at"].fillna(_midnight(worn["placed_on"] + pd.Timedelta(days=1), zone))
    implanted = (worn["kind"] == "implanted").to_numpy()
    return begins + pd.to_timedelta(np.where(implanted, first_hours, 0), "h")


def _midnight(days: pd.Series, zone: str) -> pd.Series:
    """The instants (UTC, without a zone) at which local days begin."""
    if not len(days):
        return days
    number = day_numbers(days)
    at = Midnights.between(int(number.min()), int(number.max()), zone).at(number)
    return pd.Series(at.astype("datetime64[us]").astype("datetime64[ns]"), index=days.index)


def together(**kinds: pd.DataFrame) -> pd.DataFrame:
    """Return several kinds of windows as one frame, numbered anew.

    Parameters
    ----------
    **kinds : DataFrame
        Windows by the name of their kind, which comes back as the column `of`; columns that a
        kind does not have are missing in its rows.

    Examples
    --------
    >>> from outcomes.plan import Frame, Quarter
    >>> one = pd.DataFrame({"patient_id": ["P1"], "cohort": ["implanted"],
    ...                     "index_date": pd.to_datetime(["2024-03-01"])})
    >>> plan = Plan(plan=Frame(start=date(2024, 1, 1)))
    >>> both = together(period=periods(one, plan, date(2024, 3, 28)),
    ...                 quarter=quarter(one, plan, Quarter(2024, 1).span()))
    >>> both[["of", "window_id", "period"]]
            of  window_id  period
    0   period          0     0.0
    1   period          1     1.0
    2  quarter          2     NaN
    """
    frames = [frame.assign(of=name) for name, frame in kinds.items()]
    if not frames:
        return WINDOWS.empty().assign(of=pd.Series(dtype=object))
    windows = pd.concat([frame for frame in frames if len(frame)] or frames[:1], ignore_index=True)
    for frame in frames:  # a kind without windows still has its columns
        for name in frame.columns.difference(windows.columns, sort=False):
            windows[name] = frame[name].reindex(windows.index)
    windows["window_id"] = pd.array(np.arange(len(windows)), dtype="Int64")
    return windows


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
