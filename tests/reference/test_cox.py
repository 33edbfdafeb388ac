"""Proportional hazards against R's survival package; the calls are in the rows."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from outcomes.statistics.cox import cox
from outcomes.statistics.cox_model import CoxModel
from outcomes.statistics.proportional_hazards import proportional_hazards_test
from tests.reference.survival_rows import data, expect, ids_of, lives_of

ROSSI = lives_of(data("rossi"), "week", "arrest")
PRISON = ["fin", "age", "race", "wexp", "mar", "paro", "prio"]
GEHAN = lives_of(data("gehan"), "time", "cens").assign(
    control=(data("gehan")["treat"] == "control") * 1
)
HEART = lives_of(data("heart"), "stop", "event", entry="start")
WAITING = ["age", "year", "surgery", "transplant"]
CHANNING = lives_of(data("channing816"), "exit", "cens", entry="entry").assign(
    male=(data("channing816")["sex"] == "Male") * 1,
    three=(data("channing816")["id"] - 1) // 3,
)
LUNG = lives_of(data("lung"), "time", "event")
LUNGW = lives_of(data("lungw"), "time", "event")
DIABETIC = lives_of(data("diabetic"), "time", "status").assign(
    argon=(data("diabetic")["laser"] == "argon") * 1
)
DBW = lives_of(data("dbw"), "time", "status")
KIDNEY = lives_of(data("kidney"), "time", "status")
VETERAN = lives_of(data("veteran"), "time", "status")
CGD = lives_of(data("cgd"), "tstop", "status", entry="tstart")
BLADDER = (
    lives_of(
        data("bladder1"),
        "stop",
        "status",
        entry="start",
        words={0: "censored", 1: "tumour", 2: "died", 3: "died"},
    )
    .query("exit > entry")
    .assign(
        thiotepa=lambda d: (d["treatment"] == "thiotepa") * 1,
        pyridoxine=lambda d: (d["treatment"] == "pyridoxine") * 1,
    )
)
CAUSES: dict[object, str] = {0: "censored", 1: "1", 2: "2", 3: "3"}
MGUS = lives_of(data("mgus2"), "etime", "event", words=CAUSES).assign(
    male=(data("mgus2")["sex"] == "M") * 1
)
MGUS = MGUS[MGUS["mspike"].notna()]
MELANOMA = lives_of(data("mel"), "time", "cause", words=CAUSES).assign(
    log_thickness=np.log(data("mel")["thickness"])
)
ABORTION = lives_of(data("abortion"), "exit", "cause", entry="entry", words=CAUSES)


def coefficient(name: str, lives: pd.DataFrame, covariates: list[str], **options: object) -> float:
    return float(cox(lives, covariates=covariates, **options).coefficients[name])


def error(name: str, lives: pd.DataFrame, covariates: list[str], **options: object) -> float:
    table = cox(lives, covariates=covariates, **options).table.set_index("covariate")
    return float(table.loc[name, "std_error"])


def eyes(**options: object) -> CoxModel:
    return cox(DIABETIC, covariates=["trt"], cluster="id", **options)


def kidneys(**options: object) -> CoxModel:
    return cox(KIDNEY, covariates=["sex"], cluster="id", **options)


def predicted(lives: pd.DataFrame, profile: dict[str, float], time: float, **kind: str) -> float:
    model = cox(lives, covariates=list(profile))
    table = model.survival(pd.DataFrame([profile]), times=[time], **kind)
    return float(table.loc[0, "estimate"])


def changing(covariate: str, clock: str) -> float:
    rossi = covariate == "age"
    model = cox(
        ROSSI if rossi else VETERAN, covariates=PRISON if rossi else ["trt", "karno", "age"]
    )
    table = proportional_hazards_test(model, clock=clock).set_index("covariate")
    return float(table.loc[covariate, "statistic"])


CLUSTER_KIDNEY = {"lives": KIDNEY, "covariates": ["age", "sex"], "cluster": "id"}
CLUSTER_EYES = {"lives": DIABETIC, "covariates": ["trt", "argon"], "cluster": "id"}
HEARTS = {"lives": HEART, "covariates": WAITING}
BLADDERS = {
    "lives": BLADDER,
    "covariates": ["thiotepa", "pyridoxine", "number", "size"],
    "event": "tumour",
    "cluster": "id",
}
DEATHS = {"lives": MGUS, "covariates": ["age", "male", "mspike"]}
SKIN = {"lives": MELANOMA, "covariates": ["sex", "ulcer", "log_thickness"], "event": "1"}
EYES_W = {"lives": DBW, "covariates": ["arg"], "weight": "w", "cluster": "id"}
LUNGS_W = {"lives": LUNGW, "covariates": ["fem"], "weight": "w", "cluster": "id"}
INFECTION = {"lives": CGD, "covariates": ["trt"], "cluster": "id"}
HOME = {"lives": CHANNING, "covariates": ["male"]}

CHECKS: dict[str, Callable[[], float]] = {
    "CLRK-01": lambda: eyes(ties="breslow").robust_score_test.statistic,
    "CLRK-02": lambda: eyes(ties="breslow").score_test.statistic,
    "CLRK-03": lambda: kidneys(ties="breslow").robust_score_test.statistic,
    "CLRK-04": lambda: kidneys(ties="breslow").score_test.statistic,
    "CLRK-07": lambda: eyes().robust_score_test.statistic,
    "CLRK-08": lambda: eyes().wald_test.statistic,
    "COXT-01": lambda: coefficient("fin", ROSSI, PRISON),
    "COXT-02": lambda: error("fin", ROSSI, PRISON),
    "COXT-04": lambda: coefficient("control", GEHAN, ["control"]),
    "COXT-05": lambda: coefficient("transplant", **HEARTS),
    "COXT-06": lambda: coefficient("male", **HOME),
    "COXT-08": lambda: error("fin", ROSSI, PRISON, ties="breslow"),
    "COXT-09": lambda: cox(ROSSI, covariates=PRISON, ties="breslow").log_likelihood,
    "COXT-10": lambda: coefficient("control", GEHAN, ["control"], ties="breslow"),
    "COXT-11": lambda: coefficient("transplant", **HEARTS, ties="breslow"),
    "COXT-12": lambda: coefficient("male", **HOME, ties="breslow"),
    "COXT-13": lambda: error("male", **HOME),
    "COXT-15": lambda: predicted(LUNG, {"age": 60, "sex": 1}, 365),
    "COXT-16": lambda: predicted(LUNG, {"age": 60, "sex": 1}, 365, baseline="breslow"),
    "COXT-17": lambda: predicted(CHANNING, {"male": 1}, 960),
    "COXC-01": lambda: coefficient("trt", **CLUSTER_EYES),
    "COXC-02": lambda: error("trt", **CLUSTER_EYES),
    "COXC-03": lambda: coefficient("trt", **CLUSTER_EYES, ties="breslow"),
    "COXC-04": lambda: error("trt", **CLUSTER_EYES, ties="breslow"),
    "COXC-05": lambda: coefficient("sex", **CLUSTER_KIDNEY),
    "COXC-07": lambda: coefficient("sex", **CLUSTER_KIDNEY, ties="breslow"),
    "COXC-08": lambda: error("sex", **CLUSTER_KIDNEY, ties="breslow"),
    "COXC-11": lambda: error("fin", ROSSI, PRISON, robust=True),
    "COXC-12": lambda: error("fin", ROSSI, PRISON, robust=True, ties="breslow"),
    "COXC-13": lambda: coefficient("male", **HOME, cluster="three"),
    "COXC-14": lambda: error("male", **HOME, cluster="three"),
    "COXC-15": lambda: coefficient("transplant", **HEARTS, cluster="id"),
    "COXC-17": lambda: coefficient("transplant", **HEARTS, cluster="id", ties="breslow"),
    "COXC-18": lambda: error("transplant", **HEARTS, cluster="id", ties="breslow"),
    "COXW-02": lambda: coefficient("fem", **LUNGS_W),
    "COXW-03": lambda: error("fem", **LUNGS_W),
    "COXW-04": lambda: coefficient("fem", **LUNGS_W, ties="breslow"),
    "COXW-06": lambda: coefficient("arg", **EYES_W),
    "COXW-07": lambda: error("arg", **EYES_W),
    "COXW-08": lambda: coefficient("arg", **EYES_W, ties="breslow"),
    "COXW-09": lambda: error("arg", **EYES_W, ties="breslow"),
    "COXW-10": lambda: cox(**LUNGS_W).robust_score_test.statistic,
    "PHTS-01": lambda: changing("karno", "km"),
    "PHTS-03": lambda: changing("karno", "identity"),
    "PHTS-04": lambda: changing("karno", "log"),
    "PHTS-05": lambda: changing("all covariates", "km"),
    "PHTS-06": lambda: changing("age", "rank"),
    "CSCX-01": lambda: coefficient("age", **DEATHS, event="1"),
    "CSCX-03": lambda: error("male", **DEATHS, event="2"),
    "CSCX-04": lambda: coefficient("ulcer", **SKIN),
    "CSCX-05": lambda: coefficient("group", ABORTION, ["group"], event="3"),
    "AGCX-01": lambda: coefficient("trt", **INFECTION),
    "AGCX-02": lambda: error("trt", **INFECTION),
    "AGCX-04": lambda: error("trt", **INFECTION, ties="breslow"),
    "AGCX-05": lambda: error("trt", CGD, ["trt"]),
    "AGCX-06": lambda: coefficient("trt", **INFECTION, strata="enum"),
    "AGCX-07": lambda: error("trt", **INFECTION, strata="enum"),
    "AGCX-09": lambda: error("thiotepa", **BLADDERS),
    "AGCX-10": lambda: coefficient("thiotepa", **BLADDERS),
}
TOPICS = (
    "cluster_logrank",
    "cox_ties",
    "cox_cluster",
    "cox_ipw",
    "ph_test",
    "cause_specific_cox",
    "andersen_gill",
)


@pytest.mark.parametrize("check_id", CHECKS)
def test_hazard_ratios_agree_with_the_reference(check_id: str) -> None:
    expect(check_id, CHECKS[check_id]())


def test_every_reference_row_of_these_topics_is_checked() -> None:
    assert set(ids_of(*TOPICS)) == set(CHECKS)
