"""Placements and removals of implanted sensors, attempt by attempt, with inserters who learn.

The chance that a first attempt fails is `base + gain x exp(-days since the inserter began / 90)`:
learning runs with the calendar, so that a patient's procedures do not depend on how many other
patients there are. Plausibility: removal not done at the first attempt 0.5-1.5 % of people in a
registry (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .course import Course
from .scenario import INSERTERS, Inserter, day_number, stream
from .wear import Sensor

FAILING = {"placement": (0.015, 0.12), "removal": (0.02, 0.14)}  # base, gain


@dataclass(kw_only=True)
class Procedure:
    """One attempt; `sensor_id` is empty where no sensor came to be placed."""

    procedure_id: str
    patient_id: str
    sensor_id: str
    what: str
    on: int
    attempt: int
    completed: bool
    inserter: Inserter
    supervised: bool
    site: str  # as recorded, empty where it is not


def failing(what: str, inserter: Inserter, on: int) -> float:
    """True chance that a first attempt fails."""
    base, gain = FAILING[what]
    return float(base + gain * np.exp(-(on - day_number(inserter.since)) / 90))


def procedures(seed: int, course: Course) -> list[Procedure]:
    """Return all attempts of one patient in order of day."""
    rng = stream(seed, course.person.index, "procedures")
    rows: list[Procedure] = []
    for sensor in course.sensors:
        if sensor.model.kind != "implanted":
            continue
        if sensor.placed >= course.person.joined:
            rows += _attempts(course, sensor, "placement", sensor.placed, rng)
        if sensor.removed is not None and sensor.removed <= course.end:
            rows += _attempts(course, sensor, "removal", sensor.removed, rng)
    rows.sort(key=lambda row: row.on)
    for number, row in enumerate(rows, start=1):
        row.procedure_id = f"V{course.person.patient_id}-{number:02d}"
    return rows


def _attempts(
    course: Course, sensor: Sensor, what: str, on: int, rng: np.random.Generator
) -> list[Procedure]:
    """The completed attempt on its day; before it, sometimes, one that failed."""
    here = [i for i in INSERTERS if i.site == course.person.site and day_number(i.since) <= on] or [
        INSERTERS[0]
    ]
    inserter = here[int(rng.integers(len(here)))]
    fails = rng.random() < failing(what, inserter, on)
    earlier = int(rng.integers(0, 15))
    rows = []
    if fails:
        first = max(on - earlier, course.person.joined, sensor.placed if what == "removal" else 0)
        rows.append(_row(course, sensor, what, first, 1, False, inserter))
        inserter = here[0]
    rows.append(_row(course, sensor, what, on, len(rows) + 1, True, inserter))
    return rows


def _row(
    course: Course, sensor: Sensor, what: str, on: int, attempt: int, completed: bool,
    inserter: Inserter,
) -> Procedure:  # fmt: skip
    placed = what == "removal" or completed
    return Procedure(
        procedure_id="",
        patient_id=course.person.patient_id,
        sensor_id=sensor.sensor_id if placed else "",
        what=what,
        on=on,
        attempt=attempt,
        completed=completed,
        inserter=inserter,
        supervised=on - day_number(inserter.since) < 60,
        site=inserter.site if course.person.site_known else "",
    )
