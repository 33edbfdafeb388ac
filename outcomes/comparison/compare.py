"""The public question: how do implanted and adhesive sensors compare, and what was done for it?"""

from __future__ import annotations

from outcomes.cohorts.build import CohortSet
from outcomes.comparison.effects import hba1c_comparison
from outcomes.comparison.instrument import range_comparison
from outcomes.comparison.year import patient_year
from outcomes.errors import UsageError, known_names
from outcomes.results import Result
from outcomes.statistics.propensity import TARGETS

OUTCOMES = ("hba1c_change", "time_in_range", "year")


def compare(
    cohorts: CohortSet,
    outcome: str = "hba1c_change",
    *,
    at_month: int | None = None,
    weights: str = "overlap",
) -> Result:
    """Compare implanted with adhesive sensors in the trial that the plan emulates.

    Parameters
    ----------
    cohorts : CohortSet
    outcome : str
        "hba1c_change", the one primary outcome; "time_in_range", as each sensor reports it, with
        what a wrong sensor would do; "year", what a patient lives through, described.
    at_month : int, optional
        A visit of the plan; by default its primary month.
    weights : str, default "overlap"
        Target population; see `outcomes.statistics.propensity.score_weights`.

    Returns
    -------
    Result
        For HbA1c with `.balance`, the arms before and after weighting; `doubts`, `subgroups` take
        it further. Where an arm is too small or the arms hardly overlap, the arms are described
        and the contrast is refused in words.

    Raises
    ------
    UsageError
        An unknown outcome, month or target; the message lists the known ones.
    """
    if outcome not in OUTCOMES:
        raise UsageError(known_names("outcome that is compared", outcome, OUTCOMES))
    if weights not in TARGETS:
        raise UsageError(known_names("target population", weights, TARGETS))
    visits = cohorts.plan.hba1c
    if at_month is not None and at_month not in visits.visit_months:
        months = map(str, visits.visit_months)
        raise UsageError(known_names("visit month of the plan", str(at_month), months))
    month = visits.primary_month if at_month is None else at_month
    if outcome == "time_in_range":
        return range_comparison(cohorts, at_month=month, weights=weights)
    if outcome == "year":
        return patient_year(cohorts)
    return hba1c_comparison(cohorts, at_month=month, weights=weights)
