"""The trial we wish we had, printed beside how the clinic's records emulate it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.comparison.arms import co_interventions, trial_baseline, trial_flow
from outcomes.comparison.trial import PersonTrials, person_trials
from outcomes.comparison.words import CAUTION, called, standing
from outcomes.plan import Comparison
from outcomes.results import Result, Show

SOURCES: Final = (
    "Items after TARGET (Cashin AG, Hansford HJ et al. JAMA and BMJ 2025) and STROBE (von Elm E et "
    "al. 2007), in our own words; design after Hernan MA, Robins JM. Am J Epidemiol "
    "2016;183:758-764 (from memory)."
)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class EmulatedTrial(Result):
    """What `emulated_trial` returns.

    Attributes
    ----------
    trials : PersonTrials
        Everybody's entries, with ids; never leaves the clinic.
    flow, baseline, co_interventions : Result
    """

    trials: PersonTrials
    flow: Result
    baseline: Result
    co_interventions: Result


def emulated_trial(cohorts: CohortSet, *, at_month: int | None = None) -> EmulatedTrial:
    """Set the trial we wish we had beside how the records emulate it, and who is in it.

    Parameters
    ----------
    cohorts : CohortSet
    at_month : int, optional
        The visit for which the flow counts who can be compared; by default the primary month.

    Returns
    -------
    EmulatedTrial
        `.table` has one row per item: what the wished-for trial would do, what was done here, and
        what cannot be emulated. `.flow`, `.baseline` and `.co_interventions` are results.
    """
    rules = cohorts.plan.comparison
    trials = person_trials(cohorts)
    month = cohorts.plan.hba1c.primary_month if at_month is None else at_month
    flow = trial_flow(trials, cohorts, month=month)
    return EmulatedTrial(
        name="comparison_trial",
        title="The trial we wish we had, and what stands for it",
        table=pd.DataFrame(
            _items(cohorts, rules), columns=["item", "wished", "done", "not_emulated"]
        ),
        entries=(),
        finding=f"{flow.finding} Nobody was drawn by lot.",
        caption="The wished-for randomised trial, item by item, beside its emulation.",
        footnotes=[SOURCES, CAUTION, standing(cohorts).sentence],
        show={
            "item": Show("Item"),
            "wished": Show("The trial we wish we had"),
            "done": Show("How the records emulate it"),
            "not_emulated": Show("What cannot be emulated"),
        },
        trials=trials,
        flow=flow,
        baseline=trial_baseline(trials, cohorts, trial=rules.primary_trial),
        co_interventions=co_interventions(trials, cohorts, trial=rules.primary_trial),
    )


def _items(cohorts: CohortSet, rules: Comparison) -> list[tuple[str, str, str, str]]:
    plan, hba1c = cohorts.plan, cohorts.plan.hba1c
    contacts = " or ".join(f"“{what}”" for what in rules.time_zero_contacts)
    months = ", ".join(str(m) for m in hba1c.visit_months if m >= hba1c.primary_month)
    shifts = " and ".join(str(size) for size in rules.shifts_mg_dl)
    equal = plan.complications.equal_solicitation
    windows = "; ".join(
        f"month {m}: day {a} to {b}"
        for m, a, b in zip(
            hba1c.visit_months, hba1c.window_from_days, hba1c.window_to_days, strict=True
        )
    )
    return [
        (
            "Question",
            "Does placing an implanted instead of an adhesive sensor change HbA1c?",
            f"The same, as an {called(rules)}; primary: “{rules.primary_trial}” at month "
            f"{hba1c.primary_month}.",
            "Whether a difference is caused by the sensor, or by what made patients choose it.",
        ),
        (
            "Eligibility",
            "Adults on an adhesive sensor who could have either kind; patients who never wore one "
            "as a stratum of their own.",
            f"“Switch or stay”: adhesive sensors worn for {rules.adhesive_days} days (gaps up to "
            f"{rules.wear_gap_days} days), {plan.cohorts.coverage_days} covered days without an "
            "implanted one. “First sensor”: never wore one, by the clinic's records. Prevalent "
            "wearers of implanted sensors are counted and left out.",
            "Contraindications and insurance rules that are not recorded; wear outside the "
            "clinic's records.",
        ),
        (
            "Strategies",
            "Switch to implanted sensors now, or stay on adhesive ones; afterwards care as usual.",
            f"Switch: an implanted sensor placed within {rules.decision_days} days of the contact "
            "and before the next entry. Stay: no such placement. “First sensor”: the kind of the "
            "first placement.",
            "Everybody knows what they wear; no blinding is possible.",
        ),
        (
            "Assignment",
            "By lot, at time zero.",
            f"By patient and clinic. Made alike by a score of: {', '.join(rules.covariates)}"
            f" ({rules.spline_covariate} as a curve where the arms are large enough).",
            "What made patients choose and is not recorded: motivation, skills, fear of lows.",
        ),
        (
            "Time zero",
            "The moment of the lot, the same for both arms.",
            f"The first contact of the quarter ({contacts}) at which either was possible, in both "
            "arms; one entry a patient and quarter, so that a patient may enter several times. "
            "“First sensor”: the last such contact before the placement. No arm is given time "
            "before its sensor in which it could not have had the outcome.",
            "Whether either was truly possible at that contact is not recorded unless an offer is.",
        ),
        (
            "Follow-up",
            "To month 12 or death; nobody lost.",
            f"To the visit ({windows}), death, loss or the cut-off {cohorts.cut_off}; lost: no "
            f"contact, draw or procedure for {plan.cohorts.lost_after_days} days.",
            "Visits by protocol: here patients come when they come.",
        ),
        (
            "Primary outcome",
            f"HbA1c from one laboratory at months {months}.",
            f"The clinic's own draws, nearest to the target day; baseline from day "
            f"{hba1c.baseline_from_day} to the contact itself, nothing after it.",
            "One method and blinded drawing. Time in range can be no primary outcome: the "
            "sensor is also the instrument.",
        ),
        (
            "Other outcomes",
            "Time in range by one masked third sensor in both arms; harm asked for alike.",
            f"Time in range as each sensor reports it, with both kinds off by {shifts} mg/dL; a "
            "patient's year described with the contacts, contrasted only where the plan declares "
            f"equal solicitation ({'declared' if equal else 'not declared'}).",
            "An instrument that is not the treatment, and the same attention to both arms.",
        ),
        (
            "Missing data",
            "Everybody is seen.",
            f"Covariates: {rules.missing_covariates}. HbA1c that was not drawn: like patients "
            "stand for it, by the covariates and the latest value before the visit.",
            "Reasons for not coming that neither covariates nor earlier values show.",
        ),
        (
            "Estimands",
            "Treatment policy, while alive; and while on the assigned kind.",
            "Both. Treatment policy: whatever was worn later counts. While on the kind: draws "
            "after it was given up are censored, with weights for being seen on it.",
            "Giving up for reasons that the covariates and the latest HbA1c do not show.",
        ),
        (
            "Contrast",
            "Difference in mean change between arms.",
            "Implanted minus adhesive in the patients who could have been in either (overlap "
            "weights), in percentage points; everyone, and those who chose, as sensitivities.",
            "The mean over a population that was never sampled.",
        ),
        (
            "Analysis",
            "Analysis of covariance as planned, read once.",
            f"Overlap weights augmented by an outcome model; {rules.bootstrap_draws} bootstrap "
            "draws of patients that refit every model; stacked equations as second opinion; "
            f"missing covariates: {rules.missing_covariates}; fewer than {rules.fewest_per_arm} "
            "patients in an arm, or hardly any overlap: no contrast.",
            "A single reading: this contrast can be looked at every quarter.",
        ),
        (
            "Size and stopping",
            "A size fixed beforehand, and one look.",
            f"Whoever came; {standing(cohorts).sentence}",
            "A size chosen for the question.",
        ),
    ]
