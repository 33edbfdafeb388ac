"""What a table looked like on the cut-off day: the only place that applies the cut-off.

Rows that begin after the cut-off are not there yet, and ends after it have not happened. Every
measure takes its tables from here, so that no answer can depend on later data or on the day of
the run. Rows that were recorded late but tell of an earlier day do count: earlier quarters are
restated when they arrive.
"""

from __future__ import annotations

from datetime import date
from typing import Final

import pandas as pd

# The day on which a row of each table begins.
BEGINS: Final = {
    "states": "from_on",
    "contacts": "on",
    "sensors": "placed_on",
    "procedures": "on",
    "hba1c": "drawn_on",
    "complications": "onset_on",
}


def as_of(name: str, frame: pd.DataFrame, cut_off: date) -> pd.DataFrame:
    """Return a declared table as it stood at the end of the cut-off day.

    Parameters
    ----------
    name : str
        Name of the declared table.
    frame : DataFrame, one row per row of that table
    cut_off : date
        Last day that data count.

    Returns
    -------
    DataFrame
        The same columns; later rows left out, later ends made missing. A sensor whose only end
        lies after the cut-off has neither end nor reason.

    Examples
    --------
    >>> patients = pd.DataFrame({"patient_id": ["P1"], "died_on": pd.to_datetime(["2024-03-01"])})
    >>> as_of("patients", patients, date(2024, 2, 1))["died_on"].isna().tolist()
    [True]
    """
    last = pd.Timestamp(cut_off)
    if name in BEGINS:
        frame = frame.loc[frame[BEGINS[name]] <= last]
    if "time" in frame.columns:
        minutes = pd.to_timedelta(frame["local_offset"].astype("int64"), unit="min")
        frame = frame.loc[(frame["time"] + minutes) < last + pd.Timedelta(days=1)]
    frame = frame.reset_index(drop=True)
    if name == "sensors":
        return _sensors(frame, last)
    for column in ("died_on", "to_on"):
        if column in frame.columns:
            frame = frame.assign(**{column: frame[column].where(frame[column] <= last)})
    return frame


def _sensors(frame: pd.DataFrame, last: pd.Timestamp) -> pd.DataFrame:
    ends = frame[["stopped_on", "removed_on"]]
    seen = ends.where(ends <= last)
    # A reason belongs to an end; where every end lies ahead, nobody could know the reason yet.
    ahead = ends.notna().any(axis=1) & seen.isna().all(axis=1)
    reason = frame["end_reason"].astype(object).where(~ahead, None)
    return frame.assign(
        stopped_on=seen["stopped_on"], removed_on=seen["removed_on"], end_reason=reason
    )
