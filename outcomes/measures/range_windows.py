"""The windows of every patient of the cohorts, and what each may be used for."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.cohorts.states import DENIED
from outcomes.glucose import periods, quarter, summarise
from outcomes.tables.declared import STATE_PREGNANT

CUMULATIVE: Final = "cumulative"
QUARTER: Final = "quarter"
NEW: Final = "new"  # the primary group; every other stratum is shown apart


def cohort_windows(cohorts: CohortSet, *, threads: int = 1) -> pd.DataFrame:
    """Return the metrics of every period and of this quarter, for each patient and cohort.

    Returns
    -------
    DataFrame, one row per patient, cohort and window
        What `outcomes.glucose.summarise` gives, and: `population`, `at` ("period 3", or the
        quarter), `who` ("new" or the stratum), `due` (over by the cut-off, the patient alive on
        its last day, and long enough to hold the counting days it needs), `pregnant` (touches a
        pregnancy), `usable` (due, counts, no pregnancy) and `reason` (why not, else None).
    """
    members = cohorts.patients[["patient_id", "cohort", "stratum", "new", "index_date"]]
    settings = cohorts.plan.time_in_range
    by_period = periods(members, cohorts.plan, cohorts.cut_off)
    by_quarter = quarter(members, cohorts.plan, cohorts.span)
    by_period["at"] = "period " + by_period["period"].astype(str)
    by_quarter["at"] = str(cohorts.quarter)
    windows = pd.concat(
        [by_period.assign(population=CUMULATIVE), by_quarter.assign(population=QUARTER)],
        ignore_index=True,
    )
    windows["window_id"] = pd.array(np.arange(len(windows)), dtype="Int64")
    got = summarise(
        cohorts.study, windows, settings=settings, cut_off=cohorts.cut_off, threads=threads,
        remembering=True,
    )  # fmt: skip
    got = got.merge(
        members, on=["patient_id", "cohort"], how="left", validate="many_to_one", sort=False
    ).copy()  # in one piece, so that columns can be added
    got["who"] = got["stratum"].where(~got["new"].astype(bool), NEW)
    return _judged(got, cohorts)


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
