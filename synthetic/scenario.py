"""The invented centre and every true size: dates, people, effects, hazards, noise.

All sizes are inventions. Where a published range is named it is there for plausibility alone; no
value was fitted to it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np

CLINIC: Final = "Diabetes centre Ostervahl (invented)"
ZONE: Final = "Europe/Berlin"
SITES: Final = ("Ostervahl", "Quendelau", "Brimmsiel")  # the centre and its two satellites
SITE_SHARES: Final = (0.6, 0.22, 0.18)
KINDS: Final = ("implanted", "adhesive")
EPOCH: Final = date(1970, 1, 1)


def day_number(day: date) -> int:
    """Return days since 1970-01-01."""
    return (day - EPOCH).days


@dataclass(frozen=True, kw_only=True)
class Model:
    """One sensor model: its planned life and the cumulative hazards that end it.

    The cumulative hazard of sensor failure at age a is (a / failure_scale) ** failure_shape, times
    the patient's frailty and the lot's ratio; that of falling off likewise. The others are hazards
    per day, constant over the sensor's age.
    """

    name: str
    kind: str
    planned_days: int
    failure_scale: float
    failure_shape: float
    detached_scale: float
    detached_shape: float
    infection: float
    skin_reaction: float
    other_complication: float
    patient_choice: float
    medical_need: float


# Plausibility: 90-day function 91 % (Christiansen MP 2018), 9 % early failures (Swiss single
# centre 2023), 65-90 % at 180 days for a later generation (Garg SK 2022, from memory), 60-80 % at
# 365 days assumed. Adhesive to the full life 75-90 % (from memory), 56 % for an older one
# (DeSalvo DJ, Diabetes Care 2016;39:e112).
MODELS: Final = (
    Model(
        name="IG-1", kind="implanted", planned_days=180, failure_scale=384.0, failure_shape=2.5,
        detached_scale=np.inf, detached_shape=1.0, infection=4.5e-5, skin_reaction=3.5e-5,
        other_complication=3.5e-5, patient_choice=2.8e-4, medical_need=1.1e-4,
    ),
    Model(
        name="IG-2", kind="implanted", planned_days=365, failure_scale=599.0, failure_shape=2.5,
        detached_scale=np.inf, detached_shape=1.0, infection=4.0e-5, skin_reaction=3.0e-5,
        other_complication=3.0e-5, patient_choice=2.2e-4, medical_need=1.0e-4,
    ),
    Model(
        name="AP-10", kind="adhesive", planned_days=10, failure_scale=58.8, failure_shape=1.3,
        detached_scale=125.0, detached_shape=1.0, infection=1.0e-5, skin_reaction=1.0e-3,
        other_complication=5.0e-5, patient_choice=2.0e-3, medical_need=4.0e-4,
    ),
    Model(
        name="AP-14", kind="adhesive", planned_days=14, failure_scale=71.5, failure_shape=1.3,
        detached_scale=57.6, detached_shape=1.5, infection=1.0e-5, skin_reaction=1.0e-3,
        other_complication=5.0e-5, patient_choice=1.5e-3, medical_need=3.0e-4,
    ),
)  # fmt: skip
MODEL: Final = {model.name: model for model in MODELS}
BAD_LOT: Final = "K25A"
SECOND_GENERATION_FROM: Final = date(2025, 9, 1)


LOTS_FROM: Final = day_number(date(2024, 1, 1))


@dataclass(frozen=True, kw_only=True)
class Inserter:
    """Who places and removes implanted sensors, where, since when, and after how many before."""

    inserter_id: str
    role: str
    site: str
    since: date
    before_records: int = 0  # own placements before the records begin, and as many removals


INSERTERS: Final = (
    Inserter(
        inserter_id="I01", role="physician", site="Ostervahl", since=date(2022, 3, 1),
        before_records=140,
    ),
    Inserter(
        inserter_id="I02", role="nurse practitioner", site="Ostervahl", since=date(2024, 5, 1),
        before_records=6,
    ),
    Inserter(
        inserter_id="I03", role="physician", site="Quendelau", since=date(2023, 2, 1),
        before_records=60,
    ),
    Inserter(
        inserter_id="I04", role="physician assistant", site="Quendelau", since=date(2025, 6, 1)
    ),
    Inserter(inserter_id="I05", role="physician", site="Brimmsiel", since=date(2024, 9, 1)),
    Inserter(
        inserter_id="I06", role="nurse practitioner", site="Ostervahl", since=date(2026, 2, 1)
    ),
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """Every true size that a test may want to change; HbA1c in percentage points.

    Plausibility of the effects: adhesive real-time sensors -0.4 to -0.5 in 12 months (Diabetes Care
    2009 extension trial); implanted against control -0.1 (-0.4 to 0.1) in a randomised trial;
    uncontrolled -0.43 (Irace C, Diabetes Obes Metab 2020).
    """

    records_from: date = date(2024, 7, 1)
    plan_start: date = date(2025, 1, 1)
    exported_on: date = date(2026, 10, 6)
    readings_from: date = date(2024, 12, 1)  # the systems keep no readings of before
    # effects on the level of HbA1c, reached with the lag below
    effect_adhesive: float = -0.40  # any sensor against none
    effect_implanted: float = -0.15  # implanted against adhesive
    effect_per_point: float = -0.15  # more of the first for each point above `centre`
    implanted_per_point: float = -0.05  # more of the second for each point above `centre`
    effect_sd: float = 0.20  # between patients, of each effect
    drug_effect: float = -0.50
    centre: float = 7.9  # of the level without a sensor
    level_sd: float = 0.85
    wander_sd_mg_dl: float = 12.0  # slow swings of a patient's own mean glucose
    wander_days: float = 66.0
    lag_days: float = 14.0
    gap_sd: float = 0.30  # own difference of HbA1c from what mean glucose implies
    # choice of an implanted sensor at a contact, in log odds
    choice_intercept: float = -0.25
    choice_hba1c: float = 0.60  # per point of the latest draw above `centre`
    choice_age: float = -0.15  # per ten years above 52
    choice_type_1: float = 0.40
    unmeasured: float = 0.0  # log odds per unit of a trait that also moves the outcome by -0.25
    offer: float = 0.45  # an adhesive wearer is offered an implanted sensor at a contact
    # leaving the clinic at a contact, in log odds
    leaving_intercept: float = -4.3
    leaving_hba1c: float = 0.5
    frailty_sd: float = 0.5  # of log hazard of failure between patients
    bad_lot_ratio: float = 2.0
    # instruments
    implanted_minutes: int = 5
    adhesive_minutes: int = 15
    implanted_bias_mg_dl: float = 0.0
    adhesive_bias_mg_dl: float = 0.0
    laboratory_sd: float = 0.14
    point_of_care_sd: float = 0.26
    # a switch of the exports
    one_person_twice: bool = False  # with two contents: intake must stop and name the person

    @property
    def last_day(self) -> int:
        """The last day that an export can hold, as a day number."""
        return day_number(self.exported_on) - 1


STREAMS: Final = (
    "people", "course", "wear", "procedures", "harm", "laboratory", "trace", "export", "failed",
)  # fmt: skip


def stream(seed: int, index: int, topic: str) -> np.random.Generator:
    """Return the random numbers of one topic of one patient.

    A patient's numbers depend on the seed and the patient's own place alone, so a larger clinic
    begins with the same patients, and a topic that draws more leaves the others as they were.
    """
    return np.random.default_rng([seed, index, STREAMS.index(topic)])
