"""Inputs on which survival estimators go wrong without an error."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import EstimationError, TableError
from outcomes.statistics.competing_risks import cumulative_incidence, difference
from outcomes.statistics.cox import cox
from outcomes.statistics.log_rank import log_rank
from outcomes.statistics.restricted_means import compare_restricted_means, restricted_mean
from outcomes.statistics.survival import (
    kaplan_meier,
    number_at_risk,
    quantile,
    survival_difference,
)

CASES = Path(__file__).parents[1] / "data" / "cases"


def case(name: str, **columns: str) -> pd.DataFrame:
    """A case's rows as lives; day 0 of observation from the start becomes entry -1."""
    frame = pd.read_csv(CASES / f"{name}.csv")
    entry = frame["entry_day"].replace(0, -1) if "entry_day" in frame else -1
    exit_ = frame["exit_day"] if "exit_day" in frame else frame["days"]
    code = frame["event"] if "event" in frame else frame.get("cause", frame.get("reason"))
    state = code.map({0: "censored", 1: "1", 2: "2", "in place": "censored"}).fillna(code)
    return frame.assign(entry=entry, exit=exit_, state=state.astype(str))


def lives(exit_: list[float], state: list[str] | str, **more: object) -> pd.DataFrame:
    return pd.DataFrame({"entry": -1, "exit": exit_, "state": state, **more})


def shares(frame: pd.DataFrame, state: str, times: list[float]) -> list[float]:
    curve = cumulative_incidence(frame, times=times)
    return [curve.at(state, t)["estimate"] for t in times]


def test_events_of_two_kinds_on_one_day_are_shared_not_shuffled() -> None:
    frame = case("same_day_events")
    assert shares(frame, "1", [30, 60, 90, 180]) == pytest.approx([1 / 6, 1 / 3, 1 / 2, 2 / 3])
    assert shares(frame, "2", [180]) == pytest.approx([1 / 3])
    both = case("same_day_events_and_censorings")
    assert shares(both, "1", [5]) == shares(both, "2", [5]) == [0.25]


def test_number_at_risk_is_just_before_the_events() -> None:
    at_risk = number_at_risk(case("number_at_risk"), times=[0, 10, 20, 30])
    assert at_risk["n_at_risk"].tolist() == [4, 4, 2, 1]


def test_number_at_risk_counts_late_entries_and_not_those_of_the_day() -> None:
    late = number_at_risk(case("number_at_risk_late_entry"), times=[0, 60, 100, 150])
    assert late["n_at_risk"].tolist() == [1, 4, 4, 1]
    tied = number_at_risk(case("entry_on_the_day_of_an_event"), times=[10, 20])
    assert tied["n_at_risk"].tolist() == [2, 2]


def test_the_adjusted_curve_agrees_with_the_late_entry_curve() -> None:
    frame = case("adjusted_curve_late_entry")
    model = cox(frame, covariates=["x"])
    adjusted = model.survival(pd.DataFrame({"x": [0.5]}), times=[40]).loc[0, "estimate"]
    assert 0.73 <= adjusted <= 0.75
    assert adjusted == pytest.approx(kaplan_meier(frame, times=[40]).table.loc[0, "estimate"], 0.03)


def test_event_counts_of_competing_outcomes_add_up() -> None:
    frame = case("event_counts_when_outcomes_compete")
    table = cumulative_incidence(frame, times=[55]).table.set_index("state")
    assert table.loc[["1", "2"], "events"].tolist() == [2, 2]
    assert 5 - table["events"].sum() == (frame["state"] == "censored").sum() == 1


def test_planned_removal_competes_and_is_no_failure() -> None:
    frame = case("planned_removal_competes")
    assert shares(frame, "failed", [60]) == pytest.approx([0.5])
    censored = frame.replace({"state": {"planned": "censored"}})
    overstated = 1 - kaplan_meier(censored, times=[60]).table.loc[0, "estimate"]
    assert overstated == pytest.approx(0.6875)


def test_a_median_that_is_not_reached_says_so() -> None:
    row = quantile(case("median_not_reached")).iloc[0]
    assert row["conf_low"] == 10
    assert row[["estimate", "conf_high"]].isna().all()
    assert row["note"] == "estimate and upper limit not reached"


def test_without_any_event_there_is_no_interval_of_1_to_1() -> None:
    row = kaplan_meier(lives([10, 20], "censored"), times=[15]).table.iloc[0]
    assert row["estimate"] == 1
    assert row[["std_error", "conf_low", "conf_high"]].isna().all()
    assert row["note"] == "no limits: the estimate is exactly 1"
    assert quantile(lives([10, 20], "censored")).loc[0, "note"] == "not estimable: no events"


def test_a_cohort_without_events_has_no_hazard_ratio() -> None:
    frame = case("no_events_in_one_cohort").assign(
        implanted=lambda d: (d["cohort"] == "implanted") * 1
    )
    model = cox(frame, covariates=["implanted"])
    assert model.table[["estimate", "conf_low", "conf_high", "p_value"]].isna().all(axis=None)
    assert "no events where implanted = 0 (0 of 4 rows; 4 of 4" in model.note
    assert log_rank(frame, group="cohort").test.p_value is not None


def test_a_covariate_that_never_varies_is_named() -> None:
    model = cox(lives([1, 2, 3], "e", x=[2, 2, 2]), covariates=["x"])
    assert model.note == "not estimable: x never varies (it is 2 in all 3 rows)"


def test_events_separated_by_a_covariate_are_named() -> None:
    frame = lives([1, 2, 3, 4, 5, 6], "e", x=[6.0, 5, 4, 3, 2, 1])
    model = cox(frame, covariates=["x"])
    assert model.note.startswith("not estimable: the hazard ratio of x runs to 0 or infinity")
    with pytest.raises(EstimationError, match="no estimate: not estimable"):
        model.survival(frame, times=[3])


def test_a_separation_lost_in_rounding_is_still_seen() -> None:
    frame = pd.DataFrame(
        {"entry": [-1, -1, 2], "exit": [1, 2, 5], "state": "e", "x": [0.0, 1.0, 0.0]}
    )
    frame = pd.concat([frame, lives([0, 0], "censored", x=[1.0, 0.0])], ignore_index=True)
    assert "runs to 0 or infinity" in cox(frame, covariates=["x"]).note


def test_collinear_covariates_are_named() -> None:
    frame = lives([1, 2, 3, 4, 5], "e", x=[1.0, 3, 2, 5, 4], z=[2.0, 6, 4, 10, 8])
    assert cox(frame, covariates=["x", "z"]).note.startswith("not estimable: x, z are collinear")


@pytest.mark.parametrize(
    ("frame", "note"),
    [
        (lives([], []), "not estimable: nobody at risk"),
        (lives([5, 6], "censored", x=[0, 1]), "not estimable: no events in 2 rows"),
    ],
)
def test_a_model_without_rows_or_events_says_so(frame: pd.DataFrame, note: str) -> None:
    assert cox(frame.assign(x=np.arange(len(frame)) % 2), covariates=["x"]).note == note


def test_robust_errors_from_one_cluster_are_refused() -> None:
    frame = lives([1, 2, 3, 4], "e", x=[0, 1, 1, 0], p="P1")
    assert "two clusters" in cox(frame, covariates=["x"], cluster="p").note


def test_one_subject_has_an_estimate_but_no_error() -> None:
    row = cumulative_incidence(lives([5, 9], ["e", "censored"], p="P1"), times=[7], cluster="p").at(
        "e", 7
    )
    assert row["estimate"] == 0.5
    assert np.isnan(row["std_error"])
    assert row["note"] == "no standard error from one cluster"


def test_clusters_of_one_course_show_no_spread() -> None:
    frame = lives([5, 9, 5, 9], ["e", "censored"] * 2, p=["P1", "P1", "P2", "P2"])
    row = cumulative_incidence(frame, times=[7], cluster="p").at("e", 7)
    assert np.isnan(row["conf_low"])
    assert "no spread" in row["note"]


def test_all_events_at_one_time_end_the_curve() -> None:
    table = kaplan_meier(lives([5, 5, 5], "e"), times=[5, 9]).table
    assert table["estimate"].tolist() == [0, 0]
    assert set(table["note"]) == {"no limits: the estimate is exactly 0"}


def test_nothing_is_said_of_the_time_after_the_last_exit() -> None:
    row = kaplan_meier(lives([5, 9, 9], ["e", "censored", "censored"]), times=[12]).table.iloc[0]
    assert np.isnan(row["estimate"])
    assert row["note"] == "not estimable: nobody under observation after 9"


def test_nobody_at_risk_gives_a_sentence() -> None:
    empty = lives([], [])
    assert set(kaplan_meier(empty, times=[5]).table["note"]) == {"not estimable: nobody at risk"}
    assert restricted_mean(empty, horizon=5).note == "not estimable: nobody at risk"


def test_a_restricted_mean_beyond_the_follow_up_is_refused() -> None:
    long, short = lives([5, 20, 20], ["e", "e", "censored"]), lives([5, 9], ["e", "censored"])
    a, b = restricted_mean(long, horizon=15), restricted_mean(short, horizon=15)
    table = compare_restricted_means(a, b)
    assert table["estimate"].isna().all()
    assert table.loc[0, "note"].endswith("the longest common horizon is 9")


def test_a_declared_state_that_never_occurs_is_shown_with_0() -> None:
    curve = cumulative_incidence(
        lives([5, 9], ["lost", "censored"]),
        times=[7],
        states=["lost", "infection"],
        combine={"all": ["lost", "infection"]},
    )
    assert curve.at("infection", 7)["estimate"] == 0
    assert curve.at("all", 7)["estimate"] == 0.5


def test_the_risk_set_that_empties_early_is_pointed_out() -> None:
    frame = pd.DataFrame({"entry": [0, 3, 3], "exit": [2, 8, 9], "state": "e"})
    assert "everybody at risk at 2 (1)" in cumulative_incidence(frame, times=[5]).note


def test_times_without_anybody_at_risk_are_pointed_out() -> None:
    frame = pd.DataFrame({"entry": [3, 20], "exit": [8, 30], "state": ["censored", "e"]})
    note = kaplan_meier(frame, times=[10]).note
    assert "nobody under observation up to 3" in note
    assert "nobody under observation from 8 to 20" in note
    touching = frame.assign(entry=[-1, 8])
    assert kaplan_meier(touching, times=[10]).note == ""


def test_a_share_of_1_but_for_rounding_is_1() -> None:
    frame = lives([1, 2, 3, 4, 5, 6, 7], "e")
    row = cumulative_incidence(frame, times=[7]).at("e", 7)
    assert row["estimate"] == 1
    assert row["note"] == "no limits: the estimate is exactly 1"


def test_rounding_of_weights_leaves_nobody_behind_the_last_event() -> None:
    rng = np.random.default_rng(4)
    frame = lives(rng.permutation(20_000), "e", w=rng.uniform(0.1, 1000, 20_000))
    last = kaplan_meier(frame, times=[19_999], weight="w").table.iloc[0]
    assert last["estimate"] == 0
    assert last["note"] == "no limits: the estimate is exactly 0"


GOOD = lives([5, 9], ["lost", "censored"], p=["P1", "P2"], w=[1.0, 2.0])
BAD = [
    (GOOD.assign(exit=[5, -2]), "column exit: 1 of 2 rows not after entry .*first: row 1, exit -2"),
    (GOOD.assign(exit=[5, np.nan]), "column exit: 1 of 2 rows missing or not finite"),
    (GOOD.assign(entry=[-np.inf, -1]), "column entry: 1 of 2 rows missing or not finite"),
    (GOOD.assign(state=["lost", None]), "column state: 1 of 2 rows missing"),
    (GOOD.assign(state=["lost", 0]), "column state: 1 of 2 rows not text"),
    (GOOD.assign(state=["event free", "lost"]), "column state: 1 of 2 rows named 'event free'"),
    (GOOD.assign(p=["P1", None]), "column p: 1 of 2 rows missing"),
    (GOOD.assign(w=[1, -1]), "column w: 1 of 2 rows negative"),
    (GOOD.assign(exit=["5", "x"]), "column exit: holds object; numbers are needed"),
    (GOOD.drop(columns="entry"), "'entry' is not a column"),
]


@pytest.mark.parametrize(("frame", "message"), BAD)
def test_a_bad_row_is_named_with_its_value(frame: pd.DataFrame, message: str) -> None:
    with pytest.raises(TableError, match=message):
        cumulative_incidence(frame, times=[5], cluster="p", weight="w")


def test_unknown_names_are_answered_with_the_known_ones() -> None:
    with pytest.raises(EstimationError, match="Did you mean 'lost'"):
        cumulative_incidence(GOOD, times=[5], combine={"all": ["losst"]})
    with pytest.raises(EstimationError, match="Known: arcsin"):
        kaplan_meier(GOOD, times=[5], transform="cube")
    with pytest.raises(EstimationError, match="Known: breslow, efron"):
        cox(GOOD.assign(x=[0, 1]), covariates=["x"], ties="exact")
    with pytest.raises(TableError, match="declared state"):
        cumulative_incidence(GOOD, times=[5], states=["infection"])


def test_two_estimates_are_compared_only_on_one_footing() -> None:
    plain = cumulative_incidence(GOOD, times=[5])
    clustered = cumulative_incidence(GOOD, times=[5], cluster="p")
    with pytest.raises(EstimationError, match="both estimates need the same cluster"):
        difference(plain, clustered)


def test_a_difference_at_a_time_one_side_never_reached_says_so() -> None:
    a = kaplan_meier(lives([5, 9], ["e", "censored"]), times=[8])
    b = kaplan_meier(lives([5, 6], ["e", "censored"]), times=[8])
    row = survival_difference(a, b).iloc[0]
    assert np.isnan(row["estimate"])
    assert row["note"] == "not estimable: one of the two has no estimate"


def test_the_frame_given_is_not_changed() -> None:
    frame = GOOD.assign(x=[0, 1])
    before = frame.copy(deep=True)
    cumulative_incidence(frame, times=[5], cluster="p", weight="w")
    kaplan_meier(frame, times=[5])
    cox(frame, covariates=["x"])
    pd.testing.assert_frame_equal(frame, before)
