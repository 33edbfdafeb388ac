"""Which harm belongs to what, and the rates of harm: worked examples."""

from __future__ import annotations

from datetime import date

import pandas as pd
import pytest

from outcomes.measures.harms import (
    all_event_rate,
    attributed,
    first_event_rate,
    in_body,
    in_window,
    procedure_rates,
    until_first,
    wear_exposure,
)
from outcomes.measures.sensor_ends import patient_days
from outcomes.plan import Complications, Quarter
from outcomes.statistics.rates import zero_rate_bound
from outcomes.units import DAYS_PER_YEAR
from tests.unit.test_sensor_ends import sensors_table
from tests.worked_examples import answers, days, example

NOBODY_LOST = pd.DataFrame({"patient_id": [], "follow_up_to": [], "follow_up_end": []})
NOBODY_DIED = pd.Series(dtype="datetime64[ns]")


def harm_example() -> tuple[pd.DataFrame, pd.DataFrame]:
    procedures = example("w27_procedures", dates=("on",))
    procedures = procedures.assign(
        completed=procedures["completed"] == "yes", patient_id=procedures["procedure_id"]
    )
    done = procedures.loc[procedures["completed"] & procedures["sensor_id"].notna()]
    placed = done.loc[done["what"] == "placement"].set_index("sensor_id")["on"]
    removed = done.loc[done["what"] == "removal"].set_index("sensor_id")["on"]
    sensors = sensors_table(
        sensor_id=list(placed.index), kind="implanted", placed_on=placed.to_numpy(),
        planned_days=pd.array([180] * len(placed), "Int64"),
        removed_on=removed.reindex(placed.index).to_numpy(),
    )  # fmt: skip
    given = example("w27_complications", dates=("onset_on",)).assign(
        deficiency_only=False, category="infection", related_to_device="possible",
        related_to_procedure="not",
    )  # fmt: skip
    found = attributed(given, procedures=procedures, sensors=sensors, rules=Complications())
    return procedures, found


def test_harm_is_attributed_as_in_the_worked_example() -> None:
    _, found = harm_example()
    expected = {name: words for name, words in answers("W27").items() if name.startswith("C")}
    assert dict(zip(found["complication_id"], found["belongs_to"], strict=True)) == expected


def test_every_listed_complication_says_why() -> None:
    _, found = harm_example()
    listed = found.loc[found["belongs_to"] == "listed only"].set_index("complication_id")
    assert listed["why_listed"].to_dict() == {
        "C7": "began more than 30 days after the sensor left the body",
        "C9": "names no sensor, and no procedure shortly before",
    }


@pytest.mark.parametrize("what", ["placement", "removal"])
@pytest.mark.parametrize("of", ["attempted", "completed"])
def test_procedure_rates_follow_the_worked_example(what: str, of: str) -> None:
    procedures, found = harm_example()
    harms = found.loc[found["belongs_to"] == "procedure"]
    row = procedure_rates(procedures, harms).set_index(["what", "of"]).loc[(what, of)]
    expected = answers("W27")
    assert f"{row['events']} of {row['n']}" == expected[f"{what}_{of}"]
    assert row["conf_low"] == pytest.approx(float(expected[f"{what}_{of}_low"]), rel=1e-9)
    assert row["conf_high"] == pytest.approx(float(expected[f"{what}_{of}_high"]), rel=1e-9)


def wear_example() -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return spans and events; each patient wore one sensor from the first of 2020."""
    given = example("w28_wear").astype({"in_body_days": float})
    start = pd.Timestamp("2020-01-01")
    whole = given["in_body_days"].astype(int)
    spans = pd.DataFrame(
        {
            "patient_id": given["patient_id"], "from_on": start,
            "to_on": start + pd.to_timedelta(whole, "D"), "half_day": given["in_body_days"] == 0.5,
        }
    )  # fmt: skip
    each = given.dropna(subset=["event_days"]).assign(day=lambda d: d["event_days"].str.split())
    each = each.explode("day")
    onset = start + pd.to_timedelta(each["day"].astype(int), "D")
    events = pd.DataFrame({"patient_id": each["patient_id"], "onset_on": onset})
    return spans, events


def test_first_events_follow_the_worked_example() -> None:
    spans, events = wear_example()
    first = events.groupby("patient_id")["onset_on"].min()
    found, exposure, _ = first_event_rate(
        wear_exposure(until_first(spans, first)), events=3, unit="patient_years", per=100
    )
    expected = {name: float(value) for name, value in answers("W28").items()}
    assert exposure * DAYS_PER_YEAR == pytest.approx(775.5, rel=1e-12)
    assert found.estimate == pytest.approx(expected["first_per_100_years"], rel=1e-9)
    assert found.conf_low == pytest.approx(expected["first_low"], rel=1e-9)
    assert found.conf_high == pytest.approx(expected["first_high"], rel=1e-9)


def test_all_events_follow_the_worked_example() -> None:
    spans, events = wear_example()
    found, exposure, n = all_event_rate(
        wear_exposure(spans), events["patient_id"].tolist(), unit="patient_years", per=100
    )
    expected = {name: float(value) for name, value in answers("W28").items()}
    assert (n, exposure * DAYS_PER_YEAR) == (6, pytest.approx(1105.5, rel=1e-12))
    assert found.estimate == pytest.approx(expected["all_per_100_years"], rel=1e-9)
    assert found.conf_low == pytest.approx(expected["all_low"], rel=1e-9)
    assert found.conf_high == pytest.approx(expected["all_high"], rel=1e-9)


def test_no_event_has_the_two_sided_exact_interval_in_the_table() -> None:
    spans, _ = wear_example()
    found, exposure, _ = all_event_rate(wear_exposure(spans), [], unit="patient_years", per=100)
    expected = {name: float(value) for name, value in answers("W29").items()}
    assert (found.estimate, found.conf_low) == (0, 0)
    assert found.conf_high == pytest.approx(expected["high_two_sided_per_100_years"], rel=1e-9)
    bound = zero_rate_bound(exposure, per=100).conf_high
    assert bound == pytest.approx(expected["bound_one_sided_per_100_years"], rel=1e-9)


def stopped_before_removed(kind: str) -> pd.DataFrame:
    sensors = sensors_table(
        kind=[kind], placed_on=["2024-03-01"], stopped_on=["2024-06-09"],
        removed_on=["2024-08-28"], planned_days=pd.array([180], "Int64"),
        end_reason=["sensor failure"],
    )  # fmt: skip
    return in_body(sensors, cut_off=date(2024, 12, 31), died=NOBODY_DIED, follow_up=NOBODY_LOST)


def test_a_stopped_implant_is_in_the_body_until_it_is_removed() -> None:
    spans = stopped_before_removed("implanted")
    assert patient_days(spans).tolist() == [180.0]
    found, _, _ = all_event_rate(wear_exposure(spans), ["p0"], unit="patient_years", per=1)
    assert found.estimate == pytest.approx(2.029167, rel=1e-6)


def test_a_death_ends_the_time_in_the_body() -> None:
    sensors = sensors_table(
        kind=["implanted"], patient_id=["P1"], placed_on=["2024-03-01"],
        planned_days=pd.array([180], "Int64"),
    )  # fmt: skip
    died = pd.Series(pd.to_datetime(["2024-03-11"]), index=["P1"])
    spans = in_body(sensors, cut_off=date(2024, 12, 31), died=died, follow_up=NOBODY_LOST)
    assert wear_exposure(spans)["sensor_days"].tolist() == [10.0]


def test_quarters_of_wear_add_to_the_year() -> None:
    spans = pd.DataFrame(
        {
            "patient_id": ["P1", "P1", "P2"], "half_day": [False, True, False],
            "from_on": days("2023-11-15", "2024-07-01", "2024-03-31"),
            "to_on": days("2024-05-20", "2024-07-01", "2024-12-31"),
        }
    )  # fmt: skip
    quarters = [Quarter(2024, number) for number in (1, 2, 3, 4)]
    parts = [
        wear_exposure(in_window(spans, first_on=q.first_on, last_on=q.last_on))["sensor_days"].sum()
        for q in quarters
    ]
    year = in_window(spans, first_on=date(2024, 1, 1), last_on=date(2024, 12, 31))
    assert sum(parts) == wear_exposure(year)["sensor_days"].sum() == 141 + 0.5 + 275


def test_overlapping_sensors_give_patient_years_once_and_sensor_days_twice() -> None:
    spans = pd.DataFrame(
        {
            "patient_id": "P1", "half_day": False,
            "from_on": days("2024-01-01", "2024-01-06"), "to_on": days("2024-01-11", "2024-01-16"),
        }
    )  # fmt: skip
    exposure = wear_exposure(spans).iloc[0]
    assert exposure["patient_years"] == pytest.approx(15 / DAYS_PER_YEAR, rel=1e-12)
    assert exposure["sensor_days"] == 20


def test_a_first_event_on_the_day_of_placement_has_half_a_day() -> None:
    spans = pd.DataFrame(
        {"patient_id": ["P1"], "half_day": False, "from_on": days("2024-01-01"),
         "to_on": days("2024-04-01")}
    )  # fmt: skip
    first = pd.Series(pd.to_datetime(["2024-01-01"]), index=["P1"])
    _, exposure, _ = first_event_rate(
        wear_exposure(until_first(spans, first)), events=1, unit="sensor_days", per=1000
    )
    assert exposure == 0.5


def test_metabolic_events_and_deficiencies_stand_apart() -> None:
    procedures, _ = harm_example()
    given = example("w27_complications", dates=("onset_on",)).assign(
        deficiency_only=[True, *[False] * 8], related_to_device="not", related_to_procedure="not",
        category=["infection", "Severe hypoglycaemia", *["infection"] * 7],
    )  # fmt: skip
    sensors = sensors_table(sensor_id=["S9"], placed_on=["2024-01-01"], kind=["implanted"])
    found = attributed(given, procedures=procedures, sensors=sensors, rules=Complications())
    assert found["belongs_to"].tolist()[:2] == ["deficiency without harm", "metabolic"]
