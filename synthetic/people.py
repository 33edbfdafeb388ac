"""Who the patients are: covariates, own levels and own effects."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .scenario import SITE_SHARES, SITES, Scenario, day_number, stream

LOOKALIKE_IDS = {11: "007", 12: "07", 13: "7"}  # three people, not one
ODD_INITIALS = {4: "ZË", 5: "NA", 6: "None", 7: "NaN"}  # texts, never missing
SEX_NOT_RECORDED = 9
SITE_NOT_RECORDED = 10  # of every 23
ENTRIES = ("naive", "adhesive", "implanted", "unknown")
ENTRY_SHARES = (0.52, 0.33, 0.06, 0.09)


@dataclass(frozen=True, kw_only=True)
class Person:
    """One invented patient; levels and effects in points of HbA1c."""

    index: int
    patient_id: str
    initials: str
    birth_year: int
    birthday: str  # day.month.
    age_years: int
    sex: str
    diabetes_type: str
    diagnosis_year: int
    diagnosis_known: bool  # whether the register has the year
    delivery: str
    site: str
    joined: int  # day number; the first covered day
    entry: str  # what the patient wore when the records begin
    level: float  # without a sensor
    effect_adhesive: float  # any sensor against none
    effect_implanted: float  # implanted against adhesive
    trait: float  # unmeasured; moves choice and outcome where the scenario says so
    glycation_gap: float
    cv: float  # of glucose within a day
    frailty: float  # of sensors, mean 1
    harm: float  # of harm, mean 1
    adherence: float  # share of days on which the sensor is read as it should be

    @property
    def site_known(self) -> bool:
        """Whether the clinic's systems hold the patient's site."""
        return self.index % 23 != SITE_NOT_RECORDED


def patient_id(index: int) -> str:
    """Return the id of patient `index`: text with leading zeros, three of them look-alikes."""
    return LOOKALIKE_IDS.get(index, f"{1009 + 37 * index:06d}")


def person(scenario: Scenario, seed: int, index: int) -> Person:
    """Return patient `index` of the clinic.

    Level without a sensor: `centre` + 0.10 x (duration - 18 years) / 10 + 0.15 in type 2 + noise.
    """
    rng = stream(seed, index, "people")
    age = int(np.clip(rng.normal(52, 15), 19, 85))
    kind = str(rng.choice(["type 1", "type 2", "other"], p=[0.60, 0.37, 0.03]))
    duration = int(np.clip(rng.gamma(3.0, 6.0), 1, age - 5))
    level = scenario.centre + 0.10 * (duration - 18) / 10 + 0.15 * (kind == "type 2")
    level = float(np.clip(level + scenario.level_sd * rng.normal(), 6.2, 11.5))
    trait = float(rng.normal())
    entry = str(rng.choice(ENTRIES, p=ENTRY_SHARES))
    first = day_number(scenario.records_from)
    late = rng.random() < 0.3
    joined = first + int(rng.integers(20, 420)) if late else first
    above = level - scenario.centre
    return Person(
        index=index,
        patient_id=patient_id(index),
        initials=ODD_INITIALS.get(index, chr(65 + index % 26) + chr(65 + index * 7 // 26 % 26)),
        birth_year=scenario.plan_start.year - age,
        birthday=f"{1 + index * 11 % 28:02d}.{1 + index * 5 % 12:02d}.",
        age_years=age,
        sex=_sex(index, rng),
        diabetes_type=kind,
        diagnosis_year=scenario.plan_start.year - duration,
        diagnosis_known=index % 17 != 8,
        delivery=_delivery(kind, rng),
        site=str(rng.choice(SITES, p=SITE_SHARES)),
        joined=joined,
        entry=entry,
        level=level,
        effect_adhesive=float(
            scenario.effect_adhesive
            + scenario.effect_per_point * above
            + scenario.effect_sd * rng.normal()
        ),
        effect_implanted=float(
            scenario.effect_implanted
            + scenario.implanted_per_point * above
            + scenario.effect_sd * rng.normal()
        ),
        trait=trait,
        glycation_gap=float(scenario.gap_sd * rng.normal()),
        cv=float(np.clip(rng.normal(0.35 if kind == "type 1" else 0.29, 0.035), 0.18, 0.46)),
        frailty=_mean_one(rng, scenario.frailty_sd),
        harm=_mean_one(rng, 0.6),
        adherence=float(rng.beta(14, 1.5)),
    )


def _sex(index: int, rng: np.random.Generator) -> str:
    drawn = "female" if rng.random() < 0.48 else "male"
    return "unknown" if index % 300 == SEX_NOT_RECORDED else drawn


def _delivery(kind: str, rng: np.random.Generator) -> str:
    shares = [0.45, 0.55, 0.0] if kind == "type 1" else [0.05, 0.55, 0.40]
    return str(rng.choice(["pump", "injections", "none"], p=shares))


def _mean_one(rng: np.random.Generator, sd: float) -> float:
    """A log-normal multiplier with mean 1."""
    return float(np.exp(sd * rng.normal() - sd**2 / 2))
