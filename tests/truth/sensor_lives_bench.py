"""Survival on the eve of the planned day, restricted means and hazard ratios of worn sensors.

Hazards rise with the age of the sensor (Weibull), a patient's sensors share a frailty, a third of
the sensors is seen late and a third is cut off, and lives are whole days, so that ties abound.
Truths are closed forms. With a gamma frailty of mean 1 and variance v, S(t) = (1 + v H(t))^(-1/v);
with a positive stable frailty of index a, a conditional log hazard ratio b is a b marginally
(Hougaard P. Biometrika 1986;73:671-678).

A rule for small clinics is tried beside the intervals as they are: Student's t with G - 1 degrees
of freedom and a variance of G / (G - 1) times, for G patients.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial

import numpy as np
import pandas as pd
from scipy import stats
from scipy.integrate import quad

from outcomes.statistics.competing_risks import cumulative_incidence, difference
from outcomes.statistics.cox import cox
from outcomes.statistics.restricted_means import compare_restricted_means, restricted_mean
from outcomes.statistics.survival import kaplan_meier, survival_difference
from tests.truth.bench import Answer, Bench, Truth

OUTCOME = "Sensor survival to planned removal"
PLANNED = 180
EVE = PLANNED - 1
SHAPE, SCALE = 2.5, 300.0  # cumulative hazard (t / SCALE) ** SHAPE of lot A
LOT_B = 2.0  # its hazard against lot A
EARLY = 5e-4  # taken out early, per day, whatever the age
VARIANCE = 0.8
STABLE, EFFECT = 0.7, 0.9
STATES = ["lost", "early"]


def worn(n: int, rng: np.random.Generator) -> np.ndarray:
    """Patient of each sensor: one to five sensors each."""
    return np.repeat(np.arange(n), rng.integers(1, 6, n))


def seen(frame: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Watch sensors until the planned day; a third enter late, a third meet a cut-off."""
    size = len(frame)
    entry = np.where(rng.random(size) < 1 / 3, rng.integers(0, 60, size), -1)
    cut = np.where(rng.random(size) < 1 / 3, rng.integers(60, PLANNED, size), PLANNED)
    day = np.floor(np.minimum(frame["age"], PLANNED))
    ended = (frame["age"] < PLANNED) & (day <= cut)
    watched = frame.assign(
        entry=entry, exit=np.minimum(day, cut), state=frame["state"].where(ended, "censored")
    )
    return watched[watched["exit"] > watched["entry"]]


def frail(n: int, rng: np.random.Generator) -> pd.DataFrame:
    """Sensors of two lots, both worn by the same patients; lost, or taken out early."""
    patient = worn(n, rng)
    size = len(patient)
    second = rng.random(size) < 0.5
    frailty = rng.gamma(1 / VARIANCE, VARIANCE, n)[patient] * np.where(second, LOT_B, 1.0)
    lost = SCALE * (rng.exponential(size=size) / frailty) ** (1 / SHAPE)
    early = rng.exponential(1 / EARLY, size)
    frame = pd.DataFrame(
        {
            "patient": patient, "lot": np.where(second, "B", "A"),
            "age": np.minimum(lost, early), "state": np.where(lost < early, "lost", "early"),
        }
    )  # fmt: skip
    return seen(frame, rng)


def survival_at(age: float, ratio: float = 1.0) -> float:
    """Share of a lot's sensors that no loss has ended by an age."""
    return float((1 + VARIANCE * ratio * (age / SCALE) ** SHAPE) ** (-1 / VARIANCE))


def lost_on_eve(ratio: float = 1.0) -> float:
    """Share lost before the planned day, while others are taken out early."""

    def density(age: float) -> float:
        cumulative = ratio * (age / SCALE) ** SHAPE
        hazard = ratio * SHAPE / SCALE * (age / SCALE) ** (SHAPE - 1)
        free = (1 + VARIANCE * cumulative) ** (-1 / VARIANCE - 1)
        return float(hazard * free * np.exp(-EARLY * age))

    return float(quad(density, 0, PLANNED)[0])


def mean_days(ratio: float = 1.0) -> float:
    """Mean days free of a loss, of the first 179: lost on day d is lost by the end of d."""
    return sum(survival_at(day + 1, ratio) for day in range(EVE))


def lot(lives: pd.DataFrame, name: str, *, only_losses: bool = False) -> pd.DataFrame:
    mine = lives[lives["lot"] == name]
    return mine.replace({"state": {"early": "censored"}}) if only_losses else mine


def answer(row: pd.Series) -> Answer:
    numbers = (None if pd.isna(row[c]) else float(row[c]) for c in LIMITS)
    return Answer(**dict(zip(("estimate", "low", "high"), numbers, strict=True)))


LIMITS = ("estimate", "conf_low", "conf_high")
SCALES: dict[str, Callable[[float], float]] = {
    "plain": lambda value: value,
    "log": math.log,
    "log-log": lambda share: math.log(-math.log(share)),
}
BACK: dict[str, Callable[[float], float]] = {
    "plain": lambda value: value,
    "log": math.exp,
    "log-log": lambda value: math.exp(-math.exp(value)),
}
SMALL = ", t with G - 1"


def with_small(given: dict[str, tuple[Answer, int, str]]) -> dict[str, Answer]:
    """Each answer as it is, and with the rule for few patients on the scale of its limits."""
    found = {}
    for question, (one, patients, scale) in given.items():
        found |= {question: one, question + SMALL: widened(one, patients, scale)}
    return found


def widened(one: Answer, patients: int, scale: str) -> Answer:
    """The interval with t of G - 1 degrees of freedom and a variance of G / (G - 1) times."""
    if one.estimate is None or one.low is None or one.high is None:
        return one
    factor = stats.t.ppf(0.975, patients - 1) / stats.norm.ppf(0.975)
    factor *= math.sqrt(patients / (patients - 1))
    there, back = SCALES[scale], BACK[scale]
    if 0 in (one.low, one.estimate) or (scale == "log-log" and one.high == 1):
        return one  # a limit at the edge has no place on this scale
    middle = there(one.estimate)
    ends = sorted(back(middle + factor * (there(x) - middle)) for x in (one.low, one.high))
    return Answer(estimate=one.estimate, low=ends[0], high=ends[1])


STRANGERS = "lost, lot A, sensors of a patient taken as strangers"


def on_the_eve(rng: np.random.Generator, *, patients: int) -> dict[str, Answer]:
    """Cumulative incidence and survival on the eve of the planned day."""
    lives = frail(patients, rng)
    a, b = (
        cumulative_incidence(lot(lives, name), times=[EVE], cluster="patient", states=STATES)
        for name in "AB"
    )
    alone = cumulative_incidence(lot(lives, "A"), times=[EVE], states=STATES)
    free = [
        kaplan_meier(lot(lives, name, only_losses=True), times=[EVE], cluster="patient")
        for name in "AB"
    ]
    wearers = lot(lives, "A")["patient"].nunique()
    everybody = lives["patient"].nunique()
    less = difference(b, a, states=["lost"]).iloc[0]
    return {
        **with_small(
            {
                "lost, lot A": (answer(a.at("lost", EVE)), wearers, "log-log"),
                "lost, lot B less lot A": (answer(less), everybody, "plain"),
            }
        ),
        "survival, lot A, had none been taken out early": answer(free[0].table.iloc[0]),
        "survival, lot B less lot A": answer(survival_difference(free[1], free[0]).iloc[0]),
        STRANGERS: answer(alone.at("lost", EVE)),
    }


def both_rules(truths: dict[str, Truth]) -> dict[str, Truth]:
    """The same truth for an interval as it is and with the rule for few patients."""
    return {name + rule: truth for name, truth in truths.items() for rule in ("", SMALL)}


def eve_truths() -> dict[str, Truth]:
    lost = lost_on_eve(), lost_on_eve(LOT_B)
    free = survival_at(PLANNED), survival_at(PLANNED, LOT_B)
    return {
        **both_rules(
            {
                "lost, lot A": Truth(value=lost[0]),
                "lost, lot B less lot A": Truth(value=lost[1] - lost[0]),
            }
        ),
        "survival, lot A, had none been taken out early": Truth(value=free[0]),
        "survival, lot B less lot A": Truth(value=free[1] - free[0]),
        STRANGERS: Truth(value=lost[0]),
    }


def means(rng: np.random.Generator, *, patients: int) -> dict[str, Answer]:
    """Restricted means of days free of a loss, and how two lots differ."""
    lives = frail(patients, rng)
    a, b = (
        restricted_mean(lot(lives, name, only_losses=True), horizon=EVE, cluster="patient")
        for name in "AB"
    )
    both = compare_restricted_means(b, a).set_index("contrast")
    everybody = lives["patient"].nunique()
    return with_small(
        {
            "mean days of 179, lot A": (answer(a.table.iloc[0]), a.n_clusters, "plain"),
            "lot B less lot A": (answer(both.loc["difference"]), everybody, "plain"),
            "lot B over lot A": (answer(both.loc["ratio"]), everybody, "log"),
        }
    )


def mean_truths() -> dict[str, Truth]:
    a, b = mean_days(), mean_days(LOT_B)
    return both_rules(
        {
            "mean days of 179, lot A": Truth(value=a),
            "lot B less lot A": Truth(value=b - a),
            "lot B over lot A": Truth(value=b / a, scale="log"),
        }
    )


def stable(n: int, rng: np.random.Generator, *, within: bool) -> pd.DataFrame:
    """Sensors whose hazard differs between patients (or within them), stable frailty."""
    angle, scale = rng.uniform(0, np.pi, n), rng.exponential(1, n)
    frailty = np.sin(STABLE * angle) / np.sin(angle) ** (1 / STABLE)
    frailty *= (np.sin((1 - STABLE) * angle) / scale) ** ((1 - STABLE) / STABLE)
    patient = worn(n, rng)
    arm = rng.integers(0, 2, len(patient)) if within else rng.integers(0, 2, n)[patient]
    hazard = frailty[patient] * np.exp(EFFECT * arm)
    age = SCALE * (rng.exponential(size=len(patient)) / hazard) ** (1 / SHAPE)
    frame = pd.DataFrame({"patient": patient, "arm": arm, "age": age, "state": "lost"})
    return seen(frame, rng)


ALONE = "hazard ratio, sensors of a patient taken as strangers"


def ratio(rng: np.random.Generator, *, patients: int, within: bool) -> dict[str, Answer]:
    """The marginal hazard ratio, robust by patient, and with sensors taken as strangers."""
    lives = stable(patients, rng, within=within)
    robust = cox(lives, covariates=["arm"], cluster="patient").table.iloc[0]
    alone = cox(lives, covariates=["arm"]).table.iloc[0]
    with_rule = with_small({"hazard ratio": (answer(robust), lives["patient"].nunique(), "log")})
    return {**with_rule, ALONE: answer(alone)}


def ratio_truths() -> dict[str, Truth]:
    value = Truth(value=float(np.exp(STABLE * EFFECT)), scale="log")
    return {**both_rules({"hazard ratio": value}), ALONE: value}


SIZES = (200, 80, 24)
LATE = "rising hazards, shared frailty, late entry"
BENCHES = [
    *(
        Bench(
            outcome=OUTCOME, estimator="survival_on_the_eve", scenario=LATE, patients=n,
            replicate=partial(on_the_eve, patients=n), truths=eve_truths,
        )
        for n in SIZES
    ),
    *(
        Bench(
            outcome=OUTCOME, estimator="restricted_mean_difference", scenario=LATE, patients=n,
            replicate=partial(means, patients=n), truths=mean_truths,
        )
        for n in SIZES
    ),
    *(
        Bench(
            outcome=OUTCOME, estimator="hazard_ratio", scenario=f"{LATE}, {words}", patients=n,
            replicate=partial(ratio, patients=n, within=within), truths=ratio_truths,
        )
        for within, words in ((False, "one arm a patient"), (True, "patients in both arms"))
        for n in SIZES
    ),
]  # fmt: skip
