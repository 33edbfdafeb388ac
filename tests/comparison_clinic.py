"""An invented clinic without readings as a study, for tests of the comparison."""

from __future__ import annotations

from datetime import date
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import pandas as pd

from outcomes.cohorts.build import CohortSet, build_cohorts
from outcomes.plan import Comparison, Frame, Plan
from outcomes.schema import DTYPES
from outcomes.tables.declared import DECLARED
from outcomes.tables.study import Study, write_study
from synthetic.clinic import Clinic, clinic
from synthetic.scenario import Scenario

START = date(2025, 1, 1)
EXPORTED_ON = date(2026, 10, 6)
TABLES = ("patients", "sensors", "procedures", "hba1c", "complications", "contacts", "states")


def declared(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    """Return a frame of the generator with every declared column in its type."""
    schema = DECLARED[name]
    table = pd.DataFrame(index=range(len(frame)))
    for column in schema.columns:
        if column.name not in frame:
            table[column.name] = pd.Series([None] * len(frame), dtype=object).astype(
                DTYPES[column.kind]
            )
            continue
        values = frame[column.name].reset_index(drop=True)
        if column.kind in ("date", "instant"):
            table[column.name] = pd.to_datetime(values).astype("datetime64[ns]")
        elif column.kind in ("integer", "flag"):
            table[column.name] = values.astype("Float64" if column.kind == "integer" else "boolean")
            table[column.name] = table[column.name].astype(DTYPES[column.kind])
        elif column.kind == "number":
            table[column.name] = values.astype(float)
        else:
            table[column.name] = values.astype(object).where(values.notna(), None)
    return table


def declared_tables(made: Clinic) -> dict[str, pd.DataFrame]:
    """Return the tables of a clinic, without readings."""
    return {name: declared(name, getattr(made, name)) for name in TABLES}


@cache
def study(patients: int, seed: int = 11, scenario: Scenario | None = None) -> Study:
    """Write the clinic once per process."""
    tables = declared_tables(clinic(patients, seed, scenario=scenario))
    return write_study(
        Path(mkdtemp()) / "study", tables, clinic="Invented clinic", time_zone="Europe/Berlin",
        exported_on=EXPORTED_ON,
    )  # fmt: skip


def plan(**comparison: object) -> Plan:
    return Plan(plan=Frame(start=START), comparison=Comparison(**comparison))


@cache
def cohorts(
    patients: int = 240, *, seed: int = 11, scenario: Scenario | None = None, **comparison: object
) -> CohortSet:
    return build_cohorts(study(patients, seed, scenario), plan(**comparison), quarter="2026-Q3")
