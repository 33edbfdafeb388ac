"""Edges, refusals and invariants of the mean cumulative count."""

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import EstimationError
from outcomes.statistics.recurrent_events import (
    _Steps,
    mean_cumulative_count,
    mean_cumulative_difference,
)


def spells(**columns: list[object]) -> pd.DataFrame:
    base = {
        "id": ["a", "a", "b", "c", "d"],
        "entry": [0, 2, 0, 0, 3],
        "exit": [2, 9, 5, 9, 8],
        "events": [1, 0, 1, 0, 2],
        "died": [False, False, True, False, False],
    }
    return pd.DataFrame(base | columns)


def table(frame: pd.DataFrame, *at: float, **options) -> pd.DataFrame:
    return mean_cumulative_count(frame, subject="id", at=list(at), **options).table


def test_the_variance_is_the_derivative_in_each_subject_weight() -> None:
    # Second implementation: repeat every interval k times and one of them once more.
    frame, k = spells(), 20000
    steps = _Steps.of(frame)

    def weighted(extra: int) -> float:
        weight = np.full(len(frame), 1.0)
        weight[extra] += 1 / k
        alive, mean = 1.0, 0.0
        for u in sorted(frame["exit"].unique()):
            risk = weight[(frame["entry"] < u) & (frame["exit"] >= u)].sum()
            now = (frame["exit"] == u).to_numpy()
            mean += alive * (weight * now * frame["events"]).sum() / risk
            alive *= 1 - (weight * now * frame["died"]).sum() / risk
        return mean

    slopes = [(weighted(i) - steps.estimate(9)) * k for i in range(len(frame))]
    assert steps.influence(9) == pytest.approx(slopes, abs=2e-4)


def test_row_order_does_not_matter() -> None:
    frame = spells()
    shuffled = frame.sample(frac=1, random_state=3)
    pd.testing.assert_frame_equal(table(frame, 5, 9), table(shuffled, 5, 9), rtol=1e-12)


def test_splitting_an_interval_changes_nothing() -> None:
    cut = pd.DataFrame({"id": ["c", "c"], "entry": [0, 4], "exit": [4, 9]})
    cut = cut.assign(events=0, died=False)
    split = pd.concat([spells().query("id != 'c'"), cut])
    pd.testing.assert_frame_equal(table(spells(), 5, 9), table(split, 5, 9), rtol=1e-12)


def test_without_deaths_it_is_the_nelson_aalen_sum() -> None:
    shown = table(spells().drop(columns="died"), 9)
    assert shown.loc[0, "estimate"] == pytest.approx(1 / 3 + 1 / 4 + 2 / 3)


def test_death_keeps_the_dead_in_the_denominator() -> None:
    # 1/3 + 1/4, then S = 3/4 for the two events among three on day 8.
    assert table(spells(), 9).loc[0, "estimate"] == pytest.approx(1 / 3 + 1 / 4 + 0.75 * 2 / 3)


@pytest.mark.parametrize(
    ("columns", "time", "words"),
    [
        ({}, 10, "nobody was observed after 9"),
        ({"entry": [1, 2, 1, 1, 3]}, 9, "nobody was observed before 1"),
        (
            {"entry": [0, 6, 0, 0, 6], "exit": [2, 9, 5, 5, 8], "died": [False] * 5},
            9,
            "nobody was observed just after 5",
        ),
    ],
)
def test_times_nobody_observed_have_no_estimate(
    columns: dict[str, list[object]], time: float, words: str
) -> None:
    shown = table(spells(**columns), time).loc[0]
    assert np.isnan(shown["estimate"])
    assert words in shown["note"]


def test_no_events_give_zero_without_limits() -> None:
    shown = table(spells(events=[0] * 5), 9).loc[0]
    assert shown["estimate"] == 0
    assert np.isnan(shown["conf_high"])
    assert "no variation" in shown["note"]


def test_an_event_on_day_zero_counts_when_entry_is_minus_one() -> None:
    frame = spells(entry=[-1, 0, -1, -1, -1], exit=[0, 9, 5, 9, 8])
    assert table(frame, 0).loc[0, "estimate"] == 0.25


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"exit": [2, 9, 5, 0, 8]}, "do not end after they begin"),
        ({"entry": [0, 1, 0, 0, 3]}, "overlap"),
        ({"events": [1, 0, -1, 0, 0]}, "whole events"),
        ({"died": [True, False, False, False, False]}, "after the subject's death"),
        ({"id": ["a", "a", None, "c", "d"]}, "column id: 1 of 5"),
    ],
)
def test_impossible_spells_are_refused(columns: dict[str, list[object]], words: str) -> None:
    with pytest.raises(EstimationError, match=words):
        table(spells(**columns), 9)


def test_swapping_groups_negates_the_difference() -> None:
    frame = pd.concat([spells(kind=["x"] * 5), spells(kind=["y"] * 5, events=[3, 0, 1, 0, 0])])
    one, other = (
        mean_cumulative_difference(frame, subject="id", group="kind", reference=r, at=[9]).table
        for r in ("x", "y")
    )
    assert one.loc[0, "estimate"] == pytest.approx(-other.loc[0, "estimate"])
    assert one.loc[0, "p_value"] == pytest.approx(other.loc[0, "p_value"])


def test_subjects_in_both_groups_are_one_unit() -> None:
    # The same course in both groups: the difference is 0 for certain, not 0 give or take.
    frame = pd.concat([spells(kind=["x"] * 5), spells(kind=["y"] * 5)])
    shown = mean_cumulative_difference(
        frame, subject="id", group="kind", reference="x", at=[9]
    ).table
    assert shown.loc[0, "estimate"] == 0
    assert np.isnan(shown.loc[0, "std_error"])


def test_a_difference_needs_two_groups_and_a_known_reference() -> None:
    frame = spells(kind=["x"] * 5)
    with pytest.raises(EstimationError, match="not a group"):
        mean_cumulative_difference(frame, subject="id", group="kind", reference="z", at=[9])
    with pytest.raises(EstimationError, match="needs two"):
        mean_cumulative_difference(frame, subject="id", group="kind", reference="x", at=[9])
