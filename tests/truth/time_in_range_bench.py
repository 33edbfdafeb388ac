"""Time in range: mean level of a period, improvement on the period before, hold."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np

from outcomes.statistics.change import paired_change
from outcomes.statistics.intervals import t_interval
from synthetic.tables_only import COHORTS, Setting, tables, true_shares_seen
from tests.truth.bench import Answer, Bench, Truth

OUTCOME = "Time in range"
PERIOD = 7  # holds day 183
FIRST = 1


def levels(rng: np.random.Generator, *, setting: Setting) -> dict[str, Answer]:
    """The same steps as the measure: a mean over patients, and changes of those with both."""
    rows = tables(setting, rng, only=("periods",)).periods.assign(share=lambda t: 100 * t["share"])
    wide = rows.pivot_table(index=["cohort", "patient_id"], columns="period", values="share")
    found = {}
    for cohort in COHORTS:
        mine = wide.loc[cohort].reindex(columns=range(PERIOD + 1))
        for period in (FIRST, PERIOD):
            shown = t_interval(mine[period].dropna().to_numpy())
            found[f"level of period {period}, {cohort}"] = Answer(
                estimate=shown.estimate, low=shown.conf_low, high=shown.conf_high
            )
        for name, begin, who in (
            ("improvement, period 0 to 7", 0, mine[0].notna()),
            ("hold, period 2 to 7", 2, mine[0].isna()),
        ):
            change = paired_change(mine[who], before=begin, after=PERIOD)
            found[f"{name}, {cohort}"] = Answer(
                estimate=change.mean, low=change.conf_low, high=change.conf_high
            )
    return found


def truths(*, setting: Setting) -> dict[str, Truth]:
    """Means of those with data, in points: the low leave, so later levels are not everybody's."""
    first, later = (true_shares_seen(setting, end=period) for period in (FIRST, PERIOD))
    found = {}
    for cohort in COHORTS:
        for name, true in (
            (f"level of period {FIRST}", first[f"level {cohort}"]),
            (f"level of period {PERIOD}", later[f"level {cohort}"]),
            ("improvement, period 0 to 7", later[f"change {cohort}"]),
            ("hold, period 2 to 7", later[f"hold {cohort}"]),
        ):
            found[f"{name}, {cohort}"] = Truth(value=100 * true.value, error=100 * true.error)
    return found


BENCHES = [
    Bench(
        outcome=OUTCOME, estimator="time_in_range_level",
        scenario="the low leave, one period in 17 missing, 6 of 10 with a period before",
        patients=n, replicate=partial(levels, setting=replace(Setting(), patients=n)),
        truths=partial(truths, setting=replace(Setting(), patients=n)),
    )
    for n in (120, 80, 24)
]  # fmt: skip
