"""How far the HbA1c answer leans on missing draws and on how it was made."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import Any, Final

import numpy as np
import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.errors import EstimationError
from outcomes.figures.forest import draw_forest
from outcomes.measures.hba1c_change_rows import (
    ASSOCIATION,
    CHANGE,
    CHANGE_MODEL,
    DIFFERENCE,
    DIFFERENCE_MODEL,
    DIFFERENCE_PLAIN,
    model_rows,
    primary_month,
)
from outcomes.measures.hba1c_models import (
    REFERENCE,
    model_covariates,
    stratified_pairs,
    visit_model,
    without_other_starts,
)
from outcomes.measures.hba1c_rows import (
    CONTRAST,
    NEW,
    POINTS,
    Row,
    both_units,
    cell,
    numbers,
    record,
    table_of,
)
from outcomes.results import DASH, Result, Show, interval, number
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


def hba1c_sensitivity(cohorts: CohortSet, *, month: int | None = None) -> Result:
    """Would the answer stand if those not measured had done worse, or if it were made otherwise?

    Parameters
    ----------
    cohorts : CohortSet
    month : int, optional
        By default the plan's primary month.

    Returns
    -------
    Result
        `.table` has, for each cohort and for the difference, one row per way of making it:
        the model of all visits (primary), those with both draws, unreliable draws kept, without
        visits after another treatment was begun, missing draws imputed, and imputed ever worse;
        and the *tipping point*: how much worse than imputed the missing would have to be for the
        conclusion to change. For the difference also change scores that adjust for nothing, and
        how much of their distance from the adjusted difference the baseline explains.

    Notes
    -----
    Imputation from baseline, cohort, covariates and the visits up to this one; 20 completed
    tables, Rubin's rules with Barnard and Rubin's degrees of freedom; the plan's seed. A
    difference shifts the missing of the implanted cohort alone.

    References
    ----------
    .. [1] Barnard J, Rubin DB. Biometrika 1999;86:948-955.
    .. [2] Cro S et al. Stat Med 2020;39:2815-2842 (delta adjustment).
    """
    rules = cohorts.plan.hba1c
    at = primary_month(rules, month)
    pairs = stratified_pairs(cohorts)
    covariates, _ = model_covariates(cohorts, pairs)
    rows = [row for row in _modelled(cohorts, covariates) if row["month"] == at]
    visit = pairs.loc[(pairs["stratum"] == NEW) & (pairs["month"] == at)]
    rows += _seen_alone(visit, at)
    people, visits = _wide(pairs, cohorts, covariates, at)
    rng = np.random.default_rng(cohorts.plan.plan.seed)
    rows += _imputed_changes(people, visits, covariates, at, rng)
    rows += _imputed_differences(people, visits, covariates, at, rng, clustered=_shared(visit))
    table = table_of(rows)
    finding = _finding(table)
    shown = _forest(table)
    return Result(
        name="hba1c_sensitivity",
        title="Would the HbA1c answer stand if those not measured had done worse?",
        table=table,
        entries=[record(row) for row in table.to_dict("records")],
        finding=finding,
        caption=(
            f"Change in HbA1c at month {at}, and implanted minus adhesive, made in other ways; "
            "percentage points with 95 % intervals, new patients."
        ),
        footnotes=_footnotes(visit, cohorts, covariates),
        settings={"visit": f"month {at}", "seed": str(cohorts.plan.plan.seed),
                  "imputed tables": str(IMPUTATIONS)},
        show={name: Show(name) for name in ("who", "quantity", "estimate", "n", "note")},
        summary=_summary(table),
        drawing=partial(draw_forest, rows=shown, label="percentage points of HbA1c")
        if len(shown)
        else None,
        alt=f"Estimates with 95 % intervals under each other, by cohort and for the difference, "
        f"one line a way of making it; the primary one is filled. {finding}",
        height=1.0 + 0.27 * max(1, len(shown)),
    )  # fmt: skip


def _shared(visit: pd.DataFrame) -> bool:
    return bool(visit.groupby("patient_id")["cohort"].nunique().gt(1).any())


# --- the ways -----------------------------------------------------------------------------------


def _modelled(cohorts: CohortSet, covariates: Sequence[str]) -> list[Row]:
    """The model of all visits: as it is, with unreliable draws, and without other treatments."""
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


def _seen_alone(visit: pd.DataFrame, month: int) -> list[Row]:
    """Those with both draws: paired change, and the difference with and without adjustment."""
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


def _wide(
    pairs: pd.DataFrame, cohorts: CohortSet, covariates: Sequence[str], month: int
) -> tuple[pd.DataFrame, list[str]]:
    """One row per new patient and cohort due at the visit, with a column for every visit so far."""
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


def _imputed_changes(
    people: pd.DataFrame,
    visits: Sequence[str],
    covariates: Sequence[str],
    month: int,
    rng: np.random.Generator,
) -> list[Row]:
    """Mean change of all due with a baseline, the missing imputed and then made worse."""
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


def _imputed_differences(
    people: pd.DataFrame,
    visits: Sequence[str],
    covariates: Sequence[str],
    month: int,
    rng: np.random.Generator,
    *,
    clustered: bool,
) -> list[Row]:
    outcome = f"month_{month}"
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


# --- what is shown ------------------------------------------------------------------------------


_WAYS: Final = (
    ("model of all visits (primary)", (CHANGE_MODEL, DIFFERENCE_MODEL)),
    ("those with both draws, adjusted for baseline", (None, DIFFERENCE)),
    ("those with both draws, not adjusted", (CHANGE, DIFFERENCE_PLAIN)),
    (KEPT, (f"{CHANGE_MODEL}, {KEPT}", f"{DIFFERENCE_MODEL}, {KEPT}")),
    (NO_OTHER, (f"{CHANGE_MODEL}, {NO_OTHER}", f"{DIFFERENCE_MODEL}, {NO_OTHER}")),
    (IMPUTED, (CHANGE_IMPUTED, DIFFERENCE_IMPUTED)),
    *(
        (
            f"imputed, and worse by {delta:g}",
            (
                f"{CHANGE_IMPUTED}, and worse by {delta:g} points",
                f"{DIFFERENCE_IMPUTED}, and worse by {delta:g} points",
            ),
        )
        for delta in SHOWN_DELTAS[1:]
    ),
)
_WHO: Final = (*KINDS, CONTRAST)


def _quantity(names: tuple[str | None, str | None], who: str) -> str | None:
    return names[1] if who == CONTRAST else names[0]


def _summary(table: pd.DataFrame) -> pd.DataFrame:
    points = table.loc[table["unit"] == POINTS]
    lines = []
    for way, names in _WAYS:
        if not points["quantity"].isin([n for n in names if n]).any():
            continue
        line = {"How it is made": way}
        for who in _WHO:
            line[who.capitalize()] = _with_n(points, who, _quantity(names, who))
        lines.append(line)
    tips = points.loc[points["quantity"].str.startswith(TIPPING)]
    if len(tips):
        line = {"How it is made": "worse by how much for another conclusion"}
        for who in _WHO:
            found = tips.loc[tips["who"] == who]
            value = found["estimate"].iloc[0] if len(found) else None
            line[who.capitalize()] = (
                DASH if not len(found)
                else f"more than {DELTAS[-1]:g}" if pd.isna(value) else number(value, 1)
            )  # fmt: skip
        lines.append(line)
    return pd.DataFrame(lines)


def _with_n(points: pd.DataFrame, who: str, quantity: str | None) -> str:
    mine = points.loc[(points["who"] == who) & (points["quantity"] == quantity)]
    text = cell(mine, 2)
    return text if text == DASH else f"{text}, n = {mine['n'].iloc[0]}"


def _forest(table: pd.DataFrame) -> pd.DataFrame:
    points = table.loc[(table["unit"] == POINTS) & table["estimate"].notna()]
    rows = []
    for who in _WHO:
        for way, names in _WAYS:
            mine = points.loc[
                (points["who"] == who) & (points["quantity"] == _quantity(names, who))
            ]
            if len(mine):
                found = mine.iloc[0]
                main = way.endswith("(primary)")
                label = f"{who}: {way}" if main else way
                rows.append({"label": label, "main": main, **numbers(found)})
    return pd.DataFrame(rows, columns=["label", "main", "estimate", "conf_low", "conf_high"])


def _finding(table: pd.DataFrame) -> str:
    points = table.loc[table["unit"] == POINTS]
    tips = points.loc[points["quantity"].str.startswith(TIPPING)]
    parts = []
    for who in KINDS:
        found = tips.loc[tips["who"] == who]
        primary = points.loc[(points["who"] == who) & (points["quantity"] == CHANGE_IMPUTED)]
        if len(found) and len(primary) and primary["estimate"].notna().any():
            shown = primary.iloc[0]
            limits = interval(shown["conf_low"], shown["conf_high"], 2)
            parts.append(
                f"In the {who} cohort {found['note'].iloc[0]} (with the {shown['missing']} missing "
                f"of {shown['n_due']} imputed: {number(shown['estimate'], 2)} points, {limits})."
            )
    if not parts:
        return (
            "No due visit of this month lacks a draw that could be imputed, or too few were seen."
        )
    return " ".join(parts)


def _footnotes(visit: pd.DataFrame, cohorts: CohortSet, covariates: Sequence[str]) -> list[str]:
    begun = int((visit["drawn_on"] >= visit["other_start_on"]).sum())
    without = int(visit["baseline_percent"].isna().sum())
    names = ", ".join(name.replace("_", " ") for name in covariates) or "none"
    return [
        "The imputation takes those not measured to have gone like those who were, given "
        f"baseline, cohort, earlier visits and covariates ({names}). That cannot be checked; the "
        "lines “worse by” show how wrong it would have to be. Due patients without a baseline "
        f"({without}) are in no line.",
        "Conclusion: whether the 95 % interval lies below 0. For a cohort every missing draw is "
        "made worse; for the difference only those of the implanted cohort.",
        f"Another treatment: a glucose-lowering drug or way of giving insulin that was begun after "
        f"the index date. {begun} draws of this visit came after one; the line without them takes "
        "them as missing in the model of all visits.",
        "Adjusted and unadjusted differences answer different questions. Where patients were "
        "chosen by their measured HbA1c, the unadjusted one carries the return of high values "
        "towards the mean; where cohorts truly and lastingly differ, the adjusted one is off. The "
        "note of that row says how much the baseline accounts for.",
    ]
