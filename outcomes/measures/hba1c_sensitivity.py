"""How far the HbA1c answer leans on missing draws and on how it was made."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Final

import numpy as np
import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.figures.forest import draw_forest
from outcomes.measures.hba1c_change_rows import (
    CHANGE,
    CHANGE_MODEL,
    DIFFERENCE,
    DIFFERENCE_MODEL,
    DIFFERENCE_PLAIN,
    primary_month,
)
from outcomes.measures.hba1c_models import (
    model_covariates,
    stratified_pairs,
)
from outcomes.measures.hba1c_rows import (
    CONTRAST,
    NEW,
    POINTS,
    cell,
    numbers,
    record,
    table_of,
)
from outcomes.measures.hba1c_ways import (
    CHANGE_IMPUTED,
    DELTAS,
    DIFFERENCE_IMPUTED,
    IMPUTATIONS,
    IMPUTED,
    KEPT,
    NO_OTHER,
    SHOWN_DELTAS,
    TIPPING,
    imputed_changes,
    imputed_differences,
    modelled,
    people_by_visit,
    seen_alone,
)
from outcomes.results import DASH, Result, Show, interval, number
from outcomes.tables.declared import KINDS
from outcomes.units import counted


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
    rows = [row for row in modelled(cohorts, covariates) if row["month"] == at]
    visit = pairs.loc[(pairs["stratum"] == NEW) & (pairs["month"] == at)]
    rows += seen_alone(visit, at)
    people, visits = people_by_visit(pairs, cohorts, covariates, at)
    rng = np.random.default_rng(cohorts.plan.plan.seed)
    rows += imputed_changes(people, visits, covariates, at, rng)
    rows += imputed_differences(people, visits, covariates, at, rng)
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
        first = True  # which names whose change it is
        for way, names in _WAYS:
            mine = points.loc[
                (points["who"] == who) & (points["quantity"] == _quantity(names, who))
            ]
            if len(mine):
                found = mine.iloc[0]
                label, main = f"{who}: {way}" if first else way, way.endswith("(primary)")
                rows.append({"label": label, "main": main, "n": found["n"], **numbers(found)})
                first = False
    return pd.DataFrame(rows, columns=["label", "main", "n", "estimate", "conf_low", "conf_high"])


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
        f"the index date. After one came {counted(begun, 'draw')} of this visit; the line without "
        "takes them as missing in the model of all visits.",
        "Adjusted and unadjusted differences answer different questions. Where patients were "
        "chosen by their measured HbA1c, the unadjusted one carries the return of high values "
        "towards the mean; where cohorts truly and lastingly differ, the adjusted one is off. The "
        "note of that row says how much the baseline accounts for.",
    ]
