"""HbA1c at month 6: paired change, difference adjusted for the baseline, model of all visits."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from outcomes.statistics.change import ancova, paired_change
from outcomes.statistics.visit_means import visit_means
from synthetic.tables_only import COHORTS, MONTHS, Setting, Tables, tables, true_effects
from tests.truth.bench import Answer, Bench, Truth

OUTCOME = "Change in HbA1c"
MONTH = 6
LEAVING = Setting()
STAYING = replace(LEAVING, leaving=-20.0, leaving_hba1c=0.0)
SCENARIOS = {
    "nobody leaves, one visit in ten missed": STAYING,
    "the high leave after a visit, one visit in ten missed": LEAVING,
}


def visits(setting: Setting, rng: np.random.Generator) -> pd.DataFrame:
    """One row per patient and visit, also those that did not take place."""
    drawn: Tables = tables(setting, rng, only=("visits",))
    due = drawn.patients[["patient_id", "cohort", "baseline_hba1c"]].merge(
        pd.DataFrame({"month": MONTHS}), how="cross"
    )
    return due.merge(drawn.visits[["patient_id", "month", "value"]], how="left")


def _answer(row: Any) -> Answer:
    """Limits of a row of a table, None where they are missing."""
    numbers = [row[name] for name in ("estimate", "conf_low", "conf_high")]
    return Answer(**dict(zip(("estimate", "low", "high"), numbers, strict=True)))


def paired(rng: np.random.Generator, *, setting: Setting) -> dict[str, Answer]:
    rows = visits(setting, rng).query("month == @MONTH")
    found = {}
    for cohort in COHORTS:
        shown = paired_change(
            rows[rows["cohort"] == cohort], before="baseline_hba1c", after="value"
        )
        found[f"mean change, {cohort}"] = Answer(
            estimate=shown.mean, low=shown.conf_low, high=shown.conf_high
        )
    found["those who came, for everybody: implanted"] = found["mean change, implanted"]
    return found


def paired_truths(*, setting: Setting) -> dict[str, Truth]:
    true = true_effects(setting, month=MONTH)
    found = {
        f"mean change, {cohort}": Truth(
            value=true[f"seen {cohort}"].value, error=true[f"seen {cohort}"].error
        )
        for cohort in COHORTS
    }
    everybody = true["change implanted"]
    found["those who came, for everybody: implanted"] = Truth(
        value=everybody.value, error=everybody.error
    )
    return found


def adjusted(rng: np.random.Generator, *, setting: Setting) -> dict[str, Answer]:
    rows = visits(setting, rng).query("month == @MONTH")
    fit = ancova(
        rows, outcome="value", baseline="baseline_hba1c", group="cohort", reference="adhesive",
        cluster="patient_id",
    )  # fmt: skip
    plain = _answer(fit.change_scores.iloc[0])
    return {
        "adjusted for the baseline": _answer(fit.differences.iloc[0]),
        "not adjusted": plain,
        "not adjusted, against the effect in the treated": plain,
    }


def adjusted_truths(*, setting: Setting) -> dict[str, Truth]:
    true = true_effects(setting, month=MONTH)
    names = {
        "adjusted for the baseline": "adjusted",
        "not adjusted": "crude",
        "not adjusted, against the effect in the treated": "implanted",
    }
    return {
        name: Truth(value=true[key].value, error=true[key].error) for name, key in names.items()
    }


def model(rng: np.random.Generator, *, setting: Setting) -> dict[str, Answer]:
    fit = visit_means(
        visits(setting, rng), subject="patient_id", visit="month", outcome="value",
        baseline="baseline_hba1c", group="cohort", reference="adhesive",
    )  # fmt: skip
    changes = fit.changes.query("visit == @MONTH").set_index("group")
    found = {f"mean change, {cohort}": _answer(changes.loc[cohort]) for cohort in COHORTS}
    found["adjusted difference"] = _answer(fit.differences.set_index("visit").loc[MONTH])
    return found


def model_truths(*, setting: Setting) -> dict[str, Truth]:
    true = true_effects(setting, month=MONTH)
    names = {f"mean change, {cohort}": f"change {cohort}" for cohort in COHORTS}
    names["adjusted difference"] = "adjusted"
    return {
        name: Truth(value=true[key].value, error=true[key].error) for name, key in names.items()
    }


def _bench(
    estimator: str,
    scenario: str,
    patients: int,
    replicate: Any,
    truths: Any,
    replicates: int | None = None,
) -> Bench:
    setting = replace(SCENARIOS[scenario], patients=patients)
    return Bench(
        outcome=OUTCOME, estimator=estimator, scenario=scenario, patients=patients,
        replicate=partial(replicate, setting=setting), truths=partial(truths, setting=setting),
        replicates=replicates,
    )  # fmt: skip


STAY, LEAVE = SCENARIOS
BENCHES = [
    *(
        _bench("hba1c_paired_change", scenario, n, paired, paired_truths)
        for scenario in SCENARIOS
        for n in (120, 24)
    ),
    *(
        _bench("hba1c_adjusted_difference", STAY, n, adjusted, adjusted_truths)
        for n in (120, 80, 40)
    ),
    # A clinic takes long: 1,000, and no second run.
    *(_bench("hba1c_visit_model", LEAVE, n, model, model_truths, 1000) for n in (120, 80)),
]
