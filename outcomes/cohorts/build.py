"""Build the cohorts of a study under a plan, as they stood at the end of a quarter."""

from __future__ import annotations

import html
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

import pandas as pd

from outcomes.cohorts.baseline import baseline
from outcomes.cohorts.cut_off import as_of
from outcomes.cohorts.draws import BASELINE_MONTH, visit_draws
from outcomes.cohorts.eligibility import PREVALENT, index_dates
from outcomes.cohorts.flow import flow
from outcomes.cohorts.follow_up import follow_up, from_index
from outcomes.cohorts.restriction import (
    COHORT,
    chosen_patients,
    patient_values,
    restricted,
    words,
)
from outcomes.cohorts.states import state_on
from outcomes.errors import UsageError, known_names
from outcomes.plan import Plan, Quarter, Span
from outcomes.results import Result, table_html
from outcomes.tables.declared import DECLARED, KINDS, READINGS, STATE_UNRELIABLE
from outcomes.tables.study import Study

TABLES = tuple(name for name in DECLARED if name != READINGS.name)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class CohortSet:
    """The cohorts of one study, plan and quarter: what every measure starts from.

    Attributes
    ----------
    study, plan, quarter, cut_off
        What they were made from; nothing after the cut-off is in any frame here.
    span : Span
        The days of *this quarter*.
    patients : DataFrame, one row per patient and cohort
        `patient_id`, `cohort`, `stratum`, `new`, `index_date`, `index_sensor_id`,
        `follow_up_to`, `follow_up_end`, `in_both`, and covariates at the index date:
        `age_years`, `diabetes_years`, `baseline_hba1c` (%), the patients' own columns, and every
        recorded state under its name.
    prevalent : DataFrame, one row per patient and kind
        Those in no cohort because they wore the kind shortly before.
    draws : DataFrame, one row per patient, cohort and visit
        See `outcomes.cohorts.draws.visit_draws`; month 0 is the baseline.
    follow_up : DataFrame, one row per patient of the study
        `last_seen_on`, `follow_up_to`, `follow_up_end`, whether in a cohort or not.
    flow, baseline : Result
    tables : mapping of name to DataFrame
        The study's tables (without the readings) as they stood at the cut-off.
    where : mapping of name to value
        What the cohorts were restricted to; empty for the whole clinic.
    """

    study: Study
    plan: Plan
    quarter: Quarter
    cut_off: date
    span: Span
    patients: pd.DataFrame
    prevalent: pd.DataFrame
    draws: pd.DataFrame
    follow_up: pd.DataFrame
    flow: Result
    baseline: Result
    tables: Mapping[str, pd.DataFrame]
    where: Mapping[str, str] = field(default_factory=dict)

    def has(self, name: str) -> bool:
        """Return whether the clinic exported the table, with or without rows."""
        return self.study.has(name)

    def table(self, name: str) -> pd.DataFrame:
        """Return a declared table as it stood at the cut-off; readings come from the study."""
        if name not in self.tables:
            raise UsageError(known_names("table of the cohorts", name, self.tables))
        return self.tables[name]

    def new(self, cohort: str) -> pd.DataFrame:
        """Return the rows of the new patients of one cohort."""
        mine = self.patients["new"] & (self.patients["cohort"] == cohort)
        return self.patients.loc[mine]

    def __repr__(self) -> str:
        return f"{self._headline()}\n{self.flow.shown().to_string(index=False)}"

    def _repr_html_(self) -> str:
        shown = table_html(self.flow.shown(), caption=self.flow.caption, numbers=["Patients"])
        return f"<div><p>{html.escape(self._headline())}</p>{shown}</div>"

    def _headline(self) -> str:
        among = f", {words(self.where)} only" if self.where else ""
        return (
            f"Cohorts of {self.study.clinic}{among}, quarter {self.quarter} ({self.span}), "
            f"cut-off {self.cut_off}. {self.flow.finding}"
        )


def build_cohorts(
    study: Study,
    plan: Plan,
    *,
    quarter: Quarter | str | None = None,
    where: Mapping[str, str] | None = None,
) -> CohortSet:
    """Build the cohorts as they stood at the end of a quarter.

    Parameters
    ----------
    study : Study
    plan : Plan
    quarter : Quarter or str, optional
        As "2026-Q3". By default the last quarter that had ended by the day of the export.
    where : mapping of name to value, optional
        Only patients with these values, such as `{"site": "north", "sex": "female"}`: columns of
        `patients` and recorded states, a state as it was on the patient's first index date (on
        the cut-off without one), so that every patient belongs to one group. `{"cohort":
        "implanted"}` keeps one kind of sensor. The flow counts those left out.

    Returns
    -------
    CohortSet

    Raises
    ------
    UsageError
        The cut-off lies after the day of the export or before the plan's start; or a name or
        value of `where` is unknown.
    """
    where = dict(where or {})
    asked = _quarter(study, quarter)
    cut_off = plan.cut_off(asked)
    _refuse_dates(study, plan, asked, cut_off)
    tables = {name: as_of(name, study.table(name), cut_off) for name in TABLES}
    ends = follow_up(
        tables["patients"],
        contacts=tables["contacts"],
        draws=tables["hba1c"],
        procedures=tables["procedures"],
        cut_off=cut_off,
        lost_after_days=plan.cohorts.lost_after_days,
    )
    found = index_dates(
        tables["sensors"],
        tables["patients"],
        start=plan.plan.start,
        coverage_days=plan.cohorts.coverage_days,
    )
    kind, everybody = where.get(COHORT), len(tables["patients"])
    if where:
        # After strata, index dates and follow-up are known, so that nobody changes by it.
        ids = chosen_patients(tables, found, where, cut_off=cut_off)
        tables = restricted(tables, ids, kind)
        ends = ends.loc[ends["patient_id"].isin(ids)].reset_index(drop=True)
        found = found.loc[found["patient_id"].isin(ids) & found["cohort"].isin(_kinds(kind))]
    members = _members(found, ends, tables, plan, cut_off)
    draws = visit_draws(
        members,
        draws=tables["hba1c"],
        states=tables["states"],
        patients=tables["patients"],
        cut_off=cut_off,
        rules=plan.hba1c,
    )
    members = _with_covariates(members, draws, tables)
    prevalent = found.loc[found["stratum"] == PREVALENT].reset_index(drop=True)
    return CohortSet(
        study=study,
        plan=plan,
        quarter=asked,
        cut_off=cut_off,
        span=plan.span(asked),
        patients=members,
        prevalent=prevalent,
        draws=draws,
        follow_up=ends,
        flow=flow(
            tables["patients"], members, prevalent, draws, tables["sensors"],
            start=plan.plan.start, cut_off=cut_off, settings=_settings(plan, cut_off),
            kinds=_kinds(kind), where=where, everybody=everybody,
        ),
        baseline=baseline(members, covariates=plan.cohorts.covariates),
        tables=tables,
        where=where,
    )  # fmt: skip


def groups(cohorts: CohortSet, name: str) -> dict[str, int]:
    """Return every group that `where` can ask for under `name`, with its number of patients.

    Parameters
    ----------
    cohorts : CohortSet
        Of the whole clinic.
    name : str
        "cohort", a column of `patients`, or a recorded state.

    Returns
    -------
    dict of value to patients, in order of value
        Each patient is in one group; "not recorded" is a group too. For "cohort", the patients
        with an index date of each kind, who can be in both.
    """
    found = pd.concat([cohorts.patients, cohorts.prevalent], ignore_index=True)
    if name == COHORT:
        return {kind: int((found["cohort"] == kind).sum()) for kind in KINDS}
    values = patient_values(cohorts.tables, found, name, cut_off=cohorts.cut_off)
    return {str(value): int(n) for value, n in values.value_counts().sort_index().items()}


def _kinds(kind: str | None) -> tuple[str, ...]:
    return KINDS if kind is None else (kind,)


def _settings(plan: Plan, cut_off: date) -> dict[str, str]:
    return {
        "plan start": str(plan.plan.start),
        "cut-off": str(cut_off),
        "new after": f"{plan.cohorts.coverage_days} covered days without the kind",
        "lost after": f"{plan.cohorts.lost_after_days} days without contact, draw or procedure",
    }


def _quarter(study: Study, quarter: Quarter | str | None) -> Quarter:
    if isinstance(quarter, Quarter):
        return quarter
    if quarter is not None:
        return Quarter.parse(quarter)
    last = Quarter.of(study.exported_on)
    return last if last.last_on <= study.exported_on else last.previous()


def _refuse_dates(study: Study, plan: Plan, quarter: Quarter, cut_off: date) -> None:
    if cut_off > study.exported_on:
        last = Quarter.of(study.exported_on).previous()
        raise UsageError(
            f"quarter {quarter}: its cut-off {cut_off} lies after the export of "
            f"{study.exported_on}. Ask for {last} or earlier, or run intake on newer exports."
        )
    if cut_off < plan.plan.start:
        raise UsageError(
            f"quarter {quarter}: its cut-off {cut_off} lies before the plan's start "
            f"{plan.plan.start}. Ask for a later quarter, or set an earlier start in plan.toml."
        )


def _members(
    found: pd.DataFrame,
    ends: pd.DataFrame,
    tables: Mapping[str, pd.DataFrame],
    plan: Plan,
    cut_off: date,
) -> pd.DataFrame:
    inside = found.loc[found["stratum"] != PREVALENT]
    members = from_index(
        inside, ends, cut_off=cut_off, lost_after_days=plan.cohorts.lost_after_days
    )
    in_both = members.duplicated("patient_id", keep=False)
    return members.assign(in_both=in_both).reset_index(drop=True)


def _with_covariates(
    members: pd.DataFrame, draws: pd.DataFrame, tables: Mapping[str, pd.DataFrame]
) -> pd.DataFrame:
    """Add what was known of each patient on the index date."""
    about = tables["patients"].drop(columns=["died_on"])
    rows = members.merge(about, on="patient_id", how="left", validate="many_to_one")
    year = rows["index_date"].dt.year.astype("Int64")
    rows["age_years"] = (year - rows["birth_year"]).astype("Float64").astype("float64")
    rows["diabetes_years"] = (year - rows["diagnosis_year"]).astype("Float64").astype("float64")
    first = draws.loc[draws["month"] == BASELINE_MONTH, ["patient_id", "cohort", "percent"]]
    rows = rows.merge(
        first.rename(columns={"percent": "baseline_hba1c"}),
        on=["patient_id", "cohort"], how="left", validate="one_to_one",
    )  # fmt: skip
    states = tables["states"]
    for what in sorted(set(states["what"]) - {STATE_UNRELIABLE}):
        value = state_on(states, what=what, at=rows, day="index_date")
        rows[what.replace(" ", "_")] = value
    return rows
