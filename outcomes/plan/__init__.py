"""The analysis plan and the description of a clinic's exports, both read strictly.

Each section is one frozen dataclass; the metadata of a field holds its unit, its source and a
sentence, so that `settings("sensor_survival")` and the report print what was used.
"""

from outcomes.plan.analysis import Plan, plan_text, read_plan, settings_table
from outcomes.plan.cohort_settings import Cohorts, Frame
from outcomes.plan.comparison_settings import Comparison
from outcomes.plan.outcome_settings import (
    Complications,
    Hba1c,
    SensorAgreement,
    SensorSurvival,
    SensorWear,
    TimeInRange,
)
from outcomes.plan.quarters import Quarter, Span
from outcomes.plan.sources import ColumnSource, Sources, TableSource, read_sources
from outcomes.plan.watch_settings import Watch

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
