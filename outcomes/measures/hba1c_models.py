"""The models behind the HbA1c answers, fitted to due visits: frames in, frames out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.cohorts.draws import visit_draws
from outcomes.cohorts.other_starts import first_start, other_starts
from outcomes.errors import EstimationError
from outcomes.measures.hba1c_pairs import due_pairs
from outcomes.measures.hba1c_rows import NEW
from outcomes.statistics.visit_means import visit_means
from outcomes.tables.declared import KINDS

APART: Final = "coverage shorter or unknown"
REFERENCE: Final = "adhesive"
PATIENTS_PER_COVARIATE: Final = 10  # with fewer the model leans on chance
_MEMBER: Final = ["patient_id", "cohort", "index_date", "follow_up_to", "follow_up_end"]


def stratified_pairs(cohorts: CohortSet, *, keep_unreliable: bool = False) -> pd.DataFrame:
    """Return `due_pairs` with `new`, `stratum` and `other_start_on` of each patient and cohort.

    `other_start_on` is the first day after the index date on which another treatment was begun.
    """
    draws = cohorts.draws
    if keep_unreliable:
        draws = visit_draws(
            cohorts.patients[_MEMBER], draws=cohorts.table("hba1c"),
            states=cohorts.table("states"), patients=cohorts.table("patients"),
            cut_off=cohorts.cut_off, rules=cohorts.plan.hba1c, keep_unreliable=True,
        )  # fmt: skip
    key = ["patient_id", "cohort"]
    pairs = due_pairs(draws).merge(
        cohorts.patients[[*key, "new", "in_both"]], on=key, validate="many_to_one"
    )
    starts = first_start(
        other_starts(cohorts.patients, cohorts.table("states"), cut_off=cohorts.cut_off)
    )
    pairs = pairs.merge(
        starts.rename(columns={"started_on": "other_start_on"}), on=key, how="left",
        validate="many_to_one",
    )  # fmt: skip
    return pairs.assign(stratum=pd.Series(np.where(pairs["new"], NEW, APART), dtype=object))


def populations(pairs: pd.DataFrame, cohorts: CohortSet) -> Iterator[tuple[str, pd.DataFrame]]:
    """Yield *cumulative* (all due visits) and *quarter* (windows that closed in it)."""
    yield "cumulative", pairs
    span = cohorts.span
    first, last = pd.Timestamp(span.first_on), pd.Timestamp(span.last_on)
    yield "quarter", pairs.loc[pairs["window_to"].between(first, last)]


def without_other_starts(pairs: pd.DataFrame) -> pd.DataFrame:
    """Return the visits with the draws missing that came after another treatment was begun."""
    draws = ["drawn_on", "percent", "mmol_mol", "tenths", "value", "change"]
    after = pairs["drawn_on"] >= pairs["other_start_on"]
    kept = pairs.copy()
    kept[draws] = kept[draws].where(~after)
    return kept


def model_covariates(cohorts: CohortSet, pairs: pd.DataFrame) -> tuple[list[str], dict[str, str]]:
    """Return the plan's covariates that the model can carry, and the others with the reason."""
    new = cohorts.patients.loc[cohorts.patients["new"]]
    asked = [name for name in cohorts.plan.cohorts.covariates if name != "baseline_hba1c"]
    left_out = {name: "not complete" for name in asked if new[name].isna().any()}
    left_out |= {
        name: "the same in everybody"
        for name in asked
        if name not in left_out and len(new[name].unique()) < 2
    }
    seen = pairs.loc[(pairs["stratum"] == NEW) & pairs["change"].notna(), "patient_id"]
    room = len(seen.unique()) // PATIENTS_PER_COVARIATE
    carried = [name for name in asked if name not in left_out]
    few = f"fewer than {PATIENTS_PER_COVARIATE} patients for each covariate"
    left_out |= dict.fromkeys(carried[room:], few)
    return carried[:room], left_out


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class VisitModel:
    """The repeated-measures model of all visits, or why there is none.

    Attributes
    ----------
    changes : DataFrame, one row per cohort and visit
        `cohort`, `month`, the numbers (points), `n`, `n_given`, `note`.
    differences : DataFrame, one row per visit
        Implanted less adhesive at equal baseline and covariates: `month`, the numbers, `n`, `note`.
    method, change_method : str
        Name the covariance structure that was used and how the errors were made: of a difference,
        and of a cohort's own change.
    notes : list of str
        Structures given up and covariates dropped on the way.
    """

    changes: pd.DataFrame
    differences: pd.DataFrame
    method: str
    change_method: str = ""
    notes: list[str] = field(default_factory=list)


def visit_model(
    pairs: pd.DataFrame, members: pd.DataFrame, *, covariates: Sequence[str]
) -> VisitModel:
    """Fit visit x cohort + visit x baseline + covariates to the new patients with a baseline.

    Parameters
    ----------
    pairs : DataFrame
        As `stratified_pairs` returns it.
    members : DataFrame, one row per patient and cohort
        `patient_id`, `cohort` and the covariates.
    covariates : sequence of str

    Notes
    -----
    Unstructured REML, differences with Satterthwaite degrees of freedom; heterogeneous compound
    symmetry, then a random intercept, where the rule gives up the one before. Where a patient is
    in both cohorts the errors are CR2 by patient. A cohort's own change always has errors by
    patient that count its people as a sample (see `visit_means`).
    """
    new = pairs.loc[(pairs["stratum"] == NEW) & pairs["baseline_percent"].notna()]
    key = ["patient_id", "cohort"]
    frame = new.merge(members[[*key, *covariates]], on=key, validate="many_to_one")
    columns = ["cohort", "month", "estimate", "conf_low", "conf_high", "n", "n_given", "note"]
    nothing = pd.DataFrame(columns=columns)
    if frame.empty:
        return VisitModel(changes=nothing, differences=nothing, method="")
    frame = frame.assign(subject=frame["patient_id"] + " " + frame["cohort"])
    both = len(set(frame.dropna(subset=["percent"])["cohort"])) == len(KINDS)
    clustered = bool(frame.groupby("patient_id")["cohort"].nunique().gt(1).any())
    try:
        fit = visit_means(
            frame, subject="subject", visit="month", outcome="percent",
            baseline="baseline_percent", group="cohort" if both else None,
            reference=REFERENCE if both else None, covariates=list(covariates),
            cluster="patient_id" if clustered else None,
        )  # fmt: skip
    except EstimationError as error:
        rows = frame[["cohort", "month"]].drop_duplicates()
        return VisitModel(
            changes=rows.reindex(columns=columns).assign(note=f"not estimated: {error}"),
            differences=nothing, method="",
        )  # fmt: skip
    only = None if both else str(frame["cohort"].iloc[0])
    changes = fit.changes.rename(columns={"group": "cohort", "visit": "month"})
    differences = fit.differences.rename(columns={"visit": "month"})
    differences["n"] += differences["n_reference"]
    errors = "CR2 by patient, Bell-McCaffrey t" if clustered else "Satterthwaite t"
    structure = "" if fit.model is None else f", {fit.model.structure} covariance"
    model = f"repeated measures, REML{structure}"
    return VisitModel(
        changes=changes if only is None else changes.assign(cohort=only),
        differences=differences,
        method=f"{model}, {errors}",
        change_method=f"{model}, CR2 by patient with the patients as a sample, Welch t",
        notes=fit.notes,
    )


def left_out_words(left_out: Mapping[str, str]) -> str:
    """Return covariates with why each was left out, for a sentence."""
    return ", ".join(f"{name.replace('_', ' ')} ({why})" for name, why in left_out.items())
