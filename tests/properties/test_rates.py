"""What must always hold for proportions, rates, their contrasts and adjusted p-values."""

import math
from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.statistics.clustered_rates import clustered_rate
from outcomes.statistics.intervals import Interval, proportion, proportion_difference
from outcomes.statistics.multiplicity import holm
from outcomes.statistics.rate_contrasts import rate_difference, rate_ratio
from outcomes.statistics.rates import rate

events = st.integers(0, 60)
years = st.floats(0.1, 500.0)
levels = st.floats(0.5, 0.99)
often = settings(deadline=None, max_examples=60, database=None, derandomize=True)
PROPORTIONS = ["wilson", "wilson-continuity", "exact", "mid-p"]
RATIOS = ["exact", "mid-p", "wald"]


@st.composite
def shares(draw: Callable[..., int]) -> tuple[int, int]:
    n = draw(st.integers(1, 80))
    return draw(st.integers(0, n)), n


@st.composite
def wear(draw: Callable[..., list[tuple[int, int, float]]]) -> pd.DataFrame:
    row = st.tuples(st.integers(0, 5), st.integers(0, 4), st.floats(0.1, 9.0))
    return pd.DataFrame(
        draw(st.lists(row, min_size=1, max_size=12)), columns=["patient", "events", "years"]
    )


def clustered(frame: pd.DataFrame, per: float = 1.0):
    return clustered_rate(frame, events="events", exposure="years", cluster="patient", per=per)


def ends(shown: Interval) -> list[float | None]:
    return [shown.estimate, shown.conf_low, shown.conf_high]


def near(values: list[float | None]) -> list[object]:
    return [v if v is None else pytest.approx(v, rel=1e-8, abs=1e-12) for v in values]


@often
@given(shares(), levels, st.sampled_from(PROPORTIONS))
def test_a_proportion_lies_within_its_limits_and_they_within_0_and_1(
    counts: tuple[int, int], level: float, method: str
) -> None:
    shown = proportion(*counts, method=method, confidence_level=level)
    assert 0 <= shown.conf_low <= shown.estimate <= shown.conf_high <= 1


@often
@given(shares(), st.sampled_from(PROPORTIONS))
def test_counting_those_without_the_event_mirrors_the_interval(
    counts: tuple[int, int], method: str
) -> None:
    x, n = counts
    one, other = proportion(x, n, method=method), proportion(n - x, n, method=method)
    assert ends(one) == near([1 - other.estimate, 1 - other.conf_high, 1 - other.conf_low])


@often
@given(events, years, levels)
def test_the_exact_rate_interval_encloses_the_mid_p_interval(
    x: int, time: float, level: float
) -> None:
    exact = rate(x, time, confidence_level=level)
    mid = rate(x, time, method="mid-p", confidence_level=level)
    assert exact.conf_low <= mid.conf_low * (1 + 1e-12)
    assert mid.conf_low <= mid.estimate <= mid.conf_high
    assert mid.conf_high <= exact.conf_high * (1 + 1e-12)


@often
@given(events, years, st.sampled_from(["exact", "mid-p"]))
def test_one_more_event_moves_both_limits_up(x: int, time: float, method: str) -> None:
    fewer, more = rate(x, time, method=method), rate(x + 1, time, method=method)
    assert fewer.conf_low < more.conf_low
    assert fewer.conf_high < more.conf_high


@often
@given(events, years, st.floats(0.01, 1000))
def test_changing_the_unit_of_exposure_rescales_a_rate(x: int, time: float, unit: float) -> None:
    assert ends(rate(x, time * unit, per=unit)) == near(ends(rate(x, time)))


@often
@given(events, years, events, years, st.sampled_from(RATIOS))
def test_swapping_the_groups_inverts_the_ratio(
    a: int, t: float, b: int, u: float, method: str
) -> None:
    one, other = rate_ratio(a, t, b, u, method=method), rate_ratio(b, u, a, t, method=method)
    if a and b:
        assert ends(one) == near([1 / other.estimate, 1 / other.conf_high, 1 / other.conf_low])
        assert one.p_value == pytest.approx(other.p_value, rel=1e-6)
    elif a and method != "wald":
        assert (one.conf_high, other.conf_low) == (None, 0)
        assert one.conf_low == pytest.approx(1 / other.conf_high, rel=1e-8)


@often
@given(events, years, events, years)
def test_swapping_the_groups_negates_the_rate_difference(
    a: int, t: float, b: int, u: float
) -> None:
    one, other = rate_difference(a, t, b, u), rate_difference(b, u, a, t)
    assert ends(one) == near([-other.estimate, -other.conf_high, -other.conf_low])


@often
@given(shares(), shares())
def test_swapping_the_groups_negates_the_difference_of_proportions(
    one_group: tuple[int, int], other_group: tuple[int, int]
) -> None:
    one = proportion_difference(*one_group, *other_group)
    other = proportion_difference(*other_group, *one_group)
    assert ends(one) == near([-other.estimate, -other.conf_high, -other.conf_low])
    assert -1 <= one.conf_low <= one.estimate <= one.conf_high <= 1


@often
@given(wear(), st.randoms(use_true_random=False))
def test_row_order_does_not_matter(frame: pd.DataFrame, random: object) -> None:
    order = list(range(len(frame)))
    random.shuffle(order)
    assert ends(clustered(frame.iloc[order])) == near(ends(clustered(frame)))


@often
@given(wear(), st.floats(0.1, 0.9))
def test_splitting_follow_up_leaves_the_rate_and_its_interval_alone(
    frame: pd.DataFrame, where: float
) -> None:
    first = frame.assign(years=frame["years"] * where, events=0)
    rest = frame.assign(years=frame["years"] * (1 - where))
    assert ends(clustered(pd.concat([first, rest]))) == near(ends(clustered(frame)))


@often
@given(wear())
def test_a_clustered_rate_is_the_poisson_sandwich(frame: pd.DataFrame) -> None:
    # Second account: the variance as a quadratic form of cluster scores, by plain loops.
    shown = clustered(frame)
    if shown.se_log is None:
        return
    total, size, squares = frame["events"].sum(), frame["years"].sum(), 0.0
    for _, own in frame.groupby("patient"):
        squares += (own["events"].sum() - total / size * own["years"].sum()) ** 2
    groups = frame["patient"].nunique()
    assert shown.se_log**2 == pytest.approx(groups / (groups - 1) * squares / total**2)


@often
@given(events, st.one_of(st.just(0.0), years), events, st.one_of(st.just(0.0), years))
def test_no_answer_is_infinite_or_not_a_number(a: int, t: float, b: int, u: float) -> None:
    a, b = (a if t else 0), (b if u else 0)
    shown = [rate(a, t), rate(a, t, method="mid-p"), rate_difference(a, t, b, u)]
    shown += [rate_ratio(a, t, b, u, method=method) for method in RATIOS]
    for interval in shown:
        for value in ends(interval):
            assert value is None or math.isfinite(value)
        assert interval.note or None not in ends(interval)


@settings(often, max_examples=20)
@given(st.lists(st.one_of(st.none(), st.floats(0, 1)), max_size=12))
def test_holm_never_lowers_a_p_value_and_keeps_their_order(p_values: list[float | None]) -> None:
    shown = holm(pd.Series(p_values, dtype=float))
    made = shown[shown["p_value"].notna()].sort_values("p_value")
    assert (made["p_adjusted"] >= made["p_value"]).all()
    assert (np.diff(made["p_adjusted"]) >= 0).all()
    # The smallest is multiplied by the number of tests that were made.
    if len(made):
        assert made["p_adjusted"].iloc[0] == pytest.approx(
            min(1, len(made) * made["p_value"].iloc[0])
        )
