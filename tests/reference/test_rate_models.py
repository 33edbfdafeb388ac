"""Rate models against R (MASS, sandwich, geepack) on counts with repeated patients."""

import csv
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pandas as pd
import pytest

from outcomes.statistics.rate_models import RateModel, rate_model

DATA = Path(__file__).parent / "data"


def rows() -> list[dict[str, str]]:
    with (DATA / "rate_models.csv").open(newline="") as lines:
        return list(csv.DictReader(lines))


@cache
def epil(formula: str, model: str = "poisson") -> RateModel:
    counts = pd.read_csv(DATA / "epil.csv").assign(weeks=2.0)
    return rate_model(
        counts,
        formula=formula,
        exposure="weeks",
        cluster="subject",
        model=model,
        small_sample=False,
    )


@cache
def cgd(model: str) -> RateModel:
    spells = pd.read_csv(DATA / "cgd.csv")
    spells["days"] = spells["tstop"] - spells["tstart"]
    patients = spells.groupby(["id", "trt"], as_index=False)[["status", "days"]].sum()
    return rate_model(
        patients,
        formula="status ~ trt",
        exposure="days",
        cluster="id",
        model=model,
        small_sample=False,
    )


def treated(fit: RateModel, column: str) -> float:
    return float(fit.table.loc[1, column])


NB = "negative binomial"
ANSWERS: dict[str, Callable[[], float | None]] = {
    "PONB-01": lambda: treated(epil("y ~ trt"), "log_estimate"),
    "PONB-02": lambda: treated(epil("y ~ trt"), "log_se_model"),
    "PONB-03": lambda: treated(epil("y ~ trt"), "log_se"),
    "PONB-06": lambda: treated(epil("y ~ trt", "gee"), "log_se"),
    "PONB-07": lambda: treated(epil("y ~ trt + age", "gee"), "log_estimate"),
    "PONB-08": lambda: treated(epil("y ~ trt + lbase", NB), "log_estimate"),
    "PONB-09": lambda: epil("y ~ trt + lbase", NB).dispersion,
    "PONB-10": lambda: treated(epil("y ~ trt + lbase", NB), "log_se_model"),
    "PONB-11": lambda: treated(epil("y ~ trt + lbase", NB), "log_se"),
    "PONB-13": lambda: treated(cgd("poisson"), "log_se"),
    "PONB-14": lambda: cgd(NB).dispersion,
}


@pytest.mark.parametrize("row", rows(), ids=lambda r: f"{r['check_id']}: {r['quantity']}")
def test_agrees_with_the_other_program(row: dict[str, str]) -> None:
    tolerance = float(row["suggested_tolerance"].removeprefix("rel "))
    ours = ANSWERS[row["check_id"]]()
    assert ours == pytest.approx(float(row["value"]), rel=tolerance), row["call"]
