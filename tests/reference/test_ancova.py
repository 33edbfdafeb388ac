"""Baseline-adjusted differences against R `lm`, sandwich and clubSandwich.

MASS::anorexia (Hand et al. 1993, no. 285) without clusters, geepack::dietox (Lauridsen et al.
1999), week 12, with litters as clusters. HC0, HC1, CR0 and CR1 are not used in reports; they are
checked because HC3 and CR2 are built on them.
"""

import functools

import pytest

from outcomes.statistics.change import ancova
from outcomes.statistics.cluster_sandwich import cluster_sandwich
from outcomes.statistics.design import covariate_columns
from outcomes.statistics.least_squares import least_squares
from tests.reference.comparison_rows import data, expect, ids_of

KINDS = {"se": "classical", "HC0": "HC0", "HC1": "HC1", "HC2": "HC2", "HC3": "HC3"}
COLUMNS = {"Prewt": "Prewt", "CBT": "group[CBT]", "FT": "group[FT]"}


@functools.cache
def plain_values() -> dict[str, float]:
    weights = data("anorexia").assign(gain=lambda d: d["Postwt"] - d["Prewt"])
    roles = {"baseline": "Prewt", "group": "Treat", "reference": "Cont"}
    out: dict[str, float] = {}
    for suffix, kind in KINDS.items():
        model = ancova(weights, outcome="Postwt", covariance=kind, **roles).model
        for name, column in COLUMNS.items():
            inference = model.contrast({column: 1.0})
            out[f"ANC-{name}-{suffix}"] = inference["std_error"]
            out[f"ANC-{name}-b"] = inference["estimate"]
        if kind in ("classical", "HC3"):
            mark = "" if kind == "classical" else "-HC3"
            out[f"ANC-FT{mark}-lo"] = model.contrast({"group[FT]": 1.0})["conf_low"]
            out[f"ANC-FT{mark}-hi"] = model.contrast({"group[FT]": 1.0})["conf_high"]
    out["ANC-sigma"] = model.residual_sd
    gain = ancova(weights, outcome="gain", **roles).model
    for name in ("FT", "Prewt"):
        out[f"ANC-change-{name}-b"] = gain.coefficients[COLUMNS[name]]
    return out


@functools.cache
def clustered_values() -> dict[str, float]:
    week = data("dietox").query("Time == 12")
    roles = {"outcome": "Weight", "baseline": "Start", "group": "Cu", "reference": "Cu000"}
    result = ancova(week, cluster="Litter", **roles)
    assert result.covariance == "CR2"
    design, _ = covariate_columns(week, ["Start", "Cu"])
    design.insert(0, "constant", 1.0)
    out: dict[str, float] = {"ANCCL-G": result.model.clustered.n_clusters}
    for kind in ("CR0", "CR1", "CR2"):
        model = least_squares(design, week["Weight"].to_numpy(), kind=kind, clusters=week["Litter"])
        for name in ("Start", "Cu[Cu035]", "Cu[Cu175]"):
            inference, short = model.contrast({name: 1.0}), name.replace("[", "").replace("]", "")
            out[f"ANCCL-{short}-{kind}"] = inference["std_error"]
            out[f"ANCCL-{short}-b"] = inference["estimate"]
            out[f"ANCCL-{short}-{kind}df"] = inference["df"]
    by_group = result.differences.set_index("group")
    for level in ("Cu035", "Cu175"):
        assert by_group.loc[level, "std_error"] == pytest.approx(out[f"ANCCL-Cu{level}-CR2"])
    return out


@pytest.mark.parametrize("check_id", ids_of("ancova"))
def test_ancova_agrees_with_the_reference(check_id):
    expect(check_id, plain_values()[check_id])


@pytest.mark.parametrize("check_id", ids_of("ancova_cluster"))
def test_clustered_ancova_agrees_with_the_reference(check_id):
    expect(check_id, clustered_values()[check_id])


def test_cr2_with_every_row_its_own_cluster_is_hc2():
    week = data("dietox").query("Time == 12")
    design, _ = covariate_columns(week, ["Start", "Cu"])
    design.insert(0, "constant", 1.0)
    model = least_squares(design, week["Weight"].to_numpy(), kind="HC2")
    own = cluster_sandwich(design.to_numpy(), model.residuals, range(len(week)))
    assert own.covariance == pytest.approx(model.covariance, rel=1e-9)
