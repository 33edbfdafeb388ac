"""Pooling against R `mice::pool`, observation weights against R `glm` and stacked equations.

mice::nhanes (Schafer 1997), completed five times and kept fixed; datasets::airquality.
"""

import functools

import numpy as np
import pandas as pd
import pytest

from outcomes.statistics.imputation import pool
from outcomes.statistics.least_squares import least_squares
from outcomes.statistics.logistic import logistic
from outcomes.statistics.observation_weights import observed_mean
from tests.reference.comparison_rows import data, expect, ids_of


@functools.cache
def pooled_values() -> dict[str, float]:
    fits = []
    for _, part in data("nhanes25_imputed_m5").groupby(".imp"):
        design = part[["age", "bmi"]].astype(float).assign(constant=1.0)
        fits.append(least_squares(design, part["chl"].to_numpy(), kind="classical"))
    out: dict[str, float] = {}
    for short, name in (("int", "constant"), ("age", "age"), ("bmi", "bmi")):
        rows = [fit.contrast({name: 1.0}) for fit in fits]
        estimates = [row["estimate"] for row in rows]
        got = pool(estimates, [row["std_error"] ** 2 for row in rows], complete_df=22)
        parts = {"qbar": got.estimate, "se": got.std_error, "df": got.df}
        parts |= {"fmi": got.fraction_missing, "lo": got.conf_low, "dfold": got.large_sample_df}
        out |= {f"MI-{short}-{suffix}": value for suffix, value in parts.items()}
    return out


@functools.cache
def weighted_values() -> dict[str, float]:
    air = data("airquality").assign(Month=lambda d: d["Month"].astype(str))
    mean = observed_mean(air, outcome="Ozone", columns=["Wind", "Temp", "Month"])
    months = pd.get_dummies(air["Month"], drop_first=True, dtype=float)
    x = np.column_stack([np.ones(len(air)), air[["Wind", "Temp"]], months])
    air["weight"] = 1 / logistic(x, air["Ozone"].notna().to_numpy(float)).fitted
    used = air.dropna(subset=["Ozone", "Solar.R"])
    design = used[["Wind", "Solar.R"]].assign(constant=1.0)
    options = {"kind": "HC0", "weights": used["weight"].to_numpy()}
    wind = least_squares(design, used["Ozone"].to_numpy(), **options).contrast({"Wind": 1.0})
    return {
        "IPMW-n": mean.n_observed,
        "IPMW-cc": mean.complete_case,
        "IPMW-mean": mean.estimate,
        "IPMW-ht": mean.horvitz_thompson,
        "IPMW-maxw": mean.largest_stabilised_weight,
        "IPMW-se-fixed": mean.std_error_fixed,
        "IPMW-se-stacked": mean.std_error,
        "IPMW-reg-Wind": wind["estimate"],
        "IPMW-reg-Wind-HC0": wind["std_error"],
    }


@pytest.mark.parametrize("check_id", ids_of("multiple_imputation"))
def test_pooling_agrees_with_the_reference(check_id):
    expect(check_id, pooled_values()[check_id])


@pytest.mark.parametrize("check_id", ids_of("inverse_missing"))
def test_observation_weights_agree_with_the_reference(check_id):
    expect(check_id, weighted_values()[check_id])
