"""Edges, refusals and exact false alarms of charts, run rules, funnels and learning curves."""

import itertools

import numpy as np
import pytest
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.statistics.chart_alarms import false_alarms
from outcomes.statistics.control_charts import c_chart, p_chart, u_chart
from outcomes.statistics.funnel import (
    funnel_false_alarm,
    funnel_limits,
    funnel_z,
    overdispersion,
)
from outcomes.statistics.gap_charts import g_chart, t_chart
from outcomes.statistics.run_rules import run_false_alarm, run_signals, runs_about_median
from outcomes.statistics.sequential_charts import (
    learning_curve,
    learning_curve_odds,
    page_chart,
    page_false_alarm,
)


def test_probability_limits_keep_each_tail_within_half_of_alpha() -> None:
    chart = p_chart([6, 5, 4], [60, 50, 40], limits="probability", alpha=0.01)
    alarms = false_alarms(chart).table
    assert (alarms[["above", "below"]] <= 0.005).all(axis=None)
    # One count narrower would break the bound: the limits are not wider than they need be.
    high = (chart.table["limit_high"] * chart.table["size"]).round()
    narrower = stats.binom.sf(high - 1, chart.table["size"], chart.mean)
    assert (narrower > 0.005).all()


def test_false_alarms_of_three_sigma_limits_agree_with_a_sum_over_all_counts() -> None:
    chart = u_chart([9, 27], [4, 12])
    alarms = false_alarms(chart)
    for point in (0, 1):
        size, low, high = chart.table.loc[point, ["size", "limit_low", "limit_high"]]
        counts = np.arange(400)
        chance = stats.poisson.pmf(counts, chart.mean * size)
        assert alarms.table.loc[point, "above"] == pytest.approx(chance[counts / size > high].sum())
        assert alarms.table.loc[point, "below"] == pytest.approx(
            chance[counts / size < low].sum(), abs=1e-15
        )
    assert alarms.average_run_length is None
    either = alarms.table["above"] + alarms.table["below"]
    assert alarms.any_point == pytest.approx(1 - (1 - either[0]) * (1 - either[1]))


def test_equal_points_have_an_average_run_length() -> None:
    alarms = false_alarms(c_chart([9] * 4))
    assert alarms.average_run_length == pytest.approx(1 / stats.poisson.sf(18, 9))
    assert alarms.expected == pytest.approx(4 * stats.poisson.sf(18, 9))


def test_a_point_on_the_limit_does_not_signal() -> None:
    chart = c_chart([9, 18, 19], baseline=[True, False, False])
    assert chart.table["signal"].tolist() == ["", "", "above"]


@pytest.mark.parametrize("limits", ["three sigma", "probability"])
def test_a_baseline_without_events_has_no_limits(limits: str) -> None:
    chart = p_chart([0, 0, 2], [50, 50, 50], baseline=[True, True, False], limits=limits)
    assert chart.table["limit_high"].isna().all()
    assert "not estimable" in chart.note
    assert (chart.table["signal"] == "").all()
    with pytest.raises(EstimationError, match="without limits"):
        false_alarms(chart)


def test_few_baseline_points_are_called_trial_limits() -> None:
    assert "trial limits from 2 points" in c_chart([9, 9]).note
    assert c_chart([9] * 20).note == ""


def test_the_customary_limit_of_a_gap_cannot_signal_a_worsening_and_says_so() -> None:
    chart = g_chart([50] * 20 + [0], limits="three sigma", baseline=[True] * 20 + [False])
    assert chart.table["signal"].iloc[-1] == ""
    assert "no gap is short enough" in chart.note


def test_sums_of_gaps_can_signal_a_worsening() -> None:
    # Sums of four gaps with mean 200: P(sum < limit) <= 0.00135 has room above 0.
    steady, worse = [50] * 80, [1, 0, 2, 1]
    chart = g_chart(steady + worse, every=4, baseline=[True] * 20 + [False])
    assert chart.table["signal"].iloc[-1] == "below"
    alarms = false_alarms(chart).table["below"].iloc[0]
    assert alarms == pytest.approx(
        stats.nbinom.cdf(chart.table["limit_low"].iloc[0] - 1, 4, 1 / 51)
    )
    assert 0 < alarms <= 0.00135


def test_geometric_limits_bound_both_tails() -> None:
    chart = g_chart([5000] * 20, alpha=0.01)
    low, high = chart.table.loc[0, ["limit_low", "limit_high"]]
    stay = 5000 / 5001
    # P(X < low) = 1 - stay^low and P(X > high) = stay^(high + 1).
    assert 1 - stay**low <= 0.005 < 1 - stay ** (low + 1)
    assert stay ** (high + 1) <= 0.005 < stay**high


def test_exponential_limits_are_minus_mean_log() -> None:
    chart = t_chart([30.0] * 20, alpha=0.01)
    low, high = chart.table.loc[0, ["limit_low", "limit_high"]]
    assert low == pytest.approx(-30 * np.log(0.995))
    assert high == pytest.approx(-30 * np.log(0.005))
    assert chart.table.loc[0, "centre"] == pytest.approx(30 * np.log(2))
    assert false_alarms(chart).table.loc[0, ["above", "below"]].tolist() == pytest.approx(
        [0.005, 0.005]
    )


def test_gaps_of_zero_break_the_transformation_only() -> None:
    with pytest.raises(EstimationError, match="breaks the transformation"):
        t_chart([3.0, 0.0], limits="transformed")
    assert t_chart([3.0, 0.0]).table["signal"].tolist() == ["", "below"]


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: p_chart([3], [2]), "more events than units"),
        (lambda: p_chart([1], [0]), "point 1 has size 0"),
        (lambda: p_chart([1, 2], [5]), "2 counts for 1 sizes"),
        (lambda: c_chart([1.5]), "whole numbers"),
        (lambda: c_chart([1, 2], baseline=[False, False]), "0 baseline points"),
        (lambda: c_chart([1], limits="2 sigma"), "not a limits"),
        (lambda: t_chart([-1.0]), "below 0"),
        (lambda: g_chart([1, 2], every=0), "every = 0"),
    ],
)
def test_impossible_charts_are_refused(make, words: str) -> None:
    with pytest.raises(EstimationError, match=words):
        make()


def test_the_runs_test_agrees_with_counting_every_order() -> None:
    orders = set(itertools.permutations([0, 0, 0, 1, 1, 1, 1]))
    runs = [1 + sum(a != b for a, b in itertools.pairwise(order)) for order in orders]
    few = np.mean([r <= 3 for r in runs])
    many = np.mean([r >= 3 for r in runs])
    shown = runs_about_median([1, 2, 9, 9, 9, 9, 3, 5.0])
    # 1 2 | 9 9 9 9 | 3 with a median of 7: 5.0 joins the last run.
    assert shown.n_runs == 3
    ours = runs_about_median([1, 2, 9, 8, 7, 6, 3, 5.5, 5.5, 5.5])
    assert (ours.n_useful, ours.n_runs) == (7, 3)
    assert ours.p_value == pytest.approx(min(1, 2 * min(few, many)))


def test_values_on_the_median_are_left_out_and_a_shift_is_located() -> None:
    runs = runs_about_median([5, 5, 5, *[1] * 8, *[9] * 8])
    assert (runs.n_useful, runs.longest, runs.shift) == (16, 8, (11, 19))
    assert runs_about_median([3, 3, 3]).p_value is None


def test_run_false_alarms_agree_with_counting_every_sequence() -> None:
    def has_run(signs: tuple[int, ...]) -> bool:
        return any(len(list(run)) >= 4 for _, run in itertools.groupby(signs))

    share = np.mean([has_run(s) for s in itertools.product((0, 1), repeat=10)])
    assert run_false_alarm(10, length=4) == pytest.approx(share, rel=1e-12)


@pytest.mark.parametrize(
    ("values", "rule", "points"),
    [
        ([0, 3.1, 3.0], "beyond", [2]),
        ([2.1, 0, 2.2, 0], "two of three", [3]),
        ([1.1, 1.1, 0, 1.1, 1.1], "four of five", [5]),
        ([0.5] * 15, "hugging", [15]),
        ([1.5, -1.5] * 4, "avoiding", [8]),
        ([1, 2, 3, 4, 5, 5], "trend", []),
    ],
)
def test_a_run_rule_names_the_point_that_completes_it(
    values: list[float], rule: str, points: list[int]
) -> None:
    assert run_signals(values, rules=[rule])["point"].tolist() == points


def test_an_unknown_run_rule_is_answered_with_the_known_ones() -> None:
    with pytest.raises(EstimationError, match="alternating"):
        run_signals([0.0], rules=["drift"])


def test_funnel_limits_close_on_the_target_as_units_grow() -> None:
    limits = funnel_limits(0.1, [50, 500, 50000])
    width = limits["limit_high"] - limits["limit_low"]
    assert width.is_monotonic_decreasing
    assert limits.loc[2, "limit_high"] == pytest.approx(0.1, abs=0.003)


def test_rates_have_funnel_limits_from_poisson_quantiles() -> None:
    limits = funnel_limits(2.0, [10.0], kind="rate", level=0.95).loc[0]
    # Interpolation stays within one count of the Poisson quantile.
    for column, p in (("limit_low", 0.025), ("limit_high", 0.975)):
        assert 0 <= stats.poisson.ppf(p, 20) - 10 * limits[column] <= 1


def test_overdispersion_widens_the_funnel_and_outliers_do_not() -> None:
    z = [*np.linspace(-1, 1, 20), 40.0]
    assert overdispersion(z) == 1.0
    wide, exact = (funnel_limits(0.1, [100], dispersion=d).loc[0] for d in (4.0, 1.0))
    assert wide["limit_high"] - 0.1 == pytest.approx(1.959964 * 2 * 0.03, rel=1e-6)
    assert wide["limit_high"] > exact["limit_high"]


def test_funnel_false_alarms_are_sums_over_counts() -> None:
    limits = funnel_limits(0.1, [50]).loc[0]
    counts = np.arange(51)
    chance = stats.binom.pmf(counts, 50, 0.1)
    below, above = funnel_false_alarm(0.1, 50)
    assert below == pytest.approx(chance[counts / 50 < limits["limit_low"]].sum())
    assert above == pytest.approx(chance[counts / 50 > limits["limit_high"]].sum())


def test_a_funnel_refuses_a_target_at_the_edge() -> None:
    with pytest.raises(EstimationError, match="target = 0"):
        funnel_limits(0, [10])
    with pytest.raises(EstimationError, match="target = 1"):
        funnel_z(1, [0.5], [10], kind="proportion")


def test_learning_curve_odds_agree_with_every_sequence_of_outcomes() -> None:
    rates = {"p0": 0.1, "p1": 0.4, "alpha": 0.2, "beta": 0.2}
    odds = dict.fromkeys(("acceptable", "unacceptable", "undecided"), 0.0)
    for outcomes in itertools.product((0, 1), repeat=9):
        chance = 0.3 ** sum(outcomes) * 0.7 ** (9 - sum(outcomes))
        odds[learning_curve(outcomes, **rates).decision] += chance
    exact = learning_curve_odds(0.3, 9, **rates)
    assert (exact.acceptable, exact.unacceptable, exact.undecided) == pytest.approx(
        tuple(odds.values()), rel=1e-12
    )


def test_a_learning_curve_keeps_its_error_rates_about_where_it_was_told() -> None:
    # Wald: alpha' <= alpha / (1 - beta) and beta' <= beta / (1 - alpha).
    good = learning_curve_odds(0.05, 2000, p0=0.05, p1=0.15)
    bad = learning_curve_odds(0.15, 2000, p0=0.05, p1=0.15)
    assert 0.02 < good.unacceptable <= 0.1 / 0.9
    assert 0.02 < bad.acceptable <= 0.1 / 0.9
    assert good.undecided < 1e-6


def test_the_decision_of_a_learning_curve_is_its_first_crossing() -> None:
    shown = learning_curve([1, 1, 1, *[0] * 200], p0=0.05, p1=0.15)
    assert (shown.decision, shown.decided_at) == ("unacceptable", 3)
    assert shown.table["statistic"].iloc[-1] < shown.lower
    assert learning_curve([], p0=0.05, p1=0.15).decision == "undecided"


def test_page_false_alarms_agree_with_every_sequence_of_outcomes() -> None:
    share = 0.0
    for outcomes in itertools.product((0, 1), repeat=9):
        chance = 0.2 ** sum(outcomes) * 0.8 ** (9 - sum(outcomes))
        share += chance * (page_chart(outcomes, p0=0.2, p1=0.4).max() >= 1.3)
    assert page_false_alarm(0.2, 9, p0=0.2, p1=0.4, threshold=1.3) == pytest.approx(share)


@pytest.mark.parametrize("change", [{"p0": 0.2}, {"alpha": 0.0}, {"alpha": 0.6, "beta": 0.5}])
def test_a_learning_curve_without_room_between_its_rates_is_refused(
    change: dict[str, float],
) -> None:
    with pytest.raises(EstimationError, match="p0 < p1"):
        learning_curve([0], **({"p0": 0.1, "p1": 0.2} | change))


def test_outcomes_are_zero_or_one() -> None:
    with pytest.raises(EstimationError, match="each case is 1"):
        learning_curve([0, 2], p0=0.1, p1=0.2)
