"""Newness, strata, follow-up and the cut-off: worked examples and known traps."""

from __future__ import annotations

from datetime import date

import pandas as pd
import pytest

from outcomes.cohorts.cut_off import as_of
from outcomes.cohorts.eligibility import index_dates
from outcomes.cohorts.flow import placed_by_kind
from outcomes.cohorts.follow_up import follow_up, from_index
from outcomes.cohorts.states import holds_on, state_on
from outcomes.plan import Frame, Plan, Quarter
from outcomes.tables.declared import DECLARED
from tests.worked_examples import answers, days, example


def newness_example() -> tuple[pd.DataFrame, pd.DataFrame]:
    given = example(
        "w01_patients",
        dates=(
            "covered_from", "earlier_implanted_from", "earlier_implanted_to", "implanted_placed_on"
        ),
    )  # fmt: skip
    earlier = given.dropna(subset=["earlier_implanted_from"])
    sensors = pd.DataFrame(
        {
            "patient_id": [*given["patient_id"], *earlier["patient_id"]],
            "kind": "implanted",
            "placed_on": [*given["implanted_placed_on"], *earlier["earlier_implanted_from"]],
            "stopped_on": pd.NaT,
            "removed_on": [*[pd.NaT] * len(given), *earlier["earlier_implanted_to"]],
        }
    )
    sensors["sensor_id"] = [f"S{i}" for i in range(len(sensors))]
    for column in ("placed_on", "stopped_on", "removed_on"):
        sensors[column] = pd.to_datetime(sensors[column])
    return sensors, given


def in_words(row: pd.Series) -> str:
    if row["new"]:
        return f"new: {row['stratum']}"
    return "not in the cohort" if row["stratum"] == "prevalent" else str(row["stratum"])


def test_newness_and_strata_follow_the_worked_example() -> None:
    sensors, patients = newness_example()
    found = index_dates(sensors, patients, start=date(2024, 1, 1))
    shown = dict(zip(found["patient_id"], found.apply(in_words, axis=1), strict=True))
    assert shown == answers("W01")


def test_row_order_does_not_change_who_is_new() -> None:
    sensors, patients = newness_example()
    found = index_dates(sensors, patients, start=date(2024, 1, 1))
    again = index_dates(
        sensors.sample(frac=1, random_state=1), patients[::-1], start=date(2024, 1, 1)
    )
    pd.testing.assert_frame_equal(found, again)


def test_the_first_qualifying_placement_counts_not_the_first() -> None:
    sensors, patients = newness_example()
    again = sensors.loc[sensors["patient_id"] == "P3"].assign(
        sensor_id="S99", placed_on=pd.Timestamp("2024-12-01")
    )
    sensors.loc[sensors["patient_id"] == "P3", "removed_on"] = pd.Timestamp("2024-08-01")
    found = index_dates(pd.concat([sensors, again]), patients, start=date(2024, 1, 1))
    row = found.loc[found["patient_id"] == "P3"].iloc[0]
    assert row["new"]
    assert row["index_date"] == pd.Timestamp("2024-12-01")


def test_a_sensor_without_an_end_is_still_worn() -> None:
    sensors, patients = newness_example()
    sensors.loc[sensors["placed_on"] == "2023-01-10", "removed_on"] = pd.NaT  # P6
    found = index_dates(sensors, patients, start=date(2024, 1, 1)).set_index("patient_id")
    assert found.loc["P6", "stratum"] == "prevalent"


def test_the_other_kind_seen_in_the_exports_makes_nobody_naive() -> None:
    sensors, patients = newness_example()
    adhesive = sensors.loc[sensors["patient_id"] == "P1"].assign(
        sensor_id="A1", kind="adhesive", placed_on=pd.Timestamp("2024-02-01")
    )
    found = index_dates(pd.concat([sensors, adhesive]), patients, start=date(2024, 1, 1))
    mine = found.loc[(found["patient_id"] == "P1") & (found["cohort"] == "implanted")]
    assert mine["stratum"].tolist() == ["from the other kind"]


def contacts_example() -> dict[str, pd.DataFrame]:
    contacts = pd.DataFrame(
        {
            "patient_id": ["A", "B", "C", "D", "E", "F", "G"],
            "on": days(
                "2024-12-01", "2024-11-30", "2024-10-15", "2025-02-10", "2024-05-20",
                "2024-08-01", "2025-03-01",
            ),
            "what": ["visit", "visit", "visit", "left the clinic", "visit", "visit", "visit"],
        }
    )  # fmt: skip
    return {
        "patients": pd.DataFrame(
            {"patient_id": list("ABCDEFG"), "died_on": days(*[None] * 4, "2024-06-01", None, None)}
        ),
        "contacts": contacts,
        "draws": pd.DataFrame(
            {"patient_id": ["C", "D"], "drawn_on": days("2024-11-20", "2025-01-20")}
        ),
        "procedures": pd.DataFrame({"patient_id": ["F"], "on": days("2024-12-20")}),
    }


def ends_in_words(tables: dict[str, pd.DataFrame]) -> dict[str, str]:
    patients = tables.pop("patients")
    found = follow_up(patients, **tables, cut_off=date(2025, 3, 31))
    words = {"cut-off": "", "lost": " lost", "died": " died"}
    return {
        row.patient_id: f"{row.follow_up_to.date()}{words[row.follow_up_end]}"
        for row in found.itertuples()
    }


def test_lost_and_the_end_of_follow_up_follow_the_worked_example() -> None:
    assert ends_in_words(contacts_example()) == answers("W02")


def test_a_later_draw_cancels_having_left() -> None:
    tables = contacts_example()
    later = pd.DataFrame({"patient_id": ["D"], "drawn_on": days("2025-02-11")})
    tables["draws"] = pd.concat([tables["draws"], later])
    assert ends_in_words(tables)["D"] == "2025-03-31"


def test_without_contacts_draws_and_procedures_nobody_is_told_lost() -> None:
    tables = {
        name: frame if name == "patients" else frame.head(0)
        for name, frame in contacts_example().items()
    }
    shown = ends_in_words(tables)
    assert set(shown.values()) == {"2025-03-31", "2024-06-01 died"}


def test_a_recent_index_placement_counts_as_seen() -> None:
    cohort = pd.DataFrame(
        {"patient_id": ["A", "B"], "index_date": days("2025-03-01", "2024-06-01")}
    )
    never = {"last_seen_on": days(None, None), "follow_up_to": days(None, None)}
    ends = pd.DataFrame({"patient_id": ["A", "B"], **never, "follow_up_end": "lost"})
    found = from_index(cohort, ends, cut_off=date(2025, 3, 31))
    assert found["follow_up_end"].tolist() == ["cut-off", "lost"]
    assert found["follow_up_to"].dt.date.tolist() == [date(2025, 3, 31), date(2024, 6, 1)]


def test_the_lag_moves_the_cut_off() -> None:
    plan = Plan(plan=Frame(start=date(2024, 1, 1), lag_days=14))
    assert plan.cut_off(Quarter.parse("2025-Q1")) == date(2025, 3, 17)


def test_an_end_after_the_cut_off_has_not_happened() -> None:
    sensors = DECLARED["sensors"].empty().reindex(range(3))
    sensors["placed_on"] = pd.Timestamp("2024-01-01")
    sensors["removed_on"] = days("2024-01-10", None, "2024-03-01")
    sensors["end_reason"] = ["sensor failure", None, "sensor failure"]
    seen = as_of("sensors", sensors, date(2024, 2, 1))
    assert seen["removed_on"].notna().tolist() == [True, False, False]
    assert seen["end_reason"].tolist() == ["sensor failure", None, None]


def test_readings_of_the_cut_off_day_count_by_local_day() -> None:
    meter = pd.DataFrame(
        {"time": days("2024-02-01 22:30", "2024-02-01 23:30"), "local_offset": [60, 60]}
    )
    assert len(as_of("fingersticks", meter, date(2024, 2, 1))) == 1


def test_a_blank_kind_is_counted_and_the_fixed_order_kept() -> None:
    assert list(placed_by_kind(pd.DataFrame({"kind": ["adhesive", None]})).items()) == [
        ("implanted", 0), ("adhesive", 1), ("not recorded", 1),
    ]  # fmt: skip


@pytest.mark.parametrize(("day", "value"), [("2024-01-31", None), ("2024-02-29", "pump")])
def test_both_ends_of_a_state_belong_to_it(day: str, value: str | None) -> None:
    states = pd.DataFrame(
        {
            "patient_id": ["P1"], "what": ["insulin delivery"], "value": ["pump"],
            "from_on": days("2024-02-01"), "to_on": days("2024-02-29"),
        }
    )  # fmt: skip
    at = pd.DataFrame({"patient_id": ["P1"], "day": days(day)})
    assert state_on(states, what="insulin delivery", at=at, day="day").tolist() == [value]


def test_a_fact_written_as_no_does_not_hold() -> None:
    states = pd.DataFrame(
        {
            "patient_id": ["P1", "P2"], "what": "hba1c unreliable", "value": ["No", "anaemia"],
            "from_on": days("2024-02-01", "2024-02-01"), "to_on": days(None, None),
        }
    )  # fmt: skip
    at = pd.DataFrame({"patient_id": ["P1", "P2"], "day": days("2024-03-01", "2024-03-01")})
    assert holds_on(states, what="hba1c unreliable", at=at, day="day").tolist() == [False, True]
