"""Robust errors of marginal models against R geepack (std.err = 'san.se').

Working independence is least squares or fractional logit with our sandwich; a fixed working
correlation is the same on whitened rows; the exchangeable model and its Mancl-DeRouen correction
are the general library's. Kauermann and Carroll's correction is our CR2.
"""

import functools

import numpy as np
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf

from outcomes.statistics.cluster_sandwich import cluster_sandwich
from outcomes.statistics.fractional import fractional_logit
from outcomes.statistics.least_squares import least_squares
from tests.reference.comparison_rows import data, expect, ids_of

NAMES = {"Time": "Time", "CuCu175": "Cu[Cu175]", "Time:CuCu175": "Time:Cu175"}


def pigs():
    d = data("dietox")
    x = d[["Time"]].astype(float).assign(constant=1.0)
    for level in ("Cu035", "Cu175"):
        x[f"Cu[{level}]"] = (d["Cu"] == level).astype(float)
        x[f"Time:{level}"] = x[f"Cu[{level}]"] * d["Time"]
    return d, x


def whitened(correlation) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Columns, outcome and clusters after each pig's rows are divided by the root of R."""
    d, x = pigs()
    columns, outcome, clusters = [], [], []
    for pig, rows in d.groupby("Pig"):
        turn = np.linalg.inv(np.linalg.cholesky(correlation(rows["Time"].to_numpy())))
        columns.append(turn @ x.loc[rows.index].to_numpy())
        outcome.append(turn @ rows["Weight"].to_numpy())
        clusters.append(np.repeat(pig, len(rows)))
    return np.vstack(columns), np.concatenate(outcome), np.concatenate(clusters)


def robust(correlation, correction="CR0"):
    columns, outcome, clusters = whitened(correlation)
    beta = np.linalg.lstsq(columns, outcome, rcond=None)[0]
    found = cluster_sandwich(columns, outcome - columns @ beta, clusters, correction=correction)
    _, x = pigs()
    errors = np.sqrt(np.diag(found.covariance))
    return dict(zip(x.columns, beta, strict=True)), dict(zip(x.columns, errors, strict=True))


@functools.cache
def weights_of_pigs() -> dict[str, float]:
    d, x = pigs()
    plain = least_squares(x, d["Weight"].to_numpy(), kind="CR0", clusters=d["Pig"])
    out = {"GEE-ind-phi": plain.residual_sd**2}
    joint = smf.gee("Weight ~ Time * Cu", "Pig", d, cov_struct=sm.cov_struct.Exchangeable())
    exchangeable, reduced = joint.fit(), joint.fit(cov_type="bias_reduced")
    alpha = exchangeable.cov_struct.dep_params
    out["GEE-exc-alpha"] = alpha
    fixed_b, fixed_se = robust(lambda t: 0.9 ** np.abs(np.subtract.outer(t, t)))
    equal = functools.partial(robust, lambda t: alpha + (1 - alpha) * np.eye(len(t)))
    library = {"Time": "Time", "CuCu175": "Cu[T.Cu175]", "Time:CuCu175": "Time:Cu[T.Cu175]"}
    for short, name in NAMES.items():
        inference = plain.contrast({name: 1.0})
        out[f"GEE-ind-{short}-b"] = inference["estimate"]
        out[f"GEE-ind-{short}-se"] = inference["std_error"]
        out[f"GEE-ar1fix-{short}-b"] = fixed_b[name]
        out[f"GEE-ar1fix-{short}-se"] = fixed_se[name]
        out[f"GEE-exc-{short}-b"] = exchangeable.params[library[short]]
        out[f"GEE-exc-{short}-se"] = exchangeable.bse[library[short]]
        out[f"GEE-exc-MD-{short}"] = reduced.bse[library[short]]
        out[f"GEE-exc-KC-{short}"] = equal(correction="CR2")[1][name]
    return out


@functools.cache
def respiratory() -> dict[str, float]:
    d = data("respiratory").assign(
        constant=1.0,
        patient=lambda d: d["center"] * 1000 + d["id"],
        treatP=lambda d: (d["treat"] == "P").astype(float),
        center2=lambda d: (d["center"] == 2).astype(float),
    )
    design = ["constant", "treatP", "baseline", "age", "center2"]
    roles = {"outcome": "outcome", "design": design, "cluster": "patient"}
    plain = fractional_logit(d, correction="CR0", **roles)
    exchangeable = smf.gee(
        "outcome ~ treatP + baseline + age + center2",
        "patient",
        d,
        family=sm.families.Binomial(),
        cov_struct=sm.cov_struct.Exchangeable(),
    ).fit()
    out = {}
    for name in ("treatP", "baseline"):
        inference = plain.contrast({name: 1.0})
        out[f"GEEB-ind-{name}-b"] = inference["estimate"]
        out[f"GEEB-ind-{name}-se"] = inference["std_error"]
        out[f"GEEB-exc-{name}-b"] = exchangeable.params[name]
        out[f"GEEB-exc-{name}-se"] = exchangeable.bse[name]
        reduced = fractional_logit(d, **roles).contrast({name: 1.0})
        out[f"GEEB-ind-KC-{name}"] = reduced["std_error"]
    return out


@pytest.mark.parametrize("check_id", ids_of("gee", "gee_small_sample"))
def test_marginal_models_agree_with_the_reference(check_id):
    expect(check_id, (weights_of_pigs() | respiratory())[check_id])
