"""Exact tails beside a reference, against published figures and sums written out.

Fisher RA, The Design of Experiments, 1935, chapter 2 (the tea tasting: 1 in 70); Poisson tails:
Pearson ES, Hartley HO, Biometrika Tables for Statisticians, 1954, table 7 (from memory: with mean
1.0, P(X >= 5) = 0.00366); conditional sums are written out with whole numbers.
"""

from fractions import Fraction
from math import comb

import numpy as np
import pytest
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.statistics.reference_tails import Reference, detectable, signal_from, upper_tail


def test_the_tea_tasting_has_one_chance_in_seventy() -> None:
    beside = Reference(kind="share", events=0, size=4)
    assert upper_tail(4, 4, beside) == pytest.approx(1 / 70, rel=1e-12)


def test_a_declared_rate_has_the_tables_poisson_tail() -> None:
    assert upper_tail(5, 1.0, Reference(kind="rate", level=1.0)) == pytest.approx(0.00366, abs=5e-6)


@pytest.mark.parametrize(("x", "x0", "ratio"), [(5, 10, 10), (3, 0, 4), (7, 2, 1), (0, 3, 2)])
def test_a_rate_beside_a_period_is_the_binomial_sum_written_out(
    x: int, x0: int, ratio: int
) -> None:
    p = Fraction(1, 1 + ratio)
    total = x + x0
    exact = sum(comb(total, k) * p**k * (1 - p) ** (total - k) for k in range(x, total + 1))
    found = upper_tail(x, 1.5, Reference(kind="rate", events=x0, size=1.5 * ratio))
    assert found == pytest.approx(float(exact), rel=1e-12)


def test_a_share_beside_a_period_is_fishers_one_sided_test() -> None:
    # scipy.stats.fisher_exact([[7, 13], [5, 45]], alternative="greater")
    expected = stats.fisher_exact([[7, 13], [5, 45]], alternative="greater").pvalue
    found = upper_tail(7, 20, Reference(kind="share", events=5, size=50))
    assert found == pytest.approx(expected, rel=1e-10)


@pytest.mark.parametrize("kind", ["rate", "share"])
def test_the_signalling_count_is_the_first_within_alpha(kind: str) -> None:
    reference = Reference(kind=kind, events=9, size=120)
    count = signal_from(30, reference, alpha=0.004)
    assert upper_tail(count, 30, reference) <= 0.004 < upper_tail(count - 1, 30, reference)


def test_a_group_too_small_for_any_count_never_signals() -> None:
    assert signal_from(2, Reference(kind="share", level=0.3), alpha=0.01) is None
    assert signal_from(0, Reference(kind="rate", level=0.3), alpha=0.01) is None


def test_nothing_in_no_exposure_is_no_surprise() -> None:
    assert upper_tail(0, 0, Reference(kind="rate", level=1.0)) == 1
    assert upper_tail([0, 1], [0, 0], Reference(kind="share", events=1, size=9)).tolist() == [1, 1]


def test_the_detectable_level_reaches_its_limit_four_times_in_five() -> None:
    level = detectable([2.0, 2.0, 2.0], [6, 6, 6], 11, kind="rate")
    rng = np.random.default_rng(5)
    drawn = rng.poisson(2.0 * level, (200_000, 3))
    seen = (drawn >= 6).any(axis=1) | (drawn.sum(axis=1) >= 11)
    assert seen.mean() == pytest.approx(0.8, abs=0.004)


def test_a_share_that_can_never_be_seen_has_no_detectable_level() -> None:
    assert detectable([2.0], [None], None, kind="share") is None
    assert detectable([], [], 3, kind="rate") is None


def test_a_reference_that_says_nothing_is_refused() -> None:
    with pytest.raises(EstimationError, match="neither a declared level nor a period"):
        Reference(kind="rate")
    with pytest.raises(EstimationError, match="is no share"):
        Reference(kind="share", level=1.4)
