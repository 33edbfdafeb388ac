"""Does time in range improve, and does it hold, if those who were not seen are stood for?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.figures.style import cohort_order
from outcomes.measures.course_figures import draw_course
from outcomes.measures.hba1c_rows import CONTRAST, plain
from outcomes.measures.meaning import GROUP_POINTS
from outcomes.measures.range_course import Course
from outcomes.measures.range_windows import cohort_windows
from outcomes.measures.trajectory_rows import (
    CHECK,
    COLUMNS,
    DIFFERENCE,
    HOLD,
    HOLD_FROM,
    IMPROVEMENT,
    LEVEL,
    OTHER_START,
    REFUSED,
    WITHOUT_OTHER,
    Row,
    boundary_of,
    course_rows,
    due_periods,
    knots_of,
    points,
    record,
    stated_periods,
)
from outcomes.measures.words import with_interval
from outcomes.plan import Plan
from outcomes.results import DASH, Result, Show, interval, number
from outcomes.tables.declared import KINDS
from outcomes.units import counted


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Trajectories(Result):
    """The result of `trajectories`; `curve` has the level of every period that is drawn."""

    curve: pd.DataFrame


def trajectories(cohorts: CohortSet, *, glucose: Any = None, threads: int = 1) -> Trajectories:
    """Does time in range improve and hold, by a model in which the unseen are stood for?

    Parameters
    ----------
    cohorts : CohortSet
        Its study must hold `readings`; without them the result says so in words.
    glucose : TimeInRangeResult, optional
        What `time_in_range` returned for these cohorts, so that its windows are used again.
    threads : int, default 1

    Returns
    -------
    Trajectories
        `.table` has one row per quantity, cohort (or contrast) and stated month: the level (% of
        time in 70-180 mg/dL, 3.9-10.0 mmol/L), the difference of the cohorts in points at equal
        covariates, the change since the period before the index date (only of patients who have
        one) or since period 2 (of the others), the level by personal lines as a check, the level
        without periods after another treatment was begun, and how many had begun one. The level
        of month 12 is refused under the plan's number of patients seen in its period.

    Notes
    -----
    Fractional logit on a natural spline of the period with the plan's knots, crossed with cohort;
    every patient counts equally, whatever the number of readings. Observation weights always: the
    chance of being seen is modelled with the last value seen, so that those like the ones who left
    count for them. Errors are CR2 by patient with Bell-McCaffrey *t*, always.

    References
    ----------
    .. [1] Papke LE, Wooldridge JM. J Appl Econometrics 1996;11:619-632.
    .. [2] Robins JM, Rotnitzky A, Zhao LP. J Am Stat Assoc 1995;90:106-121.
    """
    windows = cohort_windows(cohorts, threads=threads) if glucose is None else glucose.windows
    due = due_periods(windows, cohorts)
    stated = stated_periods(cohorts.plan)
    rows, course, notes = course_rows(due, cohorts, stated)
    curve = _curve(course, cohorts, rows) if course is not None else pd.DataFrame()
    table = pd.DataFrame(rows, columns=COLUMNS).astype(
        dict.fromkeys(("month", "period", "n", "n_due", "events"), "Int64")
    )
    month = cohorts.plan.hba1c.primary_month
    finding = _finding(table, month, cohorts)
    at = [row for row in rows if row["quantity"] == LEVEL and row["estimate"] is not None]
    return Trajectories(
        name="trajectories",
        title="Does time in range hold, if those not seen are stood for?",
        table=table,
        entries=[record(row) for row in rows],
        finding=finding,
        plain=_plain(table, month),
        caption=(
            "Modelled share of time in 70-180 mg/dL (3.9-10.0 mmol/L) of the new patients by "
            f"cohort, as each sensor reports it, up to {cohorts.cut_off}; % of time, changes and "
            f"differences in percentage points, 95 % intervals. {_places(stated)}."
        ),
        footnotes=_footnotes(cohorts, course, notes),
        settings=_settings(cohorts.plan),
        show={name: Show(name) for name in ("who", "month", "quantity", "estimate", "n", "note")},
        summary=_summary(table),
        drawing=partial(
            draw_course,
            curve=curve,
            stated=pd.DataFrame(at),
            last=cohorts.plan.time_in_range.last_period,
        )
        if len(curve)
        else None,
        alt=(
            "One curve a cohort with its 95 % band over the periods since the index date, the "
            f"stated months marked, the number of patients seen below. {finding}"
        ),
        height=3.9,
        curve=curve,
    )


# --- what is shown ------------------------------------------------------------------------------


def _curve(course: Course, cohorts: CohortSet, rows: Sequence[Row]) -> pd.DataFrame:
    """Levels of periods with enough patients seen; a level refused in the table is not drawn."""
    fewest = cohorts.plan.sensor_survival.smallest_at_risk
    refused = {
        (row["cohort"], row["period"])
        for row in rows
        if row["quantity"] == LEVEL and row["estimate"] is None
    }
    seen = course.rows.loc[course.rows["share"].notna()]
    counts = seen.groupby(["cohort", "period"])["patient_id"].nunique()
    drawn = [
        {"cohort": row["group"], "period": int(row["time"]), **points(row),
         "n": int(counts.get((row["group"], int(row["time"])), 0))}
        for row in course.levels.to_dict("records")
        if (row["group"], int(row["time"])) not in refused and not pd.isna(row.get("estimate"))
    ]  # fmt: skip
    frame = pd.DataFrame(drawn, columns=["cohort", "period", "estimate", "conf_low", "conf_high",
                                         "n"])  # fmt: skip
    # A curve ends at the first period with too few; it never begins again after it.
    few = frame["n"] < fewest
    return frame.loc[~few.groupby(frame["cohort"]).cummax()].reset_index(drop=True)


def _summary(table: pd.DataFrame) -> pd.DataFrame:
    lines = []
    for who in (*KINDS, CONTRAST):
        mine = table.loc[table["who"] == who]
        for month in sorted(set(mine["month"])):
            at = mine.loc[mine["month"] == month].set_index("quantity")
            lines.append(_line(at, who, int(month)))
    return pd.DataFrame(lines).fillna(DASH)


def _line(at: pd.DataFrame, who: str, month: int) -> dict[str, str]:
    if who == CONTRAST:
        level = _cell(at, DIFFERENCE)
        return {
            "Cohort": who,
            "When": f"month {month}",
            "Level, % of time": level if level.startswith(REFUSED) else f"{level} points apart",
        }
    head = at.loc[LEVEL]
    return {
        "Cohort": who,
        "When": f"month {month}",
        "Seen, of due": f"{head['n']} of {head['n_due']}",
        "Level, % of time": _cell(at, LEVEL),
        "Change, points": _changes(at),
        "Check: personal lines, %": _cell(at, CHECK),
        "Level without periods after another treatment": _without(at),
    }


def _places(stated: dict[int, int]) -> str:
    """Which period a month is."""
    return ", ".join(f"Month {month}: period {period}" for month, period in stated.items()).replace(
        ", Month", ", month"
    )


def _changes(at: pd.DataFrame) -> str:
    """Since before the index date, of those who can say; since period 2, of the others."""
    told = [
        f"{_cell(at, quantity, n=True)}, {since}"
        for quantity, since in ((IMPROVEMENT, "since before"), (HOLD, "since period 2"))
        if quantity in at.index and not pd.isna(at.loc[quantity, "estimate"])
    ]
    return "; ".join(told) or REFUSED


def _without(at: pd.DataFrame) -> str:
    begun = at.loc[OTHER_START, "events"]
    level = _cell(at, WITHOUT_OTHER)
    return f"{level}, {begun} began one" if begun else "nobody began one"


def _cell(at: pd.DataFrame, quantity: str, *, n: bool = False) -> str:
    if quantity not in at.index:
        return DASH
    row = at.loc[quantity]
    estimate, low, high = (plain(row[name]) for name in ("estimate", "conf_low", "conf_high"))
    if estimate is None:
        return f"{REFUSED} ({row['n']} seen)" if not pd.isna(row["n"]) else REFUSED
    text = with_interval(estimate, low, high, 1)
    return f"{text}, n = {row['n']}" if n else text


def _finding(table: pd.DataFrame, month: int, cohorts: CohortSet) -> str:
    if not cohorts.study.has("readings"):
        return "The study holds no readings: time in range cannot be estimated."
    if table.empty:
        return f"No new patient has a period that counts by {cohorts.cut_off}."
    at = table.loc[table["month"] == month].set_index("quantity")
    parts = []
    for cohort in cohort_order(table["cohort"].dropna()):
        mine = at.loc[at["cohort"] == cohort]
        level = mine.loc[LEVEL]
        if pd.isna(level["estimate"]):
            parts.append(f"{cohort} {level['note']}")
            continue
        parts.append(
            f"{number(level['estimate'])} % ({_limits(level)}; {level['n']} seen of "
            f"{level['n_due']} due) in the {cohort} cohort{_moved(mine)}"
        )
    return f"At month {month} the modelled level was {' and '.join(parts)}."


def _moved(mine: pd.DataFrame) -> str:
    for quantity, words in ((IMPROVEMENT, "since before the index date"),
                            (HOLD, "since period 2, no period before being known")):  # fmt: skip
        if quantity in mine.index and not pd.isna(mine.loc[quantity, "estimate"]):
            row = mine.loc[quantity]
            sign = "+" if row["estimate"] >= 0 else ""
            return (
                f", {sign}{number(row['estimate'])} points ({_limits(row)}; n = {row['n']}) {words}"
            )
    return ""


def _limits(row: pd.Series) -> str:
    return f"95 % interval {interval(plain(row['conf_low']), plain(row['conf_high']))}"


def _plain(table: pd.DataFrame, month: int) -> str:
    found = table.loc[(table["quantity"] == LEVEL) & (table["month"] == month)]
    parts = [
        f"{number(24 * row['estimate'] / 100)} of 24 hours with {row['cohort']} sensors (between "
        f"{number(24 * row['conf_low'] / 100)} and {number(24 * row['conf_high'] / 100)})"
        for row in found.to_dict("records")
        if not pd.isna(row["estimate"])
    ]
    if not parts:
        return ""
    return f"About {month} months on, glucose was in range for {' and '.join(parts)}."


def _footnotes(cohorts: CohortSet, course: Course | None, notes: Sequence[str]) -> list[str]:
    plan = cohorts.plan
    low, high = boundary_of(plan)
    shown = [
        "Model: fractional logit on a natural spline of the period (knots "
        f"{_words(knots_of(plan))}, ends {low:g} and {high:g}, fixed in the plan) crossed with "
        "cohort. Every patient counts equally. Levels are of each cohort as it is; a difference is "
        "at equal covariates and so is not the difference of two levels.",
        "Observation weights always: the chance of having a counting period is modelled with the "
        "last value seen, so that who is like those who left counts for them too. Without weights "
        "the curve of those who stay is too rosy where the poorly controlled leave.",
        "“Since before” (the index date) is of patients with a counting period before it, and of "
        "no others; the others have no measured starting point, and are told against period "
        f"{HOLD_FROM}.",
        "The level of month 12 is not estimated with fewer than "
        f"{plan.time_in_range.fewest_at_month_12} patients of the cohort seen in its period; the "
        f"curve ends before fewer than {plan.sensor_survival.smallest_at_risk}.",
        "The sensor is also the instrument: a constant difference between two kinds of sensor is "
        f"part of every difference here. Between groups {GROUP_POINTS:g} points are called "
        "meaningful (Battelino T et al. 2023, from memory). Intervals are pointwise and take the "
        "weights as known.",
        "Periods that touch a pregnancy are left out. Another treatment: a glucose-lowering drug "
        "or way of giving insulin begun after the index date.",
    ]
    if course is not None:
        w = course.weights
        people = course.rows.drop_duplicates("subject")
        shown.append(
            f"With a counting period before the index date: "
            f"{int(people['share_before'].notna().sum())} of {counted(len(people), 'patient')}. Of "
            "the others nothing is known before their "
            "first period; the low among them who left in it cannot be stood for, so that levels "
            "may still be a few tenths of a point too high."
        )
        shown.append(
            f"Weights: {number(w.smallest, 2)} to {number(w.largest, 2)}, the largest "
            f"{number(100 * w.largest_share)} % of all; {w.n_observed} of {w.n_rows} due periods "
            f"were seen, worth {number(w.effective_n, 0)} after weighting. Differences rest on "
            f"{counted(course.adjusted_patients, 'patient')} with every covariate."
        )
    return [*shown, *notes]


def _words(values: Sequence[float]) -> str:
    return " and ".join(f"{value:g}" for value in values)


def _settings(plan: Plan) -> dict[str, str]:
    settings = plan.time_in_range
    return {
        "knots": ", ".join(map(str, settings.knots)),
        "last period": str(settings.last_period),
        "counting days of a period": str(settings.period_counting_days),
        "fewest at month 12": str(settings.fewest_at_month_12),
    }
