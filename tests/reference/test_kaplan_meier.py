"""Kaplan-Meier curves, quantiles and restricted means against R; the calls are in the rows."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from outcomes.statistics.probability_limits import probability_limits
from outcomes.statistics.restricted_means import (
    RestrictedMean,
    compare_restricted_means,
    restricted_mean,
)
from outcomes.statistics.shared_clusters import difference_error
from outcomes.statistics.survival import (
    kaplan_meier,
    number_at_risk,
    quantile,
    survival_difference,
)
from tests.reference.survival_rows import data, expect, ids_of, lives_of

LUNG = lives_of(data("lung"), "time", "event")
DIABETIC = lives_of(data("diabetic"), "time", "status")
KIDNEY = lives_of(data("kidney"), "time", "status")
RATS = lives_of(data("rats").query("sex == 'f'"), "time", "status")
LUNGW = lives_of(data("lungw"), "time", "event")
DBW = lives_of(data("dbw"), "time", "status")
IUD = lives_of(data("iud"), "time", "status")
CHANNING = lives_of(data("channing816"), "exit", "cens", entry="entry")
CHANNING_MEN = lives_of(data("channing").query("sex == 'Male'"), "exit", "cens", entry="entry")
PBC = lives_of(data("pbc2"), "yr", "dead")
MAINTAINED = lives_of(data("aml").query("x == 'Maintained'"), "time", "status")
SIX_MP = lives_of(data("gehan").query("treat == '6-MP'"), "time", "cens")


def row(lives: pd.DataFrame, time: float, **options: object) -> pd.Series:
    return kaplan_meier(lives, times=[time], **options).table.iloc[0]


def of_treatment(value: int) -> pd.DataFrame:
    return DIABETIC[DIABETIC["trt"] == value]


def difference(**options: str) -> pd.Series:
    treated, other = (kaplan_meier(of_treatment(v), times=[24], **options) for v in (1, 0))
    return survival_difference(treated, other).iloc[0]


def mean(lives: pd.DataFrame, horizon: float, **options: str) -> RestrictedMean:
    return restricted_mean(lives, horizon=horizon, **options)


def pbc(arm: int) -> RestrictedMean:
    return mean(PBC[PBC["trt"] == arm], 10)


def lung_difference_z() -> float:
    men, women = (row(LUNG[LUNG["sex"] == sex], 365) for sex in (1, 2))
    apart = np.hypot(men["std_error"], women["std_error"])
    return float((women["estimate"] - men["estimate"]) / apart)


def as_if_strangers() -> float:
    errors = [kaplan_meier(of_treatment(v), times=[24]).influences() for v in (1, 0)]
    return float(difference_error(errors[0], errors[1], shared=False)[0])


CHECKS: dict[str, Callable[[], float]] = {
    "KMCI-01": lambda: row(LUNG, 180)["conf_low"],
    "KMCI-02": lambda: row(LUNG, 180)["conf_high"],
    "KMCI-03": lambda: row(LUNG, 180, transform="log")["conf_low"],
    "KMCI-04": lambda: row(LUNG, 180, transform="log")["conf_high"],
    "KMCI-05": lambda: row(LUNG, 180, transform="plain")["conf_low"],
    "KMCI-06": lambda: row(LUNG, 180, transform="logit")["conf_low"],
    "KMCI-07": lambda: row(LUNG, 180, transform="arcsin")["conf_low"],
    "KMCI-08": lambda: row(LUNG, 180)["estimate"],
    "KMCI-09": lambda: row(LUNG, 180, variance="greenwood")["std_error"],
    "KMCI-10": lambda: number_at_risk(LUNG, times=[180]).loc[0, "n_at_risk"],
    "KMCI-11": lambda: row(IUD, 30)["estimate"],
    "KMCI-13": lambda: row(IUD, 93)["conf_low"],
    "KMCI-16": lambda: row(MAINTAINED, 31, transform="log")["conf_low"],
    "KMCI-17": lung_difference_z,
    "KMCL-01": lambda: row(DIABETIC, 24)["estimate"],
    "KMCL-03": lambda: row(DIABETIC, 24, cluster="id")["std_error"],
    "KMCL-05": lambda: row(DIABETIC, 24, cluster="id")["conf_high"],
    "KMCL-06": lambda: row(DIABETIC, 48, cluster="id", transform="log")["conf_high"],
    "KMCL-07": lambda: row(of_treatment(1), 24, cluster="id")["std_error"],
    "KMCL-08": lambda: row(KIDNEY, 100, cluster="id")["std_error"],
    "KMCL-09": lambda: row(KIDNEY, 100)["std_error"],
    "KMCL-10": lambda: row(RATS[RATS["rx"] == 0], 90, cluster="litter")["std_error"],
    "KMCL-11": lambda: row(LUNGW[LUNGW["fem"] == 1], 365, weight="w")["estimate"],
    "KMCL-12": lambda: row(LUNGW[LUNGW["fem"] == 1], 365, weight="w", cluster="id")["std_error"],
    "KMCL-13": lambda: row(DBW[DBW["arg"] == 1], 24, weight="w", cluster="id")["std_error"],
    "KMCL-15": lambda: difference(cluster="id")["estimate"],
    "KMCL-16": lambda: difference(cluster="id")["std_error"],
    "KMCL-17": as_if_strangers,
    "KMLT-01": lambda: row(CHANNING, 960)["estimate"],
    "KMLT-02": lambda: row(CHANNING, 960, variance="greenwood")["std_error"],
    "KMLT-04": lambda: row(CHANNING, 960, variance="greenwood", transform="log")["conf_high"],
    "KMLT-05": lambda: row(CHANNING[CHANNING["sex"] == "Male"], 1000)["estimate"],
    "KMLT-06": lambda: row(CHANNING, 960)["n_at_risk"],
    "KMLT-08": lambda: row(lives_of(data("edgetie"), "exit", "status", entry="entry"), 5)[
        "estimate"
    ],
    "KMLT-09": lambda: row(CHANNING_MEN, 800)["estimate"],
    "KMMD-02": lambda: quantile(LUNG).loc[0, "conf_low"],
    "KMMD-03": lambda: quantile(LUNG).loc[0, "conf_high"],
    "KMMD-04": lambda: quantile(LUNG, transform="log").loc[0, "conf_low"],
    "KMMD-05": lambda: quantile(LUNG, transform="log").loc[0, "conf_high"],
    "KMMD-06": lambda: quantile(SIX_MP).loc[0, "estimate"],
    "KMMD-08": lambda: quantile(IUD, probability=0.25).loc[0, "estimate"],
    "KMMD-09": lambda: quantile(CHANNING).loc[0, "conf_low"],
    "RMST-01": lambda: pbc(1).estimate,
    "RMST-02": lambda: pbc(1).std_error,
    "RMST-03": lambda: pbc(2).estimate,
    "RMST-04": lambda: pbc(2).std_error,
    "RMST-05": lambda: compare_restricted_means(pbc(1), pbc(2)).loc[0, "estimate"],
    "RMST-06": lambda: compare_restricted_means(pbc(1), pbc(2)).loc[0, "conf_low"],
    "RMST-07": lambda: mean(LUNG, 365).estimate,
    "RMST-08": lambda: mean(LUNG, 365).std_error,
    "RMST-09": lambda: float(np.sqrt((mean(LUNG, 365).influence ** 2).sum())),
    "RMST-10": lambda: mean(DIABETIC, 24, cluster="id").std_error,
    "RMST-13": lambda: compare_restricted_means(
        mean(of_treatment(1), 24, cluster="id"), mean(of_treatment(0), 24, cluster="id")
    ).loc[0, "estimate"],
    "EDGE-01": lambda: row(lives_of(data("edge0"), "time", "status"), 0)["estimate"],
    "EDGE-02": lambda: row(lives_of(data("edge0"), "time", "status"), 3)["estimate"],
    "EDGE-04": lambda: row(lives_of(data("plan"), "time", "status"), 10, before=True)["estimate"],
    "EDGE-05": lambda: row(pd.DataFrame({"entry": -1, "exit": [1, 2, 3], "state": "e"}), 3)[
        "estimate"
    ],
}
TOPICS = ("km_ci", "km_cluster", "km_left_truncation", "km_median", "rmst")


@pytest.mark.parametrize("check_id", CHECKS)
def test_survival_agrees_with_the_reference(check_id: str) -> None:
    expect(check_id, CHECKS[check_id]())


def test_every_reference_row_of_these_topics_is_checked() -> None:
    assert set(ids_of(*TOPICS)) <= set(CHECKS)


def test_the_collapsed_curve_says_that_its_risk_set_emptied() -> None:
    curve = kaplan_meier(CHANNING_MEN, times=[800])
    assert "everybody at risk at" in curve.note
    assert curve.table.loc[0, "note"] == "no limits: the estimate is exactly 0"


def test_jackknife_and_greenwood_differ_a_little_with_late_entry() -> None:
    jackknife, greenwood = (
        row(CHANNING, 960, variance=variance)["std_error"]
        for variance in ("jackknife", "greenwood")
    )
    assert 0 < abs(jackknife / greenwood - 1) < 0.02


def test_limits_on_a_scale_turn_into_those_of_the_complement() -> None:
    low, high = probability_limits([0.2], [0.05], transform="complementary log-log")
    other_low, other_high = probability_limits([0.8], [0.05])
    assert np.allclose([low, high], [1 - other_high, 1 - other_low])
