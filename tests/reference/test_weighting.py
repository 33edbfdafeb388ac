"""Scores, balance, weighted and doubly robust differences against R on MatchIt::lalonde.

LaLonde 1986, Dehejia and Wahba 1999; R glm, survey, MatchIt, sandwich and stacked equations.
"""

import functools

import numpy as np
import pandas as pd
import pytest

from outcomes.statistics.balance import balance
from outcomes.statistics.change import welch_difference
from outcomes.statistics.design import covariate_columns
from outcomes.statistics.least_squares import least_squares
from outcomes.statistics.propensity import propensity_score, score_weights, stabilised
from outcomes.statistics.weighting import weighted_effect
from tests.reference.comparison_rows import data, expect, ids_of

COVARIATES = ["age", "educ", "race", "married", "nodegree", "re74", "re75"]
ROLES = {"group": "treat", "reference": 0}
INFLUENCE = "The influence-function error ignores the fitted models and is a fifth too small."
NOT_OFFERED = {"AIPW-ate-se": INFLUENCE, "AIPW-att-se": INFLUENCE}


def people() -> pd.DataFrame:
    return data("lalonde").assign(black=lambda d: (d["race"] == "black").astype(float))


@functools.cache
def score():
    return propensity_score(people(), covariates=COVARIATES, **ROLES)


@functools.cache
def score_values() -> dict[str, float]:
    found, d = score(), people()
    columns, _ = covariate_columns(d, COVARIATES)
    raw = found.coefficients.drop("constant") / columns.std(ddof=0)
    out = {f"PS-{name.replace('[', '').replace(']', '')}": b for name, b in raw.items()}
    e = found.score
    out |= {"PS-mean-t": e[found.treated].mean(), "PS-max": e.max(), "PS-min": e.min()}
    return out


@functools.cache
def balance_values() -> dict[str, float]:
    out: dict[str, float] = {}
    names = ["age", "educ", "black", "married", "re74", "re75"]
    for short, target, yardstick in (
        ("iptw", "everyone", "pooled"),
        ("att", "treated", "treated"),
        ("ato", "overlap", "pooled"),
    ):
        d = people().assign(weight=score().weights(target))
        options = {"covariates": names, "weights": "weight", "denominator": yardstick}
        table = balance(d, **options, **ROLES).set_index("covariate")
        for name in names:
            row = table.loc[name]
            out[f"SMD-{short}-{name}"] = row["weighted_smd"]
            if short == "ato":
                # The reference row is the difference itself, which overlap weights make zero.
                out[f"SMD-ato-{name}"] = row["weighted_mean"] - row["weighted_mean_reference"]
            if (short, name) == ("att", "married"):
                # The reference row divided a yes-or-no by the SD with n - 1; ours, as for every
                # yes-or-no, is p(1 - p). 185 are treated.
                out["SMD-att-married"] *= np.sqrt(184 / 185)
            if yardstick == "pooled":
                out |= {f"SMD-raw-{name}": row["smd"], f"VR-raw-{name}": row["variance_ratio"]}
                out[f"KS-raw-{name}"] = row["ks"]
            else:
                out[f"SMD-matchit-{name}"] = row["smd"]
    return out


@functools.cache
def effect(target: str, estimator: str = "weighted", normalised: bool = True):
    return weighted_effect(
        people(),
        outcome="re78",
        covariates=COVARIATES,
        target=target,
        estimator=estimator,
        normalised=normalised,
        **ROLES,
    )


@functools.cache
def effect_values() -> dict[str, float]:
    d, found = people(), score()
    e, z = found.score.to_numpy(), found.treated
    design = pd.DataFrame({"constant": 1.0, "treated": z.astype(float)})
    out: dict[str, float] = {}
    for short, target in (("ate", "everyone"), ("att", "treated"), ("ato", "overlap")):
        result = effect(target)
        w = score_weights(e, z, target)
        hc0 = least_squares(design, d["re78"].to_numpy(), kind="HC0", weights=w)
        known = hc0.contrast({"treated": 1.0})["std_error"]
        out |= {f"IPTW-{short}": result.estimate, f"IPTW-{short}-stk": result.std_error}
        out |= {f"IPTW-{short}-HC0": known, f"IPTW-{short}-svy": known * np.sqrt(614 / 613)}
        for i, n in enumerate(result.weights["effective_n"]):
            out[f"IPTW-{short}-ess{1 - i}"] = n
    steady = stabilised(score_weights(e, z, "everyone"), z)
    out |= {"IPTW-smax": steady.max(), "IPTW-smean": steady.mean()}
    out |= {"IPTW-trunc": effect("truncated").estimate, "TRIM-ate": effect("trimmed").estimate}
    out["TRIM-n"] = int((score_weights(e, z, "trimmed") > 0).sum())
    out["IPTW-matching-weights"] = effect("matching").estimate
    raw = welch_difference(d, outcome="re78", group="treat", reference=0)
    columns, _ = covariate_columns(d, COVARIATES)
    adjusted = least_squares(pd.concat([design, columns], axis=1), d["re78"].to_numpy())
    inference = adjusted.contrast({"treated": 1.0})
    out |= {"UNADJ": raw.loc[0, "estimate"], "OLS-adj": inference["estimate"]}
    return out | {"OLS-adj-HC3": inference["std_error"]}


@functools.cache
def robust_values() -> dict[str, float]:
    outcome_only = effect("everyone", "outcome model")
    plain = effect("everyone", "augmented", normalised=False)
    return {
        "GC-ate": outcome_only.estimate,
        "GC-ate-stk": outcome_only.std_error,
        "AIPW-ate": plain.estimate,
        "AIPW-ate-stk": plain.std_error,
        "AIPW-att": effect("treated", "augmented", normalised=False).estimate,
        "AIPW-ato": effect("overlap", "augmented").estimate,
        "AIPW-hajek": effect("everyone", "augmented").estimate,
    }


@pytest.mark.parametrize("check_id", ids_of("propensity"))
def test_the_score_agrees_with_the_reference(check_id):
    expect(check_id, score_values()[check_id])


@pytest.mark.parametrize("check_id", ids_of("balance"))
def test_balance_agrees_with_the_reference(check_id):
    expect(check_id, balance_values()[check_id])


@pytest.mark.parametrize("check_id", ids_of("weighted_effect"))
def test_weighted_differences_agree_with_the_reference(check_id):
    expect(check_id, effect_values()[check_id])


@pytest.mark.parametrize("check_id", ids_of("doubly_robust", but=NOT_OFFERED))
def test_doubly_robust_differences_agree_with_the_reference(check_id):
    expect(check_id, robust_values()[check_id])
