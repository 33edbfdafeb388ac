"""Inputs that make rates and shares wrong without an error; the answers follow by arithmetic."""

from __future__ import annotations

import math

import pandas as pd
import pytest

from outcomes.statistics.clustered_rates import clustered_rate
from outcomes.statistics.competing_risks import cumulative_incidence
from outcomes.statistics.cox import cox
from outcomes.statistics.intervals import proportion
from outcomes.statistics.multiplicity import holm


def test_a_planned_removal_competes_and_is_no_failure() -> None:
    # Failed and planned removals alternate over six sensors: 3 of 6, where 1 - survival is .6875.
    lives = pd.DataFrame(
        {"entry": -1, "exit": range(10, 70, 10), "state": ["failed", "planned"] * 3}
    )
    found = cumulative_incidence(lives, times=[60])
    assert found.at("failed", 60)["estimate"] == pytest.approx(0.5, rel=1e-12)


def test_an_arm_without_events_has_words_and_no_hazard_ratio() -> None:
    lives = pd.DataFrame(
        {
            "entry": -1, "exit": [10, 20, 30, 40] * 2, "adhesive": [0] * 4 + [1] * 4,
            "state": ["lost"] * 4 + ["censored"] * 4,
        }
    )  # fmt: skip
    found = cox(lives, covariates=["adhesive"])
    assert "no events where adhesive = 1" in found.note
    assert found.table["estimate"].isna().all()


def test_a_person_without_time_is_listed_and_left_out() -> None:
    frame = pd.DataFrame({"who": list("abc"), "events": [1, 2, 0], "years": [1.5, 2.0, 0.0]})
    found = clustered_rate(frame, events="events", exposure="years", cluster="who")
    assert found.estimate == pytest.approx(3 / 3.5, rel=1e-12)
    assert found.left_out == ("c",)


@pytest.mark.parametrize(("x", "low", "high"), [(0, 0, 27.8), (10, 72.2, 100)])
def test_a_share_at_the_edge_keeps_a_real_interval(x: int, low: float, high: float) -> None:
    # Wilson EB. J Am Stat Assoc 1927;22:209-212: 0 of 10 is 0 to 27.8 %, 10 of 10 72.2 to 100 %.
    found = proportion(x, 10)
    assert 100 * found.conf_low == pytest.approx(low, abs=0.05)
    assert 100 * found.conf_high == pytest.approx(high, abs=0.05)
    assert "Wilson" in found.method


def test_a_share_of_nobody_is_not_estimable() -> None:
    found = proportion(0, 0)
    assert found.estimate is None
    assert found.note


def test_a_missing_p_value_is_not_tested_and_does_not_count() -> None:
    found = holm(pd.Series([0.01, math.nan, 0.03]))
    assert found["p_adjusted"].tolist() == pytest.approx([0.02, math.nan, 0.03], nan_ok=True)
    assert found["note"].tolist() == ["", "not tested", ""]
    assert found["n_tests"].tolist() == [2, 2, 2]
    assert holm(pd.Series([], dtype=float)).empty
