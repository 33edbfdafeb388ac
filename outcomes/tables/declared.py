"""The declared tables: what one row is, each column with kind, unit, range and meaning.

Ids are text. Dates are calendar dates of the clinic. Instants are UTC; where a local day matters
the local offset in minutes stands beside them. Sensor lives are whole local days, so `placed_on`,
`stopped_on` and `removed_on` are dates; the instant of a placement is kept where it is known.
"""

from __future__ import annotations

from typing import Final

from outcomes.schema import Column, Schema
from outcomes.tables.harm_terms import HARM_NAMES

KINDS: Final = ("implanted", "adhesive")
SENSOR_USE_BEFORE: Final = ("none", "adhesive", "implanted", "both", "unknown")
LOSS_REASONS: Final = (
    "sensor failure",
    "detached",
    "infection",
    "skin reaction",
    "other complication",
)
END_REASONS: Final = (
    "planned",
    *LOSS_REASONS,
    "patient choice",
    "medical need",
    "death",
    "unknown",
)
GLUCOSE_UNITS: Final = ("mg/dL", "mmol/L")
HBA1C_UNITS: Final = ("%", "mmol/mol")
HBA1C_METHODS: Final = ("laboratory", "point of care", "home", "unknown")  # in order of preference
CAPPED: Final = ("no", "below", "above")
PROCEDURE_KINDS: Final = ("placement", "removal")
SEVERITIES: Final = ("mild", "moderate", "severe")
RELATEDNESS: Final = ("not", "possible", "probable", "causal", "unknown")
RELATED: Final = ("possible", "probable", "causal")
DIABETES_TYPES: Final = ("type 1", "type 2", "other", "unknown")
SEXES: Final = ("female", "male", "other", "unknown")
LEFT: Final = "left the clinic"  # a contact of this kind ends follow-up

# Facts that rules of the toolkit read; further facts may be declared in sources.toml.
STATE_INSULIN: Final = "insulin delivery"
STATE_DRUG: Final = "other glucose-lowering drug"
STATE_TARGET: Final = "target group"
STATE_UNRELIABLE: Final = "hba1c unreliable"
STATE_PREGNANT: Final = "pregnancy"
STATE_SITE: Final = "site"

_PATIENT = Column(name="patient_id", kind="id", meaning="the clinic's id of the patient, as text")
_RECORDED = Column(
    name="recorded_on",
    kind="date",
    required=False,
    meaning="day the row entered the clinic's system: tells new data from corrected data",
)


def _category(
    name: str, categories: tuple[str, ...], meaning: str, *, required: bool = True
) -> Column:
    return Column(
        name=name, kind="category", categories=categories, meaning=meaning, required=required
    )


PATIENTS: Final = Schema(
    name="patients",
    grain="one row per patient",
    key=("patient_id",),
    extra=True,
    columns=(
        _PATIENT,
        Column(
            name="birth_year", kind="integer", low=1900, high=2100, unit="year",
            meaning="year of birth",
        ),
        _category("sex", SEXES, "sex as recorded"),
        _category("diabetes_type", DIABETES_TYPES, "type of diabetes"),
        Column(
            name="diagnosis_year", kind="integer", required=False, low=1900, high=2100,
            unit="year", meaning="year of diagnosis",
        ),
        Column(
            name="covered_from", kind="date", required=False,
            meaning="first day on which the exports would show this patient's sensors",
        ),
        _category("sensor_use_before", SENSOR_USE_BEFORE, "sensors worn before covered_from"),
        Column(name="died_on", kind="date", required=False, meaning="day of death"),
    ),
)  # fmt: skip

STATES: Final = Schema(
    name="states",
    grain="one row per dated fact about a patient",
    columns=(
        _PATIENT,
        Column(name="what", kind="text", meaning="which fact (insulin delivery, site, ...)"),
        Column(name="value", kind="text", meaning="its value"),
        Column(name="from_on", kind="date", meaning="first day of the fact"),
        Column(name="to_on", kind="date", required=False, meaning="last day of the fact"),
    ),
)

CONTACTS: Final = Schema(
    name="contacts",
    grain="one row per time that the clinic saw or spoke to a patient",
    columns=(
        _PATIENT,
        Column(name="on", kind="date", meaning="day of the contact"),
        Column(
            name="what", kind="text",
            meaning="visit, call, laboratory, procedure, offer of a sensor, left the clinic",
        ),
    ),
)  # fmt: skip

SENSORS: Final = Schema(
    name="sensors",
    grain="one row per sensor worn once",
    key=("sensor_id",),
    columns=(
        Column(name="sensor_id", kind="id", meaning="id of the device worn once"),
        _PATIENT,
        _category("kind", KINDS, "implanted or adhesive"),
        Column(name="model", kind="text", required=False, meaning="model of the sensor"),
        Column(name="lot", kind="text", required=False, meaning="production lot"),
        Column(name="placed_on", kind="date", meaning="local day of placement"),
        Column(
            name="placed_at", kind="instant", required=False,
            meaning="instant of placement, where the time of day is known",
        ),
        Column(
            name="planned_days", kind="integer", low=1, high=1000, unit="days",
            meaning="planned life, frozen at placement",
        ),
        Column(
            name="stopped_on", kind="date", required=False, meaning="last day the sensor worked"
        ),
        Column(name="stopped_by", kind="text", required=False, meaning="how that day is known"),
        Column(name="removed_on", kind="date", required=False, meaning="day of removal"),
        _category("end_reason", END_REASONS, "why the sensor's time ended", required=False),
        Column(name="body_site", kind="text", required=False, meaning="where it was worn"),
        _RECORDED,
    ),
)  # fmt: skip

PROCEDURES: Final = Schema(
    name="procedures",
    grain="one row per attempt at a placement or a removal, failed ones too",
    key=("procedure_id",),
    columns=(
        Column(name="procedure_id", kind="id", meaning="id of the procedure"),
        _PATIENT,
        Column(name="sensor_id", kind="id", required=False, meaning="the sensor it was for"),
        _category("what", PROCEDURE_KINDS, "placement or removal"),
        Column(name="on", kind="date", meaning="day of the procedure"),
        Column(
            name="attempt", kind="integer", low=1, high=20, meaning="1 for the first attempt"
        ),
        Column(name="completed", kind="flag", meaning="whether it was completed"),
        Column(name="inserter_id", kind="id", required=False, meaning="who did it"),
        Column(name="inserter_role", kind="text", required=False, meaning="their profession"),
        Column(name="supervised", kind="flag", required=False, meaning="under supervision"),
        Column(name="site", kind="text", required=False, meaning="site of the clinic"),
        _RECORDED,
    ),
)  # fmt: skip

READINGS: Final = Schema(
    name="readings",
    grain="one row per sensor value of a patient, sensor (or none) and instant",
    key=("patient_id", "sensor_id", "time"),
    columns=(
        _PATIENT,
        Column(name="time", kind="instant", meaning="instant of the value"),
        Column(
            name="local_offset", kind="integer", low=-900, high=900, unit="minutes",
            meaning="local time less UTC",
        ),
        Column(
            name="value", kind="number", low=1, high=1000,
            meaning="glucose as the file gave it: whole mg/dL or tenths of mmol/L",
        ),
        _category("unit", GLUCOSE_UNITS, "unit of the value"),
        _category("capped", CAPPED, "whether the value stands for beyond a limit"),
        Column(name="sensor_id", kind="id", required=False, meaning="the sensor that gave it"),
    ),
)  # fmt: skip

FINGERSTICKS: Final = Schema(
    name="fingersticks",
    grain="one row per meter value of a patient and instant",
    key=("patient_id", "time"),
    columns=(
        *READINGS.columns[:-1],
        Column(
            name="used_for_calibration", kind="flag", required=False,
            meaning="whether it calibrated the sensor",
        ),
    ),
)  # fmt: skip

HBA1C: Final = Schema(
    name="hba1c",
    grain="one row per draw",
    columns=(
        _PATIENT,
        Column(name="drawn_on", kind="date", meaning="day of the draw"),
        Column(
            name="value", kind="number", low=3, high=200,
            meaning="HbA1c in its own unit; 3 to 20 % or 9 to 195 mmol/mol are believed",
        ),
        _category("unit", HBA1C_UNITS, "scale of the value"),
        _category("method", HBA1C_METHODS, "where it was measured"),
        _RECORDED,
    ),
)  # fmt: skip

COMPLICATIONS: Final = Schema(
    name="complications",
    grain="one row per complication or device deficiency",
    key=("complication_id",),
    columns=(
        Column(name="complication_id", kind="id", meaning="id of the complication"),
        _PATIENT,
        Column(name="sensor_id", kind="id", required=False, meaning="the sensor it names"),
        Column(name="procedure_id", kind="id", required=False, meaning="the procedure it names"),
        Column(name="onset_on", kind="date", meaning="day it began"),
        _category("category", HARM_NAMES, "what it was, by the dictionary of complications"),
        Column(name="deficiency_only", kind="flag", meaning="a device deficiency without harm"),
        _category("severity", SEVERITIES, "mild, moderate or severe"),
        Column(name="serious", kind="flag", meaning="meets a seriousness criterion"),
        _category("related_to_device", RELATEDNESS, "relatedness to the device"),
        _category("related_to_procedure", RELATEDNESS, "relatedness to the procedure"),
        Column(name="outcome", kind="text", required=False, meaning="how it ended"),
        Column(name="action", kind="text", required=False, meaning="what was done"),
        Column(
            name="reported", kind="flag", required=False,
            meaning="marked as reported under local rules",
        ),
        _RECORDED,
    ),
)  # fmt: skip

DECLARED: Final[dict[str, Schema]] = {
    schema.name: schema
    for schema in (
        PATIENTS, STATES, CONTACTS, SENSORS, PROCEDURES, READINGS, FINGERSTICKS, HBA1C,
        COMPLICATIONS,
    )
}  # fmt: skip
NEEDED: Final = ("patients", "sensors")  # the others may be absent; the report says what is missing
