"""The sections of `plan.toml`: every default with its unit, its source and a sentence."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import MISSING, asdict, dataclass, field, fields
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from outcomes.errors import UsageError, known_names
from outcomes.plan.quarters import Quarter, Span
from outcomes.plan.strict import Document, build, setting

PRACTICE = "common practice, no source"
CONSENSUS = "Battelino T et al. Diabetes Care 2019;42:1593-1603"


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
class Comparison:
    """How implanted and adhesive sensors are compared, and what would count as confirmation."""

    primary_trial: str = setting(
        "switch or stay",
        'The trial of the primary contrast: "switch or stay" among wearers of adhesive sensors, or'
        ' "first sensor" among patients who never wore one.',
    )
    adhesive_days: int = setting(
        90, "Switch or stay is asked of patients on adhesive sensors for this long.", unit="days",
        source=PRACTICE,
    )  # fmt: skip
    wear_gap_days: int = setting(
        14, "A gap of this length or less between two sensors of a kind does not end its wear.",
        unit="days", source=PRACTICE,
    )  # fmt: skip
    time_zero_contacts: tuple[str, ...] = setting(
        ("visit", "offer of a sensor"), "Contacts at which either kind was possible."
    )
    decision_days: int = setting(
        42, "A sensor placed within this after the contact was decided at it.", unit="days",
        source=PRACTICE,
    )  # fmt: skip
    covariates: tuple[str, ...] = setting(
        (
            "age_years",
            "sex",
            "diabetes_type",
            "diabetes_years",
            "baseline_hba1c",
            "calendar_years",
        ),
        "Covariates of the propensity score and of the outcome model, as known at time zero.",
    )
    missing_covariates: str = setting(
        "left out",
        'What becomes of patients without a covariate: "left out", or "own level" (a level of a'
        " category; the mean and an indicator for a number).",
    )
    spline_covariate: str = setting("baseline_hba1c", "Covariate that enters as a natural spline.")
    spline_knots: tuple[float, ...] = setting(
        (6.5, 7.5, 8.5, 10.0), "Its knots, the boundaries first and last.", unit="of the covariate"
    )
    bootstrap_draws: int = setting(1000, "Draws of patients behind an interval.", unit="draws")
    fewest_per_arm: int = setting(
        10, "With fewer patients in an arm it is described, never contrasted.", unit="patients",
        source=PRACTICE,
    )  # fmt: skip
    fewest_overlapping: int = setting(
        8,
        "The arms are not contrasted with fewer patients in either whose score, arms taken as"
        " equally large, lies between 0.1 and 0.9, or with fewer effective patients.",
        unit="patients",
        source="range: Crump RK et al. Biometrika 2009;96:187-199",
    )
    reasons_measured: bool = setting(
        False,
        "Whether the plan holds that every reason for the choice of sensor is among the covariates;"
        " only then is the word effect used.",
    )
    confirmatory_on: tuple[date, ...] = setting(
        (), "Cut-offs at which the primary contrast is confirmatory; at all others exploratory."
    )
    subgroups: tuple[str, ...] = setting(
        (), "Covariates whose levels are shown as a forest, with their interaction."
    )
    negative_control: str | None = setting(
        None,
        'An outcome that the kind of sensor cannot change: "earlier_hba1c" (a draw 91 to 365 days'
        " before time zero), or a declared covariate that is a number.",
    )
    hidden_effects: tuple[float, ...] = setting(
        (0.1, 0.25, 0.5), "Assumed effect on HbA1c of something unmeasured, per unit (or yes).",
        unit="percentage points",
    )  # fmt: skip
    hidden_imbalances: tuple[float, ...] = setting(
        (0.1, 0.25, 0.5), "Assumed difference of it between the arms, given what was measured.",
        unit="units (or share)",
    )  # fmt: skip
    shifts_mg_dl: tuple[int, ...] = setting(
        (5, 10), "By how much a kind of sensor is assumed to read too high or too low.",
        unit="mg/dL", source="a constant difference between systems; sizes by practice",
    )  # fmt: skip
    leave_out_by: str = setting("site", "Each level of this covariate is left out once.")

    def __post_init__(self) -> None:
        """Refuse words that no rule knows, and knots out of order."""
        for name, known in (
            ("primary_trial", ("switch or stay", "first sensor")),
            ("missing_covariates", ("left out", "own level")),
        ):
            if getattr(self, name) not in known:
                raise ValueError(f"{name}: {known_names(name, getattr(self, name), known)}")
        knots = self.spline_knots
        if len(knots) < 3 or list(knots) != sorted(set(knots)):
            raise ValueError(f"spline_knots: {knots} are not three or more in ascending order.")
        if self.bootstrap_draws < 2:
            raise ValueError(f"bootstrap_draws: {self.bootstrap_draws} is fewer than 2.")
        if not (self.shifts_mg_dl and self.hidden_effects and self.hidden_imbalances):
            raise ValueError("shifts_mg_dl: it and the hidden strengths need at least one value.")


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


@dataclass(frozen=True, kw_only=True)
class Watch:
    """What is watched over time, against which reference, and how many false rows are allowed."""

    reference_months: int = setting(
        12,
        "Months from the plan's start that are the reference, where no level is declared below."
        " They are never moved.",
        unit="months",
        source=PRACTICE,
    )
    reference_procedure_harm: float | None = setting(
        None, "Declared share of attempted procedures with harm.", unit="share"
    )
    reference_not_completed: float | None = setting(
        None, "Declared share of attempts that are not completed.", unit="share"
    )
    reference_wear_harm_implanted: float | None = setting(
        None, "Declared rate of patients with harm of wear in a month.", unit="per patient-year"
    )
    reference_wear_harm_adhesive: float | None = setting(
        None, "The same for adhesive sensors.", unit="per patient-year"
    )
    reference_losses_implanted: float | None = setting(
        None, "Declared rate of sensors lost before their planned day.", unit="per sensor-year"
    )
    reference_losses_adhesive: float | None = setting(
        None, "The same for adhesive sensors.", unit="per sensor-year"
    )
    reference_visits_without_draw: float | None = setting(
        None, "Declared share of due HbA1c visits without a draw.", unit="share"
    )
    reference_serious_related: float | None = setting(
        None, "Declared rate of serious harm related to device or procedure.",
        unit="per sensor-year",
    )  # fmt: skip
    reference_site_infection: float | None = setting(
        None, "Declared rate of infections where an implanted sensor is or was.",
        unit="per sensor-year",
    )  # fmt: skip
    false_rows_a_year: float = setting(
        1.0, "Rows of the table of what needs attention that may be false, in a programme-year.",
        unit="rows", source=PRACTICE,
    )  # fmt: skip
    run_length: int = setting(
        8, "So many months in a row above the median are a row.", unit="months",
        source="Western Electric, Statistical Quality Control Handbook, 1956",
    )  # fmt: skip
    runs_from_expected: float = setting(
        4.0, "Runs are read only where so many events a month are expected.", unit="events",
        source=PRACTICE,
    )  # fmt: skip
    gaps_together: int = setting(
        3, "So many gaps between rare events are taken together.", unit="gaps", source=PRACTICE
    )
    site_months: int = setting(
        12, "Procedures of a site over so many months are compared.", unit="months",
        source=PRACTICE,
    )  # fmt: skip
    funnel_from_sites: int = setting(
        8, "From so many sites on a funnel is drawn; before, observed against expected.",
        unit="sites", source=PRACTICE,
    )  # fmt: skip
    fewest_site_procedures: int = setting(
        10, "A site with fewer procedures is counted and not judged.", unit="procedures",
        source="Spiegelhalter DJ. Stat Med 2005;24:1185-1202, and practice",
    )  # fmt: skip
    p0: float = setting(
        0.05, "Acceptable share of failed procedures of an inserter.", unit="share",
        source="5 and 15 % as in published gastrostomy training",
    )  # fmt: skip
    p1: float = setting(0.15, "Unacceptable share of the same.", unit="share")
    alpha: float = setting(
        0.05, "Chance of calling an acceptable inserter unacceptable.", unit="probability"
    )
    beta: float = setting(
        0.10, "Chance of calling an unacceptable inserter acceptable.", unit="probability"
    )
    sequential_from: int = setting(
        11,
        "The sequential chart starts with this procedure; observed less expected starts with the"
        " first.",
        unit="procedures",
        source=PRACTICE,
    )
    early_loss_days: int = setting(
        14, "A sensor lost within this after its placement is a failed placement.", unit="days",
        source=PRACTICE,
    )  # fmt: skip
    infection_days: int = setting(
        30, "An infection within this after a procedure is a failed procedure.", unit="days",
        source=PRACTICE,
    )  # fmt: skip
    fewest_per_role: int = setting(
        5, "Committees see no inserters of a role with fewer.", unit="inserters", source=PRACTICE
    )
    simulated_years: int = setting(
        2000, "Programme-years of the simulation of false rows.", unit="years"
    )

    def __post_init__(self) -> None:
        """Refuse settings that make no chart."""
        if not 0 < self.p0 < self.p1 < 1:
            raise ValueError(f"p0: {self.p0} is not above 0 and below p1 ({self.p1}).")
        if not (0 < self.alpha < 1 and 0 < self.beta < 1 and self.alpha + self.beta < 1):
            raise ValueError(f"alpha: {self.alpha} and beta {self.beta} do not add to under 1.")
        if not self.false_rows_a_year > 0:
            raise ValueError(f"false_rows_a_year: {self.false_rows_a_year} is not above 0.")
        counts = ("reference_months", "run_length", "gaps_together", "site_months",
                  "sequential_from", "simulated_years")  # fmt: skip
        for name in counts:
            if getattr(self, name) < (2 if name == "run_length" else 1):
                raise ValueError(f"{name}: {getattr(self, name)} is too small.")


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A resolved analysis plan; every section has its defaults filled in."""

    plan: Frame
    cohorts: Cohorts = field(default_factory=Cohorts)
    hba1c: Hba1c = field(default_factory=Hba1c)
    time_in_range: TimeInRange = field(default_factory=TimeInRange)
    sensor_survival: SensorSurvival = field(default_factory=SensorSurvival)
    complications: Complications = field(default_factory=Complications)
    comparison: Comparison = field(default_factory=Comparison)
    watch: Watch = field(default_factory=Watch)
    sensor_wear: SensorWear = field(default_factory=SensorWear)
    sensor_agreement: SensorAgreement = field(default_factory=SensorAgreement)

    @property
    def fingerprint(self) -> str:
        """Twelve hexadecimal digits that change when any resolved setting changes."""
        text = json.dumps(asdict(self), sort_keys=True, default=str)
        return hashlib.sha256(text.encode()).hexdigest()[:12]

    def cut_off(self, quarter: Quarter) -> date:
        """Return the last day that data count in a report on `quarter`."""
        return quarter.cut_off(self.plan.lag_days)

    def span(self, quarter: Quarter) -> Span:
        """Return the days of *this quarter*."""
        return quarter.span(self.plan.lag_days)


def read_plan(path: str | Path) -> Plan:
    """Read `plan.toml` strictly; an unknown key is an error that lists the known ones.

    Raises
    ------
    SettingsError
        The file is absent or not TOML, a key is unknown or missing, or a value has the wrong
        type; the message names file, line, key and value.
    """
    document = Document.open(Path(path))
    return build(Plan, document.values, document)


def settings_table(section: str) -> pd.DataFrame:
    """Return every setting of a plan section: name, default, unit, source and sentence.

    Parameters
    ----------
    section : str
        "plan", "cohorts", "hba1c", "time_in_range", "sensor_survival", "complications",
        "comparison", "watch", "sensor_wear" or "sensor_agreement".
    """
    sections = _sections()
    if section not in sections:
        raise UsageError(known_names("section of the plan", section, sections))
    rows = [
        {
            "setting": f.name,
            "default": "must be given" if f.default is MISSING else _toml(f.default),
            "unit": f.metadata["unit"],
            "source": f.metadata["source"],
            "sentence": f.metadata["sentence"],
        }
        for f in fields(sections[section])
    ]
    return pd.DataFrame(rows)


def plan_text(plan: Plan) -> str:
    """Return the resolved plan as the text of a `plan.toml`, each setting with its sentence."""
    return "\n".join(_plan_lines(plan)) + "\n"


def _sections() -> dict[str, Any]:
    return {
        "plan": Frame,
        "cohorts": Cohorts,
        "hba1c": Hba1c,
        "time_in_range": TimeInRange,
        "sensor_survival": SensorSurvival,
        "complications": Complications,
        "comparison": Comparison,
        "watch": Watch,
        "sensor_wear": SensorWear,
        "sensor_agreement": SensorAgreement,
    }


def _plan_lines(plan: Plan) -> Iterator[str]:
    yield "# Analysis plan. Change a value before the data are seen, and set locked_on."
    for name, cls in _sections().items():
        yield f"\n[{name}]"
        for f in fields(cls):
            value = getattr(getattr(plan, name), f.name)
            unit = f" ({f.metadata['unit']})" if f.metadata["unit"] else ""
            yield f"# {f.metadata['sentence']}{unit}"
            yield f"{f.name} = {_toml(value)}" if value is not None else f"# {f.name} = "


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, tuple):
        return f"[{', '.join(map(_toml, value))}]"
    return str(value)
