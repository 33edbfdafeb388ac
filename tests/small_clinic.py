"""A small invented clinic with readings, written as a study in a temporary folder."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.cohorts.build import CohortSet, build_cohorts
from outcomes.plan import Frame, Plan
from outcomes.tables.declared import CONTACTS, PATIENTS, SENSORS, STATES
from outcomes.tables.study import Study, write_study

ZONE = "Europe/Berlin"
FIRST = pd.Timestamp("2024-01-08")
PLAN = Plan(plan=Frame(start=date(2024, 1, 1)))


def patients_frame(n: int) -> pd.DataFrame:
    frame = PATIENTS.empty().reindex(range(n))
    frame["patient_id"] = [f"P{i:03d}" for i in range(n)]
    frame["birth_year"] = pd.array([1950 + i for i in range(n)], dtype="Int64")
    frame["sex"], frame["diabetes_type"] = "female", "type 1"
    frame["covered_from"] = pd.to_datetime(["2023-01-01"] * n)
    frame["sensor_use_before"] = "none"
    return frame


def sensors_frame(n: int) -> pd.DataFrame:
    """Even patients get an implanted sensor, odd ones an adhesive one, a day after each other."""
    frame = SENSORS.empty().reindex(range(n))
    frame["sensor_id"] = [f"S{i:03d}" for i in range(n)]
    frame["patient_id"] = [f"P{i:03d}" for i in range(n)]
    frame["kind"] = ["implanted" if i % 2 == 0 else "adhesive" for i in range(n)]
    frame["placed_on"] = FIRST + pd.to_timedelta(np.arange(n), "D")
    frame["planned_days"] = pd.array([365] * n, dtype="Int64")
    return frame


def readings_frames(
    n: int, *, days: int = 250, before: int = 0, percent: int = 70, lacking: tuple[int, ...] = ()
) -> Iterator[pd.DataFrame]:
    """15-minute readings: in patient i, `percent` + i % 5 of 100 are 120, the others 200.

    Patients in `lacking` have none; the first `before` patients have 30 days of 200 before.
    """
    for i in range(n):
        if i in lacking:
            continue
        placed = FIRST + pd.Timedelta(days=i)
        time = pd.date_range(placed, periods=96 * days, freq="15min")
        turn = np.arange(len(time)) * (percent + i % 5)
        good = (turn + percent + i % 5) // 100 > turn // 100  # evenly mixed
        value = np.where(good, 120.0, 200.0)
        if i < before:
            earlier = pd.date_range(placed - pd.Timedelta(days=30), periods=96 * 30, freq="15min")
            time, value = earlier.append(time), np.concatenate([np.full(96 * 30, 200.0), value])
        named = np.where(time >= placed, f"S{i:03d}", None)
        yield pd.DataFrame(
            {
                "patient_id": np.full(len(time), f"P{i:03d}", dtype=object),
                "time": time.tz_localize("UTC").tz_localize(None).astype("datetime64[ns]"),
                "local_offset": pd.array([0] * len(time), dtype="Int64"),
                "value": value,
                "unit": np.full(len(time), "mg/dL", dtype=object),
                "capped": np.full(len(time), "no", dtype=object),
                "sensor_id": named.astype(object),
            }
        )


def contacts_frame(n: int, last: str = "2024-09-20") -> pd.DataFrame:
    frame = CONTACTS.empty().reindex(range(n))
    frame["patient_id"] = [f"P{i:03d}" for i in range(n)]
    frame["on"], frame["what"] = pd.to_datetime([last] * n), "visit"
    return frame


def study(folder: Path, n: int, *, frames: object = (), **readings: object) -> Study:
    """Write the clinic; `frames` replace the readings, None leaves their table out."""
    tables = {
        "patients": patients_frame(n),
        "sensors": sensors_frame(n),
        "contacts": contacts_frame(n),
        "states": STATES.empty(),
    }
    made = readings_frames(n, **readings) if frames == () else frames
    return write_study(
        folder, tables, clinic="Invented", time_zone="UTC", exported_on=date(2024, 10, 5),
        readings=made,
    )  # fmt: skip


def cohorts(folder: Path, n: int, **readings: object) -> CohortSet:
    return build_cohorts(study(folder, n, **readings), PLAN, quarter="2024-Q3")
