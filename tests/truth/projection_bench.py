"""Projected removals and replacements against what the invented clinic then does.

Each replicate is a clinic; the projection is made with what was known at the end of a quarter, and
held to the full tables. "Bias" is the mean of projected less actual, "coverage" how often the
limits of prediction hold the actual count; the truth of the difference is 0.
"""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd

from outcomes.cohorts.build import build_cohorts
from outcomes.measures.sensor_ends import LOST_STATES, end_states
from outcomes.plan import Frame, Plan
from outcomes.tables.study import write_study
from outcomes.watch.projection import AGAIN, DUE, EARLY, LOST, in_place, projection
from synthetic.clinic import clinic
from tests.comparison_clinic import EXPORTED_ON, START, declared_tables
from tests.truth.bench import Answer, Bench, Truth

OUTCOME = "Sensor survival to planned removal"
QUARTER = "2026-Q1"  # the clinic's exports reach two quarters further
PLAN = Plan(plan=Frame(start=START))
ASKED = [
    ("quarter", 1, DUE), ("quarter", 1, LOST), ("quarter", 1, EARLY), ("quarter", 1, AGAIN),
    ("quarter", 2, DUE), ("quarter", 2, LOST), ("week", 1, DUE), ("week", 8, DUE),
    ("week", 8, AGAIN),
]  # fmt: skip


def name_of(over: str, number: int, quantity: str) -> str:
    return f"{quantity}, {over} {number}, less actual"


def actual_days(sensors: pd.DataFrame, placed: pd.DataFrame) -> dict[str, pd.Series]:
    """Days on which the sensors in place came out, by how, and were replaced, in the end."""
    ends = end_states(sensors, cut_off=EXPORTED_ON, rules=PLAN.sensor_survival)
    mine = ends.loc[ends["sensor_id"].isin(placed["sensor_id"])]
    lost = mine["state"].isin(LOST_STATES)
    on_time = mine["state"].isin(["working at planned day", "planned within grace"])
    over = mine["removed_on"].fillna(mine["stopped_on"])
    later = sensors.loc[sensors["kind"] == "implanted", ["patient_id", "placed_on"]]
    pairs = mine.assign(over=over).merge(later, on="patient_id", suffixes=("", "_next"))
    days = (pairs["placed_on_next"] - pairs["over"]).dt.days
    follows = pairs.loc[(pairs["placed_on_next"] > pairs["placed_on"]) & (days <= 90)]
    return {
        DUE: mine.loc[on_time, "removed_on"], LOST: mine.loc[lost, "end_on"],
        EARLY: mine.loc[~lost & ~on_time & mine["ended"], "end_on"],
        AGAIN: follows.groupby("sensor_id")["placed_on_next"].min(),
    }  # fmt: skip


def replicate(rng: np.random.Generator) -> dict[str, Answer]:
    made = declared_tables(clinic(250, int(rng.integers(2**31))))
    with TemporaryDirectory() as folder:
        study = write_study(
            Path(folder) / "study", made, clinic="Invented clinic", time_zone="Europe/Berlin",
            exported_on=EXPORTED_ON,
        )  # fmt: skip
        cohorts = build_cohorts(study, PLAN, quarter=QUARTER)
    table = projection(cohorts).table.set_index(["over", "number", "quantity"])
    happened = actual_days(made["sensors"], in_place(cohorts))
    found = {}
    for one in ASKED:
        row = table.loc[one]
        actual = int(happened[one[2]].between(row["first_on"], row["last_on"]).sum())
        low, high = row["conf_low"] - actual, row["conf_high"] - actual
        found[name_of(*one)] = Answer(estimate=row["estimate"] - actual, low=low, high=high)
    return found


def truths() -> dict[str, Truth]:
    return {name_of(*one): Truth(value=0.0) for one in ASKED}


BENCHES = [
    Bench(
        outcome=OUTCOME, estimator="projection",
        scenario="250 patients, removals of the next two quarters", patients=250,
        replicate=replicate, truths=truths, replicates=200,
    )
]  # fmt: skip
