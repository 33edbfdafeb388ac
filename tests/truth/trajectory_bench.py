"""Time in range over the periods where the low leave: levels and difference at month 12."""

from __future__ import annotations

from dataclasses import replace
from functools import cache, partial
from typing import Any

import numpy as np
import pandas as pd
import statsmodels.api as sm

from outcomes.errors import EstimationError
from outcomes.measures.range_course import REFERENCE, weighted_course
from outcomes.statistics.fractional import trajectory
from synthetic.tables_only import COHORTS, PERIODS, Setting, tables, true_levels
from tests.truth.bench import Answer, Bench, Truth

OUTCOME = "Time in range"
REPLICATES = 1000  # and no second run of 10,000: a clinic of 500 takes long
AT = (7, 13)  # hold day 183, and the end of the year
KNOTS, BOUNDARY = (3, 6), (1, PERIODS)
# Four of ten patients are not seen in period 13, the low above all.
LEAVING = replace(Setting(), quitting=-3.58, quitting_share=-6.0)
SCENARIOS = {
    "the low leave: 40 of 100 not seen at month 12, all with a period before": replace(
        LEAVING, with_baseline=1.0
    ),
    "the low leave: 40 of 100 not seen at month 12, 40 without a period before": LEAVING,
}
KNOWN, UNKNOWN = SCENARIOS


def due_rows(setting: Setting, rng: np.random.Generator) -> pd.DataFrame:
    """One row per patient and period, also of those who were not seen."""
    drawn = tables(setting, rng, only=("periods",))
    seen = drawn.periods[["patient_id", "period", "share"]]
    before = seen.loc[seen["period"] == 0, ["patient_id", "share"]]
    due = drawn.patients[["patient_id", "cohort"]].merge(
        pd.DataFrame({"period": range(1, PERIODS + 1)}), how="cross"
    )
    due = due.merge(seen, how="left")
    return due.merge(before.rename(columns={"share": "share_before"}), how="left")


def courses(rng: np.random.Generator, *, setting: Setting) -> dict[str, Answer]:
    """The steps of the measure, and the same model without weights."""
    due = due_rows(setting, rng)
    found = {}
    try:
        course = weighted_course(due, at=AT, knots=KNOTS, boundary=BOUNDARY)
        found |= _levels(course.levels, "")
        for row in course.differences.to_dict("records"):
            found[f"difference in period {row['time']}"] = _answer(row)
    except EstimationError:
        pass
    plain = trajectory(
        due.dropna(subset=["share"]), outcome="share", time="period", cluster="patient_id",
        knots=KNOTS, boundary=BOUNDARY, at=AT, group="cohort", reference=REFERENCE,
    )  # fmt: skip
    found |= _levels(plain.levels, ", without observation weights")
    none = Answer(estimate=None, low=None, high=None)
    return {name: found.get(name, none) for name in truths(setting=setting)}


def _levels(levels: pd.DataFrame, how: str) -> dict[str, Answer]:
    return {
        f"level in period {row['time']}, {row['group']}{how}": _answer(row)
        for row in levels.to_dict("records")
        if how == "" or row["time"] == AT[-1]
    }


def _answer(row: dict[Any, Any]) -> Answer:
    """In points."""
    low, value, high = (
        None if pd.isna(row[name]) else 100 * float(row[name])
        for name in ("conf_low", "estimate", "conf_high")
    )
    return Answer(estimate=value, low=low, high=high)


def truths(*, setting: Setting) -> dict[str, Truth]:
    """The limit of the model: its spline through the true levels, in points."""
    limits = _limits(setting.quitting, setting.quitting_share, setting.with_baseline)
    found = {}
    for period in AT:
        for cohort in COHORTS:
            true = Truth(value=100 * limits[cohort, period])
            found[f"level in period {period}, {cohort}"] = true
            if period == AT[-1]:
                found[f"level in period {period}, {cohort}, without observation weights"] = true
        gap = limits["implanted", period] - limits["adhesive", period]
        found[f"difference in period {period}"] = Truth(value=100 * gap)
    return found


@cache
def _limits(
    quitting: float, quitting_share: float, with_baseline: float
) -> dict[tuple[str, int], float]:
    """Another fit of another basis: the levels as if nobody were missing, each period as often
    as it is seen (weights stabilised by cohort and period leave it so)."""
    setting = replace(
        LEAVING, patients=200_000, quitting=quitting, quitting_share=quitting_share,
        with_baseline=with_baseline,
    )  # fmt: skip
    drawn = tables(setting, np.random.default_rng(1), only=("periods",))
    seen = drawn.periods.groupby(["cohort", "period"]).size()
    levels = true_levels(setting).set_index(["cohort", "period"])["share"]
    periods = np.arange(1, PERIODS + 1)
    found = {}
    for cohort in COHORTS:
        basis = _basis(periods.astype(float))
        fit = sm.GLM(
            levels[cohort].loc[periods].to_numpy(), basis, family=sm.families.Binomial(),
            var_weights=seen[cohort].loc[periods].to_numpy(dtype=float),
        ).fit()  # fmt: skip
        predicted = fit.predict(_basis(np.array(AT, dtype=float)))
        found |= {(cohort, at): float(p) for at, p in zip(AT, predicted, strict=True)}
    return found


def _basis(x: np.ndarray) -> np.ndarray:
    """Natural cubic spline by truncated cubes whose tails are made straight."""
    places = [BOUNDARY[0], *KNOTS, BOUNDARY[1]]

    def bent(knot: float) -> np.ndarray:
        return np.maximum(x - knot, 0) ** 3

    last, before = places[-1], places[-2]
    bends = [
        bent(k)
        - bent(before) * (last - k) / (last - before)
        + bent(last) * (before - k) / (last - before)
        for k in places[:-2]
    ]
    return np.column_stack([np.ones(len(x)), x, *bends])


BENCHES = [
    Bench(
        outcome=OUTCOME, estimator="time_in_range_course", scenario=scenario, patients=n,
        replicate=partial(courses, setting=replace(SCENARIOS[scenario], patients=n)),
        truths=partial(truths, setting=replace(SCENARIOS[scenario], patients=n)),
        replicates=REPLICATES,
    )
    for scenario, n in [(KNOWN, 500), (KNOWN, 80), (KNOWN, 24), (UNKNOWN, 500), (UNKNOWN, 80)]
]  # fmt: skip
