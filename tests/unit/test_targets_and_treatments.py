"""Targets of each patient's own group, and what else was begun: tiny inputs, exact answers."""

from datetime import date
from types import SimpleNamespace

import pandas as pd
import pytest

from outcomes.measures.other_treatments import ANY, other_treatments
from outcomes.measures.range_windows import CUMULATIVE, NEW
from outcomes.measures.targets import (
    ADULTS,
    ANY_GAIN,
    BOTH,
    GAIN,
    IN_RANGE,
    OLDER,
    PREGNANT,
    judged_periods,
)
from outcomes.measures.targets import _rows as target_rows
from outcomes.statistics.intervals import proportion
from outcomes.tables.declared import STATES

START = pd.Timestamp("2024-01-01")


def states(*facts: tuple[str, str, str, str, str | None]) -> pd.DataFrame:
    """Facts as (patient, what, value, from, to)."""
    if not facts:
        return STATES.empty()
    frame = STATES.empty().reindex(range(len(facts)))
    names = ("patient_id", "what", "value", "from_on", "to_on")
    for place, name in enumerate(names):
        values = [fact[place] for fact in facts]
        frame[name] = pd.to_datetime(values) if name.endswith("_on") else values
    return frame


def period(who: str, share: float, below_70: float = 0.0, **more: object) -> dict[str, object]:
    """One counting period, due; shares are fractions of time."""
    number = int(more.get("period", 1))
    return {
        "patient_id": who, "cohort": "implanted", "population": CUMULATIVE, "who": NEW,
        "period": number, "first_on": START + pd.Timedelta(days=28 * (number - 1)), "due": True,
        "counts": True, "usable": True, "pregnant": False, "share_from_70_to_180": share,
        "share_below_70": below_70, "share_below_54": 0.0, "share_from_63_to_140": share,
        "share_below_63": below_70, **more,
    }  # fmt: skip


def judged(rows: list[dict[str, object]], facts: pd.DataFrame, **types: str) -> pd.DataFrame:
    windows = pd.DataFrame(rows)
    ids = sorted(set(windows["patient_id"]))
    people = pd.DataFrame(
        {"patient_id": ids, "diabetes_type": [types.get(i, "type 1") for i in ids]}
    )
    tables = {"states": facts, "patients": people}
    got = judged_periods(windows, SimpleNamespace(table=tables.__getitem__))
    return got.set_index(["patient_id", "period"])


def test_at_target_means_more_than_the_limit_and_less_than_the_lows() -> None:
    got = judged([period("A", 0.70), period("B", 0.701, 0.04), period("C", 0.701, 0.039)], states())
    assert got["in_range"].tolist() == [False, True, True]
    assert got["lows"].tolist() == [True, False, True]
    assert set(got["group"]) == {ADULTS.group}


def test_the_target_is_that_of_the_state_at_the_time() -> None:
    facts = states(("A", "target group", "older or high risk", "2024-01-29", None))
    got = judged([period("A", 0.6, 0.005), period("A", 0.6, 0.005, period=2)], facts)
    assert got["group"].tolist() == [ADULTS.group, OLDER.group]
    assert got["in_range"].tolist() == [False, True]
    low = judged([period("A", 0.6, 0.02, period=2)], facts)
    assert low["lows"].tolist() == [False]  # under 1 % below 70 in this group


def test_in_pregnancy_only_type_1_has_a_target() -> None:
    rows = [period("A", 0.72, pregnant=True), period("B", 0.72, pregnant=True)]
    got = judged(rows, states(), B="type 2")
    assert got["group"].tolist() == [PREGNANT.group, None]
    assert got["in_range"].tolist() == [True, pd.NA]


def test_an_unknown_group_has_no_target_and_is_counted() -> None:
    got = judged([period("A", 0.9), period("B", 0.9)],
                 states(("A", "target group", "athletes", "2023-01-01", None)))  # fmt: skip
    rows = {r["quantity"]: r for r in target_rows(got.reset_index(), "implanted", 1, 1)}
    assert (rows[BOTH]["events"], rows[BOTH]["n"], rows[BOTH]["no_target"]) == (1, 1, 1)


def test_shares_of_patients_have_the_wilson_interval() -> None:
    shares = [0.8, 0.8, 0.8, 0.5, 0.5]
    rows = [period(f"P{i}", share) for i, share in enumerate(shares)]
    rows.append(period("P9", 0.8, counts=False, usable=False))
    got = {r["quantity"]: r for r in
           target_rows(judged(rows, states()).reset_index(), "implanted", 1, 1)}  # fmt: skip
    want = proportion(3, 5, method="wilson").scaled(100)
    assert (got[IN_RANGE]["estimate"], got[IN_RANGE]["n_due"]) == (60, 6)
    assert got[IN_RANGE]["conf_low"] == pytest.approx(want.conf_low)


def test_a_gain_needs_a_period_before_and_no_more_lows() -> None:
    before = {"period": 0, "due": False}
    rows = [
        period("A", 0.65, 0.02, **before), period("A", 0.70, 0.02),
        period("B", 0.65, 0.02, **before), period("B", 0.75, 0.03),
        period("C", 0.75),
    ]  # fmt: skip
    got = judged(rows, states())
    assert got["gained"].tolist() == [True, True, pd.NA]
    assert got["gained_safely"].tolist() == [True, False, pd.NA]
    rows = {r["quantity"]: r for r in target_rows(got.reset_index(), "implanted", 1, 1)}
    assert (rows[ANY_GAIN]["events"], rows[GAIN]["events"], rows[GAIN]["n"]) == (2, 1, 2)


def cohorts_with(facts: pd.DataFrame, *, has_states: bool = True) -> SimpleNamespace:
    """Two new patients of each kind, index date 2024-01-01."""
    patients = pd.DataFrame(
        {
            "patient_id": ["A", "B", "C", "D"],
            "cohort": ["implanted", "implanted", "adhesive", "adhesive"],
            "new": True, "index_date": START,
        }
    )  # fmt: skip
    return SimpleNamespace(
        patients=patients, table={"states": facts}.__getitem__, cut_off=date(2024, 12, 31),
        has=lambda name: has_states,
    )  # fmt: skip


def test_what_was_begun_is_counted_by_cohort_with_its_day() -> None:
    facts = states(
        ("A", "insulin delivery", "injections", "2020-01-01", None),
        ("A", "insulin delivery", "pump", "2024-03-01", None),
        ("B", "insulin delivery", "pump", "2023-01-01", None),  # before: nothing was begun
        ("C", "other glucose-lowering drug", "yes", "2025-02-01", None),  # after the cut-off
    )
    result = other_treatments(cohorts_with(facts))
    got = result.table.set_index(["cohort", "what"])
    assert got.loc[("implanted", ANY), ["events", "n", "estimate"]].tolist() == [1, 2, 50]
    assert got.loc[("implanted", ANY), "median_day"] == 60
    assert got.loc[("adhesive", ANY), "events"] == 0
    assert got.loc[("implanted", "insulin delivery"), "values"] == "pump"


def test_without_dated_states_nothing_is_claimed() -> None:
    result = other_treatments(cohorts_with(states(), has_states=False))
    assert result.finding.endswith("what else was begun is not known.")
