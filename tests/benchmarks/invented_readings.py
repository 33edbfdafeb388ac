"""Invented readings in any number, made patient by patient so that memory stays small.

Glucose is a slow wave of meals and a day's rhythm about the patient's own level, with noise; one
in 60 readings is missing and there are a few longer gaps. 5-minute sensors, mg/dL, 40 to 400.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.tables.declared import PATIENTS, SENSORS
from outcomes.tables.reading_blocks import ReadingBlock
from outcomes.tables.study import Study, write_study

READINGS_EACH = 206_000  # about two years of a patient
START = pd.Timestamp("2023-01-02")
MINUTE = 60_000_000
# Clock changes of a European zone in the years covered, as microseconds UTC.
CHANGES = np.array(
    ["2023-03-26T01", "2023-10-29T01", "2024-03-31T01", "2024-10-27T01", "2025-03-30T01"],
    dtype="datetime64[us]",
).astype(np.int64)


def block(patient: int, rows: int) -> ReadingBlock:
    """One patient's readings."""
    rng = np.random.default_rng([20260101, patient])
    slots = int(rows / 0.97) + 2
    minute = np.arange(slots, dtype=np.int64) * 5
    level, spread = rng.uniform(125, 190), rng.uniform(25, 60)
    meals = np.sin(2 * np.pi * minute / rng.uniform(240, 420) + rng.uniform(0, 6))
    rhythm = np.sin(2 * np.pi * minute / 1440 + rng.uniform(0, 6))
    weeks = np.sin(2 * np.pi * minute / rng.uniform(4000, 9000))
    noise = rng.normal(0, 8, slots).astype(np.float32)
    glucose = np.rint(
        np.clip(level + spread * (meals + 0.5 * rhythm + 0.7 * weeks) + noise, 40, 400)
    )
    keep = rng.random(slots) > 1 / 60
    for gap in rng.integers(0, slots, slots // 10_000):
        keep[gap : gap + rng.integers(12, 120)] = False
    start = START.value // 1000 + int(rng.integers(0, 1440)) * MINUTE
    time = (start + minute * MINUTE)[keep][:rows]
    value = glucose[keep][:rows]
    summer = np.searchsorted(CHANGES, time, side="right") % 2
    return ReadingBlock(
        patient_ids=(f"P{patient:05d}",),
        starts=np.array([0, len(time)]),
        time=time,
        local_offset=(60 + 60 * summer).astype(np.int16),
        value=value,
        unit=np.zeros(len(time), dtype=np.int8),
        capped=((value >= 400).astype(np.int8) - (value <= 40).astype(np.int8)),
        sensor=np.zeros(len(time), dtype=np.int32),
        sensors=(f"S{patient:05d}",),
    )


def blocks(rows: int) -> Iterator[ReadingBlock]:
    """Blocks of whole patients with `rows` readings in all, nearly."""
    for patient in range(max(1, round(rows / READINGS_EACH))):
        yield block(patient, min(rows, READINGS_EACH))


def write_invented_study(folder: Path, rows: int) -> Study:
    """A study whose patients are all placed on the first day."""
    n = max(1, round(rows / READINGS_EACH))
    ids = [f"P{i:05d}" for i in range(n)]
    patients = PATIENTS.empty().reindex(range(n))
    patients["patient_id"], patients["sex"], patients["diabetes_type"] = ids, "female", "type 1"
    patients["birth_year"] = pd.array([1970] * n, dtype="Int64")
    patients["sensor_use_before"] = "none"
    sensors = SENSORS.empty().reindex(range(n))
    sensors["sensor_id"], sensors["patient_id"] = [f"S{i:05d}" for i in range(n)], ids
    sensors["kind"], sensors["planned_days"] = "implanted", pd.array([365] * n, dtype="Int64")
    sensors["placed_on"] = pd.to_datetime([START.normalize()] * n)
    return write_study(
        folder, {"patients": patients, "sensors": sensors}, clinic="Invented",
        time_zone="Europe/Berlin", exported_on=date(2025, 6, 30), readings=blocks(rows),
    )  # fmt: skip


def windows_of(study: Study) -> pd.DataFrame:
    """26 periods of 28 days for each patient."""
    ids = study.table("patients")["patient_id"].tolist()
    first = np.tile(START.normalize() + pd.to_timedelta(28 * np.arange(26), "D"), len(ids))
    n = len(first)
    return pd.DataFrame(
        {
            "window_id": pd.array(np.arange(n), dtype="Int64"),
            "patient_id": np.repeat(np.array(ids, dtype=object), 26),
            "kind": np.full(n, "implanted", dtype=object),
            "first_on": pd.to_datetime(first).astype("datetime64[ns]"),
            "last_on": (pd.to_datetime(first) + pd.Timedelta(days=27)).astype("datetime64[ns]"),
            "closed": pd.array([True] * n, dtype="boolean"),
            "needed_days": pd.array([14] * n, dtype="Int64"),
        }
    )
