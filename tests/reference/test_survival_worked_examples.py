"""Worked examples of the sensor survival rules; each answer was reached by two methods."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from outcomes.statistics.competing_risks import CumulativeIncidence, cumulative_incidence
from outcomes.statistics.survival import kaplan_meier

DATA = Path(__file__).parents[1] / "data" / "worked_examples"
ANSWERS = pd.read_csv(DATA / "answers.csv").set_index(["example", "quantity"])

COMBINED = {
    "reached": ["event free", "planned within grace"],
    "lost": ["sensor failure", "infection"],
    "early": ["patient choice", "planned too early"],
}


def expect(example: str, quantity: str, got: float) -> None:
    want = float(ANSWERS.loc[(example, quantity), "value"])
    assert got == pytest.approx(want, rel=1e-9), f"{example} {quantity}"


def sensors(name: str) -> pd.DataFrame:
    """Sensors with entry, exit and state: planned ends told apart, the planned day ends it all."""
    frame = pd.read_csv(DATA / name)
    planned = frame["end_reason"] == "planned"
    state = frame["end_reason"].replace("in place at the cut-off", "censored")
    state = state.mask(
        planned & (frame["end_day"] >= frame["planned_days"] - 7), "planned within grace"
    )
    state = state.mask(
        planned & (frame["end_day"] < frame["planned_days"] - 7), "planned too early"
    )
    state = state.mask(frame["end_day"] >= frame["planned_days"], "censored")
    exit_ = frame[["end_day", "planned_days"]].min(axis=1)
    return frame.assign(entry=-1, exit=exit_, state=state)


def year_of_sensors(*, cumulative: bool) -> pd.DataFrame:
    rows = [
        ("S2", -1, 0, "lost"),
        ("S3", -1, 51, "lost"),
        ("S4", -1, 91, "lost"),
        ("S5", -1, 180, "censored"),
        ("S6", -1, 77, "censored"),
    ]
    late = [] if cumulative else [("S1", 46, 180, "censored")]
    return pd.DataFrame([*rows, *late], columns=["sensor", "entry", "exit", "state"])


def of_100_placed() -> CumulativeIncidence:
    lives = sensors("w08_sensors.csv")
    return cumulative_incidence(lives, times=[179], cluster="patient_id", combine=COMBINED)


@pytest.mark.parametrize(
    ("quantity", "cumulative"),
    [("loss_year_day179", False), ("loss_cumulative_day179", True)],
)
def test_late_entry_and_day_0_give_the_losses_of_the_year(quantity: str, cumulative: bool) -> None:
    curve = cumulative_incidence(year_of_sensors(cumulative=cumulative), times=[179])
    expect("W04", quantity, curve.at("lost", 179)["estimate"])


@pytest.mark.parametrize(
    ("name", "state"),
    [
        ("reached", "reached"),
        ("lost", "lost"),
        ("sensor_failure", "sensor failure"),
        ("infection", "infection"),
        ("early", "early"),
        ("died", "death"),
        ("unknown", "unknown"),
    ],
)
def test_of_100_placed_by_state_with_errors_by_patient(name: str, state: str) -> None:
    row = of_100_placed().at(state, 179)
    expect("W08", name, row["estimate"])
    expect("W08", f"{name}_se", row["std_error"])
    expect("W08", f"{name}_low", row["conf_low"])
    expect("W08", f"{name}_high", row["conf_high"])


def test_the_five_heads_add_to_100() -> None:
    curve = of_100_placed()
    heads = ["reached", "lost", "early", "death", "unknown"]
    assert sum(curve.at(h, 179)["estimate"] for h in heads) == pytest.approx(1, abs=1e-12)


def test_sensors_taken_as_patients_would_err_by_half_in_the_error_of_reached() -> None:
    curve = cumulative_incidence(sensors("w08_sensors.csv"), times=[179], combine=COMBINED)
    assert 100 * curve.at("reached", 179)["std_error"] == pytest.approx(12.83001, abs=1e-5)
    assert 100 * curve.at("lost", 179)["std_error"] == pytest.approx(15.04451, abs=1e-5)


def test_kaplan_meier_beside_it() -> None:
    lives = sensors("w08_sensors.csv")
    kept = lives["state"].isin(["sensor failure", "infection"])
    lives = lives.assign(state=lives["state"].where(kept, "censored"))
    row = kaplan_meier(lives, times=[179], cluster="patient_id").table.iloc[0]
    for quantity, column in [
        ("s_day179", "estimate"),
        ("se", "std_error"),
        ("low", "conf_low"),
        ("high", "conf_high"),
    ]:
        expect("W09", quantity, row[column])
    greenwood = kaplan_meier(lives, times=[179], variance="greenwood").table.iloc[0]
    assert greenwood["std_error"] == pytest.approx(0.2298601, abs=5e-8)


def unknown_ends(undated: tuple[int, str] = (100, "censored")) -> pd.DataFrame:
    ends = [
        (50, "lost"),
        (80, "unknown"),
        (180, "censored"),
        undated,
        (180, "censored"),
        (150, "lost"),
    ]
    return pd.DataFrame(ends, columns=["exit", "state"]).assign(entry=-1)


def eve(lives: pd.DataFrame) -> CumulativeIncidence:
    return cumulative_incidence(
        lives, times=[179], combine={"lost or unknown": ["lost", "unknown"]}
    )


def test_unknown_ends_are_a_state_with_bounds() -> None:
    curve = eve(unknown_ends())
    for quantity, state in [
        ("lost", "lost"),
        ("unknown", "unknown"),
        ("reached", "event free"),
        ("upper_unknown_as_losses", "lost or unknown"),
    ]:
        expect("W07", quantity, curve.at(state, 179)["estimate"])


@pytest.mark.parametrize(
    ("quantity", "undated"),
    [("undated_all_lost", (100, "lost")), ("undated_none_lost", (180, "censored"))],
)
def test_undated_losses_to_follow_up_are_bounded(quantity: str, undated: tuple[int, str]) -> None:
    expect("W07", quantity, eve(unknown_ends(undated)).at("lost", 179)["estimate"])


def test_unknown_ends_censor_in_kaplan_meier() -> None:
    lives = unknown_ends().replace({"state": {"unknown": "censored"}})
    survival = kaplan_meier(lives, times=[179]).table.loc[0, "estimate"]
    expect("W07", "km_one_minus_s", 1 - survival)


def test_several_planned_lives_are_pooled_just_before_share_1() -> None:
    lives = sensors("w10_sensors.csv").assign(entry=-1.0)
    lives = lives.assign(exit=lives["exit"] / lives["planned_days"])
    curve = cumulative_incidence(lives, times=[1], before=True, cluster="patient_id")
    expect("W10", "lost_before_share_1", curve.at("sensor failure", 1)["estimate"])
    expect("W10", "early_before_share_1", curve.at("patient choice", 1)["estimate"])


@pytest.mark.parametrize(
    ("quantity", "planned", "day"), [("lost_90_day89", 90, 89), ("lost_180_day179", 180, 179)]
)
def test_planned_lives_apart_in_days(quantity: str, planned: int, day: int) -> None:
    lives = sensors("w10_sensors.csv")
    curve = cumulative_incidence(lives[lives["planned_days"] == planned], times=[day])
    expect("W10", quantity, curve.at("sensor failure", day)["estimate"])
