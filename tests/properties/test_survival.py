"""What must hold for survival estimators whatever the data."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.statistics.competing_risks import cumulative_incidence, difference
from outcomes.statistics.cox import cox
from outcomes.statistics.log_rank import log_rank
from outcomes.statistics.restricted_means import mean_time_lost, restricted_mean
from outcomes.statistics.survival import kaplan_meier, quantile, survival_difference

TIMES = [0, 2, 5, 8]
NUMBERS = ["estimate", "std_error", "conf_low", "conf_high"]


@st.composite
def many_lives(draw: st.DrawFn) -> pd.DataFrame:
    """Lives on whole days with ties, late entries, events on day 0 and several rows a patient."""
    row = st.tuples(
        st.sampled_from([-1, -1, -1, 0, 2, 4]),
        st.integers(1, 9),
        st.sampled_from(["censored", "lost", "early", "died"]),
        st.integers(0, 7),
    )
    rows = draw(st.lists(row, min_size=6, max_size=40))
    frame = pd.DataFrame(rows, columns=["entry", "length", "state", "patient"])
    return frame.assign(exit=frame["entry"] + frame["length"], one=1.0)


def numbers(table: pd.DataFrame) -> np.ndarray:
    return table[[c for c in NUMBERS if c in table]].to_numpy(dtype=float)


def same(a: pd.DataFrame, b: pd.DataFrame) -> None:
    np.testing.assert_allclose(numbers(a), numbers(b), rtol=1e-9, atol=1e-12)


@given(many_lives())
@settings(max_examples=60, deadline=None, derandomize=True)
def test_the_states_add_to_1_and_their_influences_to_0(lives: pd.DataFrame) -> None:
    curve = cumulative_incidence(lives, times=TIMES, cluster="patient")
    sums = curve.table.groupby("time")["estimate"].sum(min_count=1).dropna()
    assert sums.to_numpy() == pytest.approx(1, abs=1e-12)
    influences = sum(curve.influences(state).to_numpy() for state in curve.states)
    assert np.abs(influences).max() < 1e-12


@given(many_lives(), st.integers(0, 1000))
@settings(max_examples=30, deadline=None, derandomize=True)
def test_the_order_of_rows_does_not_matter(lives: pd.DataFrame, seed: int) -> None:
    shuffled = lives.sample(frac=1, random_state=seed)
    same(
        *(cumulative_incidence(d, times=TIMES, cluster="patient").table for d in (lives, shuffled))
    )
    same(*(quantile(d, cluster="patient") for d in (lives, shuffled)))


@given(many_lives())
@settings(max_examples=30, deadline=None, derandomize=True)
def test_weights_of_one_change_nothing(lives: pd.DataFrame) -> None:
    same(
        cumulative_incidence(lives, times=TIMES, cluster="patient").table,
        cumulative_incidence(lives, times=TIMES, cluster="patient", weight="one").table,
    )


@given(many_lives())
@settings(max_examples=30, deadline=None, derandomize=True)
def test_weights_of_two_are_the_rows_twice(lives: pd.DataFrame) -> None:
    heavy = lives.assign(w=np.where(lives["patient"] < 4, 2.0, 1.0))
    twice = pd.concat([lives, lives[lives["patient"] < 4]], ignore_index=True)
    same(
        cumulative_incidence(heavy, times=TIMES, cluster="patient", weight="w").table,
        cumulative_incidence(twice, times=TIMES, cluster="patient").table,
    )


def split_at(lives: pd.DataFrame, day: int) -> pd.DataFrame:
    """Each interval that spans a day cut in two there: censored, then entered late."""
    spans = (lives["entry"] < day) & (day < lives["exit"])
    before = lives[spans].assign(exit=day, state="censored")
    return pd.concat([lives[~spans], before, lives[spans].assign(entry=day)], ignore_index=True)


@given(many_lives(), st.integers(0, 7))
@settings(max_examples=40, deadline=None, derandomize=True)
def test_splitting_follow_up_leaves_estimates_alone(lives: pd.DataFrame, day: int) -> None:
    split = split_at(lives, day)
    states = ["lost", "early", "died"]
    same(
        *(
            cumulative_incidence(d, times=TIMES, cluster="patient", states=states).table
            for d in (lives, split)
        )
    )
    tests = [log_rank(d.assign(g=d["patient"] % 2), group="g").test for d in (lives, split)]
    first, second = (np.nan if t.statistic is None else t.statistic for t in tests)
    assert first == pytest.approx(second, rel=1e-9, abs=1e-12, nan_ok=True)


@given(many_lives())
@settings(max_examples=40, deadline=None, derandomize=True)
def test_one_row_per_patient_without_late_entry_gives_greenwood(lives: pd.DataFrame) -> None:
    lives = lives.assign(entry=-1, patient=np.arange(len(lives)))
    for states in (["lost", "early", "died"],):
        same(
            cumulative_incidence(lives, times=TIMES, states=states, cluster="patient").table,
            cumulative_incidence(lives, times=TIMES, states=states, variance="greenwood").table,
        )


@given(many_lives())
@settings(max_examples=30, deadline=None, derandomize=True)
def test_twice_the_patients_shrink_errors_by_the_root_of_two(lives: pd.DataFrame) -> None:
    others = lives.assign(patient=lives["patient"] + 100)
    twice = pd.concat([lives, others], ignore_index=True)
    one, two = (
        cumulative_incidence(d, times=TIMES, cluster="patient").influences("event free")
        for d in (lives, twice)
    )
    ratio = np.sqrt((one**2).sum().to_numpy()), np.sqrt(2 * (two**2).sum().to_numpy())
    np.testing.assert_allclose(*ratio, atol=1e-12)


@given(many_lives())
@settings(max_examples=30, deadline=None, derandomize=True)
def test_clusters_of_one_row_are_no_clusters(lives: pd.DataFrame) -> None:
    single = lives.assign(patient=np.arange(len(lives)))
    columns = ["time", "state", *NUMBERS]
    same(
        cumulative_incidence(single, times=TIMES, cluster="patient").table[columns],
        cumulative_incidence(single, times=TIMES).table[columns],
    )


@given(many_lives())
@settings(max_examples=30, deadline=None, derandomize=True)
def test_swapping_arms_negates_the_difference(lives: pd.DataFrame) -> None:
    arms = [lives[lives["exit"] % 2 == k] for k in (0, 1)]
    if min(map(len, arms)) == 0:
        return
    a, b = (kaplan_meier(d, times=TIMES, cluster="patient") for d in arms)
    there, back = survival_difference(a, b), survival_difference(b, a)
    np.testing.assert_allclose(there["estimate"], -back["estimate"])
    np.testing.assert_allclose(there["std_error"], back["std_error"])
    np.testing.assert_allclose(there["conf_low"], -back["conf_high"])


@given(many_lives())
@settings(max_examples=40, deadline=None, derandomize=True)
def test_means_are_areas_under_curves_and_so_are_their_influences(lives: pd.DataFrame) -> None:
    horizon = float(min(8, lives["exit"].max()))
    if horizon <= 0:
        return
    days, states = np.arange(0, horizon), ["lost", "early", "died"]
    curve = cumulative_incidence(lives, times=days, cluster="patient", states=states)
    free = restricted_mean(lives, horizon=horizon, cluster="patient")
    lost = mean_time_lost(lives, state="lost", horizon=horizon, cluster="patient")
    for mean, state in ((free, "event free"), (lost, "lost")):
        shown = curve.table.loc[curve.table["state"] == state, "estimate"]
        assert mean.estimate == pytest.approx(shown.sum(), abs=1e-12)
        summed = curve.influences(state).sum(axis=1)
        np.testing.assert_allclose(mean.influence, summed, atol=1e-12)


@given(many_lives())
@settings(max_examples=30, deadline=None, derandomize=True)
def test_combined_states_have_the_error_of_their_sum(lives: pd.DataFrame) -> None:
    states = ["lost", "early", "died"]
    curve = cumulative_incidence(
        lives,
        times=[5],
        cluster="patient",
        states=states,
        combine={"out": states[:2], "in": ["event free", "died"]},
    )
    out, rest = (curve.influence(name, 5) for name in ("out", "in"))
    parts = curve.influence("lost", 5) + curve.influence("early", 5)
    np.testing.assert_allclose(out, parts, atol=1e-12)
    np.testing.assert_allclose(out, -rest, atol=1e-12)


def cohort(seed: int, n: int = 120) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    entry = np.where(rng.random(n) < 0.3, rng.integers(0, 10, n), -1)
    return pd.DataFrame(
        {
            "entry": entry,
            "exit": entry + rng.integers(1, 30, n),
            "state": rng.choice(["lost", "died", "censored"], n),
            "arm": rng.integers(0, 2, n),
            "age": rng.normal(50, 12, n),
            "patient": rng.integers(0, 40, n),
            "site": rng.choice(["north", "south"], n),
            "one": 1.0,
        }
    )


@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_swapping_arms_inverts_the_hazard_ratio(ties: str) -> None:
    lives = cohort(1)
    swapped = lives.assign(arm=1 - lives["arm"])
    there, back = (
        cox(d, covariates=["arm", "age"], cluster="patient", ties=ties).table.loc[0]
        for d in (lives, swapped)
    )
    assert there["estimate"] * back["estimate"] == pytest.approx(1)
    assert there["conf_low"] * back["conf_high"] == pytest.approx(1)
    assert there["p_value"] == pytest.approx(back["p_value"])


@pytest.mark.parametrize("ties", ["efron", "breslow"])
@pytest.mark.parametrize("strata", [None, "site"])
def test_order_unit_weights_and_splits_leave_hazard_ratios_alone(
    ties: str, strata: str | None
) -> None:
    lives = cohort(2)
    options = {"covariates": ["arm", "age"], "cluster": "patient", "strata": strata, "ties": ties}
    plain = cox(lives, **options)
    shuffled = cox(lives.sample(frac=1, random_state=3), **options)
    weighted = cox(lives, **options, weight="one")
    split = cox(split_at(lives, 9), **options)
    for other in (shuffled, weighted, split):
        np.testing.assert_allclose(plain.coefficients, other.coefficients, rtol=1e-9)
        np.testing.assert_allclose(plain.covariance, other.covariance, rtol=1e-8)
        assert plain.robust_score_test.statistic == pytest.approx(other.robust_score_test.statistic)


def test_units_of_a_covariate_rescale_its_coefficient() -> None:
    years, days = cohort(4), cohort(4).assign(age=lambda d: d["age"] * 365.25)
    one, other = (cox(d, covariates=["age"]).coefficients["age"] for d in (years, days))
    assert one == pytest.approx(365.25 * other, rel=1e-10)


def test_score_residuals_add_to_0_at_the_estimate() -> None:
    model = cox(cohort(5), covariates=["arm", "age"], cluster="patient", strata="site")
    assert np.abs(model.score_residuals().sum(axis=0)).max() < 1e-8


def test_twice_the_patients_shrink_robust_errors_by_the_root_of_two() -> None:
    lives = cohort(6).assign(exit=lambda d: d["exit"] + np.linspace(0, 0.5, len(d)))
    twice = pd.concat([lives, lives.assign(patient=lives["patient"] + 100)], ignore_index=True)
    one, two = (
        cox(d, covariates=["arm"], cluster="patient", ties="breslow").table.loc[0, "std_error"]
        for d in (lives, twice)
    )
    assert one == pytest.approx(np.sqrt(2) * two, rel=1e-9)


def slow_log_likelihood(lives: pd.DataFrame, slope: float) -> float:
    """Efron's partial likelihood of one covariate, by the definition, risk set by risk set."""
    total = 0.0
    for time in lives.loc[lives["state"] != "censored", "exit"].unique():
        risk = lives[(lives["entry"] < time) & (time <= lives["exit"])]
        tied = risk[(risk["exit"] == time) & (risk["state"] != "censored")]
        whole, part = (np.exp(slope * d["arm"]).sum() for d in (risk, tied))
        total += slope * tied["arm"].sum()
        total -= sum(np.log(whole - k / len(tied) * part) for k in range(len(tied)))
    return total


def test_the_estimate_is_the_top_of_the_slow_likelihood() -> None:
    lives = cohort(7)
    model = cox(lives, covariates=["arm"])
    at = float(model.coefficients["arm"])
    centre = lives["arm"].mean()
    assert model.log_likelihood == pytest.approx(slow_log_likelihood(lives, at), rel=1e-10)
    assert centre > 0
    for step in (-1e-3, 1e-3):
        assert slow_log_likelihood(lives, at + step) < slow_log_likelihood(lives, at)


def test_groups_in_another_order_give_the_same_log_rank() -> None:
    lives = cohort(8).assign(three=lambda d: d["patient"] % 3)
    other = lives.assign(three=2 - lives["three"])
    for options in ({}, {"cluster": "patient"}, {"strata": "site"}, {"weighting": "gehan"}):
        one, two = (log_rank(d, group="three", **options).test for d in (lives, other))
        assert one.statistic == pytest.approx(two.statistic, rel=1e-9)
        assert one.degrees_of_freedom == 2


def test_the_difference_of_a_patient_with_itself_has_no_spread() -> None:
    curve = cumulative_incidence(cohort(9), times=[10], cluster="patient")
    assert difference(curve, curve)["std_error"].isna().all()
