"""Did HbA1c fall, and by how much?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.cohorts.draws import BASELINE_MONTH, set_aside_draws
from outcomes.measures.hba1c_change_rows import (
    CHANGE,
    CHANGE_MODEL,
    DIFFERENCE,
    DIFFERENCE_MODEL,
    DIFFERENCE_RESPONSE,
    NOBODY,
    OBSERVED,
    OTHER_START,
    cohort_rows,
    difference_rows,
    model_rows,
    primary_month,
    response_words,
    target_words,
)
from outcomes.measures.hba1c_figures import draw_changes
from outcomes.measures.hba1c_models import (
    VisitModel,
    left_out_words,
    model_covariates,
    populations,
    stratified_pairs,
    visit_model,
)
from outcomes.measures.hba1c_rows import (
    CONTRAST,
    LIMITS,
    MMOL,
    NEW,
    POINTS,
    Row,
    cell,
    plain,
    record,
    table_of,
)
from outcomes.plan import Hba1c
from outcomes.results import DASH, Result, Show, interval, number
from outcomes.statistics.change import FEWEST_PER_ARM
from outcomes.tables.declared import KINDS
from outcomes.units import counted, hba1c_difference_mmol_mol


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Hba1cChange(Result):
    """The result of `hba1c_change`; `pairs` has one row per patient, cohort and due visit."""

    pairs: pd.DataFrame


def hba1c_change(cohorts: CohortSet, *, month: int | None = None) -> Hba1cChange:
    """Did HbA1c fall after the index date, by how much, and in how many?

    Parameters
    ----------
    cohorts : CohortSet
    month : int, optional
        The visit of the answer in words; by default the plan's primary month.

    Returns
    -------
    Hba1cChange
        `.table` has one row per population, cohort (or contrast), stratum, visit and quantity:
        n observed of n due, the change by the repeated-measures model (all with a baseline), the
        change of those with both draws (Student t), baseline and visit means, responders and at
        target over all due with the missing counted (Wilson), how many had begun another
        treatment, and differences implanted minus adhesive at equal baseline. Changes in
        percentage points and in mmol/mol. Populations: *cumulative* (every visit due by the
        cut-off) and *quarter* (visits whose windows closed in this quarter). Primary figures are
        of the new patients; the stratum whose coverage is shorter or unknown stands apart.
        What is shown is one line a cohort and visit.

    Raises
    ------
    UsageError
        `month` is not a visit of the plan.

    Notes
    -----
    The repeated-measures model is visit x cohort + visit x baseline + covariates by REML, with the
    covariance structure named in `method`; changes at the cohort's own covariate means. The
    difference at one visit is an analysis of covariance with CR2 errors by patient. Both are
    refused in words under 10 in the smaller arm. Neither shows cause: patients chose their sensor.
    """
    primary = primary_month(cohorts.plan.hba1c, month)
    pairs = stratified_pairs(cohorts)
    covariates, left_out = model_covariates(cohorts, pairs)
    model = visit_model(pairs, cohorts.patients, covariates=covariates)
    rows: list[Row] = []
    for population, part in populations(pairs, cohorts):
        rows += cohort_rows(part, population, cohorts)
        rows += difference_rows(part, population, cohorts)
    rows += model_rows(model)
    table = table_of(rows)
    finding = _finding(table, primary)
    points = _points(table)
    drawn = points.loc[points["n"] >= FEWEST_PER_ARM]
    return Hba1cChange(
        name="hba1c_change",
        title="Did HbA1c fall?",
        table=table,
        entries=[record(each) for each in table.to_dict("records")],
        finding=finding,
        plain=_plain(table, primary),
        caption=(
            "Change in HbA1c from baseline to each visit in the new patients, percentage points "
            f"with 95 % intervals. Every visit due by {cohorts.cut_off}; lines marked “this "
            f"quarter”: windows that closed {cohorts.span}."
        ),
        footnotes=_footnotes(cohorts, model, covariates, left_out),
        settings=_settings(cohorts.plan.hba1c),
        show=_SHOW,
        summary=_summary(table, cohorts.plan.hba1c),
        drawing=partial(draw_changes, points=drawn, months=cohorts.plan.hba1c.visit_months)
        if len(drawn)
        else None,
        alt=_alt(finding, drawn),
        height=3.6,
        pairs=pairs,
    )


_SHOW = {name: Show(name) for name in ("who", "month", "quantity", *LIMITS, "unit", "n", "note")}


# --- what is shown ------------------------------------------------------------------------------


def _summary(table: pd.DataFrame, rules: Hba1c) -> pd.DataFrame:
    """One line a cohort and visit, and one a comparison, of the numbers in the table."""
    new = table.loc[table["stratum"] == NEW]
    lines = []
    for population in ("cumulative", "quarter"):
        part = new.loc[new["population"] == population]
        for who in (*KINDS, CONTRAST):
            mine = part.loc[part["who"] == who]
            for month in rules.visit_months:
                visit = mine.loc[mine["month"] == month]
                if _worth_a_line(visit):
                    lines.append(_line(visit, who, month, population, rules))
    return pd.DataFrame(lines).fillna(DASH)


def _worth_a_line(visit: pd.DataFrame) -> bool:
    """Whether anybody is due; of a comparison, whether there is a number."""
    cohort = visit["cohort"].notna().any()
    shown = visit["n_due"].fillna(0).gt(0) if cohort else visit["estimate"].notna()
    return bool(shown.any())


def _line(visit: pd.DataFrame, who: str, month: int, population: str, rules: Hba1c) -> Row:
    when = f"month {month}" + (", this quarter" if population == "quarter" else "")
    contrast = who == CONTRAST
    model = DIFFERENCE_MODEL if contrast else CHANGE_MODEL
    observed = visit.loc[visit["quantity"] == OBSERVED]
    line = {
        "Cohort": who,
        "Visit": when,
        "Drawn, of due": f"{observed['n'].iloc[0]} of {observed['n_due'].iloc[0]}"
        if len(observed)
        else DASH,
        "Change by the model of all visits, points": cell(visit, 2, quantity=model, unit=POINTS),
        "The same, mmol/mol": cell(visit, 1, quantity=model, unit=MMOL),
        "Change of those with both draws, points": cell(
            visit, 2, quantity=DIFFERENCE if contrast else CHANGE, unit=POINTS
        ),
        f"Fell {rules.response_points:g} or more, % of due": cell(
            visit, 0, quantity=DIFFERENCE_RESPONSE if contrast else response_words(rules)
        ),
        f"Now below {rules.target_percent:g} %, % of those due who were not": cell(
            visit, 0, quantity=target_words(rules)
        ),
    }
    begun = visit.loc[visit["quantity"] == OTHER_START, "events"]
    line["Began another treatment by then"] = str(begun.iloc[0]) if len(begun) else DASH
    return line


def headline(table: pd.DataFrame) -> pd.DataFrame:
    """Return the change shown for each cohort and visit: the model's, else the observed one."""
    mine = table.loc[
        (table["population"] == "cumulative")
        & (table["stratum"] == NEW)
        & (table["unit"] == POINTS)
        & table["quantity"].isin([CHANGE_MODEL, CHANGE])
        & table["estimate"].notna()
    ]
    order = mine.assign(second=mine["quantity"] != CHANGE_MODEL).sort_values(
        ["cohort", "month", "second"]
    )
    return order.drop_duplicates(["cohort", "month"])


def _points(table: pd.DataFrame) -> pd.DataFrame:
    observed = table.loc[
        (table["population"] == "cumulative")
        & (table["stratum"] == NEW)
        & (table["quantity"] == OBSERVED),
        ["cohort", "month", "n", "n_due"],
    ]
    chosen = headline(table)[["cohort", "month", *LIMITS, "quantity"]]
    return chosen.merge(observed, on=["cohort", "month"], how="left").astype({"month": int})


def _of_primary(table: pd.DataFrame, primary: int) -> pd.DataFrame:
    chosen = _points(table)
    return chosen.loc[chosen["month"] == primary].set_index("cohort")


def _finding(table: pd.DataFrame, primary: int) -> str:
    chosen = _of_primary(table, primary)
    shown = [_cohort_words(chosen.loc[c], c) for c in KINDS if c in chosen.index]
    absent = [c for c in KINDS if c not in chosen.index]
    if not shown:
        return f"By month {primary} no change in HbA1c can be shown: nobody due has both draws."
    first = f"By month {primary}, HbA1c changed by {' and by '.join(shown)}"
    if absent:
        first += f"; no change can be shown in the {absent[0]} cohort (nobody due has both draws)"
    return f"{first}. {_difference_words(table, primary)}"


def _cohort_words(found: pd.Series, cohort: str) -> str:
    mmol = float(hba1c_difference_mmol_mol(found["estimate"]))
    limits = interval(plain(found["conf_low"]), plain(found["conf_high"]), 2)
    return (
        f"{number(found['estimate'], 2)} points ({number(mmol, 1)} mmol/mol; 95 % interval "
        f"{limits}; {found['n']:.0f} seen of {found['n_due']:.0f} due) in the {cohort} cohort"
    )


def _difference_words(table: pd.DataFrame, primary: int) -> str:
    mine = table.loc[
        (table["population"] == "cumulative")
        & (table["month"] == primary)
        & (table["unit"] == POINTS)
        & table["quantity"].isin([DIFFERENCE_MODEL, DIFFERENCE])
    ]
    found = mine.loc[mine["estimate"].notna()]
    if found.empty:
        note = mine["note"].iloc[0] if len(mine) else NOBODY
        return f"The cohorts are not compared: {note}."
    best = found.sort_values("quantity", key=lambda q: q != DIFFERENCE_MODEL).iloc[0]
    limits = interval(plain(best["conf_low"]), plain(best["conf_high"]), 2)
    return (
        f"At the same baseline, implanted less adhesive was {number(best['estimate'], 2)} points "
        f"({limits}; n = {best['n']:.0f}), an association and not proof of cause."
    )


def _plain(table: pd.DataFrame, primary: int) -> str:
    """The same for a committee."""
    chosen = _of_primary(table, primary)
    parts = []
    for cohort in KINDS:
        if cohort in chosen.index and not pd.isna(chosen.loc[cohort, "conf_low"]):
            parts.append(f"{_everyday(chosen.loc[cohort])} with {cohort} sensors")
    if not parts:
        return ""
    return (
        f"About {primary} months after the first sensor, HbA1c was {' and '.join(parts)}. Part of "
        "such a fall happens without any sensor, because people begin when their value is high."
    )


def _everyday(found: pd.Series) -> str:
    """A change with its interval in words of lower and higher, to one decimal."""

    def side(value: float) -> str:
        return f"{number(abs(value), 1)} points {'lower' if value < 0 else 'higher'}"

    low, high = found["conf_low"], found["conf_high"]
    if low * high > 0:
        ends = sorted((abs(low), abs(high)))
        between = f"between {number(ends[0], 1)} and {number(ends[1], 1)}"
    else:
        between = f"between {side(low)} and {side(high)}"
    return f"{side(found['estimate'])} ({between})"


def _settings(rules: Hba1c) -> dict[str, str]:
    windows = zip(rules.visit_months, rules.window_from_days, rules.window_to_days, strict=True)
    return {
        "baseline window": f"days {rules.baseline_from_day} to {rules.baseline_to_day}",
        "visit windows": ", ".join(f"month {m}: days {a} to {b}" for m, a, b in windows),
        "target days": ", ".join(map(str, rules.visit_days)),
        "response": f"fall of {rules.response_points:g} points or more",
        "target": f"below {rules.target_percent:g} %",
        "primary visit": f"month {rules.primary_month}",
    }


def _footnotes(
    cohorts: CohortSet,
    model: VisitModel,
    covariates: Sequence[str],
    left_out: Mapping[str, str],
) -> list[str]:
    new = cohorts.patients.loc[cohorts.patients["new"], ["patient_id", "cohort"]]
    draws = cohorts.draws.merge(new, on=["patient_id", "cohort"])
    first = draws.loc[draws["month"] == BASELINE_MONTH]
    notes = [
        "Two figures of change stand side by side and need not agree. The model of all visits "
        "estimates the change of everybody in the cohort with a baseline, drawn at this visit or "
        "not; it is the primary one, and right where a missing draw depends on what was seen "
        "before. The other is the plain mean of those who have both draws of this visit.",
        "The model's interval for a cohort's own change counts its patients, with their baselines, "
        "as a sample of those who might have come, and lets the cohorts differ in spread: errors "
        "by patient (CR2). That of the difference between cohorts is the model's own.",
        "Model: visit x cohort, visit x baseline, covariates "
        f"({', '.join(name.replace('_', ' ') for name in covariates) or 'none'}); "
        f"{model.method or 'not fitted'}. {' '.join(model.notes)}".strip(),
        "Without a baseline draw, and so in no change: "
        f"{int(first['drawn_on'].isna().sum())} of {counted(len(first), 'new patient')} (counted "
        "per cohort).",
        "Draws that contradict another of the same day and method are left out, both "
        f"({set_aside_draws(cohorts.table('hba1c'))}); draws of days on which HbA1c is recorded "
        "as unreliable "
        f"({int(draws['unreliable'].sum())}) are left out too, and their visit stays due.",
        "Responders are counted over all due; who has no draw counts as no response. Draws go "
        "into tenths of a point before they are subtracted; each is judged in its own unit. Means "
        "are unrounded; a difference in mmol/mol is points / 0.09148, without intercept.",
        "Lines of implanted minus adhesive: at equal baseline; under “those with both draws” an "
        "analysis of covariance of that visit alone. Patients chose their sensor, so a difference "
        "is an association.",
    ]
    if left_out:
        notes.append(f"Covariates that the model leaves out: {left_out_words(left_out)}.")
    if not cohorts.has("hba1c"):
        notes.append("The study has no hba1c table, so there is no HbA1c to report.")
    return notes


def _alt(finding: str, points: pd.DataFrame) -> str:
    if points.empty:
        return finding
    return (
        "Mean change in HbA1c with 95 % intervals, by cohort, at each visit with at least "
        f"{FEWEST_PER_ARM} observed. {finding}"
    )
