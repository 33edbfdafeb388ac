"""Calibrations of implanted sensors: how many were due, and how many were kept."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd

from outcomes.plan import SensorWear


def calibration_days(
    sensors: pd.DataFrame, fingersticks: pd.DataFrame, *, rules: SensorWear, cut_off: date
) -> pd.DataFrame:
    """Return every day of an implanted sensor on which calibrations were due.

    Day 1 is the day after the placement; the day on which the sensor stopped is due, and no more
    than is due is counted on any day. A sensor without an end is followed to its planned day or
    the cut-off.

    Parameters
    ----------
    sensors : DataFrame
        The declared table.
    fingersticks : DataFrame
        The declared table; those marked `used_for_calibration` count.
    rules : SensorWear
    cut_off : date

    Returns
    -------
    DataFrame, one row per implanted sensor and day
        `sensor_id`, `patient_id`, `placed_on`, `day` (since placement), `on`, `due`, `kept`.
    """
    worn = sensors.loc[(sensors["kind"] == "implanted") & sensors["placed_on"].notna()]
    planned = worn["placed_on"] + pd.to_timedelta(worn["planned_days"].astype("float64"), "D")
    ended = worn["stopped_on"].fillna(worn["removed_on"]).fillna(planned)
    last = (ended.clip(upper=pd.Timestamp(cut_off)) - worn["placed_on"]).dt.days
    number = last.clip(lower=0).to_numpy(dtype=np.int64)
    rows = worn[["sensor_id", "patient_id", "placed_on"]].loc[worn.index.repeat(number)]
    rows = rows.reset_index(drop=True)
    day = np.concatenate([np.arange(1, n + 1) for n in number]) if number.sum() else np.array([])
    rows["day"] = day.astype(np.int64)
    rows["on"] = rows["placed_on"] + pd.to_timedelta(rows["day"], "D")
    rows["due"] = np.where(
        rows["day"] <= rules.first_days, rules.first_calibrations, rules.later_calibrations
    )
    used = fingersticks.loc[fingersticks["used_for_calibration"].fillna(False).astype(bool)]
    on = (
        used["time"] + pd.to_timedelta(used["local_offset"].astype("int64"), "min")
    ).dt.normalize()
    counts = used.assign(on=on).groupby(["patient_id", "on"]).size().rename("made").reset_index()
    rows = rows.merge(counts, on=["patient_id", "on"], how="left", validate="many_to_one")
    rows["kept"] = np.minimum(rows["made"].fillna(0).astype(np.int64), rows["due"])
    return rows.drop(columns="made")
