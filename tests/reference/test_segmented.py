"""Interrupted series and within-person changes against R lm, sandwich and lmer.

datasets::Seatbelts (Harvey and Durbin 1986), lme4::sleepstudy (Belenky et al. 2003).
"""

import functools

import numpy as np
import pandas as pd
import pytest

from outcomes.statistics.design import covariate_columns
from outcomes.statistics.least_squares import least_squares
from outcomes.statistics.random_slope import personal_lines
from outcomes.statistics.segmented import interrupted_series, switch_within_people
from tests.reference.comparison_rows import data, expect, ids_of

SHORT = {"trend before": "t", "change of level": "post", "change of slope": "ta"}


@functools.cache
def series_values() -> dict[str, float]:
    d = data("seatbelts").assign(log_drivers=lambda d: np.log(d["drivers"]))
    d["t"] = np.arange(1.0, len(d) + 1)
    d["month"] = (np.arange(len(d)) % 12).astype(str)
    start = d.loc[d["law"] == 1, "t"].min()
    roles = {"time": "t", "outcome": "log_drivers", "seasons": "month"}
    result = interrupted_series(d, change_at=start, **roles)
    out: dict[str, float] = {}
    for row in result.table.itertuples():
        out |= {f"ITS-{SHORT[row.quantity]}-b": row.estimate}
        out |= {f"ITS-{SHORT[row.quantity]}-nw": row.std_error}
    months, _ = covariate_columns(d, ["month"])
    after = (d["t"] >= start).astype(float)
    parts = {"constant": 1.0, "t": d["t"], "post": after, "ta": after * (d["t"] - start)}
    plain = least_squares(
        pd.concat([pd.DataFrame(parts), months], axis=1),
        d["log_drivers"].to_numpy(),
        kind="classical",
    )
    return out | {
        f"ITS-{name}-se": plain.contrast({name: 1.0})["std_error"] for name in ("t", "post", "ta")
    }


@functools.cache
def switch_values() -> dict[str, float]:
    d = data("sleepstudy").assign(constant=1.0, days=lambda d: d["Days"].astype(float))
    d["ta"] = (d["days"] - 2).clip(lower=0)
    roles = {"subject": "Subject", "time": "Days", "outcome": "Reaction"}
    mixed = personal_lines(d, design=["constant", "days", "ta"], slope=False, **roles)
    d["shifted"] = d["days"] - 2
    roles["time"] = "shifted"
    within = switch_within_people(d, level=False, **roles).table.set_index("quantity")
    people, _ = covariate_columns(d.astype({"Subject": str}), ["Subject"])
    design = pd.concat([d[["constant", "days", "ta"]], people], axis=1)
    options = {"clusters": d["Subject"]}
    counted = least_squares(design, d["Reaction"].to_numpy(), kind="CR1", **options)
    return {
        "SWITCH-Days-b": mixed.coefficients["days"],
        "SWITCH-ta-b": mixed.coefficients["ta"],
        "SWITCH-ta-se": mixed.contrast({"ta": 1.0})["std_error"],
        "SWITCH-FE-ta-CR1": counted.contrast({"ta": 1.0})["std_error"],
        # Reports use CR0 x sqrt(G / (G - 1)) with G = 18; the reference row is without it.
        "SWITCH-FE-ta-CR0": within.loc["change of slope", "std_error"] * np.sqrt(17 / 18),
    }


@pytest.mark.parametrize("check_id", ids_of("interrupted_series"))
def test_segments_agree_with_the_reference(check_id):
    expect(check_id, (series_values() | switch_values())[check_id])
