"""Does time in range improve, and does it hold, if those who were not seen are stood for?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.cohorts.other_starts import first_start, other_starts
from outcomes.errors import EstimationError
from outcomes.figures.style import cohort_order
from outcomes.measures.course_figures import draw_course
from outcomes.measures.hba1c_rows import CONTRAST, plain
from outcomes.measures.range_course import (
    FEWEST,
    Course,
    accepted_slope,
    changes_since_before,
    changes_since_period,
    lines_check,
    weighted_course,
)
from outcomes.measures.range_windows import CUMULATIVE, NEW, cohort_windows
from outcomes.measures.words import with_interval
from outcomes.plan import Plan
from outcomes.results import DASH, Record, Result, Show, interval, number
from outcomes.tables.declared import KINDS

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
    rows, course, notes = _rows(due, cohorts, stated)
    curve = _curve(course, cohorts, rows) if course is not None else pd.DataFrame()
    table = pd.DataFrame(rows, columns=_COLUMNS).astype(
        dict.fromkeys(("month", "period", "n", "n_due", "events"), "Int64")
    )
    month = cohorts.plan.hba1c.primary_month
    finding = _finding(table, month, cohorts)
    at = [row for row in rows if row["quantity"] == LEVEL and row["estimate"] is not None]
    return Trajectories(
        name="trajectories",
        title="Does time in range hold, if those not seen are stood for?",
        table=table,
        entries=[_record(row) for row in rows],
        finding=finding,
        plain=_plain(table, month),
        caption=(
            "Modelled share of time in 70-180 mg/dL (3.9-10.0 mmol/L) of the new patients by "
            f"cohort, as each sensor reports it, up to {cohorts.cut_off}; % of time, changes and "
            "differences in percentage points, 95 % intervals."
        ),
        footnotes=_footnotes(cohorts, course, notes),
        settings=_settings(cohorts.plan),
        show={name: Show(name) for name in ("who", "month", "quantity", "estimate", "n", "note")},
        summary=_summary(table),
        drawing=partial(draw_course, curve=curve, stated=pd.DataFrame(at)) if len(curve) else None,
        alt=(
            "One curve a cohort with its 95 % band over the periods since the index date, the "
            f"stated months marked, the number of patients seen below. {finding}"
        ),
        height=3.9,
        curve=curve,
    )


_COLUMNS: Final = [
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


# --- rows of the table --------------------------------------------------------------------------


def _row(**given: Any) -> Row:
    made: Row = dict.fromkeys(_COLUMNS)
    made |= {"method": "", "note": "", **given}
    made["who"] = made["cohort"] or made["contrast"]
    return made


def _rows(
    due: pd.DataFrame, cohorts: CohortSet, stated: dict[int, int]
) -> tuple[list[Row], Course | None, list[str]]:
    if due.empty or due["share"].notna().sum() == 0:
        return [], None, []
    fitted: dict[str, Any] = {
        "knots": _knots(cohorts.plan), "boundary": _boundary(cohorts.plan),
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


def _knots(plan: Plan) -> Sequence[float]:
    return [float(knot) for knot in plan.time_in_range.knots]


def _boundary(plan: Plan) -> tuple[float, float]:
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
                row["note"] = f"{REFUSED}: {n} patients seen in period {period}, fewer than {few}"
            else:
                row |= _points(found)
            rows.append(row)
    return rows


def _points(found: Any) -> Row:
    """Shares as fractions into points."""
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
                f"{REFUSED}: {smaller} patients seen in the smaller cohort, fewer than "
                f"{fewest[month]}"
            )
            continue
        row |= _points(shown) | {
            "note": "as each sensor reports it: a constant difference between sensors is part of "
            "it; association, not proof of cause"
        }
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
                row |= _points(shown)
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


def _record(row: Row) -> Record:
    return Record(
        outcome=OUTCOME, quantity=row["quantity"], population=CUMULATIVE, cohort=row["cohort"],
        contrast=row["contrast"], at=f"period {row['period']}", by={"month": str(row["month"])},
        estimate=row["estimate"], conf_low=row["conf_low"], conf_high=row["conf_high"],
        n_patients=row["n"], n_units=row["n_due"], events=row["events"], unit=row["unit"],
        method=row["method"], note=row["note"] or None,
    )  # fmt: skip


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
        {"cohort": row["group"], "period": int(row["time"]), **_points(row),
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
    contrast = who == CONTRAST
    head = at.loc[DIFFERENCE if contrast else LEVEL]
    others = at.loc[OTHER_START, "events"] if OTHER_START in at.index else None
    return {
        "Cohort": who,
        "When": f"month {month} (period {head['period']})",
        "Seen, of due": DASH if contrast else f"{head['n']} of {head['n_due']}",
        "Level, % of time": DASH if contrast else _cell(at, LEVEL),
        "Difference, points": _cell(at, DIFFERENCE),
        "Since before the index date, points": _cell(at, IMPROVEMENT, n=True),
        "Since period 2, of the others, points": _cell(at, HOLD, n=True),
        "Check: personal lines, %": _cell(at, CHECK),
        "Without periods after another treatment, %": _cell(at, WITHOUT_OTHER),
        "Began another treatment by then": DASH if others is None else str(others),
    }


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
    low, high = _boundary(plan)
    shown = [
        f"Model: fractional logit on a natural spline of the period (knots {_words(_knots(plan))}, "
        f"ends {low:g} and {high:g}, fixed in the plan) crossed with cohort. Every patient counts "
        "equally. Levels are of each cohort as it is; a difference is at equal covariates and so "
        "is not the difference of two levels.",
        "Observation weights always: the chance of having a counting period is modelled with the "
        "last value seen, so that who is like those who left counts for them too. Without weights "
        "the curve of those who stay is too rosy where the poorly controlled leave.",
        "*Since before the index date* is of patients with a counting period before it, and of "
        "no others; the others have no measured starting point, and are told against period "
        f"{HOLD_FROM}.",
        "The level of month 12 is not estimated with fewer than "
        f"{plan.time_in_range.fewest_at_month_12} patients of the cohort seen in its period; the "
        f"curve ends before fewer than {plan.sensor_survival.smallest_at_risk}.",
        "The sensor is also the instrument: a constant difference between two kinds of sensor is "
        "part of every difference here. Intervals are pointwise and take the weights as known.",
        "Periods that touch a pregnancy are left out. Another treatment: a glucose-lowering drug "
        "or way of giving insulin begun after the index date.",
    ]
    if course is not None:
        w = course.weights
        shown.append(
            f"Weights: {number(w.smallest, 2)} to {number(w.largest, 2)}, the largest "
            f"{number(100 * w.largest_share)} % of all; {w.n_observed} of {w.n_rows} due periods "
            f"were seen, worth {number(w.effective_n, 0)} after weighting. Differences rest on "
            f"{course.adjusted_patients} patients with every covariate."
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
