"""Rules on readings that ask the sensors: wear, the first day, the stop, death and steps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.tables.compiled import compiled
from outcomes.tables.crossing import deaths
from outcomes.tables.declared import GLUCOSE_UNITS
from outcomes.tables.timed_rows import PatientRows
from outcomes.tables.worn_sensors import rows_of_each, rows_of_patients
from outcomes.tables.zones import MICROSECONDS_PER_MINUTE
from outcomes.units import MG_DL_PER_MMOL_L

Array = npt.NDArray[Any]
MICROSECONDS_PER_DAY: Final = 86_400_000_000
FAR: Final = 200_000  # days since 1970-01-01, later than any end
# About four times the fastest change of glucose in the body, 4 mg/dL a minute (from memory).
STEEPEST: Final = 15.0  # mg/dL a minute
# Two readings that are each off by a fifth differ by two fifths (20 % is what sensors are held to,
# from memory): at high glucose that alone is more than the steepest step.
NOISE: Final = 0.4  # of the higher reading
NEXT_READING: Final = 16 * MICROSECONDS_PER_MINUTE  # a step is between readings no further apart
REASONS: Final = {
    "outside wear": "time: the sensor was not worn on this day",
    "first day of an implant": "time: in the first 24 hours of an implanted sensor",
    "after the sensor stopped": "time: later than the sensor worked",
    "after death": "time: later than the patient's death",
    "implausible step": "value: jumps faster than glucose can",
}  # in the order of the bits that `_look` sets
MMOL_L: Final = GLUCOSE_UNITS.index("mmol/L")
NO_SENSOR: Final = -2  # the number of a sensor that no reading names


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class ReadingRules:
    """Judges the readings of patients against the patients' sensors and death.

    `lives` has one row for each sensor, patient after patient: its number among the readings,
    whether it is implanted, local days since 1970-01-01 on which it was placed, stopped and ended,
    and the instant at which its first 24 hours are over (0 where only the day is known);
    `of_patient` tells which rows are a patient's, `died` the day of a death.
    """

    lives: Array
    of_patient: dict[str, tuple[int, int]]
    died: dict[str, int]

    @classmethod
    def from_tables(
        cls, sensors: pd.DataFrame, patients: pd.DataFrame, numbers: dict[str, int]
    ) -> ReadingRules:
        """Read the sensors' lives and the deaths; `numbers` are of sensors that readings name."""
        placed, stopped, removed = (
            _days(sensors[name]) for name in ("placed_on", "stopped_on", "removed_on")
        )
        open_end = (stopped == FAR) | (removed == FAR)
        placed_at = sensors["placed_at"].to_numpy().astype("datetime64[us]").astype(np.int64)
        timed = sensors["placed_at"].notna().to_numpy()
        first, last = np.minimum(stopped, removed), np.maximum(stopped, removed)
        lives = np.column_stack(
            [
                np.array([numbers.get(s, NO_SENSOR) for s in sensors["sensor_id"]], dtype=np.int64),
                (sensors["kind"] == "implanted").to_numpy(dtype=np.int64),
                placed,
                first,
                np.where(open_end, first, last),
                np.where(timed, placed_at + MICROSECONDS_PER_DAY, 0),
            ]
        )
        order, of_patient = rows_of_patients(sensors["patient_id"])
        died = {
            patient: int(day.to_datetime64().astype("datetime64[D]").astype(np.int64))
            for patient, day in deaths(patients).items()
        }
        return cls(lives=np.ascontiguousarray(lives[order]), of_patient=of_patient, died=died)

    def broken(self, patients: PatientRows) -> tuple[Array, Array]:
        """Return the rules that each row breaks, and those that each patient's rows do together.

        A rule is a bit, in the order of `REASONS`. Each patient's rows are sorted by time.
        """
        own = rows_of_each(patients.ids, self.of_patient)
        died = np.array([self.died.get(p, FAR) for p in patients.ids], dtype=np.int64)
        bits = np.zeros(len(patients.rows), dtype=np.uint8)
        found = np.zeros(len(patients.ids), dtype=np.uint8)
        _look(patients.rows, patients.starts, own, self.lives, died, bits, found)
        return bits, found


@compiled
def _worn(time: Any, day: Any, sensor: Any, lives: Array, begin: Any, end: Any) -> Any:
    """Return the rules of wear that one reading breaks, one bit each in the order of `REASONS`.

    Without a name, a reading is late or of an implant's first day only if no other sensor was
    working that day.
    """
    worn, first, late, working, working_adhesive = False, False, False, False, False
    for i in range(begin, end):
        if sensor >= 0 and lives[i, 0] != sensor:
            continue
        if day < lives[i, 2]:
            continue
        if day <= lives[i, 3]:
            working = True
            working_adhesive = working_adhesive or lives[i, 1] == 0
        if day > lives[i, 4]:
            continue
        worn = True
        late = late or day > lives[i, 3]
        if lives[i, 1]:
            settling = time < lives[i, 5] if lives[i, 5] else day == lives[i, 2]
            first = first or settling
    if sensor < 0:
        late = late and not working
        first = first and not working_adhesive
    return (not worn) * 1 + first * 2 + late * 4


@compiled
def _steep(value: Any, before: Any, apart: Any) -> bool:
    """Return whether a value in mg/dL differs too much from the one before it."""
    # Seconds apart, a meter of another kind or a repeat speaks: a minute is the least that counts.
    least = max(apart, MICROSECONDS_PER_MINUTE)
    jump = abs(value - before)
    return jump * MICROSECONDS_PER_MINUTE > STEEPEST * least and jump > NOISE * max(value, before)


@compiled
def _look(
    rows: Array, starts: Array, own: Array, lives: Array, died: Array, bits: Array, found: Array
) -> None:
    """Set the bits of the rules that each row breaks, and those of all rows of each patient."""
    for patient in range(len(found)):
        for i in range(starts[patient], starts[patient + 1]):
            row = rows[i]
            day = (row.time + row.offset * MICROSECONDS_PER_MINUTE) // MICROSECONDS_PER_DAY
            broken = _worn(row.time, day, row.sensor, lives, own[patient, 0], own[patient, 1])
            if day > died[patient]:
                broken |= 8
            if i > starts[patient]:
                before = rows[i - 1]
                apart = row.time - before.time
                if before.sensor == row.sensor and 0 < apart <= NEXT_READING:
                    value = row.value * MG_DL_PER_MMOL_L if row.unit == MMOL_L else row.value
                    last = before.value
                    if before.unit == MMOL_L:
                        last = last * MG_DL_PER_MMOL_L
                    if _steep(value, last, apart):
                        broken |= 16
            bits[i] = broken
            found[patient] |= broken


def _days(dates: pd.Series) -> Array:
    days = dates.to_numpy().astype("datetime64[D]").astype(np.int64)
    return np.where(dates.notna().to_numpy(), days, FAR)
