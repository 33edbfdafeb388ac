"""What the plan is for, who is in which cohort, and for how long."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from outcomes.plan.strict import PRACTICE, setting


@dataclass(frozen=True, kw_only=True)
class Frame:
    """What the plan is for, and since when."""

    name: str = setting("Quarterly outcome plan", "Name of the plan, printed in every report.")
    start: date = setting(..., "First day on which a placement can be an index date.", unit="date")
    lag_days: int = setting(
        0, "The cut-off is the quarter's last day less this.", unit="days", source=PRACTICE
    )
    seed: int = setting(20260101, "Seed of everything that draws random numbers.")
    locked_on: date | None = setting(
        None, "Day on which the plan was locked; say so before the data are seen.", unit="date"
    )


@dataclass(frozen=True, kw_only=True)
class Cohorts:
    """Who is in which cohort, and how long each patient is followed."""

    coverage_days: int = setting(
        90,
        "A patient is new to a kind after this many covered days without wearing it.",
        unit="days",
        source=PRACTICE,
    )
    lost_after_days: int = setting(
        120,
        "A patient without contact, draw or procedure for longer than this before the cut-off"
        " is lost.",
        unit="days",
        source=PRACTICE,
    )
    covariates: tuple[str, ...] = setting(
        ("age_years", "sex", "diabetes_type", "diabetes_years", "baseline_hba1c"),
        "Covariates of the baseline table and of adjusted figures.",
    )
