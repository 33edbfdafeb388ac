"""The plan's section on comparing implanted with adhesive sensors."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from outcomes.errors import known_names
from outcomes.plan.strict import PRACTICE, setting


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
