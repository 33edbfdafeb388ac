"""HbA1c at month 6 where four of ten are not seen, the high above all."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import replace
from functools import cache, partial
from typing import Any

import numpy as np

from outcomes.statistics.change import ancova, paired_change
from outcomes.statistics.visit_means import visit_means
from synthetic.tables_only import COHORTS, Effect, Setting, true_effects
from tests.truth.bench import Answer, Bench, Truth
from tests.truth.hba1c_bench import MONTH, OUTCOME, visits

LEAVING = replace(Setting(), leaving=-1.5, leaving_hba1c=1.0)
SCENARIO = "the high leave after a visit: 40 of 100 not seen at month 6"
REPLICATES = 2_000  # and no second run of 10,000: a clinic takes an eighth of a second
NONE = Answer(estimate=None, low=None, high=None)
SEEN = "mean change, those who came for everybody: implanted"
CLASSIC = "difference, analysis of covariance of those who came"


def answers(rng: np.random.Generator, *, setting: Setting) -> dict[str, Answer]:
    """The steps of the measure: the model of all visits; beside it those who came alone."""
    rows = visits(setting, rng)
    fit = visit_means(
        rows, subject="patient_id", visit="month", outcome="value", baseline="baseline_hba1c",
        group="cohort", reference="adhesive",
    )  # fmt: skip
    found = {}
    for row in fit.changes.query("visit == @MONTH").to_dict("records"):
        found[f"mean change, {row['group']}"] = _answer(row)
    for row in fit.differences.query("visit == @MONTH").to_dict("records"):
        found["adjusted difference"] = _answer(row)
    came = rows.query("month == @MONTH")
    beside = ancova(
        came, outcome="value", baseline="baseline_hba1c", group="cohort", reference="adhesive",
        cluster="patient_id",
    )  # fmt: skip
    if len(beside.differences):  # in a clinic of 24 all who came can be of one cohort
        found[CLASSIC] = _answer(beside.differences.iloc[0].to_dict())
    shown = paired_change(
        came[came["cohort"] == "implanted"], before="baseline_hba1c", after="value"
    )
    found[SEEN] = Answer(estimate=shown.mean, low=shown.conf_low, high=shown.conf_high)
    return {name: found.get(name, NONE) for name in truths(setting=setting)}


def _answer(row: dict[Hashable, Any]) -> Answer:
    numbers = [row[name] for name in ("estimate", "conf_low", "conf_high")]
    low_to_high = [None if x is None or np.isnan(x) else float(x) for x in numbers]
    return Answer(**dict(zip(("estimate", "low", "high"), low_to_high, strict=True)))


def truths(*, setting: Setting) -> dict[str, Truth]:
    """As if nobody had left; they do not depend on the size of the clinic."""
    true = _effects()
    named = {f"mean change, {cohort}": f"change {cohort}" for cohort in COHORTS}
    named |= {"adjusted difference": "adjusted", CLASSIC: "adjusted", SEEN: "change implanted"}
    return {
        name: Truth(value=true[key].value, error=true[key].error) for name, key in named.items()
    }


@cache
def _effects() -> dict[str, Effect]:
    return true_effects(LEAVING, month=MONTH)


BENCHES = [
    Bench(
        outcome=OUTCOME, estimator="hba1c_with_leaving", scenario=SCENARIO, patients=n,
        replicate=partial(answers, setting=replace(LEAVING, patients=n)),
        truths=partial(truths, setting=replace(LEAVING, patients=n)),
        replicates=REPLICATES,
    )
    for n in (500, 80, 24)
]  # fmt: skip
