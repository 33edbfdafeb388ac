"""Rules on readings that ask the sensors: wear, the first day, the stop, death and steps."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.tables.crossing import deaths
from outcomes.tables.declared import GLUCOSE_UNITS
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
}


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Life:
    """One sensor of a patient: local days since 1970-01-01, the placement in microseconds."""

    sensor_id: str
    implanted: bool
    placed: int
    stopped: int
    ended: int
    settled: int  # instant at which the first 24 hours are over; 0 where only the day is known


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class ReadingRules:
    """Judges the readings of one patient against the patient's sensors and death."""

    lives: dict[str, list[Life]]
    died: dict[str, int]

    @classmethod
    def from_tables(cls, sensors: pd.DataFrame, patients: pd.DataFrame) -> ReadingRules:
        """Read the sensors' lives and the deaths."""
        lives: dict[str, list[Life]] = {}
        days = {name: _days(sensors[name]) for name in ("placed_on", "stopped_on", "removed_on")}
        placed_at = sensors["placed_at"].to_numpy().astype("datetime64[us]").astype(np.int64)
        timed = sensors["placed_at"].notna().to_numpy()
        for i, (sensor, patient, kind) in enumerate(
            zip(sensors["sensor_id"], sensors["patient_id"], sensors["kind"], strict=True)
        ):
            stopped, removed = days["stopped_on"][i], days["removed_on"][i]
            lives.setdefault(patient, []).append(
                Life(
                    sensor_id=sensor,
                    implanted=kind == "implanted",
                    placed=days["placed_on"][i],
                    stopped=min(stopped, removed),
                    ended=max(stopped, removed) if FAR not in (stopped, removed)
                    else min(stopped, removed),
                    settled=int(placed_at[i]) + MICROSECONDS_PER_DAY if timed[i] else 0,
                )
            )  # fmt: skip
        died = {
            patient: int(day.to_datetime64().astype("datetime64[D]").astype(np.int64))
            for patient, day in deaths(patients).items()
        }
        return cls(lives=lives, died=died)

    def broken(self, patient_id: str, rows: Array, names: list[str]) -> Iterator[tuple[str, Array]]:
        """Yield each rule with which rows break it; `rows` are sorted by time."""
        local = rows["time"] + rows["offset"].astype(np.int64) * MICROSECONDS_PER_MINUTE
        day = local // MICROSECONDS_PER_DAY
        lives = self.lives.get(patient_id, [])
        number = {name: i for i, name in enumerate(names)} if lives else {}
        worn = np.zeros(len(rows), dtype=bool)
        first, late = worn.copy(), worn.copy()
        nameless = rows["sensor"] < 0
        some_nameless = bool(nameless.any())
        for life in lives:
            own = rows["sensor"] == number.get(life.sensor_id, -2)
            if some_nameless:
                own |= nameless
            elif not own.any():
                continue
            inside = own & (day >= life.placed) & (day <= life.ended)
            worn |= inside
            late |= inside & (day > life.stopped)
            if life.implanted:
                first |= inside & _settling(life, rows["time"], day)
        if some_nameless and (late.any() or first.any()):
            # Without a name, a reading is late or of an implant's first day only if no other sensor
            # was working that day.
            for life in lives:
                working = nameless & (day >= life.placed) & (day <= life.stopped)
                late &= ~working
                if not life.implanted:
                    first &= ~working
        yield "outside wear", ~worn
        yield "first day of an implant", first
        yield "after the sensor stopped", late
        if patient_id in self.died:
            yield "after death", day > self.died[patient_id]
        yield "implausible step", steps(rows)


def steps(rows: Array) -> Array:
    """Return which rows, sorted by time, differ too much from the one before of their sensor."""
    broken = np.zeros(len(rows), dtype=bool)
    if len(rows) < 2:
        return broken
    value = rows["value"]
    if rows["unit"].any():
        value = np.where(rows["unit"] == GLUCOSE_UNITS.index("mmol/L"),
                         value * MG_DL_PER_MMOL_L, value)  # fmt: skip
    apart = np.diff(rows["time"])
    jump = np.abs(np.diff(value)) * MICROSECONDS_PER_MINUTE
    # Seconds apart, a meter of another kind or a repeat speaks: a minute is the least that counts.
    beyond = jump > STEEPEST * np.maximum(apart, MICROSECONDS_PER_MINUTE)
    beyond &= np.abs(np.diff(value)) > NOISE * np.maximum(value[1:], value[:-1])
    same = rows["sensor"][1:] == rows["sensor"][:-1]
    broken[1:] = beyond & same & (apart > 0) & (apart <= NEXT_READING)
    return broken


def _settling(life: Life, time: Array, day: Array) -> Array:
    return time < life.settled if life.settled else day == life.placed


def _days(dates: pd.Series) -> list[int]:
    days = dates.to_numpy().astype("datetime64[D]").astype(np.int64)
    return np.where(dates.notna().to_numpy(), days, FAR).tolist()
