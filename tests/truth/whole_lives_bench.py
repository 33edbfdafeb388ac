"""Whole lives in the invented clinic: several entries a patient, those who switch and who start.

`python -m tests.truth comparison_trials` runs it: exports without readings through cohorts and
trials. The truth is that of the decision, not of the wearing: sensors come days after the contact,
draws when they come, some who stayed switch before month 6, some implanted sensors are not placed
again. It is the difference of what the sensors and drugs truly did to HbA1c by each entry's draw,
arms weighted by the true chance of the choice, in clinics so large that its error is small.
"""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd
from scipy.special import expit

from outcomes.cohorts.build import build_cohorts
from outcomes.comparison.contrasts import ON_KIND, OUTCOME_OF, POLICY, contrast
from outcomes.comparison.people import Compared, compared
from outcomes.comparison.trial import FIRST, SWITCH, person_trials
from outcomes.comparison.weights import overlap
from outcomes.tables.study import write_study
from synthetic.clinic import Clinic
from synthetic.clinic import clinic as whole_clinic
from synthetic.course import WEIGHTS, Course, log_odds
from synthetic.scenario import Scenario, day_number
from tests.comparison_clinic import EXPORTED_ON, declared_tables, plan
from tests.truth.bench import Answer, Bench, Truth
from tests.truth.comparison_bench import MONTH, OUTCOME, as_compared, said

USED_TO_ADHESIVE = 1.3  # log odds by which an adhesive wearer changes less readily
MISTAKE = "first implanted sensors set against those who stay on adhesive"


def entered(made: Clinic) -> dict[str, Compared]:
    """Entries due at the visit in both trials, from the clinic's own tables."""
    with TemporaryDirectory() as folder:
        study = write_study(
            Path(folder) / "study", declared_tables(made), clinic="Invented clinic",
            time_zone="Europe/Berlin", exported_on=EXPORTED_ON,
        )  # fmt: skip
        trials = person_trials(build_cohorts(study, plan(), quarter="2026-Q3"))
    rules = plan().comparison
    return {
        trial: compared(trials, trial=trial, month=MONTH, rules=rules) for trial in (SWITCH, FIRST)
    }


def lives(rng: np.random.Generator) -> dict[str, Answer]:
    """Every contrast of both trials, and the mistake of mixing them."""
    rules = plan().comparison
    found = entered(whole_clinic(300, int(rng.integers(2**31))))
    answers = {
        f"{trial}: {estimand}": said(
            contrast(each, outcome=outcome, rules=rules, refusal=overlap(each, rules).refusal)
        )
        for trial, each in found.items()
        for estimand, outcome in OUTCOME_OF.items()
    }
    stays = found[SWITCH].rows.query("arm == 'adhesive'")
    starts = found[FIRST].rows.query("arm == 'implanted'")
    mixed = as_compared(pd.concat([stays, starts], ignore_index=True), rules)
    answers[MISTAKE] = said(contrast(mixed, outcome="change", rules=rules))
    return answers


# --- what is true --------------------------------------------------------------------------------


def done_by(scenario: Scenario, lived: Course, on: int) -> float:
    """What sensors and drugs had done to HbA1c by a day, in points."""
    points = lived.effect(scenario)
    if lived.drug_from is not None:
        since = np.arange(len(points)) - (lived.drug_from - lived.first) + 1
        points = points - scenario.drug_effect * np.expm1(-np.maximum(since, 0) / scenario.lag_days)
    place = min(on - lived.first, len(points) - 1)
    past = points[max(place - len(WEIGHTS) + 1, 0) : place + 1][::-1]
    return float(np.average(past, weights=WEIGHTS[: len(past)]))


def chance(scenario: Scenario, lived: Course, trial: str, on: int) -> float:
    """True chance that the entry of a day leads to an implanted sensor."""
    if trial == FIRST:
        made = [d for d in lived.decisions if d.kind_before == "none" and d.on <= on + 1]
        return float(expit(made[-1].log_odds))
    latest = [draw.percent for draw in lived.draws if draw.on <= on][-1]
    odds = log_odds(scenario, lived.person, latest) - USED_TO_ADHESIVE
    return float(scenario.offer * expit(odds))


def truly(made: Clinic) -> pd.DataFrame:
    """One row per entry: arm, true chance, what was done to HbA1c by its draw, on its kind or not.

    Who was not drawn counts at day 183 of the entry.
    """
    courses = {life.course.person.patient_id: life.course for life in made.lives}
    lines = []
    for trial, found in entered(made).items():
        for row in found.rows.itertuples():
            lived, zero = courses[row.patient_id], day_number(row.time_zero.date())
            at = zero + 183 if pd.isna(row.drawn_on) else day_number(row.drawn_on.date())
            lines.append(
                (
                    trial, row.patient_id, row.arm, chance(made.scenario, lived, trial, zero),
                    done_by(made.scenario, lived, at),
                    row.on_kind_until >= row.time_zero + pd.Timedelta(days=at - zero),
                )
            )  # fmt: skip
    return pd.DataFrame(lines, columns=["trial", "patient", "arm", "chance", "done", "on_kind"])


def weighted(rows: pd.DataFrame) -> tuple[float, float]:
    """Difference of the arms in the overlap population, and its error clustered by patient."""
    implanted = (rows["arm"] == "implanted").to_numpy()
    weight = np.where(implanted, 1 - rows["chance"], rows["chance"])
    difference, own = 0.0, np.zeros(len(rows))
    for arm, sign in ((implanted, 1.0), (~implanted, -1.0)):
        mean = np.average(rows["done"][arm], weights=weight[arm])
        own[arm] = sign * (weight * (rows["done"] - mean))[arm] / weight[arm].sum()
        difference += sign * mean
    by_patient = pd.Series(own).groupby(rows["patient"].to_numpy()).sum()
    return float(difference), float(np.sqrt((by_patient**2).sum()))


# `truths_made(14)`: 14 clinics of 3,000 patients.
TRUTHS: dict[str, tuple[float, float]] = {
    f"{SWITCH}: {POLICY}": (-0.1474, 0.0058),
    f"{SWITCH}: {ON_KIND}": (-0.1630, 0.0064),
    f"{FIRST}: {POLICY}": (-0.1254, 0.0050),
    f"{FIRST}: {ON_KIND}": (-0.1450, 0.0053),
}


def truths_made(clinics: int, patients: int = 3000) -> dict[str, tuple[float, float]]:
    """Make the truths again (about 20 seconds a clinic)."""
    drawn = pd.concat(
        truly(whole_clinic(patients, seed)).assign(seed=seed) for seed in range(100, 100 + clinics)
    )
    drawn["patient"] = drawn["patient"] + "/" + drawn["seed"].astype(str)
    return {
        f"{trial}: {estimand}": weighted(part.loc[part["on_kind"] | (estimand == POLICY)])
        for trial, part in drawn.groupby("trial", sort=False)
        for estimand in (POLICY, ON_KIND)
    }


def truths() -> dict[str, Truth]:
    """Truths of the questions; the mistake is held to what those who stay would gain."""
    known = {**TRUTHS, MISTAKE: TRUTHS[f"{SWITCH}: {POLICY}"]}
    return {name: Truth(value=value, error=error) for name, (value, error) in known.items()}


BENCHES = [
    Bench(
        outcome=OUTCOME, estimator="comparison_trials",
        scenario="whole lives, several entries a patient", patients=300, replicate=lives,
        truths=truths, replicates=200,
    )
]  # fmt: skip
