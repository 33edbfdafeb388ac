"""Late entry, ties, weights, strata and clusters all at once, against R; calls are in the rows.

The published data sets have one or two of these each; `late_entry_patients.csv` (made up) has all.
"""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd
import pytest

from outcomes.statistics.competing_risks import cumulative_incidence
from outcomes.statistics.cox import cox
from outcomes.statistics.cox_model import CoxModel
from outcomes.statistics.proportional_hazards import proportional_hazards_test
from outcomes.statistics.survival import kaplan_meier, quantile
from tests.reference.survival_rows import DATA, data, lives_of

ROWS = pd.read_csv(DATA / "late_entry_checks.csv").set_index("check_id")
LIVES = lives_of(
    data("late_entry_patients"),
    "exit",
    "ev",
    entry="entry",
    words={0: "censored", 1: "1", 2: "2"},
)
BY_PATIENT = {"weight": "w", "cluster": "p"}


def model(ties: str = "efron") -> CoxModel:
    return cox(LIVES, covariates=["g", "age"], event="1", strata="s", ties=ties, **BY_PATIENT)


def coefficient(name: str, column: str, ties: str = "efron") -> float:
    return model(ties).table.set_index("covariate").loc[name, column]


def changing(name: str, clock: str) -> float:
    table = proportional_hazards_test(model(), clock=clock).set_index("covariate")
    return table.loc[name, "statistic"]


def predicted() -> float:
    profile = pd.DataFrame({"g": [1], "age": [50]})
    return model().survival(profile, times=[20], stratum=1).loc[0, "estimate"]


def free(column: str) -> float:
    return kaplan_meier(LIVES, times=[20], **BY_PATIENT).table.loc[0, column]


def share(state: str, time: float, column: str) -> float:
    return cumulative_incidence(LIVES, times=[time], **BY_PATIENT).at(state, time)[column]


CHECKS: dict[str, Callable[[], float | None]] = {
    "COMB-01": lambda: coefficient("g", "coefficient"),
    "COMB-02": lambda: coefficient("g", "std_error"),
    "COMB-03": lambda: model().robust_score_test.statistic,
    "COMB-04": lambda: coefficient("age", "coefficient", "breslow"),
    "COMB-05": lambda: coefficient("age", "std_error", "breslow"),
    "COMB-06": lambda: model().log_likelihood,
    "COMB-07": lambda: changing("all covariates", "km"),
    "COMB-08": lambda: changing("age", "rank"),
    "COMB-09": predicted,
    "COMB-10": lambda: free("estimate"),
    "COMB-11": lambda: free("std_error"),
    "COMB-12": lambda: free("conf_low"),
    "COMB-13": lambda: quantile(LIVES, probability=0.75, **BY_PATIENT).loc[0, "conf_high"],
    "COMB-14": lambda: share("1", 20, "estimate"),
    "COMB-15": lambda: share("1", 20, "std_error"),
    "COMB-16": lambda: share("2", 40, "std_error"),
}


@pytest.mark.parametrize("check_id", ROWS.index)
def test_all_at_once_agrees_with_the_reference(check_id: str) -> None:
    row = ROWS.loc[check_id]
    assert CHECKS[check_id]() == pytest.approx(row["value"], rel=1e-8), row["call"]
