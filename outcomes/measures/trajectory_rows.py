"""The numbers behind the course of time in range: which rows are due, and what each figure says."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.cohorts.other_starts import first_start, other_starts
from outcomes.errors import EstimationError
from outcomes.figures.style import cohort_order
from outcomes.measures.hba1c_rows import CONTRAST, plain
from outcomes.measures.meaning import between_groups
from outcomes.measures.range_course import (
    FEWEST,
    Course,
    accepted_slope,
    changes_since_before,
    changes_since_period,
    lines_check,
    weighted_course,
)
from outcomes.measures.range_windows import CUMULATIVE, NEW
from outcomes.plan import Plan
from outcomes.results import Record
from outcomes.units import counted

OUTCOME: Final = "time_in_range"
LEVEL: Final = "level by the trajectory"
DIFFERENCE: Final = "difference by the trajectory, at equal covariates"
IMPROVEMENT: Final = "change since before the index date, weighted"
HOLD: Final = "change since period 2, weighted"
CHECK: Final = "level by personal lines (check)"
WITHOUT_OTHER: Final = "level by the trajectory, without periods after another treatment was begun"
OTHER_START: Final = "began another treatment by the end of the period"
HOLD_FROM: Final = 2  # the first period that a placement's own weeks do not touch
OF_TIME: Final = "% of time"
POINTS: Final = "percentage points"
FIRST: Final = 1
REFUSED: Final = "not estimated"

Row = dict[str, Any]

COLUMNS: Final = [
    *("quantity", "cohort", "contrast", "month", "period", "estimate", "conf_low", "conf_high"),
    *("unit", "n", "n_due", "events", "who", "method", "note"),
]


def stated_periods(plan: Plan) -> dict[int, int]:
    """Return the period of each visit month: the one that holds its target day, or the last.

    Examples
    --------
    >>> from datetime import date
    >>> from outcomes.plan import Frame
    >>> stated_periods(Plan(plan=Frame(start=date(2024, 1, 1))))
    {3: 4, 6: 7, 12: 13}
    """
    settings = plan.time_in_range
    days = zip(plan.hba1c.visit_months, plan.hba1c.visit_days, strict=True)
    return {
        month: min(day // settings.period_days + 1, settings.last_period) for month, day in days
    }


def due_periods(windows: pd.DataFrame, cohorts: CohortSet) -> pd.DataFrame:
    """Return one row per new patient, cohort and due period, seen or not.

    Periods that touch a pregnancy are left out: they are told apart.

    Returns
    -------
    DataFrame
        `patient_id`, `cohort`, `period` (from 1), `share` (fraction, missing where too little was
        recorded), `share_before`, `last_on`, `other_start_on`, and the cohort's covariates.
    """
    key = ["patient_id", "cohort"]
    mine = windows.loc[(windows["population"] == CUMULATIVE) & (windows["who"] == NEW)]
    mine = mine.loc[~mine["pregnant"].astype(bool)]
    before = mine.loc[(mine["period"] == 0) & mine["usable"], [*key, "share_from_70_to_180"]]
    due = mine.loc[mine["due"] & (mine["period"] >= FIRST)]
    due = due.assign(share=due["share_from_70_to_180"].astype(float).where(due["usable"]))
    due = due.assign(period=due["period"].astype("int64"))
    due = due[[*key, "period", "share", "last_on"]].merge(
        before.rename(columns={"share_from_70_to_180": "share_before"}), on=key, how="left",
        validate="many_to_one",
    )  # fmt: skip
    starts = first_start(
        other_starts(cohorts.patients, cohorts.table("states"), cut_off=cohorts.cut_off)
    ).rename(columns={"started_on": "other_start_on"})
    due = due.merge(starts, on=key, how="left", validate="many_to_one")
    about = [name for name in cohorts.plan.cohorts.covariates if name in cohorts.patients]
    return due.merge(cohorts.patients[[*key, *about]], on=key, how="left", validate="many_to_one")


def _row(**given: Any) -> Row:
    made: Row = dict.fromkeys(COLUMNS)
    made |= {"method": "", "note": "", **given}
    made["who"] = made["cohort"] or made["contrast"]
    return made


def course_rows(
    due: pd.DataFrame, cohorts: CohortSet, stated: dict[int, int]
) -> tuple[list[Row], Course | None, list[str]]:
    """Return every row of the table, the model behind them (None: refused), and its notes."""
    if due.empty or due["share"].notna().sum() == 0:
        return [], None, []
    fitted: dict[str, Any] = {
        "knots": knots_of(cohorts.plan), "boundary": boundary_of(cohorts.plan),
    }  # fmt: skip
    covariates = _covariates(due, cohorts.plan)
    periods = sorted({*stated.values(), *range(FIRST, cohorts.plan.time_in_range.last_period + 1)})
    try:
        course = weighted_course(due, at=periods, covariates=covariates, **fitted)
    except EstimationError as error:
        note = f"{REFUSED}: {error}"
        return [
            _row(quantity=LEVEL, cohort=cohort, month=month, period=period, unit=OF_TIME, note=note)
            for cohort in cohort_order(due["cohort"])
            for month, period in stated.items()
        ], None, []  # fmt: skip
    fewest = _fewest(cohorts.plan, stated)
    rows = _level_rows(course, due, stated, fewest)
    rows += _difference_rows(course, stated, fewest, covariates)
    rows += _change_rows(course.rows, stated, fewest, fitted)
    rows += _other_rows(due, stated, fewest, fitted)
    more, notes = _check_rows(course.rows, stated, fewest, fitted)
    return [*rows, *more], course, [*course.notes, *notes]


def knots_of(plan: Plan) -> Sequence[float]:
    """Return the plan's inner knots, in periods."""
    return [float(knot) for knot in plan.time_in_range.knots]


def boundary_of(plan: Plan) -> tuple[float, float]:
    """Return the first and the last period of the curve."""
    return float(FIRST), float(plan.time_in_range.last_period)


def _covariates(due: pd.DataFrame, plan: Plan) -> list[str]:
    """The plan's covariates that vary and that at least nine of ten patients have."""
    people = due.drop_duplicates(["patient_id", "cohort"])
    return [
        name
        for name in plan.cohorts.covariates
        if name in people
        and people[name].notna().mean() >= 0.9
        and len(people[name].dropna().unique()) > 1
    ]


def _fewest(plan: Plan, stated: dict[int, int]) -> dict[int, int]:
    """How many patients must have been seen for each stated month."""
    last = max(stated)
    return {
        month: plan.time_in_range.fewest_at_month_12 if month == last and month >= 12 else FEWEST
        for month in stated
    }


def _method(what: str) -> str:
    return f"{what}, observation weights, CR2 by patient, Bell-McCaffrey t"


def _level_rows(
    course: Course,
    due: pd.DataFrame,
    stated: dict[int, int],
    fewest: dict[int, int],
    quantity: str = LEVEL,
) -> list[Row]:
    counts = due.groupby(["cohort", "period"])["share"].agg(n="count", n_due="size")
    levels = course.levels.set_index(["group", "time"])
    rows = []
    for cohort in cohort_order(due["cohort"]):
        for month, period in stated.items():
            n, n_due = (int(x) for x in counts.reindex([(cohort, period)], fill_value=0).iloc[0])
            row = _row(
                quantity=quantity, cohort=cohort, month=month, period=period, unit=OF_TIME, n=n,
                n_due=n_due, method=_method("fractional logit on a spline of the period"),
            )  # fmt: skip
            found = levels.loc[(cohort, period)] if (cohort, period) in levels.index else None
            if n < fewest[month] or found is None or pd.isna(found["estimate"]):
                few = max(fewest[month], FEWEST)
                row["note"] = (
                    f"{REFUSED}: {counted(n, 'patient')} seen in period {period}, fewer than {few}"
                )
            else:
                row |= points(found)
            rows.append(row)
    return rows


def points(found: Any) -> Row:
    """Return an estimate and its limits in points, from fractions."""
    return {
        name: None if pd.isna(found[name]) else 100 * float(found[name])
        for name in ("estimate", "conf_low", "conf_high")
    }


def _difference_rows(
    course: Course, stated: dict[int, int], fewest: dict[int, int], covariates: Sequence[str]
) -> list[Row]:
    found = course.differences.set_index("time")
    adjusted = ", ".join(name.replace("_", " ") for name in covariates) or "nothing"
    rows = []
    for month, period in stated.items():
        row = _row(
            quantity=DIFFERENCE, contrast=CONTRAST, month=month, period=period, unit=POINTS,
            method=_method(f"fractional logit, g-computation, adjusted for {adjusted}"),
        )  # fmt: skip
        rows.append(row)
        if period not in found.index:
            row["note"] = f"{REFUSED}: fewer than {FEWEST} patients in a cohort"
            continue
        shown = found.loc[period]
        smaller = int(min(shown["n"], shown["n_reference"]))
        row |= {"n": int(shown["n"] + shown["n_reference"])}
        if smaller < fewest[month]:
            row["note"] = (
                f"{REFUSED}: {counted(smaller, 'patient')} seen in the smaller cohort, fewer than "
                f"{fewest[month]}"
            )
            continue
        row |= points(shown)
        if row["conf_low"] is not None:
            row["note"] = (
                f"the interval {between_groups(row['conf_low'], row['conf_high'])}; as each sensor "
                "reports it; association, not proof of cause"
            )
    return rows


def _change_rows(
    rows: pd.DataFrame, stated: dict[int, int], fewest: dict[int, int], fitted: dict[str, Any]
) -> list[Row]:
    periods = list(stated.values())
    later = [period for period in periods if period > HOLD_FROM]
    try:
        held = changes_since_period(rows, start=HOLD_FROM, at=later, **fitted)
    except EstimationError:
        held = pd.DataFrame(columns=["cohort", "period", "n", "n_due", "estimate"])
    made = []
    for quantity, found in (
        (IMPROVEMENT, changes_since_before(rows, at=periods)), (HOLD, held),
    ):  # fmt: skip
        whose = "with" if quantity == IMPROVEMENT else "without"
        for shown in found.to_dict("records"):
            month = next(m for m, period in stated.items() if period == shown["period"])
            row = _row(
                quantity=quantity, cohort=shown["cohort"], month=month, period=shown["period"],
                unit=POINTS, n=int(shown["n"]), n_due=int(shown["n_due"]),
                method=_method("mean change" if whose == "with" else "fractional logit"),
            )  # fmt: skip
            if pd.isna(shown["estimate"]) or shown["n"] < min(fewest[month], FEWEST):
                row["note"] = (
                    f"{REFUSED}: {shown['n']:.0f} patients {whose} a period before the index date "
                    f"seen, fewer than {FEWEST}"
                )
            else:
                row |= points(shown)
            made.append(row)
    return made


def _other_rows(
    due: pd.DataFrame, stated: dict[int, int], fewest: dict[int, int], fitted: dict[str, Any]
) -> list[Row]:
    """How many had begun another treatment, and the levels without their later periods."""
    begun = due["other_start_on"] <= due["last_on"]
    counts = begun.groupby([due["cohort"], due["period"]]).agg(["sum", "size"])
    rows = [
        _row(
            quantity=OTHER_START, cohort=cohort, month=month, period=period, unit="patients",
            estimate=float(n), n=int(n_due), n_due=int(n_due), events=int(n), method="count",
        )
        for cohort in cohort_order(due["cohort"])
        for month, period in stated.items()
        for n, n_due in [counts.reindex([(cohort, period)], fill_value=0).iloc[0]]
    ]  # fmt: skip
    if not begun.any():
        return rows
    kept = due.assign(share=due["share"].where(~begun))
    try:
        course = weighted_course(kept, at=list(stated.values()), **fitted)
    except EstimationError:
        return rows
    return rows + _level_rows(course, kept, stated, fewest, WITHOUT_OTHER)


def _check_rows(
    rows: pd.DataFrame, stated: dict[int, int], fewest: dict[int, int], fitted: dict[str, Any]
) -> tuple[list[Row], list[str]]:
    """The check by personal lines; refused where the level itself is."""
    sizes = rows.loc[rows["share"].notna()].groupby("cohort")["patient_id"].nunique()
    enough = rows.loc[rows["cohort"].isin(sizes.index[sizes >= FEWEST])]
    counts = rows.groupby(["cohort", "period"])["share"].count()
    try:
        levels, lines = lines_check(enough, at=list(stated.values()), **fitted)
    except EstimationError as error:
        return [], [f"The check by personal lines is {REFUSED}: {error}"]
    made = []
    for shown in levels.to_dict("records"):
        month = next(m for m, period in stated.items() if period == shown["period"])
        n = int(counts.get((shown["cohort"], shown["period"]), 0))
        if n >= fewest[month]:
            made.append(
                _row(
                    quantity=CHECK, cohort=shown["cohort"], month=month, period=shown["period"],
                    unit=OF_TIME, n=n, method=f"{lines.model}, REML, Satterthwaite t",
                    **{k: plain(shown[k]) for k in ("estimate", "conf_low", "conf_high")},
                )
            )  # fmt: skip
    which = "was accepted" if accepted_slope(lines) else "was not; a random intercept was used"
    notes = [f"Check by personal lines: the random slope {which}. {' '.join(lines.notes)}".strip()]
    return made, notes


def record(row: Row) -> Record:
    """Return a row as an entry of `results.json`."""
    return Record(
        outcome=OUTCOME, quantity=row["quantity"], population=CUMULATIVE, cohort=row["cohort"],
        contrast=row["contrast"], at=f"period {row['period']}", by={"month": str(row["month"])},
        estimate=row["estimate"], conf_low=row["conf_low"], conf_high=row["conf_high"],
        n_patients=row["n"], n_units=row["n_due"], events=row["events"], unit=row["unit"],
        method=row["method"], note=row["note"] or None,
    )  # fmt: skip
