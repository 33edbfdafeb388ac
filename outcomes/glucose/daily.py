"""Every metric of every single local day, streamed to disk: rows that need not fit into memory."""

from __future__ import annotations

import secrets
from datetime import date
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from outcomes.glucose.local_days import day_numbers
from outcomes.glucose.summary import summarise
from outcomes.glucose.windows import WINDOWS
from outcomes.glucose.workers import Workers, workers_of
from outcomes.plan import TimeInRange
from outcomes.tables.declared import KINDS
from outcomes.tables.parquet import ARROW_TYPES
from outcomes.tables.reading_store import MICROSECONDS_PER_DAY
from outcomes.tables.study import Study

FILES_AT_ONCE: Final = 4  # reading files whose days are held in memory together
_NOT_OF_A_DAY: Final = ("window_id", "last_on", "closed", "needed_days", "because")


def write_daily(
    study: Study,
    place: Path,
    *,
    settings: TimeInRange,
    cut_off: date | None = None,
    workers: Workers | None = None,
) -> int:
    """Write every metric of each patient's local days to a Parquet file, and return its rows.

    The days of a few reading files are made at a time and written as a row group, so memory does
    not grow with the study; `summarise` on a frame of days needs a kilobyte for every day.

    Parameters
    ----------
    study : Study
    place : Path
        The file; it is replaced once the new one is whole. It holds patient ids.
    settings : TimeInRange
        The plan's section.
    cut_off : date, optional
        Last local day that is taken.
    workers : Workers, optional
        As in `summarise`.

    Returns
    -------
    int
        One row per patient, kind of sensor that the patient wore, and local day with readings:
        `patient_id`, `kind` (which goes first where two overlap; missing where no reading names
        one), `on`, `counts` (as a counting day) and the metrics of `summarise`. An episode
        belongs to the day on which it starts. No readings give a file without rows.
    """
    workers = workers or workers_of(study)
    index, kinds = study.reading_index, _kinds_worn(study.streams)
    files = sorted(index["file"].unique())
    unfinished = place.with_name(f".{place.name}.{secrets.token_hex(8)}")
    rows = 0
    try:
        first = _arrow(_days(study, WINDOWS.empty(), settings, cut_off, workers))
        with pq.ParquetWriter(unfinished, first.schema) as writer:
            for at in range(0, len(files), FILES_AT_ONCE):
                those = index.loc[index["file"].isin(files[at : at + FILES_AT_ONCE])]
                windows = _windows(those, kinds, cut_off)
                table = _arrow(_days(study, windows, settings, cut_off, workers))
                writer.write_table(table)
                rows += table.num_rows
        unfinished.replace(place)
    finally:
        unfinished.unlink(missing_ok=True)
    return rows


def _kinds_worn(streams: pd.DataFrame) -> pd.DataFrame:
    """One row per patient and kind; a kind that no reading names is -1 and stands alone."""
    worn = streams[["patient_id", "kind"]].drop_duplicates()
    known = worn.loc[worn["kind"] >= 0]
    nameless = worn.loc[~worn["patient_id"].isin(known["patient_id"])]
    return pd.concat([known, nameless]).sort_values(["patient_id", "kind"], ignore_index=True)


def _windows(index: pd.DataFrame, kinds: pd.DataFrame, cut_off: date | None) -> pd.DataFrame:
    """Every day from before the first reading to after the last, whatever the local offset."""
    each = index[["patient_id", "first_time", "last_time"]].merge(kinds, on="patient_id")
    begins = each["first_time"].to_numpy(dtype=np.int64) // MICROSECONDS_PER_DAY - 1
    ends = each["last_time"].to_numpy(dtype=np.int64) // MICROSECONDS_PER_DAY + 1
    if cut_off is not None:
        ends = np.minimum(ends, day_numbers(pd.Series([pd.Timestamp(cut_off)]))[0])
    number = np.maximum(0, ends - begins + 1)
    nth = np.arange(number.sum()) - np.repeat(np.cumsum(number) - number, number)
    on = (np.repeat(begins, number) + nth).astype("datetime64[D]").astype("datetime64[ns]")
    kind = np.repeat(each["kind"].to_numpy(dtype=np.int64), number)
    return pd.DataFrame(
        {
            "window_id": pd.array(np.arange(len(on)), dtype="Int64"),
            "patient_id": np.repeat(each["patient_id"].to_numpy(dtype=object), number),
            "kind": np.array(KINDS, dtype=object)[np.maximum(kind, 0)],
            "first_on": on,
            "last_on": on,
            "closed": pd.array(np.ones(len(on), dtype=bool), dtype="boolean"),
            "needed_days": pd.array(np.ones(len(on), dtype=np.int64), dtype="Int64"),
            "named": kind >= 0,
        }
    )


def _days(
    study: Study,
    windows: pd.DataFrame,
    settings: TimeInRange,
    cut_off: date | None,
    workers: Workers,
) -> pd.DataFrame:
    if "named" not in windows:
        windows = windows.assign(named=np.zeros(0, dtype=bool))
    made = summarise(study, windows, settings=settings, cut_off=cut_off, workers=workers)
    made = made.loc[(made["readings"] > 0) | (made["overlap_left_out"] > 0)]
    kind = made["kind"].astype(object).where(made["named"].to_numpy(dtype=bool), None)
    made = made.drop(columns=[*_NOT_OF_A_DAY, "named"]).rename(columns={"first_on": "on"})
    return made.assign(kind=kind)


def _arrow(frame: pd.DataFrame) -> pa.Table:
    """An empty column of text has its type too."""
    arrays = [
        pa.array(frame[name], type=ARROW_TYPES.get(str(frame[name].dtype)), from_pandas=True)
        for name in frame.columns
    ]
    return pa.Table.from_arrays(arrays, names=[str(name) for name in frame.columns])
