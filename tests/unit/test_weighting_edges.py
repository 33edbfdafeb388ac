"""Weighted comparisons, their bootstrap, and changes within people at the edges."""

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from outcomes.errors import EstimationError
from outcomes.statistics.bootstrap import patient_bootstrap
from outcomes.statistics.propensity import propensity_score
from outcomes.statistics.regression_to_mean import expected_fall, expected_fall_from
from outcomes.statistics.segmented import interrupted_series, switch_within_people
from outcomes.statistics.sensitivity import robustness_value, strongest_bias
from outcomes.statistics.weighting import weighted_effect

ROLES = {"outcome": "y", "group": "arm", "reference": "a"}


def chosen(n: int = 400, seed: int = 3) -> pd.DataFrame:
    """Group chosen by x; the effect in a person is x; outcomes follow x."""
    rng = np.random.default_rng(seed)
    x = rng.normal(0, 1, n)
    treated = rng.random(n) < expit(x - 0.5)
    y = 2 * x + x * treated + rng.normal(0, 1, n)
    return pd.DataFrame({"x": x, "arm": np.where(treated, "b", "a"), "y": y, "who": np.arange(n)})


def overlap_truth(d: pd.DataFrame) -> float:
    e = expit(d["x"] - 0.5)
    return float(np.average(d["x"], weights=e * (1 - e)))


@pytest.mark.parametrize("estimator", ["weighted", "augmented"])
def test_overlap_weighting_recovers_the_effect_in_the_overlap(estimator):
    d = chosen(4000)
    result = weighted_effect(d, covariates=["x"], estimator=estimator, **ROLES)
    assert abs(result.estimate - overlap_truth(d)) < 3 * result.std_error
    raw = d.groupby("arm")["y"].mean()
    assert abs(raw["b"] - raw["a"] - overlap_truth(d)) > 10 * result.std_error


def test_outcomes_lost_by_x_are_weighted_back():
    d = chosen(6000)
    lost = np.random.default_rng(5).random(len(d)) < expit(2 * d["x"])
    d.loc[lost, "y"] = np.nan
    kept = weighted_effect(d, covariates=["x"], observation=["x"], estimator="weighted", **ROLES)
    dropped = weighted_effect(d, covariates=["x"], estimator="weighted", **ROLES)
    assert abs(kept.estimate - overlap_truth(d)) < 3 * kept.std_error
    assert abs(dropped.estimate - overlap_truth(d)) > 3 * dropped.std_error
    assert (kept.n, kept.n_observed, dropped.n) == (6000, int((~lost).sum()), int((~lost).sum()))


def test_an_outcome_foretold_before_the_visit_is_as_good_as_seen():
    d = chosen(300).rename(columns={"y": "early"}).assign(y=lambda d: 1 + 3 * d["early"])
    options = {"covariates": ["x"], "observation": ["early"], **ROLES}
    everybody = weighted_effect(d, **options)
    d.loc[np.random.default_rng(5).random(300) < expit(d["early"]) ** 3, "y"] = np.nan
    assert weighted_effect(d, **options).estimate == pytest.approx(everybody.estimate, abs=1e-9)


def test_a_wrong_law_of_being_seen_is_mended_by_the_expectation():
    d = chosen(6000).rename(columns={"y": "early"})
    d["y"] = d["early"] + np.random.default_rng(4).normal(0, 1, 6000)
    lost = np.random.default_rng(5).random(6000) < np.where(d["early"].between(0.5, 3), 0.9, 0.1)
    d.loc[lost & (d["arm"] == "b"), "y"] = np.nan
    options = {"covariates": ["x"], "observation": ["early"], **ROLES}
    both = weighted_effect(d, estimator="augmented", **options)
    weights = weighted_effect(d, estimator="weighted", **options)
    assert abs(both.estimate - overlap_truth(d)) < 3 * both.std_error
    assert abs(weights.estimate - overlap_truth(d)) > 3 * weights.std_error


@pytest.mark.parametrize("estimator", ["weighted", "augmented", "outcome model"])
def test_bootstrap_and_stacked_errors_agree(estimator):
    d = chosen(600)
    d.loc[np.random.default_rng(2).random(600) < 0.2, "y"] = np.nan
    result = weighted_effect(
        d,
        covariates=["x"],
        observation=["x"],
        estimator=estimator,
        n_draws=400,
        rng=np.random.default_rng(4),
        **ROLES,
    )
    assert result.std_error == pytest.approx(result.sandwich["std_error"], rel=0.15)
    assert result.conf_low < result.estimate < result.conf_high


def test_copies_of_a_person_add_nothing_when_clustered():
    d = chosen(300)
    twice = pd.concat([d, d], ignore_index=True)
    one = weighted_effect(d, covariates=["x"], cluster="who", **ROLES)
    two = weighted_effect(twice, covariates=["x"], cluster="who", **ROLES)
    blind = weighted_effect(twice, covariates=["x"], **ROLES)
    assert two.std_error == pytest.approx(one.std_error, rel=1e-6)
    assert blind.std_error == pytest.approx(one.std_error / np.sqrt(2), rel=0.01)


def test_the_bootstrap_is_reproducible_by_its_generator():
    options = {"covariates": ["x"], "n_draws": 20, **ROLES}
    one, two = (
        weighted_effect(chosen(100), rng=np.random.default_rng(1), **options) for _ in range(2)
    )
    assert (one.conf_low, one.conf_high) == (two.conf_low, two.conf_high)


def test_shares_are_modelled_inside_zero_and_one():
    d = chosen(500).assign(y=lambda d: expit(d["y"]))
    result = weighted_effect(d, covariates=["x"], outcome_model="share", **ROLES)
    assert 0 < result.mean_reference < result.mean_treated + 0.5 < 1.5
    assert abs(result.estimate) < 0.5


def test_small_groups_are_described_in_words():
    d = chosen(60)
    few = pd.concat([d[d["arm"] == "a"], d[d["arm"] == "b"].head(9)])
    result = weighted_effect(few, covariates=["x"], **ROLES)
    assert result.estimate is None
    assert result.note == "Fewer than 10 in a group: described, not estimated."


def test_more_columns_than_one_per_five_are_penalised_and_named():
    d = chosen(60).assign(
        **{f"x{j}": np.random.default_rng(100 + j).normal(size=60) for j in range(8)}
    )
    names = ["x", *(f"x{j}" for j in range(8))]
    result = weighted_effect(d, covariates=names, **ROLES)
    assert result.score.penalty == "firth"
    assert "more than one per 5" in result.notes[0]
    assert "slopes of the outcome model are common" in result.notes[1]


def test_a_covariate_that_separates_the_groups_is_penalised_and_named():
    d = chosen(200).assign(sign=lambda d: (d["arm"] == "b").astype(float))
    d.loc[0, "sign"] = 1 - d.loc[0, "sign"]
    d.loc[d["arm"] == "a", "sign"] = 0.0
    score = propensity_score(d, group="arm", reference="a", covariates=["sign"])
    assert score.penalty == "firth"
    assert score.score.between(0, 1, inclusive="neither").all()


def test_failed_draws_are_counted_and_too_many_give_no_interval():
    def sometimes(counts):
        return np.where(counts[:, :1] > 0, counts.sum(axis=1, keepdims=True), np.nan)

    done = patient_bootstrap(
        sometimes, units=np.arange(20), n_draws=300, rng=np.random.default_rng(1)
    )
    # The chance that a given unit is not drawn is (19/20)^20 = .358.
    assert done.n_failed / 300 == pytest.approx(0.358, abs=0.08)
    assert done.interval() == (None, None)
    assert done.note == f"{done.n_failed} of 300 draws could not be fitted: no interval."


def test_draws_without_a_generator_are_refused():
    with pytest.raises(EstimationError, match="needs `rng`"):
        weighted_effect(chosen(), covariates=["x"], n_draws=10, **ROLES)


def switchers(n: int = 30, seed: int = 1) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    rows = pd.MultiIndex.from_product([range(n), range(-4, 6)], names=["who", "period"])
    d = rows.to_frame(index=False)
    level = rng.normal(60, 10, n)[d["who"]]
    step = 5.0 * (d["period"] >= 0) + 0.5 * d["period"].clip(lower=0)
    return d.assign(value=level - 0.3 * d["period"] + step + rng.normal(0, 1, len(d)))


SWITCH = {"subject": "who", "time": "period", "outcome": "value"}


def test_the_step_and_bend_within_people_are_recovered():
    table = switch_within_people(switchers(), **SWITCH).table.set_index("quantity")
    for name, truth in (("change of level", 5.0), ("change of slope", 0.5), ("trend before", -0.3)):
        row = table.loc[name]
        assert abs(row["estimate"] - truth) < 3 * row["std_error"]
    assert table["df"].eq(29).all()


def test_people_with_one_side_only_are_left_out_and_counted():
    d = switchers()
    d = d[(d["who"] > 4) | (d["period"] >= 0)]
    result = switch_within_people(d, **SWITCH)
    assert result.n_units == 25
    assert result.notes[0].startswith("5 of 30 people have fewer than 2 periods")


def test_a_series_without_a_before_is_refused():
    d = pd.DataFrame({"t": np.arange(20.0), "y": np.arange(20.0) ** 2})
    with pytest.raises(EstimationError, match="2 times before and 18 from"):
        interrupted_series(d, time="t", outcome="y", change_at=2, lags=2)


def test_far_thresholds_do_not_divide_zero_by_zero():
    fall = expected_fall(mean=62, sd=10, correlation=0.7, threshold=562)
    # So far out the chosen lie just above the threshold, and fall by (1 - rho) of the distance.
    assert fall == pytest.approx(0.3 * 500, rel=0.01)
    assert expected_fall(mean=62, sd=10, correlation=1.0, threshold=70) == 0.0


def test_the_fall_from_an_observed_mean_is_that_of_the_chosen():
    chosen_mean = 62 + expected_fall(mean=62, sd=10, correlation=0.7, threshold=70) / 0.3
    assert expected_fall_from(chosen_mean, mean=62, correlation=0.7) == pytest.approx(
        expected_fall(mean=62, sd=10, correlation=0.7, threshold=70)
    )


def test_the_robustness_value_is_the_strength_that_removes_the_effect():
    strength = robustness_value(0.4, 0.1, 100)
    bias = strongest_bias(0.1, 100, with_outcome=strength, with_group=strength)
    assert bias == pytest.approx(0.4)


def test_a_level_of_one_person_does_not_stop_the_penalised_score():
    d = chosen(40).assign(site=["alone"] + ["many"] * 39)
    score = propensity_score(d, group="arm", reference="a", covariates=["x", "site"])
    assert score.fit.converged
    assert score.score.between(0, 1, inclusive="neither").all()


def test_when_every_draw_fails_the_estimate_stays_and_a_note_says_why():
    done = patient_bootstrap(
        lambda counts: np.full((len(counts), 1), np.nan),
        units=np.arange(5),
        n_draws=10,
        rng=np.random.default_rng(1),
    )
    assert (done.interval(), done.std_error()) == ((None, None), None)
    assert done.note == "10 of 10 draws could not be fitted: no interval."
