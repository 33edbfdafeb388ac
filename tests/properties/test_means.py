"""What must always hold of means, changes, weights and visits, whatever the data."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.errors import EstimationError
from outcomes.statistics.balance import balance
from outcomes.statistics.change import ancova, paired_change, welch_difference
from outcomes.statistics.propensity import propensity_score
from outcomes.statistics.repeated_measures import repeated_measures
from outcomes.statistics.visit_means import visit_means
from outcomes.statistics.weighting import weighted_effect

SEEDS = st.integers(0, 10_000)
FEW = settings(max_examples=10, deadline=None)
ANCOVA = {"outcome": "after", "baseline": "before", "group": "arm", "covariates": ["age", "site"]}
EFFECT = {"outcome": "after", "group": "arm", "covariates": ["before", "age", "site"]}


def people(seed: int, n: int = 60) -> pd.DataFrame:
    """Two groups chosen by a measured value, with a number and a category beside it."""
    rng = np.random.default_rng(seed)
    out = pd.DataFrame({"before": rng.normal(8, 1, n), "age": rng.normal(50, 12, n)})
    out["arm"] = np.where(rng.normal(0, 1, n) + 0.4 * (out["before"] - 8) > 0, "b", "a")
    out.loc[:24, "arm"] = np.where(np.arange(25) % 2, "b", "a")
    out["site"] = rng.choice(["north", "south", "west"], n)
    out["after"] = 2 + 0.7 * out["before"] - 0.3 * (out["arm"] == "b") + rng.normal(0, 0.6, n)
    return out.assign(person=np.arange(n) // 2)


def visits(seed: int) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    long = people(seed).assign(who=np.arange(60))
    long = long.merge(pd.DataFrame({"month": [3, 6, 12]}), how="cross")
    long["value"] = long["after"] + rng.normal(0, 0.5, len(long))
    long.loc[rng.random(len(long)) < 0.1, "value"] = np.nan
    return long


VISITS = {"subject": "who", "visit": "month", "outcome": "value", "baseline": "before"}


def mirrored(table: pd.DataFrame) -> list[float]:
    row = table.iloc[0]
    return [-row["estimate"], -row["conf_high"], -row["conf_low"], row["std_error"]]


def plain(table: pd.DataFrame) -> list[float]:
    return list(table.iloc[0][["estimate", "conf_low", "conf_high", "std_error"]])


@FEW
@given(SEEDS)
def test_swapping_arms_negates_the_adjusted_difference(seed):
    one, other = (ancova(people(seed), reference=r, **ANCOVA).differences for r in ("a", "b"))
    assert plain(one) == pytest.approx(mirrored(other), rel=1e-8)


@FEW
@given(SEEDS)
def test_swapping_arms_negates_the_welch_difference(seed):
    options = {"outcome": "after", "group": "arm"}
    one, other = (welch_difference(people(seed), reference=r, **options) for r in ("a", "b"))
    assert plain(one) == pytest.approx(mirrored(other), rel=1e-8)


@FEW
@given(SEEDS)
def test_swapping_arms_negates_every_visit(seed):
    one, other = (
        visit_means(visits(seed), group="arm", reference=r, **VISITS).differences
        for r in ("a", "b")
    )
    for visit in range(3):
        want = mirrored(other.iloc[[visit]])
        assert plain(one.iloc[[visit]]) == pytest.approx(want, rel=1e-5, abs=1e-6)


@FEW
@given(SEEDS, st.sampled_from(["overlap", "everyone", "matching"]))
def test_swapping_arms_negates_the_weighted_difference(seed, target):
    one, other = (
        weighted_effect(people(seed), reference=r, target=target, **EFFECT) for r in ("a", "b")
    )
    assert one.estimate == pytest.approx(-other.estimate, rel=1e-6, abs=1e-9)
    assert one.std_error == pytest.approx(other.std_error, rel=1e-6)


@FEW
@given(SEEDS)
def test_row_order_does_not_matter(seed):
    d, v = people(seed), visits(seed)
    other, w = d.sample(frac=1, random_state=seed), v.sample(frac=1, random_state=seed)
    pairs = [
        (ancova(x, reference="a", cluster="person", **ANCOVA).differences for x in (d, other)),
        (visit_means(x, group="arm", reference="a", **VISITS).differences for x in (v, w)),
    ]
    for one, two in pairs:
        pd.testing.assert_frame_equal(one, two, rtol=1e-8, atol=1e-8)
    effects = [weighted_effect(x, reference="a", cluster="person", **EFFECT) for x in (d, other)]
    assert effects[0].estimate == pytest.approx(effects[1].estimate, abs=1e-8)
    assert effects[0].std_error == pytest.approx(effects[1].std_error, abs=1e-8)


@FEW
@given(SEEDS)
def test_a_constant_covariate_changes_nothing_and_is_named(seed):
    d = people(seed).assign(clinic="one")
    options = ANCOVA | {"covariates": ["age", "site", "clinic"]}
    more, less = ancova(d, reference="a", **options), ancova(d, reference="a", **ANCOVA)
    pd.testing.assert_frame_equal(more.differences, less.differences)
    assert more.notes == ["clinic takes a single value in the rows used and was left out."]


@FEW
@given(SEEDS)
def test_a_covariate_that_repeats_another_is_refused_by_name(seed):
    d = people(seed).assign(months=lambda d: 12 * d["age"])
    options = ANCOVA | {"covariates": ["age", "months"]}
    with pytest.raises(EstimationError, match="cannot tell months"):
        ancova(d, reference="a", **options)


@FEW
@given(SEEDS)
def test_overlap_weights_balance_every_mean_exactly(seed):
    d = people(seed, n=120)
    score = propensity_score(d, group="arm", reference="a", covariates=["before", "age", "site"])
    assert score.penalty == "none"
    d["weight"] = score.weights("overlap")
    options = {"covariates": ["before", "age", "site"], "weights": "weight"}
    table = balance(d, group="arm", reference="a", **options)
    assert table["weighted_smd"].to_numpy(dtype=float) == pytest.approx(0.0, abs=1e-7)


@FEW
@given(SEEDS, st.floats(0.01, 100))
def test_another_unit_rescales_every_difference(seed, factor):
    d, v = people(seed), visits(seed)
    scaled = d.assign(before=d["before"] * factor, after=d["after"] * factor)
    one, two = (ancova(x, reference="a", **ANCOVA).differences for x in (d, scaled))
    assert plain(two) == pytest.approx(list(np.multiply(plain(one), factor)), rel=1e-8)
    longer = v.assign(before=v["before"] * factor, value=v["value"] * factor)
    one, two = (visit_means(x, group="arm", reference="a", **VISITS).changes for x in (v, longer))
    assert plain(two) == pytest.approx(list(np.multiply(plain(one), factor)), rel=1e-5)
    one, two = (weighted_effect(x, reference="a", **EFFECT) for x in (d, scaled))
    assert two.estimate == pytest.approx(one.estimate * factor, rel=1e-6, abs=1e-9 * factor)
    assert two.std_error == pytest.approx(one.std_error * factor, rel=1e-6)


@FEW
@given(SEEDS)
def test_weights_of_one_change_nothing(seed):
    d = people(seed).assign(weight=1.0)
    one = ancova(d, reference="a", **ANCOVA)
    two = ancova(d, reference="a", weights="weight", **ANCOVA)
    pd.testing.assert_frame_equal(one.differences, two.differences)


@FEW
@given(SEEDS)
def test_reversing_time_negates_the_paired_change(seed):
    d = people(seed)
    one = paired_change(d, before="before", after="after")
    two = paired_change(d, before="after", after="before")
    assert (one.mean, one.conf_low) == pytest.approx((-two.mean, -two.conf_high))
    assert one.p_value == pytest.approx(two.p_value)


@FEW
@given(SEEDS)
def test_complete_visits_give_the_plain_visit_means(seed):
    v = visits(seed).assign(value=lambda d: d["value"].fillna(d["after"]))
    months = (3, 6, 12)
    for month in months:
        v[f"m{month}"] = (v["month"] == month).astype(float)
    fit = repeated_measures(
        v, subject="who", visit="month", outcome="value", design=[f"m{m}" for m in months]
    )
    raw = v.groupby("month")["value"].agg(["mean", "sem"])
    for month in months:
        row = fit.contrast({f"m{month}": 1.0})
        assert row["estimate"] == pytest.approx(raw.loc[month, "mean"], rel=1e-9)
        assert row["std_error"] == pytest.approx(raw.loc[month, "sem"], rel=1e-6)
        assert row["df"] == pytest.approx(59, rel=1e-6)


@FEW
@given(SEEDS)
def test_one_visit_is_the_analysis_of_covariance(seed):
    last = visits(seed).query("month == 12").dropna(subset=["value"])
    result = visit_means(last, group="arm", reference="a", **VISITS).differences
    roles = {"outcome": "value", "baseline": "before", "group": "arm", "reference": "a"}
    want = ancova(last, covariance="classical", **roles).differences
    assert plain(result) == pytest.approx(plain(want), rel=1e-6)
    assert result.loc[0, "df"] == pytest.approx(want.loc[0, "df"], rel=1e-8)
