"""Analysis tables without readings, for studies of coverage: a clinic in milliseconds.

Simpler laws than the full clinic's, each with a truth that is known: a confounded choice of kind
and HbA1c at the visits with leaving that depends on what was seen; sensors with a patient's
frailty, late entry and independent censoring; shares of time in range by period; harm. Truths are
closed forms where there is one (`true_incidence`, `true_levels`, the rates themselves) and else the
mean of a million draws of the same law with its Monte Carlo error (`true_effects`).

All sizes are inventions; the ranges for plausibility stand in `scenario.py`.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd
from scipy.special import expit

from .scenario import MODEL, Model
from .truth import incidence
from .wear import CAUSES, lives

MONTHS: Final = (3, 6, 12)
VISIT_DAYS: Final = (91, 183, 365)
REACHED: Final = (0.84, 0.99, 1.0)  # share of the full effect at each visit
COHORTS: Final = ("adhesive", "implanted")
PERIODS: Final = 13
TABLES: Final = ("visits", "sensors", "periods", "harm")
HOLD_FROM: Final = 2  # the first period that a placement's own weeks do not touch
YEARS: Final = (0.15, 1.6)  # shortest and longest exposure to harm
LOSSES: Final = CAUSES[:5]
NODES, NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(60)
NODE_WEIGHTS = NODE_WEIGHTS / NODE_WEIGHTS.sum()


@dataclass(frozen=True, kw_only=True)
class Setting:
    """The true sizes. HbA1c in points; log odds; rates per patient-year; shares on the logit."""

    patients: int = 120
    # choice of an implanted sensor
    choice: float = -0.35
    choice_hba1c: float = 0.60  # per point of measured baseline above `centre`
    choice_age: float = -0.15  # per ten years above 52
    choice_type_1: float = 0.40
    unmeasured: float = 0.0  # log odds per unit of a trait that also moves HbA1c by -0.25
    # HbA1c
    centre: float = 7.9
    level_sd: float = 0.85
    swing_sd: float = 0.30  # a patient's own swings, e-folding 66 days
    noise_sd: float = 0.14
    own_course: float = -0.40  # in both arms: from no sensor to a sensor
    own_course_per_point: float = -0.15  # more for each point of true level above `centre`
    effect: float = -0.15  # implanted against adhesive
    effect_per_point: float = -0.05
    effect_sd: float = 0.20
    leaving: float = -3.2  # log odds of leaving after each visit
    leaving_hba1c: float = 0.5  # per point of the latest value above `centre`
    missed: float = 0.10  # visits missed by chance
    # sensors
    model: str = "IG-1"
    frailty_sd: float = 0.5
    lot_ratio: float = 1.0  # hazard of failure in lot B against lot A
    more_sensors: int = 3  # beyond the first: binomial of this many, chance 0.5
    late_share: float = (
        0.2  # of sensors seen only from a day in the first third of the planned life
    )
    # shares of time in range, logit by cohort: before, early, held
    before: tuple[float, float] = (0.45, 0.25)
    gain: tuple[float, float] = (0.20, 0.45)
    patient_sd: float = 0.55
    period_sd: float = 0.25
    with_baseline: float = 0.6
    quitting: float = -4.2  # log odds of leaving after each period, at a share of 0.65
    quitting_share: float = -2.0  # per 1 of the share in the period before
    # harm
    harm_rate: tuple[float, float] = (0.40, 0.15)
    harm_sd: float = 0.6  # of the log, between patients
    procedure_harm: float = 0.05


@dataclass(frozen=True, kw_only=True, eq=False)
class Tables:
    """One clinic's analysis tables.

    `patients`: patient_id, cohort, age_years, sex, diabetes_type, baseline_hba1c, propensity
    (true chance of implanted given the measured covariates).
    `visits`: patient_id, cohort, month, value (seen visits only), change from baseline.
    `sensors`: sensor_id, patient_id, lot, entry (-1 where seen from placement), exit (days since
    placement), end (a cause, "reached" at the planned day, "censored").
    `periods`: patient_id, cohort, period (0 is before the index date), share.
    `harm`: patient_id, cohort, events, years, first (years to the first event, missing where there
    was none), procedures, procedure_events.
    """

    patients: pd.DataFrame
    visits: pd.DataFrame
    sensors: pd.DataFrame
    periods: pd.DataFrame
    harm: pd.DataFrame


def tables(setting: Setting, rng: np.random.Generator, *, only: Collection[str] = TABLES) -> Tables:
    """Draw one clinic; a table that is not among `only` is left empty.

    Every table has its own stream, so one drawn alone is the same as drawn with the others.
    """
    people, visiting, wearing, reading, harming = rng.spawn(5)
    who = _people(setting, setting.patients, people)
    frame = pd.DataFrame(
        {
            "patient_id": [f"P{k:04d}" for k in range(setting.patients)],
            "cohort": np.array(COHORTS, dtype=object)[who.arm],
            "age_years": who.age,
            "sex": np.where(who.female, "female", "male"),
            "diabetes_type": np.where(who.type_1, "type 1", "type 2"),
            "baseline_hba1c": who.baseline,
            "propensity": who.chance,
        }
    )
    draws: dict[str, Callable[[], pd.DataFrame]] = {
        "visits": lambda: _visits(setting, who, frame, visiting),
        "sensors": lambda: _sensors(setting, frame, wearing),
        "periods": lambda: _periods(setting, who, frame, reading),
        "harm": lambda: _harm(setting, who, frame, harming),
    }
    empty = pd.DataFrame()
    drawn = {name: draw() if name in only else empty for name, draw in draws.items()}
    return Tables(patients=frame, **drawn)


# --- people and HbA1c ---------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class _People:
    age: np.ndarray
    female: np.ndarray
    type_1: np.ndarray
    level: np.ndarray  # true
    swing: np.ndarray  # at baseline
    baseline: np.ndarray  # measured
    trait: np.ndarray
    chance: np.ndarray  # of implanted, given the measured covariates and the trait
    arm: np.ndarray  # 1 implanted
    effect: np.ndarray  # own, full


def _people(s: Setting, n: int, rng: np.random.Generator) -> _People:
    age, level, swing, noise, trait, own = rng.standard_normal((6, n))
    age, level = 52 + 15 * age, s.centre + s.level_sd * level
    female, type_1, choice = rng.random((3, n))
    first = type_1 < 0.6
    baseline = level + s.swing_sd * swing + s.noise_sd * noise
    odds = (
        s.choice
        + s.choice_hba1c * (baseline - s.centre)
        + s.choice_age * (age - 52) / 10
        + s.choice_type_1 * first
        + s.unmeasured * trait
    )
    chance = expit(odds)
    effect = s.effect + s.effect_per_point * (level - s.centre) + s.effect_sd * own
    return _People(
        age=age, female=female < 0.5, type_1=first, level=level, swing=s.swing_sd * swing,
        baseline=baseline, trait=trait, chance=chance, arm=(choice < chance).astype(int),
        effect=effect,
    )  # fmt: skip


def _hba1c(s: Setting, who: _People, arm: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """HbA1c at the visits under the arms given: one row a patient, one column a visit."""
    n = len(who.level)
    swing, day, values = who.swing, 0, np.empty((n, len(MONTHS)))
    course = s.own_course + s.own_course_per_point * (who.level - s.centre)
    trait = -0.25 * who.trait * (s.unmeasured != 0.0)
    for place, (to, reached) in enumerate(zip(VISIT_DAYS, REACHED, strict=True)):
        keep = np.exp(-(to - day) / 66)
        swing = keep * swing + s.swing_sd * np.sqrt(1 - keep**2) * rng.standard_normal(n)
        moved = reached * (course + trait + arm * who.effect)
        values[:, place] = who.level + swing + moved + s.noise_sd * rng.standard_normal(n)
        day = to
    return values


def _visits(
    s: Setting, who: _People, people: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    values, seen = _seen(s, who, rng)
    row, visit = np.nonzero(seen)
    return pd.DataFrame(
        {
            "patient_id": people["patient_id"].to_numpy()[row],
            "cohort": people["cohort"].to_numpy()[row],
            "month": np.array(MONTHS)[visit],
            "value": values[row, visit],
            "change": values[row, visit] - who.baseline[row],
        }
    )


def _seen(s: Setting, who: _People, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Values at the visits under the patients' own arms, and which of them were seen."""
    values = _hba1c(s, who, who.arm, rng)
    missed = rng.random(values.shape) < s.missed
    leaving = rng.random(values.shape)
    here = np.ones(len(values), dtype=bool)
    latest = who.baseline
    seen = np.zeros(values.shape, dtype=bool)
    for place in range(values.shape[1]):
        # Leaving follows the latest value that was seen: missing at random, given it.
        here &= leaving[:, place] >= expit(s.leaving + s.leaving_hba1c * (latest - s.centre))
        seen[:, place] = here & ~missed[:, place]
        latest = np.where(seen[:, place], values[:, place], latest)
    return values, seen


@dataclass(frozen=True, kw_only=True)
class Effect:
    """A true size from many draws, and the Monte Carlo error of it."""

    value: float
    error: float


def true_effects(
    setting: Setting, *, month: int = 6, draws: int = 1_000_000, seed: int = 1
) -> dict[str, Effect]:
    """True sizes of HbA1c at a visit, in points, from `draws` patients.

    Returns
    -------
    dict
        "everybody", "implanted", "overlap": the effect of implanted against adhesive in all, in
        those who chose it, and in the overlap population (weights e (1 - e) with the true
        propensity given the measured covariates). "crude": difference of mean changes as seen
        without any adjustment and without leaving; "confounding" is that less "implanted".
        "change implanted", "change adhesive": mean changes within the cohorts; "seen implanted",
        "seen adhesive": the same of those alone who came to the visit. "adjusted": the limit of a
        linear model of the value on cohort and measured baseline, which is what an analysis of
        covariance estimates where effects differ between patients.
    """
    rng = np.random.default_rng([seed, month])
    who = _people(setting, draws, rng)
    all_values, all_seen = _seen(setting, who, rng)
    values, seen = (x[:, MONTHS.index(month)] for x in (all_values, all_seen))
    own = REACHED[MONTHS.index(month)] * who.effect
    change = values - who.baseline
    implanted = who.arm == 1
    given = who.chance if setting.unmeasured == 0.0 else _measured_propensity(setting, who)
    return {
        "everybody": _mean(own),
        "implanted": _mean(own[implanted]),
        "overlap": _mean(own, given * (1 - given)),
        "change implanted": _mean(change[implanted]),
        "change adhesive": _mean(change[~implanted]),
        "seen implanted": _mean(change[implanted & seen]),
        "seen adhesive": _mean(change[~implanted & seen]),
        "adjusted": _adjusted(values, who),
        "crude": _difference(change[implanted], change[~implanted]),
        "confounding": _difference(change[implanted] - own[implanted], change[~implanted]),
    }


def _adjusted(values: np.ndarray, who: _People) -> Effect:
    """Coefficient of the arm in a linear model of the value on arm and measured baseline."""
    design = np.column_stack([np.ones(len(values)), who.arm, who.baseline])
    inverse = np.linalg.inv(design.T @ design)
    coefficients = inverse @ design.T @ values
    influence = (design @ inverse[1]) * (values - design @ coefficients)
    return Effect(value=float(coefficients[1]), error=float(np.sqrt((influence**2).sum())))


def _measured_propensity(s: Setting, who: _People) -> np.ndarray:
    """Chance of implanted given the measured covariates alone: the trait is averaged away."""
    plain = np.log(who.chance / (1 - who.chance)) - s.unmeasured * who.trait
    return np.asarray(expit(plain[:, None] + s.unmeasured * NODES[None, 10:50]) @ (
        NODE_WEIGHTS[10:50] / NODE_WEIGHTS[10:50].sum()
    ))  # fmt: skip


def _mean(values: np.ndarray, weights: np.ndarray | None = None) -> Effect:
    w = np.ones(len(values)) if weights is None else weights
    mean = float(np.average(values, weights=w))
    return Effect(value=mean, error=float(np.sqrt((w**2 * (values - mean) ** 2).sum()) / w.sum()))


def _difference(one: np.ndarray, other: np.ndarray) -> Effect:
    a, b = _mean(one), _mean(other)
    return Effect(value=a.value - b.value, error=float(np.hypot(a.error, b.error)))


# --- sensors ------------------------------------------------------------------------------------


def _sensors(s: Setting, people: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    model, n = MODEL[s.model], len(people)
    count = 1 + rng.binomial(s.more_sensors, 0.5, n)
    owner = np.repeat(np.arange(n), count)
    frailty = np.exp(s.frailty_sd * rng.standard_normal(n) - s.frailty_sd**2 / 2)[owner]
    second = rng.random(len(owner)) < 0.5
    age, cause = lives(model, len(owner), frailty, np.where(second, s.lot_ratio, 1.0), rng)
    day = np.minimum(np.floor(age).astype(int), model.planned_days)
    end = np.where(day < model.planned_days, np.array(CAUSES, dtype=object)[cause], "reached")
    censored = rng.integers(1, int(1.6 * model.planned_days), len(owner))
    end = np.where(censored < day, "censored", end)
    leaves = np.minimum(day, censored)
    late = rng.random(len(owner)) < s.late_share
    entry = np.where(late, rng.integers(1, model.planned_days // 3 + 1, len(owner)), -1)
    seen = entry < leaves  # those that ended by the day they would have been seen never are
    sensors = pd.DataFrame(
        {
            "sensor_id": [f"S{k:05d}" for k in range(len(owner))],
            "patient_id": people["patient_id"].to_numpy()[owner],
            "lot": np.where(second, "B", "A"),
            "entry": entry,
            "exit": leaves,
            "end": end,
        }
    )
    return sensors[seen].reset_index(drop=True)


def true_incidence(setting: Setting, *, lot: str | None = None) -> pd.DataFrame:
    """True cumulative incidence by day: one column a cause and `lost`, the sum of the losses.

    Of an average sensor; both lots alike where `lot` is None. Without planned removals before the
    planned day, which this generator does not make.
    """
    model = _without_visits(MODEL[setting.model])
    parts = [
        incidence(
            model,
            frailty_sd=setting.frailty_sd,
            lot_ratio=setting.lot_ratio if which == "B" else 1.0,
        )
        for which in ("A", "B")
        if lot in (None, which)
    ]
    table = sum(parts[1:], parts[0]) / len(parts)
    table = table.drop(columns=["planned", "planned_too_early"]).assign(
        lost=table[list(LOSSES)].sum(axis=1)
    )
    return table.assign(day=parts[0]["day"])


def _without_visits(model: Model) -> Model:
    """The same hazards without removal visits: the closed form has none for adhesive sensors."""
    return replace(model, kind="adhesive")


# --- shares of time in range --------------------------------------------------------------------


def _logit(s: Setting, arm: np.ndarray | int, period: np.ndarray) -> np.ndarray:
    """Mean logit by arm and period: a rise that is there by the third period, and holds."""
    before, gain = np.array(s.before)[arm], np.array(s.gain)[arm]
    return np.asarray(before + gain * np.clip(period / 3, 0, 1))


def _periods(
    s: Setting, who: _People, people: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    share, missing = _shares(s, who, rng)
    row, column = np.nonzero(~missing)
    return pd.DataFrame(
        {
            "patient_id": people["patient_id"].to_numpy()[row],
            "cohort": people["cohort"].to_numpy()[row],
            "period": column,
            "share": share[row, column],
        }
    )


def _shares(s: Setting, who: _People, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Shares by patient and period, and which of them are missing."""
    n, period = len(who.arm), np.arange(PERIODS + 1)
    own = s.patient_sd * rng.standard_normal((n, 1))
    logit = _logit(s, who.arm[:, None], period[None, :]) + own
    share = expit(logit + s.period_sd * rng.standard_normal(logit.shape))
    missing, leaving = rng.random(share.shape) < 0.06, rng.random(share.shape)
    missing[:, 0] |= rng.random(n) >= s.with_baseline
    # Who was low in the period before leaves more often: missing at random, given it.
    chance = expit(s.quitting + s.quitting_share * (share[:, :-1] - 0.65))
    gone = np.maximum.accumulate(leaving[:, 1:] < chance, axis=1)
    missing[:, 1:] |= gone
    return share, missing


def true_shares_seen(
    setting: Setting, *, draws: int = 1_000_000, seed: int = 1, begin: int = 0, end: int = 7
) -> dict[str, Effect]:
    """True mean shares, and changes between two periods, of those with data, from `draws`.

    The low leave more often, so the levels of later periods are not those of everybody
    (`true_levels`).

    Returns
    -------
    dict
        For each cohort "level COHORT" (of period `end`), "change COHORT" (from `begin` to `end`,
        of those with both) and "hold COHORT" (from `HOLD_FROM` to `end`, of those without 0),
        where there is anybody.
    """
    rng = np.random.default_rng([seed, begin, end])
    sums: dict[str, list[np.ndarray]] = {}
    for _ in range(10):  # in parts, to keep the memory small
        who = _people(setting, draws // 10, rng)
        share, missing = _shares(setting, who, rng)
        for arm, cohort in enumerate(COHORTS):
            mine, here = who.arm == arm, ~missing
            both = mine & here[:, begin] & here[:, end]
            held = mine & here[:, HOLD_FROM] & here[:, end] & ~here[:, 0]
            for name, values in (
                (f"level {cohort}", share[mine & here[:, end], end]),
                (f"change {cohort}", share[both, end] - share[both, begin]),
                (f"hold {cohort}", share[held, end] - share[held, HOLD_FROM]),
            ):
                sums.setdefault(name, []).append(values)
    whole = {name: np.concatenate(values) for name, values in sums.items()}
    return {name: _mean(values) for name, values in whole.items() if len(values)}


def true_levels(setting: Setting) -> pd.DataFrame:
    """True mean share of each cohort in each period, as if nobody were missing.

    The logit is normal with variance patient_sd^2 + period_sd^2; its mean on the scale of shares is
    a Gauss-Hermite sum of 60 nodes.
    """
    sd = np.hypot(setting.patient_sd, setting.period_sd)
    period = np.arange(PERIODS + 1)
    return pd.concat(
        [
            pd.DataFrame(
                {
                    "cohort": cohort,
                    "period": period,
                    "share": expit(_logit(setting, arm, period)[:, None] + sd * NODES)
                    @ NODE_WEIGHTS,
                }
            )
            for arm, cohort in enumerate(COHORTS)
        ],
        ignore_index=True,
    )


# --- harm ---------------------------------------------------------------------------------------


def _harm(s: Setting, who: _People, people: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Events and years a patient; the true rate is `harm_rate`, since the own factor has mean 1."""
    n = len(people)
    own = np.exp(s.harm_sd * rng.standard_normal(n) - s.harm_sd**2 / 2)
    years = rng.uniform(*YEARS, n)
    procedures = np.where(who.arm == 1, 2 + rng.binomial(4, 0.4, n), 0)
    events = rng.poisson(np.array(s.harm_rate)[who.arm] * own * years)
    procedure_events = rng.binomial(procedures, s.procedure_harm)
    # The first of k times spread evenly over the years: 1 - U^(1/k) of them.
    some = events > 0
    first = np.full(n, np.nan)
    first[some] = years[some] * (1 - rng.random(n)[some] ** (1 / events[some]))
    return pd.DataFrame(
        {
            "patient_id": people["patient_id"],
            "cohort": people["cohort"],
            "events": events,
            "years": years,
            "first": first,
            "procedures": procedures,
            "procedure_events": procedure_events,
        }
    )


def true_first_rate(setting: Setting, cohort: str) -> float:
    """True rate of first events: expected first events over expected years up to them.

    With rate l z (z log-normal, mean 1) and years c, a first event comes with chance
    1 - exp(-l z c) and takes that over l z years on average. Means over z by 60 nodes, over c
    (even between the limits of `YEARS`) by 40.
    """
    rate = setting.harm_rate[COHORTS.index(cohort)]
    own = rate * np.exp(setting.harm_sd * NODES - setting.harm_sd**2 / 2)
    place, weight = np.polynomial.legendre.leggauss(40)
    years = YEARS[0] + (YEARS[1] - YEARS[0]) * (place + 1) / 2
    chance = NODE_WEIGHTS @ -np.expm1(-own[:, None] * years) @ weight / 2
    time = NODE_WEIGHTS @ (-np.expm1(-own[:, None] * years) / own[:, None]) @ weight / 2
    return float(chance / time)
