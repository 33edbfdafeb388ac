"""The HbA1c change at one visit made in other ways: rows of the sensitivity, frames in."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.errors import EstimationError
from outcomes.measures.hba1c_change_rows import (
    ASSOCIATION,
    CHANGE,
    CHANGE_MODEL,
    DIFFERENCE,
    DIFFERENCE_MODEL,
    DIFFERENCE_PLAIN,
    model_rows,
)
from outcomes.measures.hba1c_models import (
    REFERENCE,
    stratified_pairs,
    visit_model,
    without_other_starts,
)
from outcomes.measures.hba1c_rows import (
    CONTRAST,
    NEW,
    Row,
    both_units,
    numbers,
)
from outcomes.results import number
from outcomes.statistics.change import FEWEST_PER_ARM, ancova, paired_change
from outcomes.statistics.imputation import impute, pool, tipping_point
from outcomes.tables.declared import KINDS

DELTAS: Final = tuple(float(d) for d in np.arange(0, 2.01, 0.5))  # points worse than imputed
SHOWN_DELTAS: Final = (0.0, 0.5, 1.0)
IMPUTATIONS: Final = 20
IMPUTED: Final = "missing draws imputed"
KEPT: Final = "unreliable draws kept"
NO_OTHER: Final = "without visits after another treatment was begun"
CHANGE_IMPUTED: Final = f"mean change, {IMPUTED}"
DIFFERENCE_IMPUTED: Final = f"adjusted difference, {IMPUTED}"
TIPPING: Final = "tipping point"


def modelled(cohorts: CohortSet, covariates: Sequence[str]) -> list[Row]:
    """Return the model of all visits: as it is, with unreliable draws, without other starts."""
    rows: list[Row] = []
    pairs = stratified_pairs(cohorts)
    ways: list[tuple[str, Callable[[], pd.DataFrame]]] = [("", lambda: pairs)]
    if cohorts.draws["unreliable"].sum():
        ways.append((KEPT, lambda: stratified_pairs(cohorts, keep_unreliable=True)))
    if pairs["other_start_on"].notna().any():
        ways.append((NO_OTHER, lambda: without_other_starts(pairs)))
    for name, made in ways:
        model = visit_model(made(), cohorts.patients, covariates=covariates)
        also = f", {name}" if name else ""
        rows += model_rows(
            model, change=f"{CHANGE_MODEL}{also}", difference=f"{DIFFERENCE_MODEL}{also}"
        )
    return rows


def seen_alone(visit: pd.DataFrame, month: int) -> list[Row]:
    """Return those with both draws: paired change, and the difference, adjusted and not."""
    rows: list[Row] = []
    for cohort in KINDS:
        due = visit.loc[visit["cohort"] == cohort]
        got = paired_change(due, before="baseline_percent", after="percent")
        if len(due):
            rows += both_units(
                cohort=cohort, month=month, quantity=CHANGE, estimate=got.mean,
                conf_low=got.conf_low, conf_high=got.conf_high, n=got.n, n_due=len(due),
                missing=len(due) - got.n, method="paired change, Student t", note=got.note or "",
            )  # fmt: skip
    both = visit.loc[visit["change"].notna()]
    sizes = both["cohort"].value_counts().reindex(list(KINDS), fill_value=0)
    if int(sizes.min()) < FEWEST_PER_ARM:
        return rows
    fit = ancova(
        both, outcome="percent", baseline="baseline_percent", group="cohort",
        reference=REFERENCE, cluster="patient_id",
    )  # fmt: skip
    why = _why_they_differ(fit.description, fit.model)
    for quantity, frame, method, note in (
        (DIFFERENCE, fit.differences, "analysis of covariance on baseline", ASSOCIATION),
        (DIFFERENCE_PLAIN, fit.change_scores, "difference of mean changes", why),
    ):
        rows += both_units(
            contrast=CONTRAST, month=month, quantity=quantity, n=len(both),
            method=f"{method}, CR2 by patient, t", note=note, **numbers(frame.iloc[0]),
        )  # fmt: skip
    return rows


def _why_they_differ(description: pd.DataFrame, model: Any) -> str:
    """Without covariates the two differ by exactly (slope - 1) x difference in baseline."""
    means = description.set_index("group")["baseline_mean"]
    apart = float(means["implanted"] - means[REFERENCE])
    slope = float(model.coefficients["baseline_percent"])
    return (
        f"baselines were {number(apart, 2)} points apart and a point more at baseline goes with "
        f"{number(slope, 2)} more at the visit, so that {number((slope - 1) * apart, 2)} points of "
        f"this difference come from the baseline; {ASSOCIATION}"
    )


def people_by_visit(
    pairs: pd.DataFrame, cohorts: CohortSet, covariates: Sequence[str], month: int
) -> tuple[pd.DataFrame, list[str]]:
    """Return one row per new patient and cohort due, and the names of the columns of visits."""
    new = pairs.loc[(pairs["stratum"] == NEW) & pairs["baseline_percent"].notna()]
    key = ["patient_id", "cohort"]
    so_far = new.loc[new["month"] <= month]
    # Not `pivot_table`: a reshape that could average is never used.
    wide = so_far.pivot(index=key, columns="month", values="percent")  # noqa: PD010
    visits = [f"month_{each}" for each in wide.columns]
    wide.columns = pd.Index(visits)
    due = new.loc[new["month"] == month, [*key, "baseline_percent"]]
    people = due.merge(wide.reset_index(), on=key, validate="one_to_one")
    people = people.merge(cohorts.patients[[*key, *covariates]], on=key, validate="one_to_one")
    enough = [name for name in visits if people[name].notna().sum() >= FEWEST_PER_ARM]
    return people.sort_values(key, ignore_index=True), enough


def imputed_changes(
    people: pd.DataFrame,
    visits: Sequence[str],
    covariates: Sequence[str],
    month: int,
    rng: np.random.Generator,
) -> list[Row]:
    """Return the mean change of all due, the missing imputed and then made worse."""
    outcome = f"month_{month}"
    gaps = people[outcome].isna() if outcome in visits else pd.Series(dtype=bool)
    if not gaps.any():
        return []
    names = [*covariates, *(["cohort"] if len(set(people["cohort"])) > 1 else [])]
    try:
        completed = impute(
            people, columns=list(visits), predictors=["baseline_percent", *names], rng=rng,
            n_imputations=IMPUTATIONS,
        )  # fmt: skip
    except EstimationError as error:
        return both_units(
            cohort=str(people["cohort"].iloc[0]), month=month, quantity=CHANGE_IMPUTED,
            note=f"not estimated: {error}",
        )  # fmt: skip
    rows: list[Row] = []
    for cohort in KINDS:
        mine = (people["cohort"] == cohort).to_numpy()
        seen = int((mine & ~gaps.to_numpy()).sum())
        if seen < FEWEST_PER_ARM:
            continue
        changes = [
            (filled[outcome] - people["baseline_percent"]).to_numpy()[mine] for filled in completed
        ]
        moved = gaps.to_numpy()[mine]
        found = [_pooled([change + delta * moved for change in changes]) for delta in DELTAS]
        head = {
            "cohort": cohort, "month": month, "n": int(mine.sum()), "n_due": int(mine.sum()),
            "missing": int(moved.sum()), "method": "multiple imputation, Rubin's rules",
        }  # fmt: skip
        rows += _worse_rows(found, head, CHANGE_IMPUTED, "those not measured")
    return rows


def _pooled(changes: list[np.ndarray]) -> Row:
    n = len(changes[0])
    pooled = pool(
        [float(change.mean()) for change in changes],
        [float(change.var(ddof=1) / n) for change in changes],
        complete_df=n - 1,
    )
    return {
        "estimate": pooled.estimate, "conf_low": pooled.conf_low, "conf_high": pooled.conf_high,
    }  # fmt: skip


def imputed_differences(
    people: pd.DataFrame,
    visits: Sequence[str],
    covariates: Sequence[str],
    month: int,
    rng: np.random.Generator,
) -> list[Row]:
    """Return the difference at equal baseline, the missing imputed and then made worse."""
    outcome = f"month_{month}"
    clustered = bool(people["patient_id"].duplicated().any())  # somebody is in both cohorts
    if outcome not in visits or not people[outcome].isna().any():
        return []
    seen = people.loc[people[outcome].notna(), "cohort"].value_counts()
    if len(seen) < len(KINDS) or int(seen.min()) < FEWEST_PER_ARM:
        return []
    try:
        found = tipping_point(
            people, visits=list(visits), outcome=outcome, baseline="baseline_percent",
            group="cohort", reference=REFERENCE, covariates=list(covariates), deltas=DELTAS,
            rng=rng, cluster="patient_id" if clustered else None, n_imputations=IMPUTATIONS,
        )  # fmt: skip
    except EstimationError as error:
        return both_units(
            contrast=CONTRAST, month=month, quantity=DIFFERENCE_IMPUTED,
            note=f"not estimated: {error}",
        )  # fmt: skip
    missing = int((people[outcome].isna() & (people["cohort"] != REFERENCE)).sum())
    head = {
        "contrast": CONTRAST, "month": month, "n": len(people), "n_due": len(people),
        "missing": int(people[outcome].isna().sum()),
        "method": "multiple imputation, Rubin's rules; the missing of the implanted made worse",
    }  # fmt: skip
    who = f"the {missing} implanted patients not measured"
    return _worse_rows(found.to_dict("records"), head, DIFFERENCE_IMPUTED, who)


def _worse_rows(found: Sequence[Row], head: Row, quantity: str, who: str) -> list[Row]:
    """Rows of the imputation and of some deltas, and the tipping point in numbers and words."""
    rows: list[Row] = []
    for delta, each in zip(DELTAS, found, strict=True):
        if delta in SHOWN_DELTAS:
            worse = f", and worse by {delta:g} points" if delta else ""
            rows += both_units(**head, quantity=f"{quantity}{worse}", **numbers(each))
    tip = _tip(found)
    words = _tip_words(found[0], tip, who)
    rows += both_units(**head, quantity=f"{TIPPING}, {quantity}", estimate=tip, note=words)
    return rows


def _tip(found: Sequence[Row]) -> float | None:
    """Delta at which the interval begins (or ceases) to hold 0, between two deltas by a line.

    Where the interval lies below 0 its upper limit must reach 0; where it holds 0 its lower
    limit must pass it. None where no delta tried does.
    """
    first = found[0]
    side = "conf_high" if first["conf_high"] < 0 else "conf_low"
    limits = np.array([float(each[side]) for each in found])
    if limits[0] >= 0 or limits.max() < 0:
        return None
    after = int(np.argmax(limits >= 0))
    before = after - 1
    share = -limits[before] / (limits[after] - limits[before])
    return float(DELTAS[before] + share * (DELTAS[after] - DELTAS[before]))


def _tip_words(first: Row, delta: float | None, who: str) -> str:
    if first["conf_low"] > 0:
        return "already above 0 as imputed; worse values only add to it"
    holds = "that there was a fall" if first["conf_high"] < 0 else "that no rise is shown"
    if delta is None:
        return f"the conclusion {holds} holds even if {who} did {DELTAS[-1]:g} points worse"
    return (
        f"the conclusion {holds} holds until {who} did {number(delta, 1)} points worse than "
        "expected from what is known of them"
    )
