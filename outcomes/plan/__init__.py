"""The analysis plan and the description of a clinic's exports, both read strictly.

Each section is one frozen dataclass; the metadata of a field holds its unit, its source and a
sentence, so that `settings("sensor_survival")` and the report print what was used.
"""

from outcomes.plan.analysis import (
    Cohorts,
    Comparison,
    Complications,
    Frame,
    Hba1c,
    Plan,
    SensorAgreement,
    SensorSurvival,
    SensorWear,
    TimeInRange,
    Watch,
    plan_text,
    read_plan,
    settings_table,
)
from outcomes.plan.quarters import Quarter, Span
from outcomes.plan.sources import ColumnSource, Sources, TableSource, read_sources

__all__ = [
    "Cohorts",
    "ColumnSource",
    "Comparison",
    "Complications",
    "Frame",
    "Hba1c",
    "Plan",
    "Quarter",
    "SensorAgreement",
    "SensorSurvival",
    "SensorWear",
    "Sources",
    "Span",
    "TableSource",
    "TimeInRange",
    "Watch",
    "plan_text",
    "read_plan",
    "read_sources",
    "settings_table",
]
