"""Re-placed, on time, overdue: the worked examples, and what stands beside them."""

from __future__ import annotations

from datetime import date

import pandas as pd
import pytest

from outcomes.measures.replacements import (
    AFTER,
    BEFORE,
    IN_BODY,
    LOST_WITH,
    NONE,
    OTHER,
    OVERDUE,
    SAME,
    WITHIN,
    after_offers,
    after_the_end,
    past_planned_day,
    staying,
    timeliness,
)
from outcomes.plan import SensorSurvival
from outcomes.statistics.intervals import proportion
from tests.unit.test_sensor_ends import sensors_table
from tests.worked_examples import days, example

CUT_OFF = date(2025, 3, 31)


def ended_sensors() -> tuple[pd.DataFrame, pd.Series]:
    """The sensors that ended, and the ones that followed them."""
    given = example("w30_ended", dates=("stopped_on", "removed_on", "next_placed_on", "died_on"))
    first = sensors_table(
        sensor_id=given["sensor_id"], patient_id=given["sensor_id"], kind="implanted",
        placed_on=pd.Timestamp("2023-12-01"), planned_days=180, stopped_on=given["stopped_on"],
        removed_on=given["removed_on"], end_reason="planned",
    )  # fmt: skip
    later = given.loc[given["next_kind"].notna()].reset_index(drop=True)
    following = sensors_table(
        sensor_id=later["sensor_id"] + "-next", patient_id=later["sensor_id"],
        kind=later["next_kind"], placed_on=later["next_placed_on"], planned_days=180,
    )  # fmt: skip
    both = pd.concat([first, following], ignore_index=True)
    return both, given.set_index("sensor_id")["died_on"]


@pytest.mark.parametrize(
    ("within", "again", "of", "low", "high"),
    [(30, 3, 7, 15.8220, 74.9542), (90, 4, 5, 37.5535, 96.3776)],
)
def test_re_placed_follows_the_worked_example(
    within: int, again: int, of: int, low: float, high: float
) -> None:
    sensors, died = ended_sensors()
    found = after_the_end(sensors, within_days=within, cut_off=CUT_OFF, died=died)
    counted = found.loc[found["next"].isin([SAME, OTHER, NONE])]
    assert ((counted["next"] == SAME).sum(), len(counted)) == (again, of)
    shown = proportion(again, of)
    assert 100 * shown.conf_low == pytest.approx(low, abs=1e-4)
    assert 100 * shown.conf_high == pytest.approx(high, abs=1e-4)


def test_who_changed_kind_is_told_apart_from_who_stopped() -> None:
    sensors, died = ended_sensors()
    found = after_the_end(sensors, within_days=30, cut_off=CUT_OFF, died=died)
    told = found.set_index("sensor_id")["next"]
    assert told["R4"] == OTHER
    assert told["R3"] == told["R6"] == NONE


def test_a_sensor_placed_before_the_other_came_out_followed_it() -> None:
    sensors = sensors_table(
        sensor_id=["a", "b"], patient_id="P", kind="implanted", planned_days=180,
        placed_on=days("2024-01-01", "2024-06-20"), removed_on=days("2024-06-25", None),
    )  # fmt: skip
    found = after_the_end(sensors, within_days=30, cut_off=CUT_OFF, died=pd.Series(dtype=object))
    assert found["next"].tolist() == [SAME]


def test_timeliness_follows_the_worked_example() -> None:
    removed = [172, 173, 180, 210, 211, 182, 175, 120]
    placed = pd.Timestamp("2024-01-01")
    reasons = ["planned"] * 6 + ["sensor failure", "patient choice"]
    sensors = sensors_table(
        sensor_id=list("abcdefgh"), patient_id=list("abcdefgh"), kind="implanted",
        placed_on=placed, planned_days=180, end_reason=reasons,
        removed_on=placed + pd.to_timedelta(pd.Series(removed), "D"),
        stopped_on=pd.Series([None] * 5 + [placed + pd.Timedelta(days=160)] + [None] * 2),
    )  # fmt: skip
    when = timeliness(sensors, SensorSurvival())["when"].value_counts()
    assert when.to_dict() == {WITHIN: 4, BEFORE: 1, AFTER: 1}
    shown = proportion(4, 6, method="exact")
    assert 100 * shown.conf_low == pytest.approx(22.2778, abs=1e-4)
    assert 100 * shown.conf_high == pytest.approx(95.6728, abs=1e-4)


def test_overdue_follows_the_worked_example() -> None:
    planned = days("2025-03-31", "2025-03-30", "2025-01-15", "2025-02-01", "2025-02-01")
    names = ["O1", "O2", "O3", "O4", "O5"]
    sensors = sensors_table(
        sensor_id=names, patient_id=names, kind="implanted", planned_days=180,
        placed_on=planned - pd.Timedelta(days=180),
        stopped_on=days(None, None, None, "2024-12-01", None),
    )  # fmt: skip
    follow_up = pd.DataFrame(
        {"patient_id": names, "follow_up_end": ["cut-off", "cut-off", "lost", "cut-off", "died"]}
    )
    found = past_planned_day(sensors, cut_off=CUT_OFF, follow_up=follow_up).set_index("sensor_id")
    assert found["why"].to_dict() == {"O2": OVERDUE, "O3": LOST_WITH, "O4": IN_BODY}
    assert found.loc["O2", "days_past"] == 1


def test_an_offer_counts_once_and_only_when_its_window_has_closed() -> None:
    offers = pd.DataFrame(
        {
            "patient_id": ["A", "A", "B", "C"],
            "on": pd.to_datetime(["2025-01-01", "2025-01-20", "2025-01-01", "2025-03-20"]),
        }
    )
    sensors = sensors_table(
        sensor_id=["a", "b"], patient_id=["A", "B"], planned_days=180,
        kind=["implanted", "adhesive"], placed_on=days("2025-02-12", "2025-01-02"),
    )  # fmt: skip
    found = after_offers(offers, sensors, within_days=42, cut_off=CUT_OFF).set_index("patient_id")
    assert found["placed"].to_dict() == {"A": True, "B": False, "C": False}
    assert found["open"].to_dict() == {"A": False, "B": False, "C": True}


def test_staying_tells_worn_changed_stopped_died_and_lost_apart() -> None:
    who = list("ABCDEF")
    members = pd.DataFrame(
        {
            "patient_id": who, "cohort": "implanted", "index_date": pd.Timestamp("2024-01-01"),
            "follow_up_to": days(*["2025-03-31"] * 4, "2024-03-01", "2024-04-01"),
            "follow_up_end": ["cut-off"] * 4 + ["died", "lost"],
        }
    )  # fmt: skip
    first = sensors_table(
        sensor_id=who, patient_id=who, kind="implanted", planned_days=180,
        placed_on=pd.Timestamp("2024-01-01"), end_reason="patient choice",
        removed_on=days("2024-06-15", "2024-03-01", "2024-03-01", None, None, None),
    )  # fmt: skip
    second = sensors_table(
        sensor_id=["G"], patient_id=["B"], kind="adhesive", planned_days=14,
        placed_on=days("2024-06-30"),
    )  # fmt: skip
    sensors = pd.concat([first, second], ignore_index=True)
    found = staying(members, sensors, day=183, gap_days=30, cut_off=CUT_OFF)
    assert found["then"].tolist() == [SAME, OTHER, NONE, SAME, "died", "lost"]
    assert found["reason"].tolist()[1:3] == ["patient choice"] * 2
    assert staying(members, sensors, day=999, gap_days=30, cut_off=CUT_OFF).empty
