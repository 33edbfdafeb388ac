"""Selection by the last value is undone; imputations follow what was seen; edges speak."""

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit, logit

from outcomes.errors import EstimationError
from outcomes.statistics.fractional import fractional_logit, trajectory
from outcomes.statistics.imputation import impute, pool, tipping_point
from outcomes.statistics.observation_weights import observation_weights


def leaving(n: int = 3000, seed: int = 1) -> pd.DataFrame:
    """People by eight periods; those with a low last share leave for good."""
    rng = np.random.default_rng(seed)
    level = rng.normal(0.3, 0.8, n)
    share = expit(level[:, None] + rng.normal(0, 0.4, (n, 8)))
    stays = np.ones((n, 8), dtype=bool)
    for t in range(1, 8):
        stays[:, t] = stays[:, t - 1] & (rng.random(n) < expit(1.2 + 3 * (share[:, t - 1] - 0.3)))
    out = pd.DataFrame({"who": np.repeat(np.arange(n), 8), "period": np.tile(np.arange(8.0), n)})
    out["truth"] = share.ravel()
    out["share"] = np.where(stays.ravel(), out["truth"], np.nan)
    return out.assign(constant=1.0)


WEIGHTED = {"subject": "who", "visit": "period", "outcome": "share"}


def test_weights_by_the_last_value_undo_the_selection():
    visits = leaving()
    result = observation_weights(visits, numerator=["period"], **WEIGHTED)
    last = visits[visits["period"] == 7].assign(weight=result.weights)
    seen = last.dropna(subset=["share"])
    truth, error = last["truth"].mean(), last["truth"].std() / np.sqrt(len(seen) / 2)
    assert seen["share"].mean() - truth > 4 * error
    assert abs(np.average(seen["share"], weights=seen["weight"]) - truth) < 3 * error


def test_nothing_missing_means_weights_of_one():
    visits = leaving(50).assign(share=lambda d: d["truth"])
    result = observation_weights(visits, numerator=["period"], **WEIGHTED)
    assert result.weights.to_numpy() == pytest.approx(1.0)
    assert result.effective_n == pytest.approx(400)


def test_weights_follow_their_rows_in_any_order():
    visits = leaving(200)
    shuffled = visits.sample(frac=1, random_state=3)
    one = observation_weights(visits, numerator=["period"], **WEIGHTED).weights
    other = observation_weights(shuffled, numerator=["period"], **WEIGHTED).weights
    pd.testing.assert_series_equal(other.sort_index(), one, rtol=1e-8)


def test_gaps_between_visits_are_weighted_too():
    visits = leaving(400)
    hole = (visits["period"] == 3) & (visits["who"] % 2 == 0)
    visits.loc[hole, "share"] = np.nan
    result = observation_weights(visits, numerator=["period"], **WEIGHTED)
    assert result.n_observed == visits["share"].notna().sum()
    assert result.weights.notna().equals(visits["share"].notna())


def wide(n: int = 200, seed: int = 2, monotone: bool = True) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    start = rng.normal(8, 1, n)
    people = pd.DataFrame({"start": start, "arm": np.where(np.arange(n) % 2, "b", "a")})
    people["early"] = start - 0.5 + rng.normal(0, 0.5, n)
    people["late"] = people["early"] - 0.2 * (people["arm"] == "b") + rng.normal(0, 0.3, n)
    people.loc[people["early"] > 8, "late"] = np.nan
    if not monotone:
        people.loc[people.index[:5], "early"] = np.nan
    return people


@pytest.mark.parametrize("monotone", [True, False])
def test_imputed_values_continue_what_was_seen(monotone):
    people = wide(monotone=monotone)
    drawn = impute(
        people,
        columns=["early", "late"],
        predictors=["start", "arm"],
        rng=np.random.default_rng(5),
        n_imputations=5,
    )
    gaps = people["late"].isna() & people["early"].notna()
    step = np.mean([(d["late"] - people["early"])[gaps].mean() for d in drawn])
    assert step == pytest.approx(-0.1, abs=0.15)
    assert all(d.notna().all(axis=None) for d in drawn)
    assert drawn[0]["late"][~people["late"].isna()].equals(people["late"].dropna())


def test_the_same_seed_gives_the_same_draws():
    options = {"columns": ["early", "late"], "predictors": ["start"], "n_imputations": 2}
    one, other = (impute(wide(), rng=np.random.default_rng(9), **options) for _ in range(2))
    assert one[1].equals(other[1])


def test_the_tipping_table_moves_by_the_share_imputed():
    people = wide()
    table = tipping_point(
        people,
        visits=["early", "late"],
        outcome="late",
        baseline="start",
        group="arm",
        reference="a",
        deltas=[0.0, 1.0],
        rng=np.random.default_rng(3),
        n_imputations=10,
    ).set_index("delta")
    share = people.loc[people["arm"] == "b", "late"].isna().mean()
    moved = table.loc[1.0, "estimate"] - table.loc[0.0, "estimate"]
    assert moved == pytest.approx(share, abs=0.1)
    assert table["fraction_missing"].between(0, 1).all()


def test_pooling_identical_results_adds_nothing():
    pooled = pool([2.0, 2.0, 2.0], [1.0, 1.0, 1.0], complete_df=40)
    assert (pooled.estimate, pooled.std_error) == (2.0, 1.0)
    assert pooled.df == pytest.approx(41 / 43 * 40)


def test_one_completed_data_set_is_refused():
    with pytest.raises(EstimationError, match="two or more"):
        pool([1.0], [1.0])


def shares(n: int = 120, seed: int = 6) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    people = pd.DataFrame({"who": np.arange(n), "arm": np.where(np.arange(n) < n // 3, "b", "a")})
    people["age"] = rng.normal(50, 10, n)
    people["level"] = rng.normal(0.2, 0.6, n) + 0.4 * (people["arm"] == "b")
    out = people.merge(pd.DataFrame({"period": np.arange(1.0, 14.0)}), how="cross")
    noise = rng.normal(0, 0.4, len(out))
    out["share"] = expit(out["level"] + 0.05 * out["period"].clip(upper=6) + noise)
    return out


SHAPE = {"knots": [4.0, 7.0], "boundary": (1.0, 13.0), "cluster": "who"}
CURVE = {"outcome": "share", "time": "period", "group": "arm", "reference": "a", **SHAPE}


def test_trajectory_levels_stay_inside_and_differences_are_their_gaps():
    result = trajectory(shares(), at=[1, 6, 13], covariates=["age"], **CURVE)
    levels = result.levels.set_index(["time", "group"])["estimate"]
    gaps = result.differences.set_index("time")["estimate"]
    assert gaps[6] == pytest.approx(levels[(6, "b")] - levels[(6, "a")])
    assert result.levels["conf_low"].gt(0).all()
    assert result.differences["df"].lt(120).all()


def test_trajectory_refuses_to_leave_its_boundary():
    with pytest.raises(EstimationError, match="outside the boundary"):
        trajectory(shares(), at=[14], **CURVE)


def test_a_small_group_is_described_in_words():
    visits = shares()
    few = visits[(visits["arm"] == "a") | (visits["who"] < 5)]
    result = trajectory(few, at=[6], **CURVE)
    assert result.notes == ["b: 5 people, fewer than 10: not estimated."]
    assert result.differences.empty


def test_weights_of_the_target_move_the_level_not_the_model():
    visits = shares()
    people = visits.drop_duplicates("who").assign(weight=lambda d: 1.0 * (d["age"] > 50))
    old = trajectory(
        visits, at=[6], covariates=["age"], target=people, target_weights="weight", **CURVE
    )
    every = trajectory(visits, at=[6], covariates=["age"], target=people, **CURVE)
    slope = old.model.coefficients["age"]
    moved = old.levels["estimate"] - every.levels["estimate"]
    assert (np.sign(moved) == np.sign(slope)).all()


def test_shares_of_exactly_zero_and_one_are_accepted():
    rows = pd.DataFrame({"who": list("ABCD"), "constant": 1.0, "share": [0.0, 1.0, 1.0, 0.6]})
    fit = fractional_logit(rows, outcome="share", design=["constant"], cluster="who")
    assert fit.coefficients["constant"] == pytest.approx(logit(0.65))


def test_percentages_are_refused():
    rows = pd.DataFrame({"who": list("ABC"), "constant": 1.0, "share": [40.0, 50.0, 0.6]})
    with pytest.raises(EstimationError, match="2 of 3 values outside 0 to 1"):
        fractional_logit(rows, outcome="share", design=["constant"], cluster="who")
