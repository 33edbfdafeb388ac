"""Coverage of the count intervals: bars set before the run; the full table is `count_coverage`.

Exact intervals: at least 95 % everywhere. Mid-P: at least 91 % everywhere and 94 to 97 % on
average (proportions from 10 units on; with fewer, and for ratios of two small counts, it errs
above). Wilson: 95 % on average, with the known dips near 0 and 1 (Agresti A, Coull BA. Am Stat
1998;52:119-126: down to 0.84). Simulated intervals fall short when even the 99.9 % Monte Carlo
interval lies below 94 %.
"""

import pytest

from tests.truth.count_coverage import (
    SIMULATED,
    difference_coverage,
    naive_rate_holds,
    proportion_coverage,
    rate_coverage,
    rate_difference_coverage,
    rate_ratio_coverage,
    simulated,
)

PATIENTS = 80


def test_the_exact_interval_of_a_rate_always_covers() -> None:
    assert rate_coverage("exact").lowest >= 0.95


def test_the_mid_p_interval_of_a_rate_covers_on_average() -> None:
    coverage = rate_coverage("mid-p")
    assert coverage.lowest >= 0.91
    assert 0.94 <= coverage.mean <= 0.97


@pytest.mark.parametrize("n", [5, 10, 24, 50])
def test_the_exact_interval_of_a_proportion_always_covers(n: int) -> None:
    assert proportion_coverage("exact", n).lowest >= 0.95


@pytest.mark.parametrize("n", [10, 24, 50])
def test_the_mid_p_interval_of_a_proportion_covers_on_average(n: int) -> None:
    coverage = proportion_coverage("mid-p", n)
    assert coverage.lowest >= 0.91
    assert 0.94 <= coverage.mean <= 0.97


@pytest.mark.parametrize("n", [10, 24, 50])
def test_the_wilson_interval_covers_on_average_and_dips_at_the_edges(n: int) -> None:
    coverage = proportion_coverage("wilson", n)
    assert 0.83 <= coverage.lowest < 0.95
    assert 0.945 <= coverage.mean <= 0.96


def test_the_exact_interval_of_a_rate_ratio_always_covers() -> None:
    assert rate_ratio_coverage("exact", most=20).lowest >= 0.95


def test_the_mid_p_interval_of_a_rate_ratio_stays_above_its_bar() -> None:
    assert rate_ratio_coverage("mid-p", most=20).lowest >= 0.91


def test_the_interval_of_a_rate_difference_stays_above_95() -> None:
    # Recovered from two exact limits: conservative where both counts are small.
    assert rate_difference_coverage(most=20).lowest >= 0.95


def test_newcombes_difference_covers_on_average() -> None:
    coverage = difference_coverage(12, 8, points=10)
    assert coverage.lowest >= 0.86
    assert 0.94 <= coverage.mean <= 0.97


@pytest.mark.parametrize("name", SIMULATED)
def test_intervals_by_patient_do_not_fall_short(name: str) -> None:
    _, _, high = simulated(SIMULATED[name], n=PATIENTS, replicates=200, seed=7)
    assert high >= 0.94


def test_the_exact_interval_on_repeated_events_falls_short() -> None:
    # Why all events have the clustered one: patients differ, so their events go together.
    _, _, high = simulated(naive_rate_holds, n=PATIENTS, replicates=200, seed=7)
    assert high < 0.90
