"""Edges and refusals of proportions, rates, contrasts and Holm's adjustment."""

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import EstimationError
from outcomes.statistics.clustered_rates import clustered_rate
from outcomes.statistics.intervals import (
    Interval,
    proportion,
    proportion_difference,
    t_interval,
    zero_proportion_bound,
)
from outcomes.statistics.multiplicity import holm
from outcomes.statistics.rate_contrasts import rate_difference, rate_ratio
from outcomes.statistics.rates import rate


def wear(events: list[int], years: list[float]) -> pd.DataFrame:
    patients = [f"P{i + 1}" for i in range(len(events))]
    return pd.DataFrame({"patient": patients, "events": events, "years": years})


def clustered(frame: pd.DataFrame):
    return clustered_rate(frame, events="events", exposure="years", cluster="patient")


def test_zero_of_ten_and_ten_of_ten_have_wilson_limits() -> None:
    none, all_ = proportion(0, 10), proportion(10, 10)
    assert (none.estimate, none.conf_low) == (0, 0)
    assert (all_.estimate, all_.conf_high) == (1, 1)
    # 0 % (0-27.8) and 100 % (72.2-100): Wilson's closed form z^2/(n + z^2).
    assert none.conf_high == pytest.approx(0.2775328, abs=5e-8)
    assert all_.conf_low == pytest.approx(1 - none.conf_high, rel=1e-12)
    assert none.method == "Wilson"


@pytest.mark.parametrize("method", ["wilson", "wilson-continuity", "exact", "mid-p"])
def test_zero_of_zero_is_a_dash_with_its_reason(method: str) -> None:
    shown = proportion(0, 0, method=method)
    assert (shown.estimate, shown.conf_low, shown.conf_high) == (None, None, None)
    assert "0 of 0" in shown.note


@pytest.mark.parametrize(
    ("events", "n", "words"),
    [
        (3, 2, "more events than units"),
        (-1, 2, "whole number"),
        (0.5, 2, "whole number"),
        (float("nan"), 2, "whole number"),
        (1, float("inf"), "whole number"),
    ],
)
def test_impossible_proportions_are_refused(events: float, n: float, words: str) -> None:
    with pytest.raises(EstimationError, match=words):
        proportion(events, n)


def test_an_unknown_method_is_answered_with_the_known_ones() -> None:
    with pytest.raises(EstimationError, match="Did you mean 'wilson'"):
        proportion(1, 2, method="wilsn")


def test_a_level_in_percent_is_refused() -> None:
    with pytest.raises(EstimationError, match="fraction"):
        rate(1, 2, confidence_level=95)


def test_a_difference_without_units_in_a_group_has_no_estimate() -> None:
    shown = proportion_difference(0, 0, 3, 4)
    assert (shown.estimate, shown.conf_low, shown.p_value) == (None, None, None)
    assert "0 of 0" in shown.note


def test_the_rule_of_three_never_exceeds_one_and_knows_only_its_level() -> None:
    assert zero_proportion_bound(2, method="rule of three").conf_high == 1
    with pytest.raises(EstimationError, match="exact"):
        zero_proportion_bound(2, method="rule of three", confidence_level=0.9)


@pytest.mark.parametrize(
    ("values", "words"),
    [([], "no values"), ([2.0], "one value"), ([0.1, 0.1, 0.1], "all values are equal")],
)
def test_a_mean_without_visible_spread_has_no_limits(values: list[float], words: str) -> None:
    shown = t_interval(values)
    assert (shown.conf_low, shown.conf_high) == (None, None)
    assert words in shown.note


def test_a_missing_value_is_not_dropped_silently() -> None:
    with pytest.raises(EstimationError, match="1 of 2 values"):
        t_interval([1.0, float("nan")])


def test_a_rate_without_exposure_has_no_estimate() -> None:
    shown = rate(0, 0)
    assert (shown.estimate, shown.conf_high) == (None, None)
    assert shown.note == "not estimable: no exposure"


@pytest.mark.parametrize(
    ("events", "exposure", "words"),
    [(1, 0, "exposure = 0 with events = 1"), (1, -2, "exposure = -2"), (-1, 2, "events = -1")],
)
def test_impossible_rates_are_refused(events: int, exposure: float, words: str) -> None:
    with pytest.raises(EstimationError, match=words):
        rate(events, exposure)


def test_no_events_in_the_reference_leave_a_lower_limit_only() -> None:
    shown = rate_ratio(5, 120, 0, 100)
    assert (shown.estimate, shown.conf_high) == (None, None)
    assert shown.conf_low > 0
    assert "no upper limit" in shown.note


@pytest.mark.parametrize("method", ["exact", "mid-p", "wald"])
def test_no_events_at_all_leave_no_ratio(method: str) -> None:
    shown = rate_ratio(0, 120, 0, 100, method=method)
    assert (shown.estimate, shown.conf_low, shown.conf_high, shown.p_value) == (None,) * 4
    assert shown.note


def test_wald_says_where_it_does_not_reach() -> None:
    assert rate_ratio(0, 120, 4, 100, method="wald").conf_high is None
    assert rate_difference(0, 120, 4, 100, method="wald").conf_high is None


def test_the_hybrid_difference_holds_without_any_event() -> None:
    shown = rate_difference(0, 120, 0, 100)
    assert shown.estimate == 0
    # Each side is the exact upper limit of one group, 3.6889 / exposure.
    assert shown.conf_low == pytest.approx(-3.688879454 / 100, rel=1e-9)
    assert shown.conf_high == pytest.approx(3.688879454 / 120, rel=1e-9)


def test_a_person_without_time_is_listed_and_left_out() -> None:
    # 3 events in 3.5 and 3 in 4 person-years: .857 and .75 per person-year.
    adhesive = clustered(wear([2, 1], [1.5, 2.0]))
    implanted = clustered(wear([0, 3], [0.0, 4.0]))
    assert adhesive.estimate == pytest.approx(6 / 7)
    assert implanted.estimate == 0.75
    assert implanted.left_out == ("P1",)
    assert implanted.n_clusters == 1


def test_events_after_the_exposure_of_a_cluster_still_count() -> None:
    shown = clustered(wear([1, 0, 1], [0.0, 2.0, 2.0]))
    assert (shown.events, shown.n_clusters, shown.left_out) == (2, 3, ())


def test_the_same_rate_in_every_cluster_gives_no_collapsed_interval() -> None:
    shown = clustered(wear([1, 2, 3], [0.1, 0.2, 0.3]))
    assert (shown.conf_low, shown.se_log) == (None, None)
    assert "same rate" in shown.note


def test_an_empty_frame_gives_no_rate() -> None:
    assert clustered(wear([], [])).note == "not estimable: no exposure"


def test_a_missing_cluster_is_refused_with_its_count() -> None:
    frame = wear([1, 0], [1.0, 1.0]).assign(patient=["P1", None])
    with pytest.raises(EstimationError, match="column patient: 1 of 2 rows"):
        clustered(frame)


def test_a_scale_below_zero_is_refused() -> None:
    with pytest.raises(EstimationError, match="factor"):
        Interval(estimate=1, conf_low=0, conf_high=2, method="").scaled(-1)


def test_holm_counts_only_the_tests_that_were_made() -> None:
    shown = holm(pd.Series({"hba1c": 0.01, "in_range": np.nan, "survival": 0.03}))
    assert shown["p_adjusted"].tolist()[::2] == pytest.approx([0.02, 0.03])
    assert shown.loc["in_range", "note"] == "not tested"
    assert np.isnan(shown.loc["in_range", "p_adjusted"])
    assert set(shown["n_tests"]) == {2}


def test_holm_of_no_comparison_is_an_empty_table() -> None:
    shown = holm(pd.Series(dtype=float))
    assert list(shown.columns) == ["p_value", "p_adjusted", "n_tests", "note"]
    assert len(shown) == 0


def test_holm_refuses_percent() -> None:
    with pytest.raises(EstimationError, match="percent"):
        holm(pd.Series({"a": 3.0}))
