"""Models, lots and sites against their class: what is expected, what fires, how often falsely."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.cohorts.build import CohortSet, build_cohorts
from outcomes.plan import SensorSurvival
from outcomes.statistics.observed_expected import (
    UnitLives,
    clustered_ratio,
    drawn_events,
    frailty_variance,
    left_out,
)
from outcomes.watch.sensor_units import (
    Grouping,
    false_alarms,
    groupings,
    quiet_tails,
    sensor_units,
    shared_alpha,
    unit_rows,
)
from tests.invented_clinic import PLAN, invented_study, invented_tables

UNITS, STEPS = 4, 20


def lives(
    seed: int, *, n: int = 400, bad: float = 1.0, frailty: float = 0.0, each: int = 2,
    scale: float = 1.0,
) -> UnitLives:  # fmt: skip
    """Devices of four units and two strata, some a cluster; the first unit has `bad` the hazard."""
    rng = np.random.default_rng(seed)
    unit, stratum, cluster = rng.integers(0, UNITS, n), rng.integers(0, 2, n), np.arange(n) // each
    factor = rng.gamma(1 / frailty, frailty, n)[cluster] if frailty else np.ones(n)
    hazard = scale * np.where(stratum == 0, 0.02, 0.05) * np.where(unit == 0, bad, 1.0) * factor
    age = np.floor(rng.exponential(1 / hazard)).astype(int)
    first, until = rng.integers(0, 3, n), rng.integers(5, STEPS, n)
    age += first
    return UnitLives(
        first=first, last=np.minimum(age, until), until=until, event=age <= until, unit=unit,
        stratum=stratum, cluster=cluster, steps=STEPS, units=UNITS, strata=2, clusters=n // each,
    )  # fmt: skip


def test_expected_is_the_hazard_of_the_others_added_up_device_by_device() -> None:
    given = lives(1)
    table = left_out(*given.counted())
    expected = 0.0
    for i in np.flatnonzero(given.unit == 2):
        for age in range(given.first[i], given.last[i] + 1):
            others = (given.unit != 2) & (given.stratum == given.stratum[i])
            risk = others & (given.first <= age) & (given.last >= age)
            hit = risk & given.event & (given.last == age)
            expected += hit.sum() / risk.sum() if risk.any() else 0.0
    assert table.loc[2, "expected"] == pytest.approx(expected, rel=1e-12)
    assert table.loc[2, "observed"] == (given.event & (given.unit == 2)).sum()


def test_a_bad_unit_does_not_set_its_own_standard() -> None:
    plain, bad = (left_out(*lives(2, bad=ratio).counted()) for ratio in (1.0, 3.0))
    assert bad.loc[0, "expected"] <= plain.loc[0, "expected"] + 1e-9
    assert bad.loc[0, "tail"] < 1e-4 < plain.loc[0, "tail"]


def test_the_clustered_ratio_is_observed_over_expected() -> None:
    given = lives(3)
    table = left_out(*given.counted())
    ratio, low, high = clustered_ratio(given, 1)
    assert ratio == pytest.approx(table.loc[1, "observed"] / table.loc[1, "expected"], rel=1e-12)
    assert low < ratio < high


def test_devices_of_one_cluster_widen_the_limits() -> None:
    given = lives(4, n=600, frailty=1.5, each=10)
    _, low, high = clustered_ratio(given, 1)
    apart = replace(given, cluster=np.arange(600), clusters=600)
    _, lower, higher = clustered_ratio(apart, 1)
    assert high / low > higher / lower


def test_the_variance_of_clusters_is_found_again() -> None:
    few = {"n": 16000, "each": 8, "scale": 0.3}  # few events a device, as the moments assume
    assert frailty_variance(lives(5, **few)) < 0.2
    assert 1.0 < frailty_variance(lives(5, frailty=1.5, **few)) < 2.0


def test_drawn_events_follow_the_hazard_and_stay_where_a_device_was_watched() -> None:
    given = lives(6, n=3000)
    rng = np.random.default_rng(1)
    drawn = [drawn_events(given, variance=0.5, rng=rng) for _ in range(40)]
    for last, event in drawn:
        assert (last >= given.first).all()
        assert (last <= np.where(given.event, given.until, given.last)).all()
        assert ((last == given.last) | event | given.event).all()
    mean = np.mean([event.sum() for _, event in drawn])
    assert mean == pytest.approx(given.event.sum(), rel=0.1)


def test_a_class_without_events_gives_no_ratio_and_a_probability() -> None:
    events, at_risk = np.zeros((2, 1, 3)), np.full((2, 1, 3), 10.0)
    events[0, 0, 1] = 3
    table = left_out(events, at_risk)
    assert table.loc[0, ["expected", "others"]].tolist() == [0, 0]
    assert table.loc[0, "tail"] == pytest.approx(0.5**3)


# --- the clinic ----------------------------------------------------------------------------------


def clinic(folder: Path, *, bad_lot: bool) -> CohortSet:
    tables = invented_tables(implanted=60, adhesive=12)
    sensors = tables["sensors"]
    lot = pd.Series([f"L{i % 4}" for i in range(len(sensors))], index=sensors.index)
    mine = (lot == "L2") & (sensors["kind"] == "implanted")
    if bad_lot:
        early = sensors["placed_on"] + pd.Timedelta(days=40)
        sensors.loc[mine, "removed_on"] = early[mine]
        sensors.loc[mine, "end_reason"] = "sensor failure"
    tables["sensors"] = sensors.assign(lot=lot)
    return build_cohorts(invented_study(folder, tables), PLAN)


def test_a_lot_that_fails_early_fires_and_the_finding_names_it(tmp_path: Path) -> None:
    result = sensor_units(clinic(tmp_path, bad_lot=True))
    fired = result.table.loc[result.table["fires"]]
    assert fired["unit"].tolist() == ["L2"]
    assert "implanted lot L2" in result.finding
    assert result.plot() is not None
    json.dumps(result.records(), allow_nan=False)


def test_without_a_bad_lot_nothing_fires(tmp_path: Path) -> None:
    result = sensor_units(clinic(tmp_path, bad_lot=False))
    assert not result.table["fires"].any()
    assert result.finding.startswith("None of ")


def test_a_clinic_of_one_model_without_lots_gets_a_sentence(tmp_path: Path) -> None:
    tables = invented_tables(implanted=6, adhesive=0)
    tables["sensors"] = tables["sensors"].assign(model="one")
    result = sensor_units(build_cohorts(invented_study(tmp_path, tables), PLAN))
    assert result.finding == "No two models, lots or sites of one kind can be told apart."
    assert result.plot() is None


@pytest.mark.slow
def test_false_alarms_stay_within_the_budget(tmp_path: Path) -> None:
    """The whole rule at the clinic's volume, in years that the choice of alpha has not seen."""
    rules = SensorSurvival()
    found = groupings(clinic(tmp_path, bad_lot=False))
    rng = np.random.default_rng(3)
    alpha = shared_alpha(quiet_tails(found, rules, looks=400, rng=rng), rules)
    quiet = quiet_tails(found, rules, looks=400, rng=rng)
    mean, error = false_alarms(quiet, alpha)
    assert mean - 3 * error <= rules.unit_false_alarms_a_year
    assert false_alarms(quiet, 0.05)[0] > mean  # the simulation can tell a looser rule


def test_a_unit_with_nothing_to_be_held_against_gets_words_and_no_ratio() -> None:
    made = UnitLives(  # each unit in a stratum of its own
        first=np.zeros(2, int), last=np.array([3, 4]), until=np.full(2, 9),
        event=np.array([True] * 2), unit=np.arange(2), stratum=np.arange(2), cluster=np.arange(2),
        steps=10, units=2, strata=2, clusters=2,
    )  # fmt: skip
    counts = pd.DataFrame({"unit": ["a", "b"], "n_units": 1, "n_patients": 1, "losses": 1})
    table = pd.concat([counts.assign(days=5.0), left_out(*made.counted())], axis=1)
    part = Grouping(kind="implanted", column="lot", lives=made, table=table, frailty=0.0)
    for row in unit_rows(part, 0.05, SensorSurvival()):
        assert row["ratio"] is None
        assert row["note"] == "nothing at the same ages to be held against"
        assert not row["fires"]
