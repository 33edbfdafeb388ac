"""Rules across tables: what one row says against the others of its patient.

Each rule is a function of the checked tables that tells which rows of its table break it. Rules on
sensors come first, since the others ask the sensors that are left.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.tables.ledger import Ledger
from outcomes.tables.rules import NOTE

Array = npt.NDArray[Any]
SHORTEST_IMPLANT: Final = 60  # days; between the two kinds nothing is made
LONGEST_ADHESIVE: Final = 30
FAR: Final = pd.Timestamp("2200-01-01")


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class WholeTable:
    """Rows of a table with the place in the ledger, the line and the text of each."""

    frame: pd.DataFrame
    entry: Array
    line: Array
    texts: pd.DataFrame

    def rows(self, keep: Array) -> WholeTable:
        """Return some of the rows."""
        return WholeTable(
            frame=self.frame.loc[keep].reset_index(drop=True),
            entry=self.entry[keep],
            line=self.line[keep],
            texts=self.texts.loc[keep].reset_index(drop=True),
        )


Tables = dict[str, WholeTable]


def crossed(tables: Tables, ledger: Ledger) -> Tables:
    """Return the tables without the rows that a rule of severity *set aside* or *stop* keeps out.

    Every rule that finds something is told in `ledger`, with the lines of the first rows.
    """
    for table, rule, reason, broken_rows in CROSSING:
        if table not in tables or not len(tables[table].frame):
            continue
        broken = broken_rows(tables)
        if not broken.any():
            continue
        whole = tables[table]
        if ledger.severity(rule) == NOTE:
            ledger.note_rows(rule, table, whole.entry[broken], whole.line[broken])
            continue
        ledger.set_aside(
            whole.entry[broken], whole.line[broken], rule, f"{table}: {reason}",
            whole.texts.loc[broken],
        )  # fmt: skip
        tables = {**tables, table: whole.rows(~broken)}
    for whole in tables.values():
        ledger.keep(whole.entry)
    return tables


def _overlapping(tables: Tables) -> Array:
    sensors = tables["sensors"].frame
    broken = np.zeros(len(sensors), dtype=bool)
    implanted = sensors[sensors["kind"] == "implanted"]
    ends = implanted["removed_on"].fillna(implanted["stopped_on"]).fillna(FAR)
    lives = implanted.assign(ends=ends).sort_values(["patient_id", "placed_on"], kind="stable")
    # One is taken out and the next one placed on the same day: that is no overlap.
    latest = lives.groupby("patient_id")["ends"].cummax().groupby(lives["patient_id"]).shift()
    broken[lives.index[(latest > lives["placed_on"]).to_numpy()]] = True
    return broken


def _planned_of_other_kind(tables: Tables) -> Array:
    sensors = tables["sensors"].frame
    days = sensors["planned_days"].to_numpy(dtype="float64")
    implanted = (sensors["kind"] == "implanted").to_numpy()
    return np.where(implanted, days < SHORTEST_IMPLANT, days > LONGEST_ADHESIVE)


def _strange_sensor(table: str) -> Callable[[Tables], Array]:
    def broken(tables: Tables) -> Array:
        sensors, rows = tables["sensors"].frame, tables[table].frame
        owner = dict(zip(sensors["sensor_id"], sensors["patient_id"], strict=True))
        named = rows["sensor_id"].notna()
        return (named & (rows["sensor_id"].map(owner) != rows["patient_id"])).to_numpy()

    return broken


def _placement_without_sensor(tables: Tables) -> Array:
    rows, sensors = tables["procedures"].frame, tables["sensors"].frame
    placed = (rows["what"] == "placement") & rows["completed"].fillna(False).astype(bool)
    return (placed & ~rows["sensor_id"].isin(set(sensors["sensor_id"]))).to_numpy()


def _sensor_without_placement(tables: Tables) -> Array:
    sensors = tables["sensors"].frame
    if "procedures" not in tables:
        return np.zeros(len(sensors), dtype=bool)
    rows = tables["procedures"].frame
    done = (rows["what"] == "placement") & rows["completed"].fillna(False).astype(bool)
    # Implants placed before the log begins cannot be in it.
    begins = rows["on"].min()
    asked = (sensors["kind"] == "implanted") & (sensors["placed_on"] >= begins)
    return (asked & ~sensors["sensor_id"].isin(set(rows.loc[done, "sensor_id"]))).to_numpy()


def _before_placement(tables: Tables) -> Array:
    rows, sensors = tables["complications"].frame, tables["sensors"].frame
    placed = dict(zip(sensors["sensor_id"], sensors["placed_on"], strict=True))
    return (rows["onset_on"] < pd.to_datetime(rows["sensor_id"].map(placed))).to_numpy()


def _without_any_sensor(tables: Tables) -> Array:
    rows, sensors = tables["complications"].frame, tables["sensors"].frame
    worn = rows["patient_id"].isin(set(sensors["patient_id"]))
    return (rows["sensor_id"].isna() & ~worn).to_numpy()


def _after_death(table: str, day: str) -> Callable[[Tables], Array]:
    def broken(tables: Tables) -> Array:
        rows, died = tables[table].frame, deaths(tables["patients"].frame)
        return (rows[day] > pd.to_datetime(rows["patient_id"].map(died))).to_numpy()

    return broken


def deaths(patients: pd.DataFrame) -> dict[str, pd.Timestamp]:
    """Return the day of death by patient, of those who have one."""
    dead = patients.dropna(subset=["died_on"])
    return dict(zip(dead["patient_id"], dead["died_on"], strict=True))


_OTHER_SENSOR: Final = "the sensor named is not this patient's"
CROSSING: Final[tuple[tuple[str, str, str, Callable[[Tables], Array]], ...]] = (
    ("sensors", "overlapping implants", "another implant was in the body", _overlapping),
    ("sensors", "planned days against kind", "planned days of the other kind",
     _planned_of_other_kind),
    ("sensors", "sensor without its procedure", "no completed placement",
     _sensor_without_placement),
    ("procedures", "unknown sensor", _OTHER_SENSOR, _strange_sensor("procedures")),
    ("procedures", "procedure without its sensor", "a placement without a sensor",
     _placement_without_sensor),
    ("contacts", "after death", "later than the patient's death", _after_death("contacts", "on")),
    ("hba1c", "after death", "later than the patient's death", _after_death("hba1c", "drawn_on")),
    ("complications", "unknown sensor", _OTHER_SENSOR, _strange_sensor("complications")),
    ("complications", "complication before placement", "begins before the sensor was placed",
     _before_placement),
    ("complications", "complication without a sensor", "the patient has no sensor",
     _without_any_sensor),
)  # fmt: skip
