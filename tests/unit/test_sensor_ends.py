"""How sensors end and how long they are watched: worked examples and known traps."""

from __future__ import annotations

from datetime import date

import pandas as pd
import pytest

from outcomes.cohorts.cut_off import as_of
from outcomes.measures.sensor_ends import end_states, lives_in, patient_days
from outcomes.plan import Quarter, SensorSurvival
from outcomes.tables.declared import DECLARED
from tests.worked_examples import answers, days, example

YEAR = {"first_on": date(2024, 1, 1), "last_on": date(2024, 12, 31)}


def sensors_table(**columns: object) -> pd.DataFrame:
    """Return a declared sensors table from some of its columns."""
    given = pd.DataFrame(columns)
    table = DECLARED["sensors"].empty().reindex(range(len(given)))
    for name, values in given.items():
        table[name] = values
    for name in ("placed_on", "stopped_on", "removed_on"):
        table[name] = pd.to_datetime(table[name])
    for name in ("sensor_id", "patient_id"):
        if table[name].isna().all():
            table[name] = [f"{name[0]}{i}" for i in range(len(table))]
    reasons = table["end_reason"].astype(object)
    return table.assign(end_reason=reasons.where(reasons.notna(), None))


def by_days(given: pd.DataFrame) -> pd.DataFrame:
    """Return sensors whose ends are given in days since placement."""
    placed = pd.to_datetime(given["placed_on"])
    return sensors_table(
        sensor_id=given["sensor_id"],
        kind=given["kind"],
        placed_on=placed,
        planned_days=given["planned_days"].astype("Int64"),
        stopped_on=placed + pd.to_timedelta(given["stopped_day"].astype(float), "D"),
        removed_on=placed + pd.to_timedelta(given["removed_day"].astype(float), "D"),
        end_reason=given["end_reason"],
    )


def year_of_sensors() -> pd.DataFrame:
    given = example("w03_sensors", dates=("placed_on", "stopped_on", "removed_on"))
    given["planned_days"] = given["planned_days"].astype("Int64")
    sensors = sensors_table(**{name: given[name] for name in given})
    return end_states(sensors, cut_off=date(2024, 12, 31), rules=SensorSurvival())


def in_words(row: pd.Series) -> str:
    if row["flagged"]:
        return f"early choice flagged {row['day']}"
    return f"{row['state']} {row['day']}"


def test_states_at_the_end_follow_the_worked_example() -> None:
    sensors = by_days(example("w05_sensors"))
    ends = end_states(sensors, cut_off=date(2024, 12, 31), rules=SensorSurvival())
    shown = dict(zip(ends["sensor_id"], ends.apply(in_words, axis=1), strict=True))
    assert shown == answers("W05")


def test_a_sensor_that_stopped_before_its_removal_ends_when_it_stopped() -> None:
    sensors = sensors_table(
        kind=["implanted"], placed_on=["2024-03-01"], planned_days=pd.array([180], "Int64"),
        stopped_on=["2024-06-09"], removed_on=["2024-08-28"], end_reason=["sensor failure"],
    )  # fmt: skip
    rules = {"cut_off": date(2024, 12, 31), "rules": SensorSurvival()}
    stopped = end_states(sensors, **rules)
    unknown_stop = end_states(sensors.assign(stopped_on=pd.NaT), **rules)
    assert (stopped["state"][0], stopped["day"][0]) == ("lost: sensor failure", 100)
    assert (unknown_stop["state"][0], unknown_stop["day"][0]) == ("working at planned day", 180)
    assert unknown_stop["end_from"][0] == "removed"


def test_quarters_add_to_the_year() -> None:
    ends = year_of_sensors()
    quarters = [Quarter(2024, number) for number in (1, 2, 3, 4)]
    parts = [lives_in(ends, first_on=q.first_on, last_on=q.last_on) for q in quarters]
    year = lives_in(ends, **YEAR)
    shown = " ".join(f"{part['exposure_days'].sum():g}" for part in parts)
    assert shown == answers("W03")["exposure_days_quarters"]
    assert year["exposure_days"].sum() == float(answers("W03")["exposure_days_year"])
    losses = [part["state"].str.startswith("lost").sum() for part in parts]
    assert sum(losses) == year["state"].str.startswith("lost").sum() == 3
    assert losses == [1, 2, 0, 0]


def test_entries_and_exits_follow_the_worked_example() -> None:
    first = lives_in(year_of_sensors(), first_on=date(2024, 1, 1), last_on=date(2024, 3, 31))
    shown = {r.sensor_id: (r.entry, r.exit, r.exposure_days) for r in first.itertuples()}
    assert shown == {"S1": (46, 137, 91), "S2": (-1, 0, 0.5), "S3": (-1, 50, 50), "S4": (-1, 0, 0)}


def test_the_cumulative_population_leaves_out_what_was_in_place_before() -> None:
    ends = year_of_sensors().loc[lambda d: d["placed_on"] >= "2024-01-01"]
    exposure = lives_in(ends, **YEAR)["exposure_days"].sum()
    assert exposure == float(answers("W03")["exposure_days_cumulative"])


def test_a_removal_before_the_placement_is_set_aside_and_one_on_its_day_counts() -> None:
    sensors = sensors_table(
        kind="implanted", placed_on="2024-03-10", planned_days=pd.array([90] * 3, "Int64"),
        removed_on=["2024-03-02", "2024-03-10", "2024-06-08"],
        end_reason=["sensor failure", "sensor failure", "planned"],
    )  # fmt: skip
    ends = end_states(sensors, cut_off=date(2024, 12, 31), rules=SensorSurvival())
    assert ends["state"].tolist() == [
        "set aside: ended before placement", "lost: sensor failure", "working at planned day",
    ]  # fmt: skip
    assert lives_in(ends, **YEAR)["exposure_days"].tolist() == [0.5, 90.0]


def test_the_cut_off_decides_not_the_day_of_the_run() -> None:
    sensors = sensors_table(
        kind="implanted", placed_on=["2024-01-01"] * 3, planned_days=pd.array([90] * 3, "Int64"),
        removed_on=["2024-01-10", None, "2024-03-01"],
        end_reason=["sensor failure", None, "sensor failure"],
    )  # fmt: skip
    cut_off = date(2024, 2, 1)
    ends = end_states(as_of("sensors", sensors, cut_off), cut_off=cut_off, rules=SensorSurvival())
    assert ends["day"].tolist() == [9, 31, 31]
    assert ends["state"].tolist() == ["lost: sensor failure", "censored", "censored"]


def test_a_death_ends_a_sensor_without_an_end() -> None:
    sensors = sensors_table(
        patient_id=["P1", "P2"], kind="implanted", placed_on="2024-01-01",
        planned_days=pd.array([180] * 2, "Int64"), removed_on=[None, "2024-03-05"],
        end_reason=[None, "planned"],
    )  # fmt: skip
    died = pd.Series(pd.to_datetime(["2024-03-01"] * 2), index=["P1", "P2"])
    ends = end_states(sensors, cut_off=date(2024, 12, 31), rules=SensorSurvival(), died=died)
    assert ends["state"].tolist() == ["died", "died"]
    assert ends["day"].tolist() == [60, 60]


def test_a_lost_patient_s_sensor_is_watched_until_the_patient_was() -> None:
    sensors = sensors_table(
        patient_id=["P1"], kind="implanted", placed_on=["2024-01-01"],
        planned_days=pd.array([180], "Int64"),
    )  # fmt: skip
    ends = pd.DataFrame(
        {"patient_id": ["P1"], "follow_up_to": days("2024-04-10"), "follow_up_end": ["lost"]}
    )
    found = end_states(sensors, cut_off=date(2024, 12, 31), rules=SensorSurvival(), follow_up=ends)
    assert (found["state"][0], found["day"][0], found["undated"][0]) == ("censored", 100, True)


def test_a_sensor_of_unrecorded_kind_still_has_its_line() -> None:
    sensors = sensors_table(
        kind=["implanted", None, "adhesive"], placed_on="2024-03-01",
        planned_days=pd.array([90, 90, 10], "Int64"),
    )  # fmt: skip
    ends = end_states(sensors, cut_off=date(2024, 3, 5), rules=SensorSurvival())
    assert ends["state"].tolist() == ["censored"] * 3


@pytest.mark.parametrize(
    ("other_from", "other_to", "total"),
    [("2024-02-01", "2024-02-11", 10.5), ("2023-12-30", "2024-01-10", 11.0)],
)
def test_half_a_day_counts_only_where_nothing_else_was_worn(
    other_from: str, other_to: str, total: float
) -> None:
    spans = pd.DataFrame(
        {
            "patient_id": "P1", "from_on": days("2024-01-01", other_from),
            "to_on": days("2024-01-01", other_to), "half_day": [True, False],
        }
    )  # fmt: skip
    assert patient_days(spans).tolist() == [total]
