"""A small invented study for end-to-end tests: every table, every kind of end, nothing real."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.plan import Frame, Plan
from outcomes.tables.declared import DECLARED
from outcomes.tables.study import Study, write_study

PLAN = Plan(plan=Frame(start=date(2024, 1, 1)))
EXPORTED_ON = date(2025, 7, 10)
Rows = list[dict[str, object]]


def declared(name: str, rows: Rows) -> pd.DataFrame:
    """Return rows as a declared table; columns not given are missing."""
    table = DECLARED[name].empty().reindex(range(len(rows)))
    for column in DECLARED[name].columns:
        values = [row.get(column.name) for row in rows]
        if column.kind in ("date", "instant"):
            table[column.name] = pd.to_datetime(pd.Series(values, dtype=object))
        elif column.kind == "integer":
            table[column.name] = pd.array(values, dtype="Int64")
        elif column.kind == "flag":
            table[column.name] = pd.array(values, dtype="boolean")
        elif column.kind == "number":
            table[column.name] = np.array(values, dtype=float)
        else:
            table[column.name] = pd.Series(values, dtype=object)
    return table


def invented_tables(*, implanted: int = 24, adhesive: int = 24) -> dict[str, pd.DataFrame]:
    """Return the tables of a clinic with so many patients new to each kind."""
    rng = np.random.default_rng(7)
    rows: dict[str, Rows] = {name: [] for name in DECLARED if name != "readings"}
    for i in range(implanted + adhesive):
        _patient(rows, f"P{i:03d}", "implanted" if i < implanted else "adhesive", rng)
    return {name: declared(name, found) for name, found in rows.items() if name != "fingersticks"}


def _patient(rows: dict[str, Rows], who: str, kind: str, rng: np.random.Generator) -> None:
    index = pd.Timestamp("2024-02-01") + pd.Timedelta(days=int(rng.integers(0, 240)))
    rows["patients"].append(
        {
            "patient_id": who, "birth_year": int(rng.integers(1940, 2000)),
            "sex": str(rng.choice(["female", "male"])), "diabetes_type": "type 1",
            "diagnosis_year": 2005, "covered_from": "2023-01-01",
            "sensor_use_before": "adhesive" if kind == "implanted" else "none",
        }
    )  # fmt: skip
    for day in range(-30, 520, 80):
        rows["contacts"].append(
            {"patient_id": who, "on": index + pd.Timedelta(days=day), "what": "visit"}
        )
    value = 8.2 + rng.normal(0, 0.7)
    for day, fall in ((-10, 0.0), (91, 0.4), (183, 0.5), (365, 0.5)):
        if day > 0 and rng.random() < 0.15:
            continue
        rows["hba1c"].append(
            {
                "patient_id": who, "drawn_on": index + pd.Timedelta(days=day),
                "value": round(value - fall + rng.normal(0, 0.3), 1), "unit": "%",
                "method": "laboratory",
            }
        )  # fmt: skip
    _sensors(rows, who, kind, index, rng)


def _sensors(
    rows: dict[str, Rows], who: str, kind: str, index: pd.Timestamp, rng: np.random.Generator
) -> None:
    planned, placed = (180, index) if kind == "implanted" else (14, index)
    for number in range(3):
        sensor = f"{who}-{number}"
        lost = rng.random() < 0.2
        lasted = int(rng.integers(0, planned)) if lost else planned
        removed = placed + pd.Timedelta(days=lasted)
        reason = str(rng.choice(["sensor failure", "infection", "patient choice", "unknown"]))
        rows["sensors"].append(
            {
                "sensor_id": sensor, "patient_id": who, "kind": kind, "placed_on": placed,
                "planned_days": planned, "removed_on": removed, "model": f"model {number % 2}",
                "end_reason": reason if lost else "planned",
            }
        )  # fmt: skip
        if kind == "implanted":
            _procedures(rows, who, sensor, placed, removed)
        if rng.random() < 0.25:
            _complication(rows, who, sensor, placed + pd.Timedelta(days=int(lasted / 2)), kind)
        placed = removed


def _procedures(
    rows: dict[str, Rows], who: str, sensor: str, placed: pd.Timestamp, removed: pd.Timestamp
) -> None:
    for what, on in (("placement", placed), ("removal", removed)):
        rows["procedures"].append(
            {
                "procedure_id": f"{sensor}-{what}", "patient_id": who, "sensor_id": sensor,
                "what": what, "on": on, "attempt": 1, "completed": True,
            }
        )  # fmt: skip


def _complication(
    rows: dict[str, Rows], who: str, sensor: str, on: pd.Timestamp, kind: str
) -> None:
    number = len(rows["complications"])
    rows["complications"].append(
        {
            "complication_id": f"C{number}", "patient_id": who, "sensor_id": sensor,
            "procedure_id": f"{sensor}-placement" if kind == "implanted" and number % 2 else None,
            "onset_on": on, "category": "site infection" if number % 3 else "skin reaction",
            "deficiency_only": number % 7 == 6, "severity": "mild", "serious": number % 5 == 0,
            "related_to_device": "possible" if number % 2 else "not",
            "related_to_procedure": "unknown", "reported": number % 10 == 0,
        }
    )  # fmt: skip


def invented_study(folder: Path, tables: dict[str, pd.DataFrame]) -> Study:
    """Write tables as a study exported on `EXPORTED_ON`."""
    return write_study(
        folder / "study", tables, clinic="Invented clinic", time_zone="Europe/Berlin",
        exported_on=EXPORTED_ON,
    )  # fmt: skip
