"""Repeated measures against R 4.2: nlme::gls (corSymm, varIdent, REML) and lmerTest.

Potthoff and Roy's 27 children (1964) at four ages, complete and with nine age-10 values deleted.
"""

import functools

import numpy as np
import pandas as pd
import pytest

from outcomes.statistics.repeated_measures import RepeatedMeasures, repeated_measures
from tests.reference.comparison_rows import data, expect, ids_of, reference_rows

KENWARD_ROGER = "Kenward-Roger is not offered: Satterthwaite's df are, and equal it when complete."
NOT_OFFERED = {
    check_id: KENWARD_ROGER
    for check_id in reference_rows().index
    if check_id.endswith(("-krse", "-krdf"))
}
AGES = (8, 10, 12, 14)


def fitted(name: str, **options) -> RepeatedMeasures:
    children = data(name)
    design = []
    for age in AGES:
        here = (children["age"] == age).astype(float)
        children[f"male{age}"] = here * (children["Sex"] == "Male")
        children[f"female{age}"] = here * (children["Sex"] == "Female")
        design += [f"male{age}", f"female{age}"]
    roles = {"subject": "Subject", "visit": "age", "outcome": "distance"}
    return repeated_measures(children, design=design, **roles, **options)


CONTRASTS = {
    "g8": {"female8": 1, "male8": -1},
    "g10": {"female10": 1, "male10": -1},
    "g14": {"female14": 1, "male14": -1},
    "chgM": {"male14": 1, "male8": -1},
    "chgdiff": {"female14": 1, "female8": -1, "male14": -1, "male8": 1},
    "meanM14": {"male14": 1},
}


@functools.cache
def values() -> dict[str, float]:
    out: dict[str, float] = {}
    for prefix, name in (("MMRM", "orthodont"), ("MMRMmiss", "orthodont_missing")):
        fit = fitted(name)
        assert fit.structure == "unstructured"
        # The reference has a treatment coding; the restricted likelihood depends on the coding
        # through the determinant of X'X, which here differs by a factor of 1.
        out[f"{prefix}-reml"] = fit.log_likelihood
        for short, weights in CONTRASTS.items():
            inference = fit.contrast(weights)
            for suffix, field in (("b", "estimate"), ("se", "std_error"), ("sat", "df")):
                out[f"{prefix}-{short}-{suffix}"] = inference[field]
        for i, j in np.ndindex(4, 4):
            out[f"{prefix}-S{i + 1}{j + 1}"] = fit.visit_covariance.iloc[i, j]
    return out


@pytest.mark.parametrize("check_id", ids_of("mmrm", "mmrm_missing", but=NOT_OFFERED))
def test_repeated_measures_agree_with_the_reference(check_id):
    expect(check_id, values()[check_id])


def test_df_on_complete_data_are_subjects_less_groups_exactly():
    assert fitted("orthodont").contrast(CONTRASTS["g10"])["df"] == pytest.approx(25, abs=1e-8)


def test_own_cluster_sandwich_on_complete_data_equals_hc2_of_the_visit_means():
    clustered = fitted("orthodont", cluster="Subject").contrast(CONTRASTS["g8"])
    eight = data("orthodont").query("age == 8").groupby("Sex")["distance"]
    want = np.sqrt((eight.var(ddof=1) / eight.size()).sum())
    assert clustered["std_error"] == pytest.approx(want, rel=1e-8)


@pytest.mark.parametrize("structure", ["heterogeneous compound symmetry", "random intercept"])
def test_the_fallback_structures_reach_a_maximum(structure):
    fit = fitted("orthodont_missing", structures=[structure])
    assert fit.structure == structure
    assert fit.log_likelihood < fitted("orthodont_missing").log_likelihood
    assert isinstance(fit.visit_covariance, pd.DataFrame)
