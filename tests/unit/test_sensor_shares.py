"""Of 100 placed, bounds, Kaplan-Meier and loss rates: worked examples."""

from __future__ import annotations

from datetime import date

import pandas as pd
import pytest

from outcomes.measures.sensor_ends import end_states, lives_in
from outcomes.measures.sensor_shares import (
    EARLY,
    HEADS,
    KM_TITLE,
    LOST,
    RATE,
    RATE_CLUSTERED,
    REACHED,
    UNKNOWN_END,
    loss_rates,
    reached_curve,
    shares,
)
from outcomes.plan import SensorSurvival
from tests.unit.test_sensor_ends import YEAR, sensors_table, year_of_sensors
from tests.worked_examples import answers, example

CUT_OFF = date(2024, 12, 31)


def lives_from_days(given: pd.DataFrame, follow_up: pd.DataFrame | None = None) -> pd.DataFrame:
    """Return lives from days since placement; a patient's sensors lie years apart.

    "in place at the cut-off" is placed so that the cut-off falls on its day.
    """
    in_place = given["end_reason"] == "in place at the cut-off"
    day = pd.to_timedelta(given["end_day"].astype(float), "D")
    placed = pd.Series(
        [pd.Timestamp(2000 + i, 1, 1) for i in range(len(given))], index=given.index
    ).where(~in_place, pd.Timestamp(CUT_OFF) - day)
    sensors = sensors_table(
        sensor_id=given["sensor_id"], patient_id=given["patient_id"], kind="implanted",
        placed_on=placed, planned_days=given["planned_days"].astype("Int64"),
        removed_on=(placed + day).where(~in_place),
        end_reason=given["end_reason"].where(~in_place, None),
    )  # fmt: skip
    ends = end_states(sensors, cut_off=CUT_OFF, rules=SensorSurvival(), follow_up=follow_up)
    return lives_in(ends, first_on=date(2000, 1, 1), last_on=CUT_OFF)


def shares_of(lives: pd.DataFrame) -> pd.DataFrame:
    return shares(lives, smallest_at_risk=1).set_index(["quantity", "reason"])


ROWS = {
    "reached": (REACHED, ""), "lost": (LOST, ""), "sensor_failure": (LOST, "sensor failure"),
    "infection": (LOST, "infection"), "early": (EARLY, ""), "died": ("patient died", ""),
    "unknown": (UNKNOWN_END, ""),
}  # fmt: skip
PARTS = {"": "estimate", "_se": "std_error", "_low": "conf_low", "_high": "conf_high"}


@pytest.mark.parametrize("name", list(ROWS))
@pytest.mark.parametrize("part", list(PARTS))
def test_of_100_placed_follows_the_worked_example(name: str, part: str) -> None:
    table = shares_of(lives_from_days(example("w08_sensors")))
    expected = float(answers("W08")[f"{name}{part}"])
    assert table.loc[ROWS[name], PARTS[part]] == pytest.approx(expected, rel=1e-9)


def test_the_states_add_to_100() -> None:
    table = shares_of(lives_from_days(example("w08_sensors")))
    assert sum(table.loc[(head, ""), "estimate"] for head in HEADS) == pytest.approx(1, rel=1e-12)


def test_kaplan_meier_follows_the_worked_example() -> None:
    row = shares_of(lives_from_days(example("w08_sensors"))).loc[(KM_TITLE, "")]
    expected = answers("W09")
    for column, name in (
        ("estimate", "s_day179"), ("std_error", "se"), ("conf_low", "low"), ("conf_high", "high")
    ):  # fmt: skip
        assert row[column] == pytest.approx(float(expected[name]), rel=1e-9)


def test_loss_rates_follow_the_worked_example() -> None:
    table = loss_rates(lives_from_days(example("w08_sensors"))).set_index("quantity")
    expected = {name: float(value) for name, value in answers("W11").items()}
    exact, twin = table.loc[RATE], table.loc[RATE_CLUSTERED]
    assert exact["estimate"] == pytest.approx(expected["rate_per_year"], rel=1e-9)
    assert exact["conf_low"] == pytest.approx(expected["low"], rel=1e-9)
    assert exact["conf_high"] == pytest.approx(expected["high"], rel=1e-9)
    assert twin["std_error"] == pytest.approx(expected["cluster_se_log"], rel=1e-9)
    assert twin["conf_low"] == pytest.approx(expected["cluster_low"], rel=1e-9)
    assert twin["conf_high"] == pytest.approx(expected["cluster_high"], rel=1e-9)


def test_unknown_ends_and_undated_losses_have_bounds() -> None:
    given = pd.DataFrame(
        {
            "sensor_id": list("abcdef"), "patient_id": list("ABCDEF"), "planned_days": "180",
            "end_day": ["50", "80", "180", "300", "180", "150"],
            "end_reason": ["sensor failure", "unknown", "planned", "in place at the cut-off",
                           "planned", "infection"],
        }
    )  # fmt: skip
    lost_on = pd.Timestamp(CUT_OFF) - pd.Timedelta(days=200)  # day 100 of sensor d
    follow_up = pd.DataFrame(
        {"patient_id": ["D"], "follow_up_to": [lost_on], "follow_up_end": ["lost"]}
    )
    table = shares_of(lives_from_days(given, follow_up))["estimate"]
    expected = {name: float(value) for name, value in answers("W07").items()}
    assert table[(LOST, "")] == pytest.approx(expected["lost"], rel=1e-9)
    assert table[(UNKNOWN_END, "")] == pytest.approx(expected["unknown"], rel=1e-9)
    assert table[(REACHED, "")] == pytest.approx(expected["reached"], rel=1e-9)
    assert 1 - table[(KM_TITLE, "")] == pytest.approx(expected["km_one_minus_s"], rel=1e-9)
    for words, name in (
        ("lost, if all unknown ends were losses", "upper_unknown_as_losses"),
        ("lost, if no unknown end was a loss", "lost"),
        ("lost, if all undated losses to follow-up were losses", "undated_all_lost"),
        ("lost, if no undated loss to follow-up was a loss", "undated_none_lost"),
    ):
        assert table[(words, "")] == pytest.approx(expected[name], rel=1e-9)


def test_several_planned_lives_are_pooled_on_the_share_and_shown_apart_in_days() -> None:
    lives = lives_from_days(example("w10_sensors"))
    expected = {name: float(value) for name, value in answers("W10").items()}
    pooled = shares_of(lives)["estimate"]
    assert pooled[(LOST, "")] == pytest.approx(expected["lost_before_share_1"], rel=1e-9)
    assert pooled[(EARLY, "")] == pytest.approx(expected["early_before_share_1"], rel=1e-9)
    for planned, name in ((90, "lost_90_day89"), (180, "lost_180_day179")):
        apart = shares_of(lives.loc[lives["planned_days"] == planned])["estimate"]
        assert apart[(LOST, "")] == pytest.approx(expected[name], rel=1e-9)


def test_late_entry_follows_the_worked_example() -> None:
    ends = year_of_sensors()
    since = ends.loc[ends["placed_on"] >= "2024-01-01"]
    year, cumulative = lives_in(ends, **YEAR), lives_in(since, **YEAR)
    expected = {name: float(value) for name, value in answers("W04").items()}
    for lives, name in ((year, "loss_year_day179"), (cumulative, "loss_cumulative_day179")):
        found = shares_of(lives).loc[(LOST, ""), "estimate"]
        assert found == pytest.approx(expected[name], rel=1e-9)


def test_a_share_of_zero_has_no_limits_and_says_why() -> None:
    row = shares_of(lives_from_days(example("w10_sensors"))).loc[("patient died", "")]
    assert row["estimate"] == 0
    assert row["conf_low"] is None or pd.isna(row["conf_low"])
    assert row["note"]


def test_the_curve_stops_where_fewer_than_the_smallest_number_are_at_risk() -> None:
    lives = lives_from_days(example("w08_sensors"))
    curve = reached_curve(lives, smallest_at_risk=5)
    assert curve["n_at_risk"].min() == 5
    assert curve["time"].max() == 130
    assert reached_curve(lives, smallest_at_risk=50).empty


def test_the_order_of_the_sensors_does_not_matter() -> None:
    lives = lives_from_days(example("w08_sensors"))
    again = shares(lives.sample(frac=1, random_state=2), smallest_at_risk=1)
    pd.testing.assert_frame_equal(shares(lives, smallest_at_risk=1), again, rtol=1e-12)


def test_a_kind_without_losses_has_a_rate_of_zero_with_a_proper_limit() -> None:
    given = pd.DataFrame(
        {
            "sensor_id": list("efgh"), "patient_id": list("EFGH"), "planned_days": "60",
            "end_day": ["15", "25", "35", "45"], "end_reason": "in place at the cut-off",
        }
    )  # fmt: skip
    exact = loss_rates(lives_from_days(given)).set_index("quantity").loc[RATE]
    assert (exact["estimate"], exact["conf_low"]) == (0, 0)
    assert 0 < exact["conf_high"] < 15


def test_beyond_the_last_day_watched_nothing_is_estimated_and_the_note_says_why() -> None:
    given = pd.DataFrame(
        {
            "sensor_id": list("efgh"), "patient_id": list("EFGH"), "planned_days": "60",
            "end_day": ["15", "25", "35", "45"], "end_reason": "in place at the cut-off",
        }
    )  # fmt: skip
    table = shares_of(lives_from_days(given))
    assert table["estimate"].isna().all()
    assert (table["note"] != "").all()


def test_planned_removals_compete_and_one_minus_kaplan_meier_overstates() -> None:
    given = pd.DataFrame(
        {
            "sensor_id": list("abcdef"), "patient_id": list("ABCDEF"), "planned_days": "180",
            "end_day": ["10", "20", "30", "40", "50", "200"],
            "end_reason": ["sensor failure", "planned", "sensor failure", "planned",
                           "sensor failure", "in place at the cut-off"],
        }
    )  # fmt: skip
    table = shares_of(lives_from_days(given))["estimate"]
    assert table[(LOST, "")] == pytest.approx(0.5, rel=1e-12)
    assert 1 - table[(KM_TITLE, "")] == pytest.approx(0.6875, rel=1e-12)
