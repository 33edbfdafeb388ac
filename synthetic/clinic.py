"""The invented clinic as frames: what is true, before anything is exported."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from .course import Course, course
from .glucose import Trace, trace
from .harm import Complication, complications
from .people import person
from .procedures import Procedure, Try, procedures, slots, worked_through
from .scenario import Scenario
from .states import State, states

# Among 60 patients of this seed everything happens that can: deaths, failed attempts, unknown ends.
DEFAULT_SEED = 20261013


@dataclass(frozen=True, kw_only=True, eq=False)
class Life:
    """One patient with everything that happened."""

    course: Course
    procedures: list[Procedure]
    complications: list[Complication]
    states: list[State]


@dataclass(frozen=True, kw_only=True, eq=False)
class Clinic:
    """The lives of all patients; readings are made anew whenever they are asked for.

    The frames carry the columns of the declared tables of the same names.
    """

    scenario: Scenario
    seed: int
    lives: list[Life]

    def traces(self) -> Iterator[Trace]:
        """Yield the readings and fingersticks of one patient after another."""
        for life in self.lives:
            yield trace(self.scenario, self.seed, life.course)

    @property
    def patients(self) -> pd.DataFrame:
        """One row per patient."""
        rows = []
        for life in self.lives:
            who = life.course.person
            before = "none" if who.entry == "naive" else who.entry
            known = who.entry != "unknown"
            rows.append(
                {
                    "patient_id": who.patient_id,
                    "birth_year": who.birth_year,
                    "sex": who.sex,
                    "diabetes_type": who.diabetes_type,
                    "diagnosis_year": who.diagnosis_year if who.diagnosis_known else None,
                    "covered_from": day(who.joined) if known else pd.NaT,
                    "sensor_use_before": before,
                    "died_on": day(life.course.died),
                }
            )
        return pd.DataFrame(rows)

    @property
    def sensors(self) -> pd.DataFrame:
        """One row per sensor worn once, with the true end beside what would be recorded."""
        rows = []
        for life in self.lives:
            for s in life.course.sensors:
                ended = s.works_until <= life.course.end
                out = s.removed is not None and s.removed <= life.course.end
                rows.append(
                    {
                        "sensor_id": s.sensor_id,
                        "patient_id": s.patient_id,
                        "kind": s.model.kind,
                        "model": s.model.name,
                        "lot": s.lot,
                        "placed_on": day(s.placed),
                        "planned_days": s.model.planned_days,
                        "stopped_on": day(s.works_until) if ended else pd.NaT,
                        "removed_on": day(s.removed) if out else pd.NaT,
                        "end_reason": s.reason if ended else None,
                        "body_site": s.body_site,
                        "true_end": s.reason,
                        "true_stop_on": day(s.works_until),
                    }
                )
        return pd.DataFrame(rows)

    @property
    def procedures(self) -> pd.DataFrame:
        """One row per attempt."""
        return pd.DataFrame(
            [
                {
                    "procedure_id": p.procedure_id,
                    "patient_id": p.patient_id,
                    "sensor_id": p.sensor_id or None,
                    "what": p.what,
                    "on": day(p.on),
                    "attempt": p.attempt,
                    "completed": p.completed,
                    "inserter_id": p.inserter.inserter_id,
                    "inserter_role": p.inserter.role,
                    "supervised": p.supervised,
                    "site": p.site or None,
                }
                for life in self.lives
                for p in life.procedures
            ]
        )

    @property
    def hba1c(self) -> pd.DataFrame:
        """One row per draw, in % to the tenth."""
        return pd.DataFrame(
            [
                {
                    "patient_id": life.course.person.patient_id,
                    "drawn_on": day(draw.on),
                    "value": np.rint(draw.percent * 10) / 10,
                    "unit": "%",
                    "method": draw.method,
                }
                for life in self.lives
                for draw in life.course.draws
            ]
        )

    @property
    def complications(self) -> pd.DataFrame:
        """One row per complication or device deficiency."""
        return pd.DataFrame(
            [
                {
                    "complication_id": c.complication_id,
                    "patient_id": c.patient_id,
                    "sensor_id": c.sensor_id or None,
                    "procedure_id": c.procedure_id or None,
                    "onset_on": day(c.onset),
                    "category": c.category,
                    "deficiency_only": c.deficiency_only,
                    "severity": c.severity,
                    "serious": c.serious,
                    "related_to_device": c.to_device,
                    "related_to_procedure": c.to_procedure,
                    "outcome": c.outcome,
                    "action": c.action or None,
                }
                for life in self.lives
                for c in life.complications
            ]
        )

    @property
    def contacts(self) -> pd.DataFrame:
        """One row per contact."""
        return pd.DataFrame(
            [
                {"patient_id": life.course.person.patient_id, "on": day(on), "what": what}
                for life in self.lives
                for on, what in contacts_of(life.course)
            ]
        )

    @property
    def states(self) -> pd.DataFrame:
        """One row per dated fact about a patient."""
        return pd.DataFrame(
            [
                {
                    "patient_id": life.course.person.patient_id,
                    "what": s.what,
                    "value": s.value,
                    "from_on": day(s.first),
                    "to_on": day(s.last),
                }
                for life in self.lives
                for s in life.states
            ]
        )


def clinic(
    patients: int = 60, seed: int = DEFAULT_SEED, *, scenario: Scenario | None = None
) -> Clinic:
    """Return an invented clinic without writing anything.

    Patient k is the same whatever the number of patients, but for the attempts that failed and the
    harm of these: inserters learn from the cases of all.
    """
    scenario = scenario or Scenario()
    courses = [course_of(scenario, seed, k) for k in range(patients)]
    tries = worked_through(slot for lived in courses for slot in slots(seed, lived))
    lives = [life(scenario, seed, lived, tries) for lived in courses]
    return Clinic(scenario=scenario, seed=seed, lives=lives)


def blocks(patients: int, seed: int, scenario: Scenario, *, size: int = 100) -> Iterator[Clinic]:
    """Yield the same clinic in parts of `size` patients, so that few lives are held at a time.

    Every course is walked twice: first for the procedures of all, then to be written.
    """
    tries = worked_through(
        slot for k in range(patients) for slot in slots(seed, course_of(scenario, seed, k))
    )
    for first in range(0, patients, size):
        numbers = range(first, min(first + size, patients))
        lives = [life(scenario, seed, course_of(scenario, seed, k), tries) for k in numbers]
        yield Clinic(scenario=scenario, seed=seed, lives=lives)


def course_of(scenario: Scenario, seed: int, index: int) -> Course:
    """Walk patient `index` through the clinic up to the export."""
    return course(scenario, seed, person(scenario, seed, index))


def life(scenario: Scenario, seed: int, lived: Course, tries: dict[tuple[int, int], Try]) -> Life:
    """Add to a course what else happened to the patient."""
    attempts = procedures(lived, slots(seed, lived), tries)
    return Life(
        course=lived,
        procedures=attempts,
        complications=complications(seed, lived, attempts),
        states=states(scenario, seed, lived),
    )


def contacts_of(lived: Course) -> list[tuple[int, str]]:
    """Return the recorded contacts, with the leaving where it was recorded."""
    rows = [row for row in lived.contacts if row[0] <= lived.end]
    if lived.left is not None and lived.left_recorded:
        rows.append((lived.left, "left the clinic"))
    return rows


def day(number: int | None) -> pd.Timestamp:
    """Return the day of a day number, NaT for none."""
    return pd.NaT if number is None else pd.Timestamp(as_date(number))


def as_date(number: int) -> date:
    """Return the date of a day number."""
    return date.fromordinal(719_163 + number)
