"""What is true of the invented clinic: closed forms of the generator's own laws, and each patient.

The closed forms are written from the laws in `wear.py`, `course.py` and `glucose.py`, by quadrature
over the frailty and by the normal law, without a draw; the tests hold them against large clinics.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pandas as pd
from scipy.special import ndtr

from .clinic import Clinic, Life, as_date, day
from .course import WEIGHTS, contributions
from .glucose import log_moments, shape_mean, spread
from .scenario import BAD_LOT, KINDS, MODELS, Model, Scenario
from .wear import CAUSES, EARLY, EARLY_DAYS, OVERDUE, VISIT_MEAN, VISIT_RANGE, VISIT_SD

MEANS = np.arange(75.0, 341.0)  # mg/dL; between whole ones the shares are a straight line to 1e-5
SHARES = {
    "share_70_180": (70, 180),
    "share_below_70": (1e-9, 70),
    "share_above_250": (250, 1e9),
}
VISIT_DAYS = (91, 183, 365)
NODES, NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(40)
NODE_WEIGHTS = NODE_WEIGHTS / NODE_WEIGHTS.sum()


# --- sensors ------------------------------------------------------------------------------------


def incidence(model: Model, *, frailty_sd: float, lot_ratio: float = 1.0) -> pd.DataFrame:
    """True cumulative incidence of every end of a sensor of an average patient, without death.

    Returns
    -------
    DataFrame, one row per day from 0 to the planned day less one
        `day`, then for each cause the share of sensors whose time has ended by it on that day or
        before, and `planned`, those whose removal was told as planned and came before that day;
        `planned_too_early` is the part of these that came 12 days or more before the planned day.

    Notes
    -----
    A sensor ends on the whole day of its age. With frailty z (log-normal, mean 1, SD of the log
    `frailty_sd`) the cumulative hazard is z L (a/s)^k for failure, z (a/s)^k for falling off, and
    linear in age for the others; the mean over z is a Gauss-Hermite sum of 40 nodes. Within a
    day the causes share the day's ends as they share its cumulative hazard, which is exact where
    their ratio is constant over a day. An implanted sensor ends by a cause only before its
    removal visit, planned day + round(normal) within bounds.
    """
    edges = np.arange(model.planned_days + 1, dtype=float)
    frailty = np.exp(frailty_sd * NODES - frailty_sd**2 / 2)
    hazards = _cumulative_hazards(model, edges)  # cause, edge
    scale = np.ones((len(CAUSES), len(frailty)))
    scale[0], scale[1] = frailty * lot_ratio, frailty
    by_cause = hazards[:, None, :] * scale[:, :, None]  # cause, node, edge
    total = by_cause.sum(axis=0)
    ending = np.exp(-total[:, :-1]) - np.exp(-total[:, 1:])  # node, day
    steps, all_steps = np.diff(by_cause, axis=2), np.diff(total, axis=1)
    daily = np.einsum("cnd,n->cd", ending * steps / all_steps, NODE_WEIGHTS)
    visited = _visit_by(model)
    shares = {c: np.cumsum(daily[i] * (1 - visited)) for i, c in enumerate(CAUSES)}
    before = 1 - np.concatenate([[0.0], np.cumsum(daily.sum(axis=0))])  # no cause by the day before
    visiting = np.diff(np.concatenate([[0.0], visited])) * before[:-1]
    outlive = visiting.sum() + (1 - visited[-1]) * before[-1]
    early = EARLY * outlive * _early_by(model)
    planned = (1 - OVERDUE - EARLY) * np.cumsum(visiting) + early
    return pd.DataFrame(
        {
            "day": np.arange(model.planned_days), **shares, "planned": planned,
            "planned_too_early": early,
        }
    )  # fmt: skip


def still_working(model: Model, *, frailty_sd: float, lot_ratio: float = 1.0) -> np.ndarray:
    """True share not yet lost after each day if sensors ended by losses alone, by quadrature.

    What a Kaplan-Meier curve estimates that takes every other end for censoring; the other ends
    come at constant hazards whatever the frailty, so that censoring tells nothing.
    """
    frailty = np.exp(frailty_sd * NODES - frailty_sd**2 / 2)
    after = np.arange(1, model.planned_days + 1, dtype=float)
    hazards = _cumulative_hazards(model, after)
    total = np.outer(frailty, hazards[0] * lot_ratio + hazards[1]) + hazards[2:5].sum(axis=0)
    return np.asarray(NODE_WEIGHTS @ np.exp(-total))


def _early_by(model: Model) -> np.ndarray:
    """Chance that a removal told as planned, but early, has happened by each day."""
    days = np.arange(model.planned_days)
    if model.kind == "adhesive":
        return np.zeros(len(days))
    ahead = model.planned_days - days
    first, last = EARLY_DAYS
    return np.clip((last - ahead) / (last - first), 0, 1)


def _cumulative_hazards(model: Model, age: np.ndarray) -> np.ndarray:
    return np.vstack(
        [
            (age / model.failure_scale) ** model.failure_shape,
            (age / model.detached_scale) ** model.detached_shape,
            age * model.infection,
            age * model.skin_reaction,
            age * model.other_complication,
            age * model.patient_choice,
            age * model.medical_need,
        ]
    )


def _visit_by(model: Model) -> np.ndarray:
    """Chance that the removal visit is due on each day or before; adhesive sensors have none."""
    days = np.arange(model.planned_days)
    if model.kind == "adhesive":
        return np.zeros(len(days))
    after = days - model.planned_days
    chance = ndtr((after + 0.5 - VISIT_MEAN) / VISIT_SD)
    return np.where(after < VISIT_RANGE[0], 0.0, chance)


def sensor_truth(scenario: Scenario) -> pd.DataFrame:
    """One row per model, lot and day: the true cumulative incidence of every end.

    `lot` is "usual", or the bad lot for the model that it belongs to.
    """
    parts = []
    for model in MODELS:
        lots = {"usual": 1.0} | ({BAD_LOT: scenario.bad_lot_ratio} if model.name == "IG-1" else {})
        for lot, ratio in lots.items():
            table = incidence(model, frailty_sd=scenario.frailty_sd, lot_ratio=ratio)
            table.insert(0, "lot", lot)
            table.insert(0, "model", model.name)
            parts.append(table)
    return pd.concat(parts, ignore_index=True)


# --- HbA1c --------------------------------------------------------------------------------------


def response(scenario: Scenario, days_since: int) -> float:
    """Share of the full effect on HbA1c that has been reached so many days after a change of wear.

    Mean glucose approaches with e-folding `lag_days`, and HbA1c weighs the days before it by a
    half-life of 30 days.
    """
    ages = days_since - np.arange(len(WEIGHTS))
    reached = np.where(ages >= 0, 1 - np.exp(-(ages + 1) / scenario.lag_days), 0.0)
    return float(WEIGHTS @ reached)


def patient_truth(clinic: Clinic) -> pd.DataFrame:
    """One row per patient: own level, own effects, what was worn from when, and the end.

    `implanted_against_adhesive_91` and its fellows are the patient's own effects on HbA1c, in
    points, so many days after the start; `adhesive_against_none_91` likewise.
    """
    return pd.DataFrame([_patient_row(clinic.scenario, life) for life in clinic.lives])


def _patient_row(scenario: Scenario, life: Life) -> dict[str, object]:
    who, lived = life.course.person, life.course
    effects = {
        f"{name}_{days}": size * response(scenario, days)
        for name, size in (
            ("implanted_against_adhesive", who.effect_implanted),
            ("adhesive_against_none", who.effect_adhesive),
        )
        for days in VISIT_DAYS
    }
    return {
        "patient_id": who.patient_id,
        "entry": who.entry,
        "level": who.level,
        "effect_adhesive": who.effect_adhesive,
        "effect_implanted": who.effect_implanted,
        **effects,
        "trait": who.trait,
        "glycation_gap": who.glycation_gap,
        "cv": who.cv,
        "frailty": who.frailty,
        "harm": who.harm,
        "worn": "; ".join(f"{kind} from {as_date(on)}" for on, kind in lived.kinds),
        "drug_from": day(lived.drug_from),
        "left_on": day(lived.left),
        "died_on": day(lived.died),
    }


def decisions(clinic: Clinic) -> pd.DataFrame:
    """One row per contact at which a kind was chosen, with the true chance of the implanted one.

    `from_*` is what each covariate adds to the log odds of that choice: who is confounded by what.
    """
    return pd.DataFrame(
        [
            {
                "patient_id": life.course.person.patient_id,
                "on": day(d.on),
                "kind_before": d.kind_before,
                "latest_hba1c": d.latest_hba1c,
                **{
                    f"from_{name}": size
                    for name, size in contributions(
                        clinic.scenario, life.course.person, d.latest_hba1c
                    ).items()
                },
                "chance_of_implanted": 1 / (1 + np.exp(-d.log_odds)),
                "chosen": d.chosen,
            }
            for life in clinic.lives
            for d in life.course.decisions
        ]
    )


def choosers(clinic: Clinic) -> pd.DataFrame:
    """One row per contact at which a kind was chosen, with the covariates of the choice."""
    return pd.DataFrame(
        [
            {
                "kind_before": d.kind_before, "chosen": d.chosen, "latest": d.latest_hba1c,
                "age": who.age_years / 10, "type_1": float(who.diabetes_type == "type 1"),
                "trait": who.trait,
            }
            for life in clinic.lives
            for who in [life.course.person]
            for d in life.course.decisions
        ]
    )  # fmt: skip


def confounding(rows: pd.DataFrame, s: Scenario) -> pd.DataFrame:
    """One row per covariate of the choice and kind worn before: what it moves, and by how much.

    `log_odds_per_unit` of choosing the implanted sensor; `hba1c_per_unit` what a unit moves later
    HbA1c by without any sensor (the latest draw through its true level and its chance error);
    means of those who chose each kind, of the rows of `choosers`. An unmeasured trait moves both
    only where the scenario says so.
    """
    moves = {
        "latest HbA1c, points": ("latest", True, s.choice_hba1c, "carries the level and its error"),
        "age, ten years": ("age", True, s.choice_age, "0"),
        "type 1": ("type_1", True, s.choice_type_1, "-0.15 (type 2 is higher)"),
        "trait": ("trait", False, s.unmeasured, "-0.25" if s.unmeasured else "0"),
    }
    found = []
    for before, group in rows.groupby("kind_before"):
        means = group.groupby("chosen").mean(numeric_only=True)
        for name, (column, measured, odds, outcome) in moves.items():
            found.append(
                {
                    "kind_before": before, "covariate": name, "measured": measured,
                    "log_odds_per_unit": odds, "hba1c_per_unit": outcome,
                    **{f"mean_{kind}": means[column].get(kind) for kind in KINDS},
                }
            )  # fmt: skip
    return pd.DataFrame(found)


def starts(clinic: Clinic) -> pd.DataFrame:
    """One row per decision that was followed by a start and day of `VISIT_DAYS` still there.

    `change` is the true HbA1c `days` after the start less the latest measured draw before it;
    `own_effect` the patient's own effect of implanted against adhesive by then, in points, and
    `own_effect_any` that of any sensor against none.
    """
    rows = []
    for life in clinic.lives:
        lived = life.course
        glucose = lived.mean_glucose(clinic.scenario)
        for d in lived.decisions:
            began = [on for on, kind in lived.kinds if kind == d.chosen and on >= d.on]
            stays = d.kind_before == "adhesive" and d.chosen == "adhesive"
            start = d.on if stays else began[0] if began else None
            if start is None:
                continue
            for days in VISIT_DAYS:
                if start + days > lived.end:
                    break
                later = lived.hba1c(clinic.scenario, start + days, glucose)
                reached = response(clinic.scenario, days)
                rows.append(
                    {
                        "patient_id": lived.person.patient_id,
                        "started_on": day(start),
                        "kind_before": d.kind_before,
                        "chosen": d.chosen,
                        "chance_of_implanted": 1 / (1 + np.exp(-d.log_odds)),
                        "latest_hba1c": d.latest_hba1c,
                        "days": days,
                        "change": later - d.latest_hba1c,
                        "own_effect": lived.person.effect_implanted * reached,
                        "own_effect_any": lived.person.effect_adhesive * reached,
                    }
                )
    return pd.DataFrame(rows)


def effects(rows: pd.DataFrame) -> pd.DataFrame:
    """True effects in the clinic's own `starts`, by what was worn before and days since, in points.

    Of implanted against adhesive: `everybody`, `implanted` and `overlap` are means of the patients'
    own effects over all, those who chose it, and with weights e (1 - e); `crude` is the difference
    of mean true changes as it would be seen without adjustment, and `confounding` is `crude` less
    `implanted`: what the choice of the high (and of those who are high by chance) adds.
    `any_sensor` is the mean effect of a sensor against none; `change_implanted` and
    `change_adhesive` are mean true changes.
    """
    found = []
    for (before, days), group in rows.groupby(["kind_before", "days"]):
        chose = group["chosen"] == "implanted"
        own, e = group["own_effect"], group["chance_of_implanted"]
        if not chose.any() or chose.all():
            continue
        crude = group.loc[chose, "change"].mean() - group.loc[~chose, "change"].mean()
        found.append(
            {
                "kind_before": before,
                "days": days,
                "n_implanted": int(chose.sum()),
                "n_adhesive": int((~chose).sum()),
                "everybody": own.mean(),
                "implanted": own[chose].mean(),
                "overlap": np.average(own, weights=e * (1 - e)),
                "crude": crude,
                "confounding": crude - own[chose].mean(),
                "any_sensor": group["own_effect_any"].mean(),
                "change_implanted": group.loc[chose, "change"].mean(),
                "change_adhesive": group.loc[~chose, "change"].mean(),
            }
        )
    return pd.DataFrame(found)


# --- glucose ------------------------------------------------------------------------------------


def expected_share(mean: np.ndarray, cv: float, low: float, high: float) -> np.ndarray:
    """Expected share of true glucose from `low` to `high` (mg/dL) on days with these means."""
    below = {limit: _below(mean, cv, limit) for limit in (low, high)}
    return (below[high] - below[low]).mean(axis=1)


def _below(mean: np.ndarray, cv: float, limit: float) -> np.ndarray:
    """Chance to lie below a limit, by day and quarter of an hour."""
    sigma = spread(cv)
    shift, variance = log_moments(sigma)
    centre = np.log(np.asarray(mean, dtype=float) / shape_mean(sigma))[:, None] + shift
    return np.asarray(ndtr((np.log(limit) - centre) / np.sqrt(variance)))


@lru_cache(maxsize=256)  # two tables of a block of patients ask for the same
def share_curves(cv: float) -> dict[str, np.ndarray]:
    """Expected share in each of `SHARES` at each of `MEANS`."""
    below = {
        limit: _below(MEANS, cv, limit) for limit in {v for pair in SHARES.values() for v in pair}
    }
    return {name: (below[high] - below[low]).mean(axis=1) for name, (low, high) in SHARES.items()}


def months(clinic: Clinic) -> pd.DataFrame:
    """One row per patient and calendar month in the clinic: true mean glucose and expected shares.

    Of true glucose, not of what a sensor reads: `share_70_180`, `share_below_70`, `share_above_250`
    lie between 0 and 1.
    """
    frames = []
    for place, life in enumerate(clinic.lives):
        lived = life.course
        mean = lived.mean_glucose(clinic.scenario)
        mean = mean[lived.person.joined - lived.first : lived.end - lived.first + 1]
        curves = share_curves(lived.person.cv)
        days = np.arange(lived.person.joined, lived.person.joined + len(mean))
        daily = {
            "place": place,
            "month": days.astype("datetime64[D]").astype("datetime64[M]").astype(int),
            "mean_glucose": mean,
            **{name: np.interp(mean, MEANS, curve) for name, curve in curves.items()},
        }
        frames.append(pd.DataFrame(daily))
    monthly = pd.concat(frames).groupby(["place", "month"], as_index=False).mean()
    ids = np.array([life.course.person.patient_id for life in clinic.lives], dtype=object)
    monthly.insert(0, "patient_id", ids[monthly.pop("place")])
    monthly["month"] = monthly["month"].to_numpy().astype("datetime64[M]").astype(str)
    return monthly
