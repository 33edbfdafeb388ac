"""Adjusted and standardised means against R emmeans, sandwich and average predictions.

MASS::anorexia (Hand et al. 1993, no. 285) for linear models, geepack::respiratory (Davis 1991),
visit 4, for standardised risks.
"""

import functools

import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests

from outcomes.statistics.change import ancova
from outcomes.statistics.fractional import fractional_logit
from tests.reference.comparison_rows import data, expect, ids_of

ROLES = {"outcome": "Postwt", "baseline": "Prewt", "group": "Treat", "reference": "Cont"}


@functools.cache
def linear_values() -> dict[str, float]:
    plain = ancova(data("anorexia"), covariance="classical", **ROLES)
    out: dict[str, float] = {}
    for row in plain.adjusted_means.itertuples():
        out |= {f"EMM-{row.group}-m": row.estimate, f"EMM-{row.group}-se": row.std_error}
        out[f"EMM-{row.group}-lo"] = row.conf_low
    differences = plain.differences.set_index("group")
    out["EMM-FTvCont"] = differences.loc["FT", "estimate"]
    between = plain.model.contrast({"group[FT]": 1.0, "group[CBT]": -1.0})
    p_values = [differences.loc["FT", "p_value"], differences.loc["CBT", "p_value"]]
    out["EMM-holm-p"] = multipletests([*p_values, between["p_value"]], method="holm")[1][0]
    crossed = ancova(data("anorexia"), covariance="HC2", interaction=True, **ROLES)
    lin = crossed.differences.set_index("group").loc["FT"]
    out |= {"EMM-lin-FT": lin["estimate"], "EMM-lin-FT-HC2": lin["std_error"]}
    less, full = plain.model.residual_sum_of_squares, crossed.model.residual_sum_of_squares
    out["EMM-lin-F"] = (less - full) / 2 / (full / crossed.model.df_residual)
    return out


@functools.cache
def standardised_values() -> dict[str, float]:
    d = data("respiratory").query("visit == 4").assign(constant=1.0)
    d = d.assign(person=np.arange(len(d)), P=(d["treat"] == "P").astype(float))
    d = d.assign(male=(d["sex"] == "M").astype(float), centre=(d["center"] == 2).astype(float))
    design = ["constant", "P", "baseline", "age", "male", "centre"]
    fit = fractional_logit(d, outcome="outcome", design=design, cluster="person", correction="CR0")
    risk, gradient = {}, {}
    for name, value in (("A", 0.0), ("P", 1.0)):
        risk[name], gradient[name] = fit.standardised(d[design].assign(P=value).to_numpy())
    gap = gradient["P"] - gradient["A"]
    ratio = gradient["P"] / risk["P"] - gradient["A"] / risk["A"]
    return {
        "GCOMP-pA": risk["A"],
        "GCOMP-rd": risk["P"] - risk["A"],
        "GCOMP-rd-se": np.sqrt(gap @ fit._fit.bread @ gap),
        "GCOMP-rd-seHC0": np.sqrt(gap @ fit.covariance @ gap),
        "GCOMP-logrr-se": np.sqrt(ratio @ fit._fit.bread @ ratio),
    }


@pytest.mark.parametrize("check_id", ids_of("adjusted_means"))
def test_adjusted_means_agree_with_the_reference(check_id):
    expect(check_id, (linear_values() | standardised_values())[check_id])
