"""Groups of patients by what was known at the first index date, each patient in one of each."""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import numpy as np
import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.cohorts.restriction import NO_VALUE, patient_values, restrictable
from outcomes.tables.declared import STATE_SITE

AGES: Final = (18, 40, 65)  # first years of the age groups after the youngest
AGE: Final = "age group"


def patient_groups(cohorts: CohortSet) -> dict[str, pd.Series]:
    """Return every grouping of the patients: its name to one value for each patient id.

    Age group, sex, type of diabetes, site where it is recorded, and the plan's covariates: words as
    they are, the baseline HbA1c by the plan's bands, other numbers at their median. A patient is in
    one group of each, whatever the cohort.
    """
    tables = cohorts.tables
    found = pd.concat([cohorts.patients, cohorts.prevalent], ignore_index=True)
    known = set(restrictable(tables))
    declared = [name for name in cohorts.plan.cohorts.covariates if name != "age_years"]
    words = [name if name in known else name.replace("_", " ") for name in declared]
    wanted = dict.fromkeys(["sex", "diabetes_type", STATE_SITE, *words])
    groups = {AGE: _age_groups(cohorts)}
    for name in [name for name in wanted if name in known]:
        groups[name] = patient_values(tables, found, name, cut_off=cohorts.cut_off)
    for name in declared:
        if name not in groups and name.replace("_", " ") not in groups:
            groups |= _bands(cohorts, name)
    return groups


def _age_groups(cohorts: CohortSet) -> pd.Series:
    patients = cohorts.table("patients").set_index("patient_id")
    first = cohorts.patients.groupby("patient_id")["index_date"].min()
    year = first.reindex(patients.index).dt.year.fillna(cohorts.cut_off.year)
    age = (year - patients["birth_year"].astype("Float64")).astype("Float64")
    names = [f"under {AGES[0]}", *(f"{a} to {b - 1}" for a, b in pairwise(AGES))]
    names.append(f"{AGES[-1]} or older")
    return _named(age, list(AGES), names)


def _bands(cohorts: CohortSet, name: str) -> dict[str, pd.Series]:
    """A number of the plan's covariates, at the first index date; none where it does not vary."""
    members = cohorts.patients.sort_values("index_date", kind="stable")
    if name not in members or not pd.api.types.is_numeric_dtype(members[name]):
        return {}
    first = members.drop_duplicates("patient_id").set_index("patient_id")[name]
    values = first.reindex(cohorts.table("patients")["patient_id"]).astype("Float64")
    if values.dropna().nunique() < 2:
        return {}
    edges = list(cohorts.plan.hba1c.bands_percent)
    if name != "baseline_hba1c":
        edges = [float(values.median())]
    names = [f"below {edges[0]:g}", *(f"{a:g} to below {b:g}" for a, b in pairwise(edges))]
    names.append(f"{edges[-1]:g} or more")
    unit = ", %" if name == "baseline_hba1c" else ""
    shown = name.replace("_", " ").replace("hba1c", "HbA1c") + unit
    return {shown: _named(values, edges, names)}


def _named(values: pd.Series, edges: list[float] | list[int], names: list[str]) -> pd.Series:
    # Draws are in tenths: what is 8.0 must not fall below 8 by a binary fraction.
    numbers = values.to_numpy(dtype=float, na_value=0.0) + 1e-9
    place = np.searchsorted(edges, numbers, side="right")
    named = pd.Series(np.array(names, dtype=object)[place], index=values.index, dtype=object)
    return named.where(values.notna(), NO_VALUE)
