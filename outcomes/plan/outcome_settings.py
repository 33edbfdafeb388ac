"""The plan's sections of outcomes and of sensors in use: defaults, units, sources, sentences."""

from __future__ import annotations

from dataclasses import dataclass

from outcomes.plan.strict import PRACTICE, setting

CONSENSUS = "Battelino T et al. Diabetes Care 2019;42:1593-1603"


@dataclass(frozen=True, kw_only=True)
class Hba1c:
    """Which draw is the baseline, which is a visit's, and what counts as a response."""

    baseline_from_day: int = setting(
        -90, "First day of the baseline window.", unit="days from the index date", source=PRACTICE
    )
    baseline_to_day: int = setting(
        7, "Last day of the baseline window.", unit="days from the index date", source=PRACTICE
    )
    visit_months: tuple[int, ...] = setting((3, 6, 12), "Visits, by month.", unit="months")
    visit_days: tuple[int, ...] = setting(
        (91, 183, 365), "Target day of each visit.", unit="days from the index date"
    )
    window_from_days: tuple[int, ...] = setting(
        (60, 136, 305), "First day of each visit's window.", unit="days", source=PRACTICE
    )
    window_to_days: tuple[int, ...] = setting(
        (135, 240, 425), "Last day of each visit's window.", unit="days", source=PRACTICE
    )
    primary_month: int = setting(6, "The visit of the primary figure.", unit="months")
    response_points: float = setting(
        0.5,
        "A fall of this much or more is a response.",
        unit="percentage points",
        source="NICE type 2 guideline as cited by Dankers M et al. Pharmacol Res Perspect 2021",
    )
    target_percent: float = setting(
        7.0, "Below this is at target, for patients who began at or above it.", unit="%",
        source="American Diabetes Association, Standards of Care (many adults)",
    )  # fmt: skip
    bands_percent: tuple[float, ...] = setting(
        (7.0, 8.0, 9.0), "Where baseline HbA1c is cut into bands.", unit="%", source=PRACTICE
    )
    fewest_earlier: int = setting(
        30,
        "The change expected from having begun high needs so many patients of a cohort with two"
        " or more draws before their baseline.",
        unit="patients",
        source=PRACTICE,
    )
    earlier_days: int = setting(
        730, "Earlier draws count from this long before the baseline on.", unit="days",
        source=PRACTICE,
    )  # fmt: skip
    planned_sd: float | None = setting(
        None,
        "SD of HbA1c at the primary visit that the plan was made with; only then is a detectable"
        " difference given.",
        unit="percentage points",
    )
    planned_correlation: float = setting(
        0.0, "Correlation of baseline and primary visit that goes with it."
    )
    planned_power: float = setting(
        0.8, "Power at which a difference counts as detectable.", unit="probability"
    )

    def __post_init__(self) -> None:
        """Refuse visits whose lists differ in length or whose windows overlap."""
        lists = (self.visit_months, self.visit_days, self.window_from_days, self.window_to_days)
        if len({len(values) for values in lists}) != 1:
            raise ValueError("visit_months: the four lists of visits differ in length.")
        windows = list(zip(self.window_from_days, self.window_to_days, strict=True))
        ordered = [edge for window in windows for edge in window]
        if ordered != sorted(set(ordered)):
            raise ValueError(f"window_from_days: windows {windows} overlap or are not in order.")
        if self.primary_month not in self.visit_months:
            raise ValueError(f"primary_month: {self.primary_month} is not one of the visits.")
        if list(self.bands_percent) != sorted(set(self.bands_percent)) or not self.bands_percent:
            raise ValueError(f"bands_percent: {self.bands_percent} are not in ascending order.")
        if self.planned_sd is not None and not self.planned_sd > 0:
            raise ValueError(f"planned_sd: {self.planned_sd} is not above 0.")
        if not (0 < self.planned_power < 1 and -1 < self.planned_correlation < 1):
            raise ValueError(
                f"planned_power: {self.planned_power} is not between 0 and 1, or"
                f" planned_correlation {self.planned_correlation} not inside -1 to 1."
            )


@dataclass(frozen=True, kw_only=True)
class TimeInRange:
    """Periods, sufficiency of readings, and the trajectory's knots."""

    period_days: int = setting(28, "Length of a period.", unit="local days")
    last_period: int = setting(13, "Last period that is shown.", unit="periods")
    day_share: float = setting(
        0.70,
        "A day counts with this share of the readings that its length and the interval would give.",
        source=CONSENSUS,
    )
    period_counting_days: int = setting(
        14, "A period or month counts with this many counting days.", unit="days", source=CONSENSUS
    )
    quarter_counting_days: int = setting(
        60, "Lows and CV over a quarter need this many counting days.", unit="days", source=PRACTICE
    )
    first_hours: int = setting(
        24,
        "First hours of an implanted sensor left out of the counting test.",
        unit="hours",
        source=PRACTICE,
    )
    gap_minutes: int = setting(
        30, "A longer gap between readings ends an episode.", unit="minutes", source=PRACTICE
    )
    episode_minutes: int = setting(
        15, "An episode begins and ends with this many minutes.", unit="minutes",
        source="Danne T et al. Diabetes Care 2017;40:1631-1640",
    )  # fmt: skip
    prolonged_minutes: int = setting(
        120, "An episode of this length is prolonged.", unit="minutes",
        source="Danne T et al. Diabetes Care 2017;40:1631-1640",
    )  # fmt: skip
    variability: bool = setting(
        False,
        "Whether the mean of daily differences and the mean amplitude of excursions are made too.",
        source="Molnar GD et al. Diabetologia 1972;8:342-348; Service FJ et al. Diabetes"
        " 1970;19:644-655 (definitions from memory)",
    )
    knots: tuple[int, ...] = setting(
        (3, 6), "Inner knots of the trajectory.", unit="periods", source=PRACTICE
    )
    fewest_at_month_12: int = setting(
        40, "The level at month 12 is not estimated with fewer patients seen in its period.",
        unit="patients", source=PRACTICE,
    )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class SensorSurvival:
    """When a planned removal is on time, and which horizons are shown."""

    implanted_grace_before_days: int = setting(
        7, "Reason planned this long before the planned day is a planned removal.", unit="days",
        source=PRACTICE,
    )  # fmt: skip
    implanted_grace_after_days: int = setting(
        30, "A removal this long after the planned day is on time.", unit="days", source=PRACTICE
    )
    adhesive_grace_before_days: int = setting(
        1, "The same before, for adhesive sensors.", unit="days", source=PRACTICE
    )
    adhesive_grace_after_days: int = setting(
        1, "The same after, for adhesive sensors.", unit="days", source=PRACTICE
    )
    smallest_at_risk: int = setting(
        10, "Curves stop where fewer are at risk.", unit="sensors", source=PRACTICE
    )
    horizon_shares: tuple[float, ...] = setting(
        (0.25, 0.5, 0.75), "Shares of planned life at which the curves are read besides its eve.",
        unit="share",
    )  # fmt: skip
    horizon_days: tuple[int, ...] = setting(
        (7, 30, 90, 180), "Days at which they are read where every sensor is planned for longer.",
        unit="days",
    )  # fmt: skip
    replaced_within_days: tuple[int, ...] = setting(
        (30, 90), "Within these after a removal a new sensor of the kind is a re-placement.",
        unit="days", source=PRACTICE,
    )  # fmt: skip
    offered_within_days: int = setting(
        42, "A sensor placed within this after an offer followed it.", unit="days", source=PRACTICE
    )
    persistence_days: tuple[int, ...] = setting(
        (183, 365), "Days from the index date at which staying with a kind is read.", unit="days"
    )
    unit_false_alarms_a_year: float = setting(
        0.5, "Models, lots and sites that may be named falsely for early losses, in a year.",
        unit="alarms", source=PRACTICE,
    )  # fmt: skip
    fewest_unit_sensors: int = setting(
        10, "A model, lot or site with fewer sensors is counted and not judged.", unit="sensors",
        source="de Steiger RN et al. Acta Orthop 2013;84:348-352 (ten, from memory)",
    )  # fmt: skip
    fewest_unit_patients: int = setting(
        5, "So is one worn by fewer patients.", unit="patients", source=PRACTICE
    )
    projected_weeks: int = setting(8, "Weeks of removals that are projected.", unit="weeks")
    projected_quarters: int = setting(2, "Quarters that are projected.", unit="quarters")
    projection_draws: int = setting(1000, "Draws of patients behind a projection.", unit="draws")

    def __post_init__(self) -> None:
        """Refuse horizons outside the planned life, and no time at all."""
        if not all(0 < share < 1 for share in self.horizon_shares):
            raise ValueError(f"horizon_shares: {self.horizon_shares} are not between 0 and 1.")
        for name in ("horizon_days", "replaced_within_days", "persistence_days"):
            values = getattr(self, name)
            if not values or min(values) < 1:
                raise ValueError(f"{name}: {values} are not days of 1 or more.")
        if not self.unit_false_alarms_a_year > 0:
            raise ValueError(f"unit_false_alarms_a_year: {self.unit_false_alarms_a_year}.")
        counts = ("projected_weeks", "projected_quarters", "projection_draws")
        if min(getattr(self, name) for name in counts) < 1:
            raise ValueError("projected_weeks: it, the quarters and the draws are 1 or more.")

    def grace_before_days(self, kind: str) -> int:
        """Return the grace before the planned day for a kind of sensor."""
        return int(getattr(self, f"{kind}_grace_before_days"))

    def grace_after_days(self, kind: str) -> int:
        """Return the grace after the planned day for a kind of sensor."""
        return int(getattr(self, f"{kind}_grace_after_days"))


@dataclass(frozen=True, kw_only=True)
class Complications:
    """Which harm belongs to a procedure, which to wear."""

    procedure_days: int = setting(
        30, "Harm that names a procedure and begins within this is procedure harm.", unit="days",
        source=PRACTICE,
    )  # fmt: skip
    after_removal_days: int = setting(
        30, "Harm is attributed to a sensor until this long after its removal.", unit="days",
        source=PRACTICE,
    )  # fmt: skip
    metabolic_categories: tuple[str, ...] = setting(
        ("severe hypoglycaemia", "diabetic ketoacidosis", "hyperosmolar state"),
        "Categories counted per patient-year of follow-up, whatever was worn.",
    )
    foreseen_categories: tuple[str, ...] = setting(
        (), "Categories that the devices' risk files foresee; none declared leaves it unknown."
    )
    late_days: int = setting(
        30, "A complication recorded later than this after its onset is late.", unit="days",
        source=PRACTICE,
    )  # fmt: skip
    horizon_days: tuple[int, ...] = setting(
        (30, 90, 180, 365), "Days after a placement or index date at which harm is read off.",
        unit="days",
    )  # fmt: skip
    model_covariates: tuple[str, ...] = setting(
        ("age_years", "sex"), "Covariates of the models of harm."
    )
    events_per_term: int = setting(
        5, "A model of harm needs so many patients with harm for each of its terms.",
        unit="patients", source=PRACTICE,
    )  # fmt: skip
    equal_solicitation: bool = setting(
        False, "Whether both kinds were asked about harm alike; only then is there a contrast."
    )


@dataclass(frozen=True, kw_only=True)
class SensorWear:
    """How often an implanted sensor is to be calibrated, and what counts as a break in wear."""

    first_days: int = setting(
        21, "Days after the placement on which more calibrations are due.", unit="days",
        source=PRACTICE,
    )  # fmt: skip
    first_calibrations: int = setting(
        2, "Calibrations due on each of these days.", unit="per local day", source=PRACTICE
    )
    later_calibrations: int = setting(
        1, "Calibrations due on each later day.", unit="per local day", source=PRACTICE
    )
    between_days: int = setting(
        1, "Adhesive sensors further apart than this have a gap between them.", unit="days",
        source=PRACTICE,
    )  # fmt: skip

    def __post_init__(self) -> None:
        """Refuse numbers that make no rule."""
        for name in ("first_days", "first_calibrations", "later_calibrations", "between_days"):
            if getattr(self, name) < 0:
                raise ValueError(f"{name}: {getattr(self, name)} is below 0.")


@dataclass(frozen=True, kw_only=True)
class SensorAgreement:
    """Which sensor value is held against a fingerstick, and when the two agree."""

    pair_minutes: int = setting(
        5, "The sensor's value lies strictly before the fingerstick, no longer than this.",
        unit="minutes", source=PRACTICE,
    )  # fmt: skip
    switch_mg_dl: float = setting(
        100.0, "From this fingerstick value on agreement is judged in per cent, below it in mg/dL.",
        unit="mg/dL", source="papers use 100, 80 or 70; ISO 15197:2013 uses 100",
    )  # fmt: skip
    agree_within: tuple[int, ...] = setting(
        (15, 20, 30, 40), "Differences within which the two are said to agree.", unit="mg/dL or %",
        source="as in published trials of sensors",
    )  # fmt: skip
    bootstrap_draws: int = setting(
        500, "Draws of patients behind the intervals of medians, limits and concordance.",
        unit="draws",
    )  # fmt: skip

    def __post_init__(self) -> None:
        """Refuse settings under which nothing can agree."""
        if self.pair_minutes < 1 or not self.switch_mg_dl > 0:
            raise ValueError(f"pair_minutes: {self.pair_minutes}, or switch_mg_dl, is too small.")
        if not self.agree_within or min(self.agree_within) <= 0:
            raise ValueError(f"agree_within: {self.agree_within} are not above 0.")
        if self.bootstrap_draws < 100:
            raise ValueError(f"bootstrap_draws: {self.bootstrap_draws} is fewer than 100.")
