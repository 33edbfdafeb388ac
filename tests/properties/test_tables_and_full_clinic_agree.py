"""The tables without readings follow the same laws and sizes as the full clinic."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from synthetic import Clinic, Scenario, clinic
from synthetic.harm import PROCEDURE_HARM, WEAR_HARM
from synthetic.horizons import periods, trajectory_truth
from synthetic.tables_only import (
    COHORTS,
    LOSSES,
    REACHED,
    VISIT_DAYS,
    Setting,
    tables,
    true_effects,
    true_levels,
)
from synthetic.truth import decisions, response, starts

USUAL, SETTING = Scenario(), Setting()


@pytest.fixture(scope="module")
def full() -> Clinic:
    return clinic(500, 33)


@pytest.mark.parametrize(
    ("in_tables", "in_full"),
    [
        ("choice_hba1c", "choice_hba1c"),
        ("choice_age", "choice_age"),
        ("choice_type_1", "choice_type_1"),
        ("centre", "centre"),
        ("level_sd", "level_sd"),
        ("noise_sd", "laboratory_sd"),
        ("own_course", "effect_adhesive"),
        ("own_course_per_point", "effect_per_point"),
        ("effect", "effect_implanted"),
        ("effect_per_point", "implanted_per_point"),
        ("effect_sd", "effect_sd"),
        ("leaving_hba1c", "leaving_hba1c"),
        ("frailty_sd", "frailty_sd"),
    ],
)
def test_sizes_are_the_same(in_tables: str, in_full: str) -> None:
    assert getattr(SETTING, in_tables) == getattr(USUAL, in_full)


def test_the_effect_is_reached_by_the_visits_as_in_the_full_clinic() -> None:
    assert [response(USUAL, days) for days in VISIT_DAYS] == pytest.approx(list(REACHED), abs=0.006)


def test_rates_of_harm_are_those_of_the_full_clinic() -> None:
    for place, cohort in enumerate(COHORTS):
        yearly = sum(rate for (kind, _), rate in WEAR_HARM.items() if kind == cohort)
        assert SETTING.harm_rate[place] == pytest.approx(yearly, rel=0.1)
    assert SETTING.procedure_harm == pytest.approx(sum(PROCEDURE_HARM.values()), rel=0.15)


def test_first_sensors_are_lost_as_often(full: Clinic) -> None:
    """Later ones too, but those who lose more get more: that is why only the first is counted."""
    sensors = full.sensors[full.sensors["model"] == "IG-1"].drop_duplicates("patient_id")
    age = (sensors["true_stop_on"] - sensors["placed_on"]).dt.days
    lost = sensors["true_end"].isin(LOSSES)
    drawn = tables(
        Setting(patients=6000, late_share=0.0, more_sensors=0), np.random.default_rng(1),
        only=("sensors",),
    ).sensors  # fmt: skip
    for day in (90, 179):
        share = (lost & (age <= day)).mean()
        known = drawn[(drawn["exit"] >= day) | (drawn["end"] != "censored")]
        other = (known["end"].isin(LOSSES) & (known["exit"] <= day)).mean()
        # The bad lot adds a little in the full clinic, early planned removals take a little.
        assert abs(share - other) < 0.015 + 4 * np.sqrt(share * (1 - share) / len(sensors))


def test_those_who_begin_are_as_high_and_choose_as_often(full: Clinic) -> None:
    chosen = decisions(full).query("kind_before == 'none'")
    drawn = tables(Setting(patients=20_000), np.random.default_rng(2), only=()).patients
    latest, other = chosen["latest_hba1c"], drawn["baseline_hba1c"]
    assert latest.mean() == pytest.approx(other.mean(), abs=0.2)
    assert latest.std() == pytest.approx(other.std(), rel=0.15)
    implanted = (chosen["chosen"] == "implanted").mean()
    assert implanted == pytest.approx((drawn["cohort"] == "implanted").mean(), abs=0.1)


def test_changes_of_beginners_are_alike(full: Clinic) -> None:
    begun = starts(full).query("kind_before == 'none' and days == 183")
    truth = true_effects(SETTING, month=6, draws=200_000)
    for cohort, rows in begun.groupby("chosen"):
        error = rows["change"].std() / np.sqrt(len(rows))
        assert abs(rows["change"].mean() - truth[f"change {cohort}"].value) < 0.1 + 3 * error
        assert 0.35 < rows["change"].std() < 0.75


def test_levels_of_time_in_range_are_alike(full: Clinic) -> None:
    found = trajectory_truth(periods(full)).set_index(["cohort", "period"])["all_share_70_180"]
    told = true_levels(SETTING).set_index(["cohort", "period"])["share"]
    both = pd.concat({"full": found, "tables": told}, axis=1).dropna()
    assert len(both) == 28
    assert (both["full"] - both["tables"]).abs().max() < 0.08
