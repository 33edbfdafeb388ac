"""Which rules fire on typed counts."""

import numpy as np
import pandas as pd
import pytest

from outcomes.plan import Watch
from outcomes.statistics.reference_tails import Reference, upper_tail
from outcomes.watch.charts import gap_limit
from outcomes.watch.rules import (
    GAPS,
    MONTH,
    QUARTER,
    RUN,
    YEAR,
    gap_tails,
    run_in_quarter,
    series_signals,
)
from tests.watched_series import series

RULES = Watch()
ALPHA = 0.004
CALM = [5.0] * 12


def fired(one: object) -> tuple[str, ...]:
    return tuple(rule for s in series_signals(one, ALPHA, RULES) for rule in s.rules)


def test_an_unchanged_series_makes_no_row() -> None:
    assert fired(series([*CALM, 5, 6, 4], [10] * 15)) == ()


def test_one_bad_month_makes_a_row() -> None:
    one = series([*CALM, 5, 18, 5], [10] * 15)
    assert fired(one)[0] == MONTH
    (row,) = series_signals(one, ALPHA, RULES)
    assert (row.observed, row.expected, row.size) == (18, 5, 10)
    assert row.tail == upper_tail(18, 10, Reference(kind="rate", events=60, size=120))


def test_three_months_somewhat_worse_make_a_row_together() -> None:
    assert fired(series([*CALM, 10, 11, 11], [10] * 15)) == (QUARTER,)


def test_what_is_too_small_for_a_quarter_adds_up_over_a_year() -> None:
    worse = [8.0, 8.0, 9.0] * 4
    assert fired(series([*CALM, *worse[:3]], [10] * 15)) == ()
    assert YEAR in fired(series([*CALM, *worse], [10] * 24))


def test_a_year_makes_no_row_once_its_last_quarter_is_as_expected() -> None:
    bad_before = [12.0] * 9
    assert YEAR in fired(series([*CALM, *bad_before, 6, 5, 5], [10] * 24))
    assert fired(series([*CALM, *bad_before, 5, 5, 5], [10] * 24)) == ()


def test_a_series_with_two_broken_rules_is_one_row() -> None:
    assert len(series_signals(series([*CALM, 18, 18, 18], [10] * 15), ALPHA, RULES)) == 1


def test_a_change_for_the_better_makes_no_row() -> None:
    assert fired(series([*CALM, 0, 0, 0], [10] * 15)) == ()


def test_an_older_bad_month_is_no_row_of_this_quarter() -> None:
    assert fired(series([*CALM, 18, 5, 5, 5], [10] * 16)) == ()


def test_a_run_of_eight_above_the_median_fires_once() -> None:
    low, high = [4.0, 5.0] * 6, [6.0] * 8
    reaching = series([*low, *high], [10] * 20)
    assert run_in_quarter(reaching, RULES)
    assert RUN in fired(reaching)
    longer = series([*low, *high, 6, 6, 6], [10] * 23)
    assert not run_in_quarter(longer, RULES)


def test_a_run_below_the_median_is_good_news() -> None:
    assert not run_in_quarter(series([*[6.0, 5.0] * 6, *[4.0] * 8], [10] * 20), RULES)


def test_runs_say_nothing_where_most_months_have_no_event() -> None:
    rare = series([*[0, 0, 1] * 4, *[1] * 8], [10] * 20)
    assert not run_in_quarter(rare, RULES)


def test_a_declared_level_needs_no_reference_months() -> None:
    one = series([5, 18, 5], [10] * 3, reference_months=0, level=0.5)
    assert MONTH in fired(one)


def test_rare_events_that_come_fast_make_a_row() -> None:
    counts, sizes = [*[0, 1] * 6, 0, 0, 3], [10.0] * 15
    fast = series(counts, sizes, gaps=[8.0, 0.2, 0.2])
    slow = series(counts, sizes, gaps=[8.0, 9.0, 9.0])
    assert GAPS not in fired(slow)
    assert gap_tails(fast, 3)["size"].tolist() == pytest.approx([8.4])
    assert GAPS in fired(series(counts, sizes, gaps=[8.0, 0.2, 0.2, 0.1]))


def test_the_limit_of_gaps_has_the_tail_asked_for() -> None:
    reference = Reference(kind="rate", events=6, size=120)
    limit = gap_limit(3, reference, alpha=ALPHA)
    assert upper_tail(3, limit, reference) == pytest.approx(ALPHA, rel=1e-6)
    assert upper_tail(3, limit / 2, reference) < ALPHA < upper_tail(3, 2 * limit, reference)


def test_a_rare_series_without_events_has_no_gap() -> None:
    none = series([0] * 15, [10.0] * 15, gaps=[])
    assert gap_tails(none, 3).empty
    assert fired(none) == ()


def test_the_order_of_reference_months_does_not_matter() -> None:
    counts = [1, 9, 4, 6, 5, 5, 2, 8, 7, 3, 5, 5]
    rows = [
        series_signals(series([*order, 5, 18, 5], [10] * 15), ALPHA, RULES)
        for order in (counts, counts[::-1])
    ]
    assert rows[0] == rows[1]


def test_splitting_the_unit_of_exposure_changes_nothing() -> None:
    years = series([*CALM, 5, 18, 5], [10] * 15)
    days = series([*CALM, 5, 18, 5], np.array([10] * 15) * 365.25)
    tails = [series_signals(one, ALPHA, RULES)[0].tail for one in (years, days)]
    assert tails[0] == pytest.approx(tails[1], rel=1e-9)


def test_this_quarter_holds_the_months_that_closed_in_it() -> None:
    one = series([*CALM, 1, 2, 3, 4], [10] * 16)
    assert one.quarter["events"].tolist() == [2, 3, 4]
    assert one.quarter["month"].min() == pd.Timestamp("2025-02-01")
