"""Who is new to a kind of sensor, in which stratum, and since which day."""

from __future__ import annotations

from datetime import date
from typing import Final

import numpy as np
import pandas as pd

from outcomes.tables.declared import KINDS

NAIVE: Final = "naive"
FROM_OTHER: Final = "from the other kind"
SAME_BEFORE: Final = "same kind before"
UNKNOWN_USE: Final = "unknown"
NEW_STRATA: Final = (NAIVE, FROM_OTHER, SAME_BEFORE, UNKNOWN_USE)
COVERAGE_SHORTER: Final = "coverage shorter"
COVERAGE_UNKNOWN: Final = "coverage unknown"
APART: Final = (COVERAGE_SHORTER, COVERAGE_UNKNOWN)  # in the cohort, never new, shown apart
PREVALENT: Final = "prevalent"  # in no cohort, listed

_COLUMNS = ["patient_id", "cohort", "stratum", "new", "index_date", "index_sensor_id"]


def index_dates(
    sensors: pd.DataFrame,
    patients: pd.DataFrame,
    *,
    start: date,
    coverage_days: int = 90,
) -> pd.DataFrame:
    """Return the stratum and index date of every patient with a placement since the plan's start.

    A patient is new to a kind at the first placement since `start` that follows at least
    `coverage_days` covered days on which no sensor of that kind was worn (until it stopped, else
    was removed; a sensor without an end counts as worn). Only covered days count: what the
    exports would not have shown cannot make a patient new.

    Parameters
    ----------
    sensors : DataFrame, one row per sensor
        As declared, up to the cut-off.
    patients : DataFrame, one row per patient
        `patient_id`, `covered_from`, `sensor_use_before`.
    start : date
        The plan's start.
    coverage_days : int, default 90

    Returns
    -------
    DataFrame, one row per patient and kind
        `patient_id`, `cohort` (the kind), `stratum`, `new`, `index_date`, `index_sensor_id`.
        New strata: "naive", "from the other kind" (told by `sensor_use_before`, or seen in the
        exports), "same kind before" (that kind alone, long enough ago), "unknown". Never new:
        "coverage shorter", "coverage unknown", and "prevalent" (wore the kind within
        `coverage_days`), each with its first placement since `start`.

    Examples
    --------
    >>> sensors = pd.DataFrame({"sensor_id": ["S1"], "patient_id": ["P1"], "kind": ["implanted"],
    ...     "placed_on": pd.to_datetime(["2024-03-31"]), "stopped_on": pd.to_datetime([None]),
    ...     "removed_on": pd.to_datetime([None])})
    >>> patients = pd.DataFrame({"patient_id": ["P1"], "sensor_use_before": ["adhesive"],
    ...     "covered_from": pd.to_datetime(["2024-01-01"])})
    >>> index_dates(sensors, patients, start=date(2024, 1, 1))[["stratum", "new"]].values.tolist()
    [['from the other kind', True]]
    """
    found = [
        _of_kind(sensors, patients, kind, pd.Timestamp(start), coverage_days) for kind in KINDS
    ]
    return pd.concat(found, ignore_index=True)


def _of_kind(
    sensors: pd.DataFrame,
    patients: pd.DataFrame,
    kind: str,
    start: pd.Timestamp,
    coverage_days: int,
) -> pd.DataFrame:
    about = ["patient_id", "covered_from", "sensor_use_before"]
    worn = _with_earlier_wear(sensors.loc[sensors["kind"] == kind])
    worn = worn.loc[worn["placed_on"] >= start].merge(
        patients[about], on="patient_id", how="left", validate="many_to_one"
    )
    worn["status"] = _status(worn, coverage_days)
    new = worn["status"] == "new"
    # The first qualifying placement; where none qualifies, the first placement of all.
    first_new = worn.loc[new].drop_duplicates("patient_id")
    never = worn.loc[~worn["patient_id"].isin(first_new["patient_id"])]
    chosen = pd.concat([first_new, never.drop_duplicates("patient_id")])
    other = sensors.loc[sensors["kind"].notna() & (sensors["kind"] != kind)]
    stratum = _stratum(chosen, other, kind)
    table = pd.DataFrame(
        {
            "patient_id": chosen["patient_id"],
            "cohort": kind,
            "stratum": stratum.where(chosen["status"] == "new", chosen["status"]),
            "new": chosen["status"] == "new",
            "index_date": chosen["placed_on"],
            "index_sensor_id": chosen["sensor_id"],
        }
    )
    return table.sort_values("patient_id", ignore_index=True)[_COLUMNS]


def _with_earlier_wear(worn: pd.DataFrame) -> pd.DataFrame:
    """Add the last day on which the patient wore an earlier sensor of the same kind."""
    worn = worn.sort_values(["patient_id", "placed_on", "sensor_id"], ignore_index=True)
    end = worn["stopped_on"].fillna(worn["removed_on"]).fillna(pd.Timestamp.max.normalize())
    days = (end - pd.Timestamp(0)).dt.days
    so_far = days.groupby(worn["patient_id"]).cummax()
    earlier = so_far.groupby(worn["patient_id"]).shift()
    return worn.assign(earlier_wear_to=earlier)


def _status(worn: pd.DataFrame, coverage_days: int) -> pd.Series:
    placed = (worn["placed_on"] - pd.Timestamp(0)).dt.days
    since_wear = placed - worn["earlier_wear_to"]
    covered = (worn["placed_on"] - worn["covered_from"]).dt.days
    status = np.select(
        [since_wear < coverage_days, covered.isna(), covered < coverage_days],
        [PREVALENT, COVERAGE_UNKNOWN, COVERAGE_SHORTER],
        default="new",
    )
    return pd.Series(status, index=worn.index, dtype=object)


def _stratum(chosen: pd.DataFrame, other: pd.DataFrame, kind: str) -> pd.Series:
    first_other = other.groupby("patient_id")["placed_on"].min()
    seen_other = chosen["patient_id"].map(first_other) < chosen["placed_on"]
    use = chosen["sensor_use_before"]
    not_kind = [name for name in KINDS if name != kind]
    stratum = np.select(
        [
            seen_other | use.isin([*not_kind, "both"]),
            use.isna() | (use == "unknown"),
            (use == kind) | chosen["earlier_wear_to"].notna(),
        ],
        [FROM_OTHER, UNKNOWN_USE, SAME_BEFORE],
        default=NAIVE,
    )
    return pd.Series(stratum, index=chosen.index, dtype=object)
