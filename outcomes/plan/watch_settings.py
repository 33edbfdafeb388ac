"""The plan's section on what is watched over time."""

from __future__ import annotations

from dataclasses import dataclass

from outcomes.plan.strict import PRACTICE, setting


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
