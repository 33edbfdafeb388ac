"""Complications: harm of procedures, harm of wear, metabolic events, device deficiencies.

Rates are multiplied by the patient's own harm (log-normal, SD 0.6, mean 1). Plausibility: 3.5
related events per 100 people in a registry programme (conference abstract 976-P); skin events of
adhesive sensors far more often in trials (Asarani NAM, J Diabetes Sci Technol 2020;14:328), fewer
where only what is told is recorded; severe hypoglycaemia 2-10 per 100 patient-years (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .course import Course
from .procedures import Procedure
from .scenario import stream

# category: chance per completed procedure
PROCEDURE_HARM = {
    "bruising": 0.030,
    "pain": 0.015,
    "site infection": 0.006,
    "vasovagal reaction": 0.004,
}
# kind, category: events per patient-year of wear
WEAR_HARM = {
    ("implanted", "skin discolouration"): 0.06,
    ("implanted", "reaction to the adhesive of the transmitter"): 0.09,
    ("adhesive", "contact dermatitis"): 0.22,
    ("adhesive", "itching"): 0.15,
    ("adhesive", "bleeding at insertion"): 0.05,
}
METABOLIC = {"severe hypoglycaemia": 0.045, "diabetic ketoacidosis": 0.020}  # per patient-year
# What people write into a free field: a spreadsheet would take five of these for a formula.
ACTIONS = (
    "", "pansement changé", "=1+1", "+49 30 0000 rappelée", "\t=2+2", "-2 jours sans capteur", "NA",
    "@SUM(A1)", "crème <cortisone> & repos",
)  # fmt: skip
CAUSE_HARM = {  # an end of a sensor that is a complication by itself
    "infection": "site infection",
    "skin reaction": "skin reaction",
    "other complication": "migration",
}


@dataclass(kw_only=True)
class Complication:
    """One complication or device deficiency."""

    patient_id: str
    sensor_id: str
    procedure_id: str
    onset: int
    category: str
    deficiency_only: bool
    severity: str
    serious: bool
    to_device: str
    to_procedure: str
    outcome: str
    complication_id: str = ""
    action: str = ""


def complications(seed: int, course: Course, procedures: list[Procedure]) -> list[Complication]:
    """Return one patient's complications in order of onset."""
    rng = stream(seed, course.person.index, "harm")
    # Who fails hangs on other patients' procedures; nothing else of this patient's harm shall.
    apart = stream(seed, course.person.index, "failed")
    rows = _of_procedures(course, [each for each in procedures if each.completed], rng)
    rows += _of_wear(course, rng) + _metabolic(course, rng)
    rows += _of_procedures(course, [each for each in procedures if not each.completed], apart)
    rows = sorted((row for row in rows if row.onset <= course.end), key=lambda row: row.onset)
    for number, row in enumerate(rows, start=1):
        row.complication_id = f"C{course.person.patient_id}-{number:02d}"
        row.action = ACTIONS[(7 * course.person.index + number) % len(ACTIONS)]
    return rows


def _new(
    course: Course, onset: int, category: str, rng: np.random.Generator, *, sensor_id: str = "",
    procedure_id: str = "", deficiency_only: bool = False, to_device: str = "not",
    to_procedure: str = "not",
) -> Complication:  # fmt: skip
    metabolic = category in METABOLIC
    severity = str(rng.choice(["mild", "moderate", "severe"], p=[0.70, 0.26, 0.04]))
    severity = "mild" if deficiency_only else "severe" if metabolic else severity
    return Complication(
        patient_id=course.person.patient_id,
        sensor_id=sensor_id,
        procedure_id=procedure_id,
        onset=onset,
        category=category,
        deficiency_only=deficiency_only,
        severity=severity,
        serious=bool(severity == "severe" and rng.random() < 0.5),
        to_device=to_device,
        to_procedure=to_procedure,
        outcome="resolved" if rng.random() < 0.9 else "ongoing",
    )


def _of_procedures(
    course: Course, procedures: list[Procedure], rng: np.random.Generator
) -> list[Complication]:
    rows = []
    for procedure in procedures:
        for category, chance in PROCEDURE_HARM.items():
            if rng.random() < min(chance * course.person.harm, 0.9):
                rows.append(
                    _new(
                        course, procedure.on + int(rng.integers(0, 12)), category, rng,
                        sensor_id=procedure.sensor_id, procedure_id=procedure.procedure_id,
                        to_procedure=str(rng.choice(["possible", "probable", "causal"])),
                    )
                )  # fmt: skip
    return rows


def _of_wear(course: Course, rng: np.random.Generator) -> list[Complication]:
    rows = []
    for sensor in course.sensors:
        kind = sensor.model.kind
        first = max(sensor.placed, course.person.joined)
        removed = course.end if sensor.removed is None else min(sensor.removed, course.end)
        days = max(removed - first, 0)
        for (worn, category), yearly in WEAR_HARM.items():
            if worn != kind:
                continue
            for _ in range(int(rng.poisson(yearly * course.person.harm * days / 365.25))):
                onset = first + int(rng.integers(0, days + 1))
                told = str(rng.choice(["possible", "probable", "causal", "unknown"]))
                rows.append(
                    _new(course, onset, category, rng, sensor_id=sensor.sensor_id, to_device=told)
                )
        if sensor.reason in CAUSE_HARM and first <= sensor.works_until:
            rows.append(
                _new(
                    course, sensor.works_until, CAUSE_HARM[sensor.reason], rng,
                    sensor_id=sensor.sensor_id, to_device="probable",
                )
            )  # fmt: skip
        if sensor.reason == "sensor failure" and rng.random() < (
            0.6 if kind == "implanted" else 0.05
        ):
            rows.append(
                _new(
                    course, sensor.works_until, "early replacement alert", rng,
                    sensor_id=sensor.sensor_id, deficiency_only=True, to_device="causal",
                )
            )  # fmt: skip
    return rows


def _metabolic(course: Course, rng: np.random.Generator) -> list[Complication]:
    days = course.end - course.person.joined
    rows = []
    for category, yearly in METABOLIC.items():
        if category == "diabetic ketoacidosis" and course.person.diabetes_type != "type 1":
            continue
        for _ in range(int(rng.poisson(yearly * course.person.harm * days / 365.25))):
            onset = course.person.joined + int(rng.integers(0, days + 1))
            rows.append(_new(course, onset, category, rng))
    return rows
