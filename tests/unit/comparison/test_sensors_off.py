"""Sensors assumed off by a constant: the readings move, the rules stay."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import outcomes as oc
from outcomes.comparison.instrument import GAP_NAME, IF_OFF
from outcomes.glucose import summarise
from tests.small_clinic import FIRST, PLAN, study


@pytest.fixture(scope="module")
def windows() -> pd.DataFrame:
    """Four weeks from the first day of four patients."""
    first = FIRST + pd.to_timedelta(np.arange(4) + 7, "D")
    return pd.DataFrame(
        {
            "window_id": pd.array(range(4), dtype="Int64"),
            "patient_id": [f"P{i:03d}" for i in range(4)],
            "kind": ["implanted", "adhesive"] * 2,
            "first_on": first,
            "last_on": first + pd.Timedelta(days=27),
            "closed": pd.array([True] * 4, dtype="boolean"),
            "needed_days": pd.array([14] * 4, dtype="Int64"),
        }
    )


@pytest.mark.parametrize(("shift", "share"), [(0, 0.70), (-25, 1.0), (-60, 0.30), (65, 0.0)])
def test_a_share_is_that_of_readings_moved_by_the_constant(tmp_path, windows, shift, share):
    """70 of 100 readings (and i % 5 more) are 120 mg/dL, the others 200."""
    made = study(tmp_path, 4, days=60)
    got = summarise(made, windows, settings=PLAN.time_in_range, shift_mg_dl=shift)
    moved = {120 + shift: 0.70 + 0.01 * np.arange(4), 200 + shift: 0.30 - 0.01 * np.arange(4)}
    expected = sum(part for value, part in moved.items() if 70 <= value <= 180)
    assert got["share_from_70_to_180"].to_numpy() == pytest.approx(expected, abs=0.002)
    assert np.mean(expected) == pytest.approx(share, abs=0.02)


def test_every_shift_of_the_plan_stands_beside_what_was_reported(demo):
    cohorts = oc.build_cohorts(
        oc.open_study(demo / "study"), oc.read_plan(demo / "clinic" / "plan.toml")
    )
    table = oc.compare(cohorts, "time_in_range").table
    assert (table["quantity"] == IF_OFF).sum() == 12
    assert (table["quantity"] == GAP_NAME).sum() == 3
    assert table["estimate"].notna().sum() + table["note"].notna().sum() >= len(table)
