"""By what sensors are told apart, what a patient-year needs, earlier horizons, both populations."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.measures.sensor_ends import end_states, lives_in
from outcomes.measures.sensor_groups import GROUPINGS, groups, with_groups
from outcomes.measures.sensor_needs import MEAN_DAYS, PROCEDURES, SENSORS, needs
from outcomes.measures.sensor_shares import (
    CHOICE_AS_LOSS,
    LOST,
    LOST_BY,
    REACHED,
    WELL_AT,
    at_horizons,
    population_difference,
    shares,
)
from outcomes.measures.sensor_survival import sensor_survival
from outcomes.plan import SensorSurvival
from tests.invented_clinic import declared
from tests.unit.test_sensor_edges import clinic, in_place, lost, planned
from tests.unit.test_sensor_ends import sensors_table
from tests.unit.test_sensor_shares import lives_from_days
from tests.worked_examples import example


def procedure(sensor: str, on: str, site: str | None, *, attempt: int = 1) -> dict[str, object]:
    return {
        "procedure_id": f"{sensor}-{attempt}", "patient_id": "A", "sensor_id": sensor, "on": on,
        "what": "placement", "attempt": attempt, "completed": attempt == 2 or sensor == "b",
        "site": site,
    }  # fmt: skip


def test_the_site_is_where_the_sensor_was_placed_else_the_patients_own() -> None:
    sensors = sensors_table(
        sensor_id=list("abc"), patient_id=["A", "A", "B"], kind="implanted", planned_days=180,
        placed_on=pd.to_datetime(["2024-02-01", "2024-08-01", "2025-03-01"]),
    )  # fmt: skip
    tables = {
        "procedures": declared(
            "procedures",
            [procedure("a", "2024-01-30", "west"), procedure("a", "2024-02-01", "east", attempt=2),
             procedure("b", "2024-08-01", None)],
        ),
        "states": declared(
            "states",
            [{"patient_id": who, "what": "site", "value": site, "from_on": "2020-01-01"}
             for who, site in (("A", "north"), ("B", "south"))],
        ),
    }  # fmt: skip
    found = with_groups(sensors, tables)
    assert found["site"].tolist() == ["east", "north", "south"]
    assert found["year"].tolist() == [2024, 2024, 2025]


def test_groups_share_out_all_sensors_and_name_what_is_not_recorded() -> None:
    lives = pd.DataFrame({"lot": ["x", None, "y", "x"], "planned_days": 180})
    parts = groups(lives, "lot")
    assert [name for name, _ in parts] == ["all", "x", "y", "not recorded"]
    assert sum(len(rows) for _, rows in parts[1:]) == len(lives)


@pytest.mark.parametrize("by", GROUPINGS)
def test_every_grouping_has_a_short_table_and_adds_up(tmp_path: Path, by: str) -> None:
    """Lots, models, sites and years of placement; sensors of the groups add to the whole."""
    sensors = [planned(f"P{i}") | {"model": f"m{i % 2}", "lot": f"l{i % 3}"} for i in range(12)]
    sensors += [lost(f"L{i}", 30 * i + 5) | {"model": "m0", "lot": "l1"} for i in range(4)]
    sensors += [in_place(f"I{i}", 100 + i) | {"model": "m1", "lot": "l2"} for i in range(4)]
    result = sensor_survival(clinic(tmp_path, sensors), by=by)
    mine = result.table.loc[
        (result.table["population"] == "cumulative") & (result.table["kind"] == "implanted")
        & (result.table["quantity"] == REACHED) & (result.table["reason"] == "")
    ].drop_duplicates("group")  # fmt: skip
    whole = mine.loc[mine["group"] == "all", "n_units"].item()
    assert mine.loc[mine["group"] != "all", "n_units"].sum() == whole == 20
    assert "nan" not in repr(result).lower()


def test_what_a_patient_year_needs_follows_from_the_mean_life() -> None:
    """Lives of 90 and 180 days: 135 on average, so 365.25 / 135 sensors; two procedures each."""
    given = pd.DataFrame(
        {
            "sensor_id": list("abcd"), "patient_id": list("ABCD"), "planned_days": "180",
            "end_day": ["90", "180", "90", "180"],
            "end_reason": ["sensor failure", "planned", "infection", "planned"],
        }
    )  # fmt: skip
    lives = lives_from_days(given)
    done = declared(
        "procedures",
        [{"procedure_id": f"{s}{w}", "patient_id": s.upper(), "sensor_id": s, "what": w,
          "on": "2024-01-01", "attempt": 1, "completed": True}
         for s in "abcd" for w in ("placement", "removal")],
    )  # fmt: skip
    table = needs(lives, done).set_index("quantity")
    assert table.loc[MEAN_DAYS, "estimate"] == pytest.approx(135, rel=1e-12)
    assert table.loc[SENSORS, "estimate"] == pytest.approx(365.25 / 135, rel=1e-12)
    assert table.loc[PROCEDURES, "estimate"] == pytest.approx(2 * 365.25 / 135, rel=1e-12)
    # Four independent lives: the error of their mean with n (not n - 1) below.
    error = np.std([90, 180, 90, 180]) / 2
    assert table.loc[MEAN_DAYS, "std_error"] == pytest.approx(error, rel=1e-12)


def test_horizons_in_days_and_in_shares_of_life_tell_the_same_of_one_life() -> None:
    lives = lives_from_days(example("w08_sensors"))
    table = at_horizons(lives, shares_of_life=[0.5], days=[90, 179]).set_index(["at", "quantity"])
    for quantity in (LOST_BY, WELL_AT):
        half = table.loc[("50 % of planned life", quantity), "estimate"]
        assert half == pytest.approx(table.loc[("by day 90", quantity), "estimate"], rel=1e-12)
    # Of 12: lost on day 0, one unknown on 40, two lost on 60 of the ten then at risk.
    assert table.loc[("by day 90", LOST_BY), "estimate"] == pytest.approx(3 / 12, rel=1e-12)
    assert "by day 179" not in table.index.get_level_values(0)


def test_patient_choice_counted_as_loss_adds_it_to_the_losses() -> None:
    table = shares(lives_from_days(example("w08_sensors")), smallest_at_risk=1)
    value = table.set_index(["quantity", "reason"])["estimate"]
    both = value[(LOST, "")] + value[("taken out early", "")]  # here no medical need
    assert value[(CHOICE_AS_LOSS, "")] == pytest.approx(both, rel=1e-12)


def test_the_populations_differ_by_nothing_where_they_are_the_same() -> None:
    lives = lives_from_days(example("w08_sensors"))
    table = population_difference(lives, lives)
    assert table["quantity"].tolist() == [REACHED, LOST]
    assert (table["estimate"] == 0).all()


def test_patients_in_both_populations_count_once_in_the_difference() -> None:
    """The quarter's wear is part of the year's; as if strangers the error would be larger."""
    rng = np.random.default_rng(4)
    placed = pd.Timestamp("2024-01-01") + pd.to_timedelta(rng.integers(0, 150, 80), "D")
    day = rng.integers(20, 260, 80)
    lasted = np.minimum(day, 180)
    sensors = sensors_table(
        sensor_id=[f"s{i}" for i in range(80)], patient_id=[f"p{i // 2}" for i in range(80)],
        kind="implanted", planned_days=180, placed_on=placed,
        removed_on=placed + pd.to_timedelta(lasted, "D"),
        end_reason=np.where(day < 180, "sensor failure", "planned"),
    )  # fmt: skip
    ends = end_states(sensors, cut_off=date(2024, 12, 31), rules=SensorSurvival())
    year = lives_in(ends, first_on=date(2024, 1, 1), last_on=date(2024, 12, 31))
    quarter = lives_in(ends, first_on=date(2024, 7, 1), last_on=date(2024, 9, 30))
    row = population_difference(quarter, year).set_index("quantity").loc[LOST]
    apart = [
        shares(each).set_index(["quantity", "reason"]).loc[(LOST, "")] for each in (quarter, year)
    ]
    assert row["estimate"] == pytest.approx(apart[0]["estimate"] - apart[1]["estimate"], rel=1e-9)
    assert row["std_error"] < np.hypot(apart[0]["std_error"], apart[1]["std_error"])
