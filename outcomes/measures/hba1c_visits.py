"""Who had an HbA1c when it was due, and why the others have none."""

from __future__ import annotations

from functools import partial
from typing import Any, Final

import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.cohorts.draws import (
    BASELINE_MONTH,
    DIED,
    LEFT_OR_LOST,
    NO_DRAW,
    NOT_YET_DUE,
    UNRELIABLE,
    set_aside_draws,
)
from outcomes.measures.hba1c_figures import draw_visits
from outcomes.measures.hba1c_models import APART
from outcomes.measures.hba1c_rows import NEW, OUTCOME
from outcomes.results import Record, Result, Show, number
from outcomes.statistics.intervals import proportion
from outcomes.tables.declared import KINDS

REASONS: Final = (NO_DRAW, LEFT_OR_LOST, UNRELIABLE)  # why a due visit has no draw
NOT_DUE: Final = (NOT_YET_DUE, DIED)
POINT_OF_CARE: Final = "point of care"

Row = dict[str, Any]


def hba1c_visits(cohorts: CohortSet) -> Result:
    """Who had an HbA1c when it was due, and why do the others have none?

    Returns
    -------
    Result
        `.table` has one row per population, cohort, stratum and visit (month 0 is the baseline):
        `n` patients, `not_yet_due`, `died`, `n_due`, `drawn`, `estimate` (drawn, % of due, with
        its Wilson interval), due visits without a draw by reason, and of the draws chosen how
        many were from point of care or home, and how many further draws their windows held.
        Every patient of a cohort stands in exactly one column of each visit.
    """
    rows = [
        made
        for population, draws in _populations(cohorts)
        for made in _rows(draws, population, cohorts)
    ]
    table = pd.DataFrame(rows, columns=_COLUMNS)
    primary = cohorts.plan.hba1c.primary_month
    new = table.loc[(table["population"] == "cumulative") & (table["stratum"] == NEW)]
    drawn = new.loc[(new["month"] != BASELINE_MONTH) & (new["n_due"] > 0)]
    finding = _finding(drawn, primary)
    return Result(
        name="hba1c_visits",
        title="Who had an HbA1c when it was due?",
        table=table,
        entries=[entry for row in rows for entry in _records(row)],
        finding=finding,
        caption=(
            "New patients at the baseline and at each visit: how many were due by "
            f"{cohorts.cut_off}, how many had a draw in the window, and why the others have none. "
            f"This quarter: windows that closed {cohorts.span}."
        ),
        footnotes=_footnotes(cohorts),
        settings={
            "baseline window": f"days {cohorts.plan.hba1c.baseline_from_day} to "
            f"{cohorts.plan.hba1c.baseline_to_day}",
            "lost after": f"{cohorts.plan.cohorts.lost_after_days} days",
        },
        show={name: Show(name) for name in ("cohort", "month", "n_due", "drawn")},
        summary=_summary(table),
        drawing=partial(draw_visits, visits=drawn, reasons=REASONS) if len(drawn) else None,
        alt=f"Bars of the patients due at each visit, by cohort, split into drawn and the reasons "
        f"for no draw. {finding}",
        height=1.4 + 0.34 * max(1, len(drawn)),
    )


_COUNTS: Final = (*NOT_DUE, *REASONS)
_COLUMNS = [
    *("population", "cohort", "stratum", "month", "n", *NOT_DUE, "n_due", "drawn", *REASONS),
    *("estimate", "conf_low", "conf_high", "unit", "point_of_care", "home_or_unknown"),
    *("further_draws", "unreliable_draws", "note"),
]


def _populations(cohorts: CohortSet) -> list[tuple[str, pd.DataFrame]]:
    members = cohorts.patients[["patient_id", "cohort", "new"]]
    draws = cohorts.draws.merge(members, on=["patient_id", "cohort"], validate="many_to_one")
    first, last = pd.Timestamp(cohorts.span.first_on), pd.Timestamp(cohorts.span.last_on)
    closed = draws["window_to"].between(first, last) & (draws["month"] != BASELINE_MONTH)
    return [("cumulative", draws), ("quarter", draws.loc[closed])]


def _rows(draws: pd.DataFrame, population: str, cohorts: CohortSet) -> list[Row]:
    rows = []
    months = [BASELINE_MONTH] * (population == "cumulative") + [*cohorts.plan.hba1c.visit_months]
    for cohort in KINDS:
        for stratum in (NEW, APART):
            mine = draws.loc[(draws["cohort"] == cohort) & (draws["new"] == (stratum == NEW))]
            if stratum == APART and mine.empty:
                continue
            for month in months:
                head = {
                    "population": population, "cohort": cohort, "stratum": stratum, "month": month,
                }  # fmt: skip
                rows.append({**head, **_counts(mine.loc[mine["month"] == month])})
    return rows


def _counts(visit: pd.DataFrame) -> Row:
    because = visit["missing_because"].value_counts()
    drawn = visit.loc[visit["drawn_on"].notna()]
    counts = {name: int(because.get(name, 0)) for name in _COUNTS}
    due = len(drawn) + sum(counts[name] for name in REASONS)
    share = proportion(len(drawn), due, method="wilson").scaled(100)
    by_lab = drawn["method"] == "laboratory"
    by_poc = drawn["method"] == POINT_OF_CARE
    return {
        "n": len(visit), **counts, "n_due": due, "drawn": len(drawn), "estimate": share.estimate,
        "conf_low": share.conf_low, "conf_high": share.conf_high, "unit": "% of due",
        "point_of_care": int(by_poc.sum()), "home_or_unknown": int((~by_lab & ~by_poc).sum()),
        "further_draws": int(visit["further"].sum()),
        "unreliable_draws": int(visit["unreliable"].sum()), "note": share.note or "",
    }  # fmt: skip


def _records(row: Row) -> list[Record]:
    head: dict[str, Any] = {
        "outcome": OUTCOME, "population": row["population"], "cohort": row["cohort"],
        "at": "baseline" if row["month"] == BASELINE_MONTH else f"month {row['month']}",
        "by": {} if row["stratum"] == NEW else {"stratum": row["stratum"]},
    }  # fmt: skip
    made = [
        Record(
            **head, quantity="drawn of due", estimate=row["estimate"], conf_low=row["conf_low"],
            conf_high=row["conf_high"], n_patients=row["n_due"], n_units=row["n_due"],
            events=row["drawn"], unit="% of due", method="Wilson", note=row["note"] or None,
        )
    ]  # fmt: skip
    for name in _COUNTS:
        made.append(
            Record(
                **head, quantity=f"visits without a draw: {name}", estimate=float(row[name]),
                level=None, n_patients=row["n"], n_units=row["n"], events=row[name],
                unit="patients", method="count",
            )
        )  # fmt: skip
    return made


def _summary(table: pd.DataFrame) -> pd.DataFrame:
    lines = []
    for row in table.loc[table["stratum"] == NEW].to_dict("records"):
        if row["population"] == "quarter" and row["n"] == 0:
            continue
        visit = "baseline" if row["month"] == BASELINE_MONTH else f"month {row['month']}"
        lines.append(
            {
                "Cohort": row["cohort"],
                "Visit": visit + (", this quarter" if row["population"] == "quarter" else ""),
                "Patients": row["n"],
                "Not yet due": row[NOT_YET_DUE],
                "Died": row[DIED],
                "Due": row["n_due"],
                "Drawn": row["drawn"],
                "Left or lost": row[LEFT_OR_LOST],
                "Only unreliable": row[UNRELIABLE],
                "No draw": row[NO_DRAW],
                "Of the drawn: point of care": row["point_of_care"],
                "Further draws in the window": row["further_draws"],
            }
        )
    return pd.DataFrame(lines)


def _finding(drawn: pd.DataFrame, primary: int) -> str:
    mine = drawn.loc[drawn["month"] == primary].set_index("cohort")
    if mine.empty:
        return f"No new patient is due at month {primary} yet."
    parts = [
        f"{mine.loc[cohort, 'drawn']} of {mine.loc[cohort, 'n_due']} due "
        f"({number(mine.loc[cohort, 'estimate'], 0)} %) in the {cohort} cohort"
        for cohort in KINDS
        if cohort in mine.index
    ]
    return f"At month {primary} an HbA1c was drawn from {' and from '.join(parts)}."


def _footnotes(cohorts: CohortSet) -> list[str]:
    notes = [
        "Due: alive on the last day of the window, and the window closed by the cut-off. Not yet "
        "due + died + due = patients; drawn + left or lost + only unreliable + no draw = due. For "
        "the baseline everybody is asked, also those who died later.",
        "One draw a visit: the nearest to the target day, ties to the later; of one day "
        "laboratory, then point of care, then home, then unknown. The baseline is the latest draw "
        "of its window. Other draws of a window are counted as further draws and not used.",
        "Draws that contradict another of the same day and method are left out, both "
        f"({set_aside_draws(cohorts.table('hba1c'))}). Draws of days on which HbA1c is recorded "
        "as unreliable "
        "are left out, and the visit stays due; a sensitivity analysis keeps them.",
    ]
    if not cohorts.has("hba1c"):
        notes.append("The study has no hba1c table, so nobody can have a draw.")
    return notes
