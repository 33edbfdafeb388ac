"""Baseline and visit draws: worked examples and known traps."""

from __future__ import annotations

from datetime import date

import pandas as pd
import pytest

from outcomes.cohorts.draws import one_draw_a_day, set_aside_draws, visit_draws
from outcomes.plan import Hba1c
from outcomes.tables.declared import STATES
from tests.worked_examples import answers, days, example


def cohort_of(patients: list[str], index: pd.Series) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "patient_id": patients, "cohort": "implanted", "index_date": index,
            "follow_up_to": pd.Timestamp("2025-03-31"), "follow_up_end": "cut-off",
        }
    )  # fmt: skip


def draws_at(
    cohort: pd.DataFrame, draws: pd.DataFrame, *, states: pd.DataFrame | None = None,
    died: pd.Series | None = None, cut_off: date = date(2025, 3, 31),
    rules: Hba1c | None = None, **options: bool,
) -> pd.DataFrame:  # fmt: skip
    none = days(*[None] * len(cohort)) if died is None else died
    return visit_draws(
        cohort,
        draws=draws,
        states=STATES.empty() if states is None else states,
        patients=pd.DataFrame({"patient_id": cohort["patient_id"], "died_on": none}),
        cut_off=cut_off,
        rules=rules or Hba1c(),
        **options,
    )


def test_baseline_draws_follow_the_worked_example() -> None:
    given = example("w12_draws", dates=("drawn_on",)).astype({"value": float})
    people = [f"H{i}" for i in range(1, 9)]
    cohort = cohort_of(people, days(*["2024-06-01"] * 8))
    found = draws_at(cohort, given).loc[lambda d: d["month"] == 0].set_index("patient_id")
    shown = {p: "missing" if pd.isna(v) else str(v) for p, v in found["value"].items()}
    assert shown == answers("W12")
    assert set_aside_draws(given) == 4
    assert found.loc["H7", "unit"] == "%"


def visits_example() -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame, pd.Series]:
    given = example("w13_draws", dates=("index_date", "died_on"))
    given["drawn_on"] = given["index_date"] + pd.to_timedelta(given["draw_day"].astype(int), "D")
    people = given.drop_duplicates("patient_id").reset_index(drop=True)
    draws = given.assign(value=given["value"].astype(float), unit="%", method="laboratory")
    unreliable = given.loc[given["unreliable"] == "yes"]
    states = pd.DataFrame(
        {
            "patient_id": unreliable["patient_id"], "what": "hba1c unreliable",
            "value": "transfusion", "from_on": unreliable["drawn_on"],
            "to_on": unreliable["drawn_on"],
        }
    )  # fmt: skip
    cohort = cohort_of(people["patient_id"].tolist(), people["index_date"])
    return cohort, draws, states, people["died_on"]


def test_visit_draws_and_who_is_due_follow_the_worked_example() -> None:
    cohort, draws, states, died = visits_example()
    found = draws_at(cohort, draws, states=states, died=died)
    for month in (3, 6, 12):
        due = found.loc[(found["month"] == month) & found["due"]]
        shown = f"{due['value'].notna().sum()} of {len(due)}"
        assert shown == answers("W13")[f"month_{month}_observed_of_due"]


def test_each_chosen_draw_is_the_one_of_the_worked_example() -> None:
    cohort, draws, states, died = visits_example()
    found = draws_at(cohort, draws, states=states, died=died).dropna(subset=["value"])
    at = {(row.patient_id, row.month): row.value for row in found.itertuples()}
    assert at == {
        ("V1", 3): 7.5, ("V2", 3): 7.4, ("V6", 3): 8.0, ("V7", 3): 7.8, ("V2", 6): 7.2,
        ("V3", 6): 7.0, ("V5", 6): 7.6, ("V4", 12): 7.3,
    }  # fmt: skip


def test_every_missing_visit_has_its_reason() -> None:
    cohort, draws, states, died = visits_example()
    found = draws_at(cohort, draws, states=states, died=died).set_index(["patient_id", "month"])
    assert found.loc[("V6", 6), "missing_because"] == "died"
    assert found.loc[("V5", 12), "missing_because"] == "not yet due"
    assert found.loc[("V7", 6), "missing_because"] == "only an unreliable draw"
    assert found.loc[("V4", 3), "missing_because"] == "no draw"


def test_unreliable_draws_are_kept_in_the_sensitivity() -> None:
    cohort, draws, states, died = visits_example()
    found = draws_at(cohort, draws, states=states, died=died, keep_unreliable=True)
    kept = found.set_index(["patient_id", "month"])["value"]
    assert (kept[("V7", 3)], kept[("V7", 6)]) == (6.1, 6.0)


def test_windows_close_in_the_quarters_of_the_worked_example() -> None:
    cohort, draws, states, died = visits_example()
    closes = draws_at(cohort, draws, states=states, died=died).set_index(["patient_id", "month"])
    shown = [closes.loc[("V1", month), "window_to"].date() for month in (3, 6, 12)]
    assert shown == [date(2024, 5, 15), date(2024, 8, 28), date(2025, 3, 1)]


@pytest.mark.parametrize(("to_day", "baseline"), [(7, 8.0), (0, None)])
def test_a_draw_from_years_ago_is_no_baseline(to_day: int, baseline: float | None) -> None:
    draws = pd.DataFrame(
        {
            "patient_id": "P1", "drawn_on": days("2021-01-10", "2024-03-05", "2024-09-01"),
            "value": [9.9, 8.0, 7.0], "unit": "%", "method": "laboratory",
        }
    )  # fmt: skip
    found = draws_at(
        cohort_of(["P1"], days("2024-03-01")), draws, rules=Hba1c(baseline_to_day=to_day)
    )
    first = found.loc[found["month"] == 0].iloc[0]
    assert first["value"] == baseline or (baseline is None and pd.isna(first["value"]))
    assert (first["missing_because"] == "no draw") == (baseline is None)


def test_contradicting_draws_of_one_day_are_never_averaged() -> None:
    draws = pd.DataFrame(
        {
            "patient_id": ["P1", "P1", "P2", "P2"], "drawn_on": pd.Timestamp("2024-01-01"),
            "value": [7.1, 7.9, 8.0, 8.0], "unit": "%", "method": "laboratory",
        }
    )  # fmt: skip
    assert one_draw_a_day(draws)["value"].tolist() == [8.0]
    assert set_aside_draws(draws) == 2


def test_the_order_of_the_draws_does_not_matter() -> None:
    given = example("w12_draws", dates=("drawn_on",)).astype({"value": float})
    shuffled = given.sample(frac=1, random_state=3)
    pd.testing.assert_frame_equal(one_draw_a_day(given), one_draw_a_day(shuffled))


@pytest.mark.parametrize(("left_on", "reason"), [("2024-04-01", "left or lost"), (None, "no draw")])
def test_a_lost_patient_s_visit_says_so(left_on: str | None, reason: str) -> None:
    cohort = cohort_of(["P1"], days("2024-01-01"))
    if left_on:
        cohort = cohort.assign(follow_up_to=pd.Timestamp(left_on), follow_up_end="lost")
    draws = pd.DataFrame(
        {"patient_id": ["P9"], "drawn_on": days("2024-01-01"), "value": [7.0], "unit": "%",
         "method": "home"}
    )  # fmt: skip
    found = draws_at(cohort, draws)
    assert found.loc[found["month"] == 6, "missing_because"].tolist() == [reason]
