"""The lines of single patients behind a cohort's curve: for fellows, never for a committee."""

from __future__ import annotations

from functools import partial
from typing import Any, Final

import numpy as np
import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.cohorts.draws import BASELINE_MONTH
from outcomes.errors import UsageError, known_names
from outcomes.figures.scales import PERCENT, Scale
from outcomes.measures.course_figures import SecondScale, draw_lines
from outcomes.measures.hba1c_models import stratified_pairs
from outcomes.measures.hba1c_rows import NEW
from outcomes.measures.range_windows import cohort_windows
from outcomes.measures.trajectory_rows import due_periods
from outcomes.results import Record, Result, Show, number
from outcomes.units import hba1c_mmol_mol, hba1c_percent

OUTCOMES: Final = ("hba1c", "time_in_range")
HBA1C_LINES: Final = Scale(5, 13, 1)
IFCC: Final = SecondScale(
    "HbA1c, mmol/mol",
    lambda percent: hba1c_mmol_mol(np.asarray(percent, dtype=float), "%"),
    lambda mmol: hba1c_percent(np.asarray(mmol, dtype=float), "mmol/mol"),
)


def patient_lines(cohorts: CohortSet, outcome: str = "hba1c", *, glucose: Any = None) -> Result:
    """Show the line of every new patient, one panel a cohort, the mean of those seen over it.

    A fan of lines that part, or a few that carry the mean, is not seen in a cohort's curve. What
    is drawn is what was seen, without model or weights. It holds ids and stays in the clinic.

    Parameters
    ----------
    cohorts : CohortSet
    outcome : {"hba1c", "time_in_range"}
    glucose : TimeInRangeResult, optional
        What `time_in_range` returned for these cohorts.

    Returns
    -------
    Result
        `private`; `.table` has one row per patient, cohort and time: `patient_id`, `cohort`, `at`
        (month, or period), `value` (% HbA1c, with `value_mmol_mol`; or % of time in 70-180 mg/dL).

    Raises
    ------
    UsageError
        `outcome` is neither of the two.
    """
    if outcome not in OUTCOMES:
        raise UsageError(known_names("outcome", outcome, OUTCOMES))
    if outcome == "hba1c":
        table, label, when = _draws(cohorts), "HbA1c, %", "Month"
        table["value_mmol_mol"] = hba1c_mmol_mol(table["value"].to_numpy(), "%")
    else:
        table, label = _periods(cohorts, glucose), "Time in 70-180 mg/dL (3.9-10.0 mmol/L), %"
        when = "Period of 28 days (0: before)"
    points = table.rename(columns={"at": "x", "value": "y"})
    counts = table.groupby("cohort")["patient_id"].nunique()
    seen = [f"{n} in the {cohort} cohort" for cohort, n in counts.items()]
    finding = (
        f"{label.split(',')[0]} was seen at least once in {' and '.join(seen)}."
        if seen
        else "Nothing was seen of any new patient."
    )
    return Result(
        name=f"patient_lines_{outcome}",
        title="What does each patient's own line look like?",
        table=table,
        entries=[
            Record(
                outcome="patient_lines", quantity=f"patients with {outcome}", level=None,
                population="cumulative", cohort=str(cohort), estimate=float(n),
                n_patients=int(n), unit="patients", method="count",
            )
            for cohort, n in counts.items()
        ],
        finding=finding,
        caption=f"{label} of every new patient up to {cohorts.cut_off}; heavy: the mean where five "
        "or more were seen.",
        private=True,
        footnotes=[
            "Heavy line: plain mean of those seen at that time, without model or weights; it moves "
            "when the patients seen change. The cohorts' curves are in the trajectories.",
            "Shows single patients: for the clinic's own eyes, and never for deciding one "
            "patient's treatment.",
        ],
        show={"cohort": Show("Cohort"), "at": Show(when), "value": Show(label, 1)},
        summary=_summary(table, label),
        drawing=partial(
            draw_lines, points=points, label=label.replace(" (", "\n("), x_label=when,
            scale=HBA1C_LINES if outcome == "hba1c" else PERCENT,
            second=IFCC if outcome == "hba1c" else None,
        )
        if len(points)
        else None,
        alt=f"Thin lines, one a patient, in one panel a cohort, with their mean. {finding}",
        height=3.6,
    )  # fmt: skip


def _draws(cohorts: CohortSet) -> pd.DataFrame:
    key = ["patient_id", "cohort"]
    pairs = stratified_pairs(cohorts)
    new = pairs.loc[pairs["stratum"] == NEW]
    first = new.drop_duplicates(key)[[*key, "baseline_percent"]]
    first = first.rename(columns={"baseline_percent": "value"}).assign(at=BASELINE_MONTH)
    later = new[[*key, "month", "percent"]].rename(columns={"month": "at", "percent": "value"})
    return _tidy(pd.concat([first, later], ignore_index=True))


def _periods(cohorts: CohortSet, glucose: Any) -> pd.DataFrame:
    windows = cohort_windows(cohorts) if glucose is None else glucose.windows
    due = due_periods(windows, cohorts)
    key = ["patient_id", "cohort"]
    first = due.drop_duplicates(key)[[*key, "share_before"]]
    first = first.rename(columns={"share_before": "share"}).assign(period=0)
    both = pd.concat([first, due[[*key, "period", "share"]]], ignore_index=True)
    both = both.rename(columns={"period": "at"})
    return _tidy(both.assign(value=100 * both["share"].astype(float)))


def _tidy(rows: pd.DataFrame) -> pd.DataFrame:
    rows = rows[["patient_id", "cohort", "at", "value"]].dropna(subset=["value"])
    rows = rows.astype({"at": "int64", "value": "float64"})
    return rows.sort_values(["cohort", "patient_id", "at"], ignore_index=True)


def _summary(table: pd.DataFrame, label: str) -> pd.DataFrame:
    lines = []
    for (cohort, at), rows in table.groupby(["cohort", "at"]):
        values = rows["value"]
        quarters = values.quantile([0.25, 0.5, 0.75]).to_numpy()
        lines.append(
            {
                "Cohort": cohort,
                "When": str(at),
                "Patients seen": str(len(rows)),
                f"{label}: mean": number(values.mean(), 1),
                "Median (middle half)": f"{number(quarters[1], 1)} ({number(quarters[0], 1)} to "
                f"{number(quarters[2], 1)})",
            }
        )
    return pd.DataFrame(lines)
