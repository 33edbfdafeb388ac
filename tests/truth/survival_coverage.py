"""Coverage of the survival intervals where one patient wears several sensors.

`python -m tests.truth.survival_coverage` prints the full table (2,000 replicates, 80 and 24
patients). Truths are closed forms: with a gamma frailty of mean 1 and variance v shared by a
patient's sensors and constant hazards, 1 - S(t) = 1 - (1 + v h t)^(-1/v); with a positive stable
frailty of index a, a conditional log hazard ratio b is a b marginally (Hougaard P. Biometrika
1986;73:671-678). Ends are rounded up to whole days, so that ties abound and S at whole days stays.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.statistics.competing_risks import cumulative_incidence, difference
from outcomes.statistics.cox import cox
from outcomes.statistics.restricted_means import restricted_mean
from outcomes.statistics.survival import kaplan_meier

FULL_REPLICATES = 2000
DAY, LAST = 120.0, 180.0
VARIANCE, LOST, EARLY = 0.8, 0.004, 0.002
STABLE, EFFECT = 0.7, 0.9
STATES = ["lost", "early"]


def patients_and_sensors(n: int, rng: np.random.Generator) -> np.ndarray:
    """Patient of each sensor: one to five sensors each."""
    return np.repeat(np.arange(n), rng.integers(1, 6, n))


def observed(
    end: np.ndarray, state: np.ndarray, patient: np.ndarray, rng: np.random.Generator
) -> pd.DataFrame:
    """A third of the sensors enter late, if they still work; a third are censored by a cut-off."""
    size = len(end)
    entry = np.where(rng.random(size) < 1 / 3, rng.integers(0, 60, size), -1)
    cut = np.where(rng.random(size) < 1 / 3, rng.integers(60, int(LAST), size), LAST)
    exit_ = np.minimum(np.ceil(end), cut)
    frame = pd.DataFrame({"entry": entry, "exit": exit_, "patient": patient})
    frame["state"] = np.where(np.ceil(end) <= cut, state, "censored")
    return frame[frame["exit"] > frame["entry"]]


def frail(n: int, rng: np.random.Generator) -> pd.DataFrame:
    """Sensors lost or taken out early; in arm 1 they are lost half as fast."""
    patient = patients_and_sensors(n, rng)
    arm = rng.integers(0, 2, len(patient))
    frailty = rng.gamma(1 / VARIANCE, VARIANCE, n)[patient]
    lost, early = (LOST * np.where(arm == 1, 0.5, 1.0)) * frailty, EARLY * frailty
    end = rng.exponential(1 / (lost + early))
    state = np.where(rng.random(len(end)) < lost / (lost + early), "lost", "early")
    return observed(end, state, patient, rng).join(pd.Series(arm, name="arm"))


def event_free(day: np.ndarray | float, hazard: float) -> np.ndarray | float:
    return (1 + VARIANCE * hazard * day) ** (-1 / VARIANCE)


def lost_by(day: float, lost: float) -> float:
    hazard = lost + EARLY
    return float(lost / hazard * (1 - event_free(day, hazard)))


def stable(n: int, rng: np.random.Generator) -> pd.DataFrame:
    """Sensors whose hazard depends on a patient's arm, with a positive stable frailty."""
    angle, scale = rng.uniform(0, np.pi, n), rng.exponential(1, n)
    frailty = np.sin(STABLE * angle) / np.sin(angle) ** (1 / STABLE)
    frailty *= (np.sin((1 - STABLE) * angle) / scale) ** ((1 - STABLE) / STABLE)
    patient = patients_and_sensors(n, rng)
    arm = rng.integers(0, 2, n)[patient]
    hazard = frailty[patient] * np.exp(EFFECT * arm) * 0.002
    end = rng.exponential(1, len(patient)) / hazard
    return observed(end, np.full(len(end), "lost"), patient, rng).join(pd.Series(arm, name="arm"))


Bounds = tuple[float, float, float]


def _of_arm(lives: pd.DataFrame, arm: int) -> pd.DataFrame:
    return lives[lives["arm"] == arm]


def _row(row: pd.Series) -> Bounds:
    return row["estimate"], row["conf_low"], row["conf_high"]


def lost_share(lives: pd.DataFrame) -> Bounds:
    curve = cumulative_incidence(_of_arm(lives, 0), times=[DAY], cluster="patient", states=STATES)
    return _row(curve.at("lost", DAY))


def lost_share_as_if_strangers(lives: pd.DataFrame) -> Bounds:
    curve = cumulative_incidence(_of_arm(lives, 0), times=[DAY], states=STATES)
    return _row(curve.at("lost", DAY))


def survival(lives: pd.DataFrame) -> Bounds:
    only = _of_arm(lives, 0).replace({"state": {"early": "censored"}})
    return _row(kaplan_meier(only, times=[DAY], cluster="patient").table.iloc[0])


def mean_days(lives: pd.DataFrame) -> Bounds:
    mean = restricted_mean(_of_arm(lives, 0), horizon=DAY, cluster="patient")
    return mean.estimate or 0.0, mean.conf_low or 0.0, mean.conf_high or 0.0


def share_difference(lives: pd.DataFrame) -> Bounds:
    a, b = (
        cumulative_incidence(_of_arm(lives, k), times=[DAY], cluster="patient", states=STATES)
        for k in (1, 0)
    )
    return _row(difference(a, b, states=["lost"]).iloc[0])


def hazard_ratio(lives: pd.DataFrame) -> Bounds:
    return _row(cox(lives, covariates=["arm"], cluster="patient").table.iloc[0])


def hazard_ratio_as_if_strangers(lives: pd.DataFrame) -> Bounds:
    return _row(cox(lives, covariates=["arm"]).table.iloc[0])


@dataclass(frozen=True, kw_only=True)
class Question:
    """What is estimated, on which sensors, and what is true."""

    sensors: Callable[[int, np.random.Generator], pd.DataFrame]
    answer: Callable[[pd.DataFrame], Bounds]
    truth: float


_HAZARD = LOST + EARLY
QUESTIONS = {
    "lost by day 120": Question(sensors=frail, answer=lost_share, truth=lost_by(DAY, LOST)),
    "lost by day 120, as if strangers": Question(
        sensors=frail, answer=lost_share_as_if_strangers, truth=lost_by(DAY, LOST)
    ),
    "survival, early censored": Question(
        sensors=frail, answer=survival, truth=float(event_free(DAY, _HAZARD)) ** (LOST / _HAZARD)
    ),
    "mean days of 120": Question(
        sensors=frail,
        answer=mean_days,
        truth=float(np.sum(event_free(np.arange(DAY), _HAZARD))),
    ),
    "difference, patients in both": Question(
        sensors=frail, answer=share_difference, truth=lost_by(DAY, LOST / 2) - lost_by(DAY, LOST)
    ),
    "hazard ratio": Question(
        sensors=stable, answer=hazard_ratio, truth=float(np.exp(STABLE * EFFECT))
    ),
    "hazard ratio, as if strangers": Question(
        sensors=stable, answer=hazard_ratio_as_if_strangers, truth=float(np.exp(STABLE * EFFECT))
    ),
}


@dataclass(frozen=True, kw_only=True)
class Coverage:
    """Share of intervals that hold the truth, and the estimate's bias in standard errors."""

    holds: float
    bias: float
    replicates: int

    @property
    def half_width(self) -> float:
        """Half of the 99.9 % Monte Carlo interval of a coverage of 95 %."""
        return float(3.2905 * np.sqrt(0.95 * 0.05 / self.replicates))


def coverage(name: str, patients: int, replicates: int, *, seed: int = 20_240) -> Coverage:
    """Simulate and count; a replicate without an interval counts as one that misses."""
    question = QUESTIONS[name]
    rng = np.random.default_rng(seed)
    bounds = np.array([question.answer(question.sensors(patients, rng)) for _ in range(replicates)])
    holds = (bounds[:, 1] <= question.truth) & (question.truth <= bounds[:, 2])
    # A ratio is normal on the log scale, and its bias is judged there.
    log = "ratio" in name
    estimates = np.log(bounds[:, 0]) if log else bounds[:, 0]
    truth = np.log(question.truth) if log else question.truth
    bias = (np.nanmean(estimates) - truth) / np.nanstd(estimates)
    return Coverage(holds=float(holds.mean()), bias=float(bias), replicates=replicates)


def main() -> None:
    """Print coverage and bias of every question; `survival_coverage.txt` keeps the full run."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--replicates", type=int, default=FULL_REPLICATES)
    asked = parser.parse_args()
    print(f"{'':36s}{'patients':>9s}{'coverage':>10s}{'bias / SE':>11s}")
    for name in QUESTIONS:
        for patients in (80, 24):
            found = coverage(name, patients, asked.replicates)
            print(f"{name:36s}{patients:9d}{found.holds:10.3f}{found.bias:11.3f}")


if __name__ == "__main__":
    main()
