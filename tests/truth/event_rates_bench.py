"""Rates of first and of all events of wear, and harm of procedures, by the measure's own rules."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd

from outcomes.measures.harms import all_event_rate, first_event_rate, procedure_rates
from outcomes.statistics.intervals import Interval
from outcomes.statistics.rates import rate
from synthetic.tables_only import COHORTS, Setting, tables, true_first_rate
from tests.truth.bench import Answer, Bench, Truth

OUTCOME = "Complications"
PER = 100.0


def _answer(shown: Interval) -> Answer:
    return Answer(estimate=shown.estimate, low=shown.conf_low, high=shown.conf_high)


def _of(cohort: str, setting: Setting, rng: np.random.Generator) -> pd.DataFrame:
    harm = tables(setting, rng, only=("harm",)).harm
    return harm[harm["cohort"] == cohort].reset_index(drop=True)


def _exposure(rows: pd.DataFrame, years: pd.Series) -> pd.DataFrame:
    return pd.DataFrame(
        {"patient_id": rows["patient_id"], "patient_years": years, "sensor_days": years * 365.25}
    )


def first(rng: np.random.Generator, *, setting: Setting) -> dict[str, Answer]:
    harm = tables(setting, rng, only=("harm",)).harm
    found = {}
    for cohort in COHORTS:
        rows = harm[harm["cohort"] == cohort]
        until = rows["first"].fillna(rows["years"])
        shown, _, _ = first_event_rate(
            _exposure(rows, until), events=int(rows["first"].notna().sum()),
            unit="patient_years", per=PER,
        )  # fmt: skip
        found[f"first events, {cohort}"] = _answer(shown)
    return found


def first_truths(*, setting: Setting) -> dict[str, Truth]:
    return {
        f"first events, {cohort}": Truth(value=PER * true_first_rate(setting, cohort))
        for cohort in COHORTS
    }


def every(rng: np.random.Generator, *, setting: Setting) -> dict[str, Answer]:
    harm = tables(setting, rng, only=("harm",)).harm
    found = {}
    for cohort in COHORTS:
        rows = harm[harm["cohort"] == cohort]
        whose = np.repeat(rows["patient_id"].to_numpy(), rows["events"])
        shown, _, _ = all_event_rate(
            _exposure(rows, rows["years"]), list(whose), unit="patient_years", per=PER
        )
        found[f"all events, {cohort}"] = _answer(shown)
        if cohort == "adhesive":
            plain = rate(int(rows["events"].sum()), float(rows["years"].sum()), per=PER)
            found["all events, exact interval as if independent"] = _answer(plain)
    return found


def every_truths(*, setting: Setting) -> dict[str, Truth]:
    found = {
        f"all events, {cohort}": Truth(value=PER * setting.harm_rate[place])
        for place, cohort in enumerate(COHORTS)
    }
    found["all events, exact interval as if independent"] = found["all events, adhesive"]
    return found


def procedures(rng: np.random.Generator, *, setting: Setting) -> dict[str, Answer]:
    rows = _of("implanted", setting, rng)
    n, harmed = int(rows["procedures"].sum()), int(rows["procedure_events"].sum())
    attempts = pd.DataFrame(
        {
            "procedure_id": np.arange(n),
            "patient_id": np.repeat(rows["patient_id"].to_numpy(), rows["procedures"]),
            "what": "placement", "completed": True,
        }
    )  # fmt: skip
    table = procedure_rates(attempts, pd.DataFrame({"procedure_id": np.arange(harmed)}))
    shown = table.iloc[1]
    return {
        "share of completed placements": Answer(
            estimate=shown["estimate"], low=shown["conf_low"], high=shown["conf_high"]
        )
    }


def procedure_truths(*, setting: Setting) -> dict[str, Truth]:
    return {"share of completed placements": Truth(value=setting.procedure_harm)}


def _benches(
    estimator: str, scenarios: dict[str, Setting], sizes: tuple[int, ...],
    draw: Callable[..., dict[str, Answer]], truths: Callable[..., dict[str, Truth]],
) -> list[Bench]:  # fmt: skip
    return [
        Bench(
            outcome=OUTCOME, estimator=estimator, scenario=name, patients=n,
            replicate=partial(draw, setting=replace(setting, patients=n)),
            truths=partial(truths, setting=replace(setting, patients=n)),
        )
        for name, setting in scenarios.items()
        for n in sizes
    ]  # fmt: skip


SCENARIOS = {
    "40 and 15 events per 100 patient-years, rates differ between patients": Setting(),
    "200 and 100 events per 100 patient-years, rates differ strongly": Setting(
        harm_rate=(2.0, 1.0), harm_sd=1.0
    ),
}
PLACEMENTS = {"harm of one procedure in twenty": Setting()}
BENCHES = [
    *_benches("first_event_rate", SCENARIOS, (120, 80, 24), first, first_truths),
    *_benches("all_event_rate", SCENARIOS, (120, 80, 24), every, every_truths),
    *_benches("procedure_harm", PLACEMENTS, (120, 24), procedures, procedure_truths),
]
