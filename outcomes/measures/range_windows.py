"""The windows of every patient of the cohorts, and what each may be used for."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.cohorts.once import once
from outcomes.cohorts.states import DENIED
from outcomes.glucose import months, periods, quarter, sensors, summary, together
from outcomes.glucose.workers import workers_of
from outcomes.tables.declared import STATE_PREGNANT

CUMULATIVE: Final = "cumulative"
QUARTER: Final = "quarter"
MONTHS: Final = "calendar months"  # of the cumulative population
NEW: Final = "new"  # the primary group; every other stratum is shown apart


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class ClinicWindows:
    """One pass over the readings of a clinic.

    `windows` has one row per patient, cohort and window with every metric: what
    `outcomes.glucose.summarise` gives, and `population` (cumulative, quarter, or calendar months,
    which are another cut through the cumulative one), `at` ("period 3", the quarter, or
    "2026-07"), `who` ("new" or the stratum), `due` (over by the cut-off, the patient alive on its
    last day, and long enough to hold the counting days it needs), `pregnant` (touches a
    pregnancy), `usable` (due, counts, no pregnancy) and `reason` (why not, else None). `shapes`
    holds the hours of the day (`outcomes.glucose.summary`) of the windows of this quarter, in
    their order. `sensors` has one row per sensor worn and population with `on_share`; `gaps` one
    per gap in such a life, by `window_id`.
    """

    windows: pd.DataFrame
    shapes: npt.NDArray[np.float64]
    sensors: pd.DataFrame
    gaps: pd.DataFrame


def cohort_windows(cohorts: CohortSet, *, threads: int = 1) -> pd.DataFrame:
    """Return the windows of the cohorts alone: `clinic_windows(...).windows`."""
    return clinic_windows(cohorts, threads=threads).windows


def clinic_windows(cohorts: CohortSet, *, threads: int = 1) -> ClinicWindows:
    """Make every window of the cohorts in one pass: periods, months, this quarter, sensors.

    The sums are remembered beside the study, so that every measure of the readings after the first
    has them at once.
    """
    made = _clinic_windows(cohorts, threads)
    # Callers may add columns to what they get.
    return replace(made, windows=made.windows.copy(), sensors=made.sensors.copy())


@once
def _clinic_windows(cohorts: CohortSet, threads: int) -> ClinicWindows:
    members = cohorts.patients[["patient_id", "cohort", "stratum", "new", "index_date"]]
    plan, cut_off, zone = cohorts.plan, cohorts.cut_off, cohorts.study.time_zone
    by_period = periods(members, plan, cut_off)
    by_month = months(members, plan, cut_off)
    by_quarter = quarter(members, plan, cohorts.span)
    worn = cohorts.table("sensors")
    asked = together(
        period=by_period.assign(at="period " + by_period["period"].astype(str)),
        month=by_month.assign(at=by_month["month"]),
        quarter=by_quarter.assign(at=str(cohorts.quarter), shaped=True),
        sensor=sensors(worn, plan, cut_off, zone=zone),
        sensor_quarter=sensors(worn, plan, cut_off, zone=zone, during=cohorts.span),
    )
    asked["shaped"] = asked["of"] == "quarter"
    got = summary(
        cohorts.study, asked, settings=plan.time_in_range, cut_off=cut_off,
        workers=workers_of(cohorts.study, threads=threads),
        remembering=True,
    )  # fmt: skip
    of_sensor = got.table["of"].isin(["sensor", "sensor_quarter"])
    lives = got.table.loc[of_sensor].reset_index(drop=True)
    lives["population"] = lives["of"].map({"sensor": CUMULATIVE, "sensor_quarter": QUARTER})
    found = got.table.loc[~of_sensor].drop(columns=["span_from", "span_to", "sensor_id"])
    found = found.merge(
        members, on=["patient_id", "cohort"], how="left", validate="many_to_one", sort=False
    ).copy()  # in one piece, so that columns can be added
    found["who"] = found["stratum"].where(~found["new"].astype(bool), NEW)
    found["population"] = found["of"].map(
        {"quarter": QUARTER, "month": MONTHS, "period": CUMULATIVE}
    )
    judged = _judged(found, cohorts)
    return ClinicWindows(windows=judged, shapes=got.shapes, sensors=lives, gaps=got.gaps)


def _judged(windows: pd.DataFrame, cohorts: CohortSet) -> pd.DataFrame:
    died = windows["patient_id"].map(cohorts.table("patients").set_index("patient_id")["died_on"])
    alive = died.isna() | (died > windows["last_on"])
    long_enough = (windows["last_on"] - windows["first_on"]).dt.days + 1 >= windows["needed_days"]
    windows["due"] = windows["closed"].astype(bool) & alive & long_enough.astype(bool)
    pregnant = _touches_pregnancy(windows, cohorts.table("states"))
    windows["pregnant"] = pregnant
    windows["usable"] = windows["due"] & windows["counts"] & ~pregnant
    few = windows["because"].notna() & (windows["because"] != "no readings")
    windows["reason"] = np.select(
        [windows["because"] == "no readings", few, pregnant],
        np.array(["no readings", "too few counting days", "touches a pregnancy"], dtype=object),
        default=np.array(None, dtype=object),
    )
    return windows


def _touches_pregnancy(windows: pd.DataFrame, states: pd.DataFrame) -> pd.Series:
    denied = states["value"].astype(str).str.strip().str.lower().isin(DENIED)
    facts = states.loc[(states["what"] == STATE_PREGNANT) & ~denied]
    columns = ["window_id", "patient_id", "first_on", "last_on"]
    both = windows[columns].merge(
        facts[["patient_id", "from_on", "to_on"]], on="patient_id", how="inner"
    )
    meets = (both["from_on"] <= both["last_on"]) & (
        both["to_on"].isna() | (both["to_on"] >= both["first_on"])
    )
    return windows["window_id"].isin(both.loc[meets, "window_id"])
