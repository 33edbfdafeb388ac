"""What else was begun after the first sensor: drugs and ways of giving insulin, by cohort."""

from __future__ import annotations

from functools import partial
from typing import Any, Final

import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.cohorts.other_starts import WATCHED, other_starts
from outcomes.measures.course_figures import draw_shares
from outcomes.measures.words import with_interval
from outcomes.results import Record, Result, Show, number
from outcomes.statistics.intervals import proportion
from outcomes.tables.declared import KINDS

OUTCOME: Final = "other_treatments"
ANY: Final = "any of them"
QUANTITY: Final = "began after the index date"

Row = dict[str, Any]


def other_treatments(cohorts: CohortSet) -> Result:
    """What else was begun after the index date, and when, in each cohort?

    A change of HbA1c or time in range after the first sensor can come from a drug or a pump begun
    with it. This counts the new patients with a dated start after the index date.

    Returns
    -------
    Result
        `.table` has one row per cohort and treatment: `events` (patients who began one) of `n`,
        `estimate` (%, Wilson), `median_day` (from the index date), `values` (what was begun).
    """
    new = cohorts.patients.loc[cohorts.patients["new"]]
    starts = other_starts(new, cohorts.table("states"), cut_off=cohorts.cut_off)
    rows = [
        _row(starts.loc[starts["cohort"] == cohort], cohort, what, n)
        for cohort in KINDS
        for n in [int((new["cohort"] == cohort).sum())]
        if n
        for what in (ANY, *WATCHED)
    ]
    table = pd.DataFrame(rows, columns=_COLUMNS)
    finding = _finding(table, has_states=cohorts.has("states"))
    return Result(
        name="other_treatments",
        title="What else was begun after the first sensor?",
        table=table,
        entries=[_record(row) for row in rows],
        finding=finding,
        caption=(
            "New patients with a dated start of another treatment after the index date and up to "
            f"{cohorts.cut_off}, by cohort; % of patients with 95 % intervals (Wilson)."
        ),
        footnotes=[
            "Started: a recorded insulin delivery that differs from the one on the index date, or "
            "a glucose-lowering drug recorded as begun after it. The first start of each counts.",
            "Only what the clinic recorded with its date is known. No start is not proof that "
            "nothing else was changed (doses, food, education).",
            "How the answers change without the visits and periods after such a start stands with "
            "HbA1c (sensitivity) and time in range (trajectories).",
        ],
        show={name: Show(name) for name in ("cohort", "what", "events", "n")},
        summary=_summary(table),
        drawing=partial(draw_shares, rows=table.rename(columns={"what": "label"}))
        if len(table)
        else None,
        alt=f"Shares of patients who began another treatment, one mark a cohort. {finding}",
        height=2.4,
    )


_COLUMNS: Final = [
    *("cohort", "what", "events", "n", "estimate", "conf_low", "conf_high", "median_day"),
    *("values", "note"),
]


def _row(starts: pd.DataFrame, cohort: str, what: str, n: int) -> Row:
    mine = starts if what == ANY else starts.loc[starts["what"] == what]
    first = mine.groupby("patient_id")["day"].min()
    share = proportion(len(first), n, method="wilson").scaled(100)
    values = mine["value"].value_counts().sort_index() if what != ANY else pd.Series(dtype=int)
    return {
        "cohort": cohort, "what": what, "events": len(first), "n": n, "estimate": share.estimate,
        "conf_low": share.conf_low, "conf_high": share.conf_high,
        "median_day": float(first.median()) if len(first) else None,
        "values": ", ".join(map(str, values.index)), "note": share.note or "",
    }  # fmt: skip


def _record(row: Row) -> Record:
    return Record(
        outcome=OUTCOME, quantity=QUANTITY, population="cumulative", cohort=row["cohort"],
        by={"treatment": row["what"]}, estimate=row["estimate"], conf_low=row["conf_low"],
        conf_high=row["conf_high"], n_patients=row["n"], n_units=row["n"], events=row["events"],
        unit="% of patients", method="Wilson", note=row["note"] or None,
    )  # fmt: skip


def _summary(table: pd.DataFrame) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "Cohort": row["cohort"],
            "Treatment": row["what"],
            "Began it, of patients": f"{row['events']} of {row['n']}",
            "% of patients": with_interval(row["estimate"], row["conf_low"], row["conf_high"], 0),
            "Median day after the index date": number(row["median_day"], 0),
            "What": row["values"] or "–",
        }
        for row in table.to_dict("records")
    )


def _finding(table: pd.DataFrame, *, has_states: bool) -> str:
    if not has_states:
        return "The study has no dated states, so what else was begun is not known."
    parts = [
        f"{row['events']} of {row['n']} ({number(row['estimate'], 0)} %) in the {row['cohort']} "
        "cohort"
        for row in table.loc[table["what"] == ANY].to_dict("records")
    ]
    if not parts:
        return "Nobody is new to a kind of sensor, so nothing was begun after one."
    return (
        "A glucose-lowering drug or another way of giving insulin was begun after the index date "
        f"by {' and by '.join(parts)}."
    )
