"""Log-rank tests against R's survdiff and direct formulas; the calls are in the rows."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from lifelines.statistics import multivariate_logrank_test
from statsmodels.duration.survfunc import survdiff

from outcomes.statistics.log_rank import LogRank, log_rank
from tests.reference.survival_rows import data, expect, ids_of, lives_of

LUNG = lives_of(data("lung"), "time", "event")
GEHAN = lives_of(data("gehan"), "time", "cens")
VETERAN = lives_of(data("veteran"), "time", "status")
AML = lives_of(data("aml"), "time", "status")
CHANNING = lives_of(data("channing816"), "exit", "cens", entry="entry")
MGUS = lives_of(
    data("mgus2"), "etime", "event", words={0: "censored", 1: "progression", 2: "censored"}
)
PLANNED = lives_of(
    data("plan150"), "time", "cause", words={0: "censored", 1: "lost", 2: "lost"}
).assign(g=np.arange(150) % 3)
AT_ZERO = lives_of(data("edge0"), "time", "status").assign(g=np.arange(8) % 2)
KIDNEY = lives_of(data("kidney"), "time", "status")
DIABETIC = lives_of(data("diabetic"), "time", "status")


def statistic(lives: pd.DataFrame, group: str, **options: object) -> float:
    return float(log_rank(lives, group=group, **options).test.statistic or np.nan)


def fleming(lives: pd.DataFrame, group: str, rho: float, gamma: float = 0, **more: str) -> float:
    return statistic(lives, group, weighting="fleming-harrington", rho=rho, gamma=gamma, **more)


def lung() -> LogRank:
    return log_rank(LUNG, group="sex")


CHECKS: dict[str, Callable[[], float]] = {
    "LRNK-02": lambda: lung().test.p_value,
    "LRNK-03": lambda: statistic(GEHAN, "treat"),
    "LRNK-04": lambda: statistic(VETERAN, "celltype"),
    "LRNK-05": lambda: lung().table.loc[0, "expected"],
    "LRNK-06": lambda: statistic(AML, "x"),
    "LRNK-07": lambda: statistic(CHANNING, "sex"),
    "LRNK-09": lambda: statistic(MGUS, "sex"),
    "LRNK-10": lambda: statistic(PLANNED, "g"),
    "WLRK-01": lambda: fleming(LUNG, "sex", 1),
    "WLRK-02": lambda: fleming(LUNG, "sex", 0.5),
    "WLRK-03": lambda: fleming(GEHAN, "treat", 1),
    "WLRK-04": lambda: fleming(LUNG, "sex", 0, 1),
    "WLRK-06": lambda: statistic(LUNG, "sex", weighting="tarone-ware"),
    "WLRK-07": lambda: statistic(LUNG, "sex", weighting="peto"),
    "SLRK-01": lambda: statistic(VETERAN, "trt", strata="celltype"),
    "SLRK-03": lambda: fleming(VETERAN, "trt", 1, strata="celltype"),
    "SLRK-04": lambda: statistic(KIDNEY, "sex", strata="disease"),
    "SLRK-05": lambda: statistic(DIABETIC, "trt", strata="id"),
    "CLRK-01": lambda: statistic(DIABETIC, "trt", cluster="id"),
    "CLRK-03": lambda: statistic(KIDNEY, "sex", cluster="id"),
    "CLRK-07": lambda: statistic(DIABETIC, "trt", cluster="id", ties="efron"),
    "EDGE-06": lambda: statistic(AT_ZERO, "g"),
}


@pytest.mark.parametrize("check_id", CHECKS)
def test_log_rank_agrees_with_the_reference(check_id: str) -> None:
    expect(check_id, CHECKS[check_id]())


def test_every_reference_row_of_these_topics_is_checked() -> None:
    assert set(ids_of("logrank", "weighted_logrank", "stratified_logrank")) <= set(CHECKS)


@pytest.mark.parametrize(
    ("weighting", "theirs"), [("log-rank", None), ("gehan", "gb"), ("tarone-ware", "tw")]
)
def test_late_entry_and_weights_agree_with_the_library(weighting: str, theirs: str | None) -> None:
    d = CHANNING
    arrays = [d[c].to_numpy() for c in ("exit", "cens")]
    options = {} if theirs is None else {"weight_type": theirs}
    found = survdiff(*arrays, d["sex"].to_numpy(), entry=d["entry"].to_numpy(), **options)[0]
    assert statistic(d, "sex", weighting=weighting) == pytest.approx(found, rel=1e-9)


def test_four_groups_agree_with_the_other_library() -> None:
    d = VETERAN
    found = multivariate_logrank_test(d["time"], d["celltype"], d["status"])
    assert statistic(d, "celltype") == pytest.approx(found.test_statistic, rel=1e-9)


def test_strata_and_late_entry_together_are_the_sum_over_strata() -> None:
    odd = CHANNING.assign(half=np.arange(len(CHANNING)) % 2)
    parts = [log_rank(odd[odd["half"] == h], group="sex") for h in (0, 1)]
    excess = [(p.table["events"] - p.table["expected"])[0] for p in parts]
    variance = [e**2 / (p.test.statistic or np.nan) for e, p in zip(excess, parts, strict=True)]
    assert statistic(odd, "sex", strata="half") == pytest.approx(sum(excess) ** 2 / sum(variance))
