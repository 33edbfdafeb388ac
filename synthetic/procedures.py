"""Placements and removals of implanted sensors, attempt by attempt, with inserters who learn.

The chance that a first attempt fails is `base + gain x exp(-cases / CASES)`, where `cases` are the
inserter's own earlier attempts at the same kind of procedure, first or repeated, those before the
records included. A clinic's cases therefore come in order of day: who tries, when, and the luck of
it are drawn patient by patient (`slots`), and whether it fails is decided over all patients in that
order (`worked_through`). In a larger clinic inserters learn in fewer months.

In a clinic of 500 patients about 2.7 of 100 first attempts fail, in one of 60 about 5: half of its
cases are somebody's first. Plausibility: removal not done at the first attempt 0.5-1.5 % of people
in a registry (from memory); a clinic with three beginners among six lies above it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from .course import Course
from .scenario import INSERTERS, Inserter, day_number, stream

FAILING = {"placement": (0.015, 0.085), "removal": (0.02, 0.10)}  # base, gain
CASES = 16  # after so many the gain has fallen to 37 %
SUPERVISED_DAYS = 60


@dataclass(frozen=True, kw_only=True)
class Slot:
    """A placement or removal that is completed on day `on`, before anybody has tried it."""

    key: tuple[int, int]  # the patient's place in the clinic, and the slot's in the patient's life
    patient_id: str
    sensor_id: str
    what: str
    on: int
    earliest: int  # no failed attempt lies before this day
    inserter: Inserter  # who tries first
    senior: Inserter  # who completes it after a failure
    luck: float  # between 0 and 1; below the chance of failing it fails


@dataclass(frozen=True, kw_only=True)
class Try:
    """What became of the first attempt of a slot."""

    cases_before: int
    chance: float
    failed_on: int | None


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
    first: Try  # the truth of the slot's first attempt


def failing(what: str, cases: int) -> float:
    """True chance that a first attempt fails after so many own cases of the kind."""
    base, gain = FAILING[what]
    return float(base + gain * np.exp(-cases / CASES))


def slots(seed: int, course: Course) -> list[Slot]:
    """Return the placements and removals of one patient, in order of sensor."""
    rng = stream(seed, course.person.index, "procedures")
    who, found = course.person, list[Slot]()
    for sensor in course.sensors:
        if sensor.model.kind != "implanted":
            continue
        due = [("placement", sensor.placed, who.joined)] if sensor.placed >= who.joined else []
        if sensor.removed is not None and sensor.removed <= course.end:
            due.append(("removal", sensor.removed, max(who.joined, sensor.placed)))
        for what, on, from_day in due:
            here = [i for i in INSERTERS if i.site == who.site and day_number(i.since) <= on] or [
                INSERTERS[0]
            ]
            inserter = here[int(rng.integers(len(here)))]
            luck, sooner = rng.random(), int(rng.integers(0, 15))
            found.append(
                Slot(
                    key=(who.index, len(found)), patient_id=who.patient_id,
                    sensor_id=sensor.sensor_id, what=what, on=on,
                    earliest=max(on - sooner, from_day, day_number(inserter.since)),
                    inserter=inserter, senior=here[0], luck=luck,
                )
            )  # fmt: skip
    return found


def worked_through(of_all: Iterable[Slot]) -> dict[tuple[int, int], Try]:
    """Decide the first attempts of all patients in order of day; return them by the slot's key.

    A failed attempt lies after the inserter's case before it, so that the order of cases is the
    order of days in the records, and within a day that of patients.
    """
    cases = Counter(
        {(each.inserter_id, what): each.before_records for each in INSERTERS for what in FAILING}
    )
    latest: dict[tuple[str, str], int] = {}
    found = {}
    for slot in sorted(of_all, key=lambda slot: (slot.on, slot.patient_id)):
        mine = slot.inserter.inserter_id, slot.what
        before, chance, failed_on = cases[mine], failing(slot.what, cases[mine]), None
        tried = [(slot.inserter, slot.on)]
        if slot.luck < chance:
            after = latest.get(mine, slot.earliest - 1) + 1
            failed_on = min(max(slot.earliest, after), slot.on)
            tried = [(slot.inserter, failed_on), (slot.senior, slot.on)]
        found[slot.key] = Try(cases_before=before, chance=chance, failed_on=failed_on)
        for inserter, on in tried:
            cases[inserter.inserter_id, slot.what] += 1
            latest[inserter.inserter_id, slot.what] = on
    return found


def procedures(
    course: Course, due: list[Slot], tries: dict[tuple[int, int], Try]
) -> list[Procedure]:
    """Return all attempts of one patient in order of day."""
    rows: list[Procedure] = []
    for slot in due:
        first = tries[slot.key]
        if first.failed_on is None:
            rows.append(_row(course, slot, first, slot.on, 1, slot.inserter))
        else:
            rows.append(_row(course, slot, first, first.failed_on, 1, slot.inserter))
            rows.append(_row(course, slot, first, slot.on, 2, slot.senior))
    rows.sort(key=lambda row: row.on)
    for number, row in enumerate(rows, start=1):
        row.procedure_id = f"V{course.person.patient_id}-{number:02d}"
    return rows


def _row(
    course: Course, slot: Slot, first: Try, on: int, attempt: int, inserter: Inserter
) -> Procedure:
    completed = attempt == 2 or first.failed_on is None
    return Procedure(
        procedure_id="",
        patient_id=slot.patient_id,
        sensor_id=slot.sensor_id if slot.what == "removal" or completed else "",
        what=slot.what,
        on=on,
        attempt=attempt,
        completed=completed,
        inserter=inserter,
        supervised=on - day_number(inserter.since) < SUPERVISED_DAYS,
        site=inserter.site if course.person.site_known else "",
        first=first,
    )
