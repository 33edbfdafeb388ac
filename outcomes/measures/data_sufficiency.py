"""Who lacks sensor data, and for which question?"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.figures.style import cohort_order
from outcomes.measures.range_quantities import HOLD_FROM
from outcomes.measures.range_windows import CUMULATIVE, NEW, QUARTER, clinic_windows
from outcomes.measures.time_in_range import period_of_month
from outcomes.results import Record, Result, interval, number
from outcomes.statistics.intervals import proportion
from outcomes.units import counted

OUTCOME: Final = "data_sufficiency"
ENOUGH: Final = "enough data"
NOT_LONG: Final = "too few counting days for lows and CV"
REASONS: Final = ("no readings", "too few counting days", NOT_LONG, "touches a pregnancy")


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class SufficiencyResult(Result):
    """What `data_sufficiency` returns.

    `patients` has one row per patient, cohort and window that was due: `at`, `counts`,
    `counting_days`, `needed_days`, `active_share` and `reason` (why it is not used, else None).
    It holds ids, and is for the clinic's own lists.
    """

    patients: pd.DataFrame


def data_sufficiency(cohorts: CohortSet, *, threads: int = 1) -> SufficiencyResult:
    """Answer who of the new patients lacks sensor data, and for which question.

    Parameters
    ----------
    cohorts : CohortSet
    threads : int, default 1
        As in `time_in_range`.

    Returns
    -------
    SufficiencyResult
        `.table` has one row per cohort and question (`needed_for`, `at`): `n_due`, `n_enough` and
        the number of patients lacking data for each reason; they add to `n_due`.

    Notes
    -----
    A patient is due for a question when the window it needs was over by the cut-off and the
    patient was alive on its last day. Shares of patients have Wilson's interval.

    References
    ----------
    .. [1] Battelino T et al. Diabetes Care 2019;42:1593-1603 (14 days, 70 %).
    """
    made = clinic_windows(cohorts, threads=threads)
    windows = made.windows.loc[made.windows["who"] == NEW]
    rows = [
        _row(windows, cohort, question, at, lows, cohorts)
        for cohort in cohort_order(windows["cohort"])
        for question, at, lows in _questions(cohorts)
    ]
    table = pd.DataFrame(rows, columns=list(_COLUMNS))
    due = made.windows.loc[made.windows["due"]]
    settings = cohorts.plan.time_in_range
    return SufficiencyResult(
        name=OUTCOME,
        title="Who lacks sensor data, and for what?",
        table=table,
        entries=list(_records(table)),
        finding=_finding(table, cohorts),
        caption=(
            f"New patients due by {cohorts.cut_off}, those with enough readings, and why the "
            "others lack them, by the question that the readings are to answer."
        ),
        footnotes=[
            f"A day counts with readings owning {100 * settings.day_share:g} % of it; a period and "
            f"a quarter need {settings.period_counting_days} such days, lows and CV over a quarter "
            f"{settings.quarter_counting_days}.",
            "Patients without enough data are missing from the answer, not zero in it; those who "
            "wear a sensor less may differ from the others.",
            "A patient can lack data for several questions, so rows do not add to a number of "
            "patients.",
        ],
        summary=_summary(table),
        patients=due[list(_OF_PATIENT)].reset_index(drop=True),
    )


_COLUMNS: Final = ("cohort", "needed_for", "at", "n_due", "n_enough", *REASONS)
_OF_PATIENT: Final = (
    "patient_id", "cohort", "who", "population", "at", "first_on", "last_on", "counts",
    "counting_days", "needed_days", "active_share", "reason",
)  # fmt: skip


def _questions(cohorts: CohortSet) -> list[tuple[str, str, bool]]:
    month_6 = period_of_month(cohorts.plan)
    quarter = str(cohorts.quarter)
    return [
        ("improvement: a starting point", "period 0", False),
        ("hold: a starting point", f"period {HOLD_FROM}", False),
        (f"level at month {cohorts.plan.hba1c.primary_month}", f"period {month_6}", False),
        ("time in range of this quarter", quarter, False),
        ("lows and CV of this quarter", quarter, True),
    ]


def _row(
    windows: pd.DataFrame, cohort: str, question: str, at: str, lows: bool, cohorts: CohortSet
) -> dict[str, Any]:
    due = windows.loc[(windows["cohort"] == cohort) & (windows["at"] == at) & windows["due"]]
    reason = due["reason"].astype(object)
    if lows:
        short = due["counting_days"] < cohorts.plan.time_in_range.quarter_counting_days
        reason = reason.where(reason.notna() | ~short, NOT_LONG)
    counts = reason.value_counts()
    return {
        "cohort": cohort, "needed_for": question, "at": at, "n_due": len(due),
        "n_enough": int(reason.isna().sum()),
        **{name: int(counts.get(name, 0)) for name in REASONS},
    }  # fmt: skip


def _records(table: pd.DataFrame) -> Iterator[Record]:
    for row, at in zip(table.itertuples(), table["at"], strict=True):
        is_quarter = at[:1].isdigit()
        base = {
            "outcome": OUTCOME, "quantity": f"enough data for {row.needed_for}",
            "population": QUARTER if is_quarter else CUMULATIVE, "cohort": row.cohort,
            "at": at, "unit": "% of patients due", "n_patients": row.n_due,
            "n_units": row.n_due,
        }  # fmt: skip
        if not row.n_due:
            yield Record(**base, note="nobody is due")
            continue
        share = proportion(row.n_enough, row.n_due)
        yield Record(
            **base, events=row.n_enough, method=share.method, level=share.confidence_level,
            **{end: 100 * value for end in ("estimate", "conf_low", "conf_high")
               if (value := getattr(share, end)) is not None},
        )  # fmt: skip


def _finding(table: pd.DataFrame, cohorts: CohortSet) -> str:
    if not cohorts.study.has("readings"):
        return "The study holds no readings: everybody lacks sensor data."
    parts = []
    rows = table.loc[table["needed_for"] == "time in range of this quarter"]
    for row in rows.itertuples():
        if not row.n_due:
            parts.append(f"{row.cohort}: nobody is due")
            continue
        share = proportion(row.n_enough, row.n_due)
        low, high = 100 * (share.conf_low or 0.0), 100 * (share.conf_high or 0.0)
        parts.append(
            f"{row.cohort}: {row.n_enough} of {counted(row.n_due, 'patient')} "
            f"({number(100 * row.n_enough / row.n_due)} %, 95 % interval {interval(low, high)})"
        )
    if not parts:
        return f"No new patient is due by {cohorts.cut_off}."
    return f"Enough readings for time in range of this quarter: {'; '.join(parts)}."


def _summary(table: pd.DataFrame) -> pd.DataFrame:
    shown = table.assign(n_enough=[f"{a} of {b}" for a, b in zip(
        table["n_enough"], table["n_due"], strict=True)])  # fmt: skip
    names = {
        "cohort": "Cohort", "needed_for": "Needed for", "at": "Window",
        "n_enough": "Enough, of due",
        **{name: name[:1].upper() + name[1:] for name in REASONS},
    }  # fmt: skip
    return shown[list(names)].rename(columns=names).astype(object)
