"""Edges, refusals and invariants of the agreement estimators."""

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import EstimationError
from outcomes.statistics.agreement import (
    bias,
    concordance,
    limits_of_agreement,
    repeatability,
)
from outcomes.statistics.deming import deming
from outcomes.statistics.relative_differences import (
    agreement_rates,
    mean_relative_difference,
    median_relative_difference,
)

NAMES = {"measured": "m", "reference": "r"}


def frame(n: int = 60, subjects: int = 12, seed: int = 4) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    who = np.arange(n) % subjects
    reference = rng.uniform(60, 300, n).round()
    own = rng.normal(0, 15, subjects)[who]
    measured = (reference + own + rng.normal(0, 8, n)).round()
    return pd.DataFrame({"m": measured, "r": reference, "who": who})


def rng() -> np.random.Generator:
    return np.random.default_rng(11)


def test_a_cluster_column_of_single_pairs_changes_nothing() -> None:
    single = frame().assign(who=range(60))
    one, other = bias(single, **NAMES), bias(single, **NAMES, cluster="who")
    assert one.conf_low == pytest.approx(other.conf_low, rel=1e-12)


def test_pairs_of_one_subject_widen_the_interval() -> None:
    wide, narrow = bias(frame(), **NAMES, cluster="who"), bias(frame(), **NAMES)
    assert wide.conf_high - wide.conf_low > 1.5 * (narrow.conf_high - narrow.conf_low)
    assert wide.estimate == narrow.estimate


def test_the_parts_of_variance_add_to_the_plain_one_when_subjects_are_balanced() -> None:
    # MS between = 5 between + within; the hand formula on a balanced layout.
    pairs = frame()
    difference = (pairs["m"] - pairs["r"]).to_numpy().reshape(5, 12)
    within = difference.var(axis=0, ddof=1).mean()
    between = difference.mean(axis=0).var(ddof=1) - within / 5
    shown = limits_of_agreement(pairs, **NAMES, cluster="who", draws=100, rng=rng())
    assert shown.sd == pytest.approx(np.sqrt(within + between))
    assert shown.lower.conf_low < shown.lower.estimate < shown.lower.conf_high


def test_the_same_seed_gives_the_same_bootstrap_limits() -> None:
    one, other = (
        concordance(frame(), **NAMES, cluster="who", draws=100, rng=rng()) for _ in range(2)
    )
    assert one == other
    with pytest.raises(EstimationError, match="default_rng"):
        concordance(frame(), **NAMES, cluster="who")


def test_row_order_does_not_matter() -> None:
    shuffled = frame().sample(frac=1, random_state=1)
    one, other = (
        (
            bias(f, **NAMES, cluster="who").conf_low,
            deming(f, **NAMES, cluster="who").slope.conf_low,
            agreement_rates(f, **NAMES, switch=100, cluster="who").loc[0, "conf_low"],
        )
        for f in (frame(), shuffled)
    )
    assert one == pytest.approx(other, rel=1e-10)


def test_changing_the_unit_rescales_differences_and_leaves_ratios() -> None:
    other = frame().assign(m=lambda f: f["m"] / 10, r=lambda f: f["r"] / 10)
    assert bias(other, **NAMES).conf_low == pytest.approx(bias(frame(), **NAMES).conf_low / 10)
    assert concordance(other, **NAMES).conf_low == pytest.approx(
        concordance(frame(), **NAMES).conf_low
    )
    assert mean_relative_difference(other, **NAMES).estimate == pytest.approx(
        mean_relative_difference(frame(), **NAMES).estimate
    )


def test_swapping_the_members_inverts_the_deming_slope() -> None:
    forth, back = deming(frame(), **NAMES), deming(frame(), measured="r", reference="m")
    assert forth.slope.estimate == pytest.approx(1 / back.slope.estimate)


def test_deming_recovers_the_line_where_least_squares_is_flattened() -> None:
    draw = np.random.default_rng(8)
    truth = draw.normal(150, 40, 4000)
    pairs = pd.DataFrame(
        {"m": 10 + 0.9 * truth + draw.normal(0, 20, 4000), "r": truth + draw.normal(0, 20, 4000)}
    )
    shown = deming(pairs, **NAMES)
    assert shown.slope.conf_low < 0.9 < shown.slope.conf_high
    assert np.polyfit(pairs["r"], pairs["m"], 1)[0] < 0.75


def test_a_difference_of_exactly_the_allowed_one_agrees() -> None:
    pairs = pd.DataFrame({"m": [99 + 15, 100 + 15, 200 + 30, 200 + 31], "r": [99, 100, 200, 200]})
    shown = agreement_rates(pairs, **NAMES, switch=100, within=[15])
    assert shown.loc[0, "estimate"] == 0.75


def test_the_switch_decides_between_units_and_percent() -> None:
    pairs = pd.DataFrame({"m": [75 + 15.0], "r": [75.0]})
    shares = [agreement_rates(pairs, **NAMES, switch=s).loc[0, "estimate"] for s in (70, 80)]
    assert shares == [0, 1]


def test_rates_of_pairs_that_all_agree_do_not_collapse() -> None:
    pairs = frame().assign(m=lambda f: f["r"])
    shown = agreement_rates(pairs, **NAMES, switch=100, cluster="who").loc[0]
    # 12 subjects, each counted as one pair: Wilson's 12 of 12.
    assert shown["conf_low"] == pytest.approx(12 / (12 + 1.959964**2), rel=1e-6)
    assert shown["conf_high"] == 1
    assert "each cluster counted as one pair" in shown["note"]


def test_clusters_lower_the_effective_number_of_pairs() -> None:
    shown = agreement_rates(frame(), **NAMES, switch=100, cluster="who").loc[0]
    assert shown["effective_pairs"] < 60
    plain = agreement_rates(frame(), **NAMES, switch=100).loc[0]
    assert shown["conf_low"] < plain["conf_low"]


def test_the_median_has_limits_from_resampled_subjects() -> None:
    shown = median_relative_difference(frame(), **NAMES, cluster="who", draws=200, rng=rng())
    assert shown.conf_low < shown.estimate < shown.conf_high
    assert shown.method == "percentile bootstrap of clusters"


@pytest.mark.parametrize(
    "estimate",
    [
        lambda f: bias(f, **NAMES),
        lambda f: limits_of_agreement(f, **NAMES).lower,
        lambda f: concordance(f, **NAMES),
        lambda f: deming(f, **NAMES).slope,
        lambda f: mean_relative_difference(f, **NAMES),
        lambda f: median_relative_difference(f, **NAMES, rng=rng()),
    ],
)
def test_no_pair_one_pair_and_equal_pairs_have_no_limits(estimate) -> None:
    for pairs in (frame(0), frame(1), pd.DataFrame({"m": [5.0] * 4, "r": [4.0] * 4})):
        shown = estimate(pairs)
        assert (shown.conf_low, shown.conf_high) == (None, None)
        assert shown.note


def test_repeats_that_do_not_exist_or_do_not_differ_have_no_limits() -> None:
    once = pd.DataFrame({"v": [1.0, 2.0], "who": ["a", "b"]})
    assert repeatability(once, value="v", subject="who").estimate is None
    equal = pd.DataFrame({"v": [1.0, 1.0], "who": ["a", "a"]})
    assert repeatability(equal, value="v", subject="who").conf_high is None


@pytest.mark.parametrize(
    ("change", "words"),
    [({"r": 0.0}, "0 or less"), ({"m": None}, "column m: 60 of 60"), ({"m": np.inf}, "infinite")],
)
def test_pairs_without_a_ratio_are_refused(change: dict[str, object], words: str) -> None:
    with pytest.raises(EstimationError, match=words):
        mean_relative_difference(frame().assign(**change), **NAMES)
