"""Of 100 sensors placed: the shares on the eve of the planned day, by the measure's own rule.

One patient wears several sensors with one frailty, a fifth of the sensors is seen late, and a
cut-off censors. The truth is a closed form over the frailty.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd

from outcomes.measures.sensor_ends import WORKING
from outcomes.measures.sensor_shares import EARLY, LOST, REACHED, shares
from outcomes.statistics.survival import kaplan_meier
from synthetic.scenario import MODEL
from synthetic.tables_only import LOSSES, Setting, tables, true_incidence
from tests.truth.bench import Answer, Bench, Truth

OUTCOME = "Sensor survival to planned removal"
STATES = {
    **{cause: f"lost: {cause}" for cause in LOSSES},
    "patient choice": "early: patient choice",
    "medical need": "early: medical need",
    "reached": WORKING,
}
ONE_MINUS = "lost, losses counted as if the others had never ended (1 - Kaplan-Meier)"


def lives(setting: Setting, rng: np.random.Generator) -> pd.DataFrame:
    """The drawn sensors with the columns that the measure gives to its own rule."""
    sensors = tables(setting, rng, only=("sensors",)).sensors
    planned = MODEL[setting.model].planned_days
    return sensors.assign(
        state=sensors["end"].map(STATES).fillna("censored"), planned_days=planned, undated=False,
        limit=planned,
    )  # fmt: skip


def replicate(rng: np.random.Generator, *, setting: Setting) -> dict[str, Answer]:
    drawn = lives(setting, rng)
    table = shares(drawn)
    wanted = {
        REACHED: table[table["quantity"] == REACHED],
        LOST: table[(table["quantity"] == LOST) & (table["reason"] == "")],
        EARLY: table[table["quantity"] == EARLY],
        "lost by sensor failure": table[table["reason"] == "sensor failure"],
    }
    found = {name: _answer(rows) for name, rows in wanted.items()}
    found[ONE_MINUS] = _one_minus(drawn, setting)
    return found


def _answer(rows: pd.DataFrame) -> Answer:
    if rows.empty:  # the reason never occurred in this clinic
        return Answer(estimate=0.0, low=None, high=None)
    row = rows.iloc[0]
    return Answer(estimate=row["estimate"], low=row["conf_low"], high=row["conf_high"])


def _one_minus(drawn: pd.DataFrame, setting: Setting) -> Answer:
    lost = drawn["state"].str.startswith("lost")
    only = drawn.assign(state=drawn["state"].where(lost, "censored"))
    eve = MODEL[setting.model].planned_days - 1
    row = kaplan_meier(only, times=[eve], cluster="patient_id").table.iloc[0]
    return Answer(estimate=1 - row["estimate"], low=1 - row["conf_high"], high=1 - row["conf_low"])


def truths(*, setting: Setting) -> dict[str, Truth]:
    eve = true_incidence(setting).iloc[-1]
    early = eve["patient choice"] + eve["medical need"]
    return {
        REACHED: Truth(value=1 - eve["lost"] - early),
        LOST: Truth(value=eve["lost"]),
        EARLY: Truth(value=early),
        "lost by sensor failure": Truth(value=eve["sensor failure"]),
        ONE_MINUS: Truth(value=eve["lost"]),
    }


SCENARIOS = {
    "180-day sensors, one to four a patient": Setting(),
    "365-day sensors, one to three a patient, strong frailty": Setting(
        model="IG-2", more_sensors=2, frailty_sd=1.0
    ),
    "14-day sensors, one to 21 a patient": Setting(model="AP-14", more_sensors=20),
    "180-day sensors, half of them of a bad lot": Setting(lot_ratio=2.0),
}
FIRST = next(iter(SCENARIOS))
BENCHES = [
    Bench(
        outcome=OUTCOME, estimator="sensor_shares", scenario=name, patients=n,
        replicate=partial(replicate, setting=replace(setting, patients=n)),
        truths=partial(truths, setting=replace(setting, patients=n)),
    )
    for name, setting in SCENARIOS.items()
    for n in ((120, 80, 24) if name == FIRST else (80,))
]  # fmt: skip
