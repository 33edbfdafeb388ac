"""The numbers behind the change of HbA1c: one row per population, cohort, visit and quantity."""

from __future__ import annotations

from typing import Final

import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.errors import UsageError, known_names
from outcomes.measures.hba1c_models import APART, VisitModel
from outcomes.measures.hba1c_pairs import RESPONSE, TARGET, responses
from outcomes.measures.hba1c_rows import (
    CONTRAST,
    MMOL,
    NEW,
    Row,
    both_units,
    numbers,
    row,
)
from outcomes.plan import Hba1c
from outcomes.statistics.change import FEWEST_PER_ARM, ancova, paired_change
from outcomes.statistics.intervals import proportion, proportion_difference, t_interval
from outcomes.tables.declared import KINDS

OBSERVED: Final = "observed of due"
CHANGE: Final = "mean change, those with both draws"
CHANGE_MODEL: Final = "mean change, repeated-measures model"
DIFFERENCE_RESPONSE: Final = "difference in responders"
DIFFERENCE: Final = "adjusted difference at the visit"
DIFFERENCE_MODEL: Final = "adjusted difference, repeated-measures model"
DIFFERENCE_PLAIN: Final = "difference in change, not adjusted"
OTHER_START: Final = "began another treatment before the visit's draw"
NOBODY: Final = "nobody is due"
ASSOCIATION: Final = "association, not proof of cause"


def primary_month(rules: Hba1c, month: int | None) -> int:
    """Return the visit asked for, by default the plan's; refuse one that is not a visit."""
    if month is not None and month not in rules.visit_months:
        raise UsageError(
            known_names("visit month of the plan", str(month), map(str, rules.visit_months))
        )
    return rules.primary_month if month is None else month


def cohort_rows(pairs: pd.DataFrame, population: str, cohorts: CohortSet) -> list[Row]:
    """Return the rows of every cohort, stratum and visit of one population."""
    rows = []
    for cohort in KINDS:
        for stratum in (NEW, APART):
            mine = pairs.loc[(pairs["cohort"] == cohort) & (pairs["stratum"] == stratum)]
            if stratum == APART and mine.empty:
                continue
            for month in cohorts.plan.hba1c.visit_months:
                head = {
                    "population": population, "cohort": cohort, "stratum": stratum, "month": month,
                }  # fmt: skip
                rows += _visit_rows(mine.loc[mine["month"] == month], head, cohorts)
    return rows


def _visit_rows(visit: pd.DataFrame, head: Row, cohorts: CohortSet) -> list[Row]:
    due, seen = len(visit), int(visit["percent"].notna().sum())
    both = visit.dropna(subset=["change"])
    head = {**head, "n_due": due}
    observed = row(
        **head, quantity=OBSERVED, estimate=100 * seen / due if due else None, unit="% of due",
        n=seen, events=seen, missing=due - seen, method="count",
        note="" if due else NOBODY,
    )  # fmt: skip
    if not due:
        return [observed]
    return [
        observed,
        *_mean_rows(both, head, due),
        *change_rows(visit, {**head, "quantity": CHANGE}),
        _other_start_row(visit, head),
        *_response_rows(visit, head, cohorts),
    ]


def _mean_rows(both: pd.DataFrame, head: Row, due: int) -> list[Row]:
    rows = []
    for words, column in (("baseline mean", "baseline_percent"), ("visit mean", "percent")):
        for unit, values in (
            ("%", both[column]),
            (MMOL, both[column.replace("percent", "mmol_mol")]),
        ):
            mean = t_interval(values.to_numpy(dtype=float))
            rows.append(
                row(
                    **head, quantity=f"{words}, those with both draws", estimate=mean.estimate,
                    conf_low=mean.conf_low, conf_high=mean.conf_high, unit=unit, n=len(both),
                    missing=due - len(both), method=mean.method, note=mean.note,
                )
            )  # fmt: skip
    return rows


def _response_rows(visit: pd.DataFrame, head: Row, cohorts: CohortSet) -> list[Row]:
    rules = cohorts.plan.hba1c
    words = {RESPONSE: response_words(rules), TARGET: target_words(rules)}
    rows = []
    for name, (share, events, n, missing) in responses(visit, rules=rules).items():
        scaled = share.scaled(100)
        rows.append(
            row(
                **{**head, "n_due": n}, quantity=words[name], estimate=scaled.estimate,
                conf_low=scaled.conf_low, conf_high=scaled.conf_high, unit="% of due", n=n,
                events=events, missing=missing, method=share.method,
                note=share.note or (f"{missing} without both draws count as no" if missing else ""),
            )
        )  # fmt: skip
    return rows


def difference_rows(pairs: pd.DataFrame, population: str, cohorts: CohortSet) -> list[Row]:
    """Return implanted less adhesive at every visit, new patients with both draws."""
    due = pairs.loc[pairs["stratum"] == NEW]
    new = due.loc[due["change"].notna()]
    rows: list[Row] = []
    for month in cohorts.plan.hba1c.visit_months:
        visit = new.loc[new["month"] == month]
        sizes = {cohort: int((visit["cohort"] == cohort).sum()) for cohort in KINDS}
        head = {
            "population": population, "contrast": CONTRAST, "month": month, "n": len(visit),
        }  # fmt: skip
        n = f"{sizes['implanted']} implanted, {sizes['adhesive']} adhesive"
        if min(sizes.values()) < FEWEST_PER_ARM:
            note = f"not estimated: fewer than {FEWEST_PER_ARM} in the smaller arm ({n})"
            rows += both_units(**head, quantity=DIFFERENCE, note=note)
            continue
        rows.append(_response_difference(due.loc[due["month"] == month], head, cohorts))
        fit = ancova(
            visit, outcome="percent", baseline="baseline_percent", group="cohort",
            reference="adhesive", cluster="patient_id",
        )  # fmt: skip
        for quantity, frame, method in (
            (DIFFERENCE, fit.differences, "analysis of covariance on baseline"),
            (DIFFERENCE_PLAIN, fit.change_scores, "difference of mean changes"),
        ):
            rows += both_units(
                **head, quantity=quantity, **numbers(frame.iloc[0]),
                method=f"{method}, CR2 by patient, t", note=f"{ASSOCIATION} ({n})",
            )  # fmt: skip
    return rows


def _response_difference(due: pd.DataFrame, head: Row, cohorts: CohortSet) -> Row:
    """Difference in the share of responders over all due, missing draws counted as no."""
    counted = {
        cohort: responses(due.loc[due["cohort"] == cohort], rules=cohorts.plan.hba1c)[RESPONSE]
        for cohort in KINDS
    }
    (_, events, n, _), (_, other, other_n, _) = counted["implanted"], counted["adhesive"]
    shown = proportion_difference(events, n, other, other_n).scaled(100)
    return row(
        **{**head, "n": n + other_n, "n_due": n + other_n}, quantity=DIFFERENCE_RESPONSE,
        estimate=shown.estimate, conf_low=shown.conf_low, conf_high=shown.conf_high,
        unit="percentage points of patients", method=shown.method,
        note=shown.note or f"not adjusted; {ASSOCIATION}",
    )  # fmt: skip


def response_words(rules: Hba1c) -> str:
    """Return the plan's response in words."""
    return f"fall of {rules.response_points:g} points or more"


def target_words(rules: Hba1c) -> str:
    """Return the plan's target in words."""
    return f"below {rules.target_percent:g} %, of those at or above it at baseline"


def change_rows(visit: pd.DataFrame, head: Row) -> list[Row]:
    """Return the paired change of those of the due with both draws, in both units."""
    change = paired_change(visit, before="baseline_percent", after="percent")
    return both_units(
        **{**head, "n_due": len(visit)}, estimate=change.mean, conf_low=change.conf_low,
        conf_high=change.conf_high, n=change.n, missing=len(visit) - change.n,
        method="paired change, Student t", note=change.note or "",
    )  # fmt: skip


def _other_start_row(visit: pd.DataFrame, head: Row) -> Row:
    """How many of the due had begun a drug or another insulin delivery by the visit."""
    by = visit["drawn_on"].fillna(visit["window_to"])
    begun = int((visit["other_start_on"] <= by).sum())
    share = proportion(begun, len(visit), method="wilson").scaled(100)
    return row(
        **head, quantity=OTHER_START, estimate=share.estimate, conf_low=share.conf_low,
        conf_high=share.conf_high, unit="% of due", n=len(visit), events=begun,
        method=share.method, note=share.note or "",
    )  # fmt: skip


def model_rows(
    model: VisitModel, *, change: str = CHANGE_MODEL, difference: str = DIFFERENCE_MODEL
) -> list[Row]:
    """Return the rows of a fitted visit model, in both units."""
    rows: list[Row] = []
    for found in model.changes.to_dict("records"):
        n, given = (None if pd.isna(found[name]) else int(found[name]) for name in ("n", "n_given"))
        rows += both_units(
            cohort=found["cohort"], month=int(found["month"]), quantity=change, n=n, n_due=given,
            missing=None if n is None or given is None else given - n, method=model.change_method,
            note=found["note"] if isinstance(found["note"], str) else "", **numbers(found),
        )  # fmt: skip
    for found in model.differences.to_dict("records"):
        note = found["note"] if isinstance(found["note"], str) else ASSOCIATION
        rows += both_units(
            contrast=CONTRAST, month=int(found["month"]), quantity=difference, n=int(found["n"]),
            method=model.method, note=note, **numbers(found),
        )  # fmt: skip
    return rows
