"""Does time in range improve, and does it hold? By cohort and period of 28 days."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.figures.style import cohort_order
from outcomes.measures.range_figure import range_drawing
from outcomes.measures.range_windows import CUMULATIVE, MONTHS, NEW, QUARTER, cohort_windows
from outcomes.plan import Plan
from outcomes.plan import TimeInRange as Settings
from outcomes.results import Record, Result, interval, number
from outcomes.statistics.change import paired_change
from outcomes.statistics.intervals import Interval, t_interval
from outcomes.units import counted

OUTCOME: Final = "time_in_range"
SHARE: Final = "share 70-180"
IMPROVEMENT: Final = "improvement of share 70-180"
HOLD: Final = "hold of share 70-180"
HOLD_FROM: Final = 2  # the first period that a placement's own weeks do not touch
MANY_CAPPED: Final = 0.01
METHOD: Final = "mean over patients, Student t, limits kept within what is possible"

# Quantity: column of the summary, factor to the unit shown, unit.
QUANTITIES: Final[dict[str, tuple[str, float, str]]] = {
    SHARE: ("share_from_70_to_180", 100, "% of time"),
    "share below 54": ("share_below_54", 100, "% of time"),
    "share 54-69": ("share_from_54_to_69", 100, "% of time"),
    "share below 70": ("share_below_70", 100, "% of time"),
    "share 70-140": ("share_from_70_to_140", 100, "% of time"),
    "share 181-250": ("share_from_181_to_250", 100, "% of time"),
    "share above 180": ("share_above_180", 100, "% of time"),
    "share above 250": ("share_above_250", 100, "% of time"),
    "share 70-180, day 06-24": ("day_share_from_70_to_180", 100, "% of time"),
    "share 70-180, night 00-06": ("night_share_from_70_to_180", 100, "% of time"),
    "share below 70, night 00-06": ("night_share_below_70", 100, "% of time"),
    "mean glucose": ("mean_mg_dl", 1, "mg/dL"),
    "SD of glucose": ("sd_mg_dl", 1, "mg/dL"),
    "CV of glucose": ("cv_percent", 1, "%"),
    "glucose management indicator": ("gmi_percent", 1, "%"),
    "low blood glucose index": ("low_index", 1, "index"),
    "high blood glucose index": ("high_index", 1, "index"),
    "glycemia risk index": ("glycemia_risk_index", 1, "index"),
    "low episodes, level 1": ("low_1_per_week", 1, "episodes per week"),
    "median length of low episodes": ("low_1_median_minutes", 1, "minutes"),
    "low episodes, level 2": ("low_2_per_week", 1, "episodes per week"),
    "prolonged low episodes": ("low_1_prolonged_per_week", 1, "episodes per week"),
    "high episodes, level 1": ("high_1_per_week", 1, "episodes per week"),
    "high episodes, level 2": ("high_2_per_week", 1, "episodes per week"),
    "active share": ("active_share", 100, "% of time"),
}
# What a reader may ask of any period; the others are told where a reader looks: before the index
# date, in the first period, at the headline's, in the last, and for the quarter.
AT_EVERY_PERIOD: Final = frozenset(
    {
        SHARE, "share below 54", "share below 70", "share above 180", "share above 250",
        "CV of glucose", "glucose management indicator",
    }
)  # fmt: skip
# Made where the plan asks for them.
VARIABILITY: Final[dict[str, tuple[str, float, str]]] = {
    "mean of daily differences": ("modd_mg_dl", 1, "mg/dL"),
    "mean amplitude of excursions": ("mage_mg_dl", 1, "mg/dL"),
}
# Over a quarter these need more counting days than the shares.
LOWS_AND_CV: Final = frozenset(
    name
    for name, (column, *_) in QUANTITIES.items()
    if "below" in column or "54" in column or "low_" in column or column == "cv_percent"
)
# The pregnancy range is shown for periods that touch a pregnancy, and only there.
PREGNANCY: Final[dict[str, tuple[str, float, str]]] = {
    "share 63-140": ("share_from_63_to_140", 100, "% of time"),
    "share below 63": ("share_below_63", 100, "% of time"),
    "share 54-62": ("share_from_54_to_62", 100, "% of time"),
    "share below 54, in pregnancy": ("share_below_54", 100, "% of time"),
    "share above 140": ("share_above_140", 100, "% of time"),
}
# The ranges of the figure, in the order of glucose.
RANGES: Final = ("share below 54", "share 54-69", SHARE, "share 181-250", "share above 250")
WIDE: Final = {
    "below_70": "share below 70",
    "below_54": "share below 54",
    "above_180": "share above 180",
    "above_250": "share above 250",
    "cv": "CV of glucose",
    "gmi": "glucose management indicator",
}


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class TimeInRangeResult(Result):
    """What `time_in_range` returns.

    `windows` has one row per patient, cohort and window with every metric, `due`, `usable` and
    `because` (why it is not used); it holds ids and never leaves the clinic.
    """

    windows: pd.DataFrame


def time_in_range(cohorts: CohortSet, *, threads: int = 1) -> TimeInRangeResult:
    """Answer whether time in range improves and holds, by cohort and period.

    Parameters
    ----------
    cohorts : CohortSet
        Its study must hold `readings`; without them the result says so in words.
    threads : int, default 1
        Of the pass over the readings; the numbers do not depend on it.

    Returns
    -------
    TimeInRangeResult
        `.table` has one row per population, cohort, group (`who`: the new, and every other
        stratum apart) and `at` ("period 3", "2024-07", or the quarter): `n_due`, `n_patients`,
        `estimate` with `conf_low` and `conf_high` (mean over patients of the share of time in
        70-180, %), the means of the other shares, CV and GMI, and how many lack data for which
        reason. Rows of `quantity` *improvement* and *hold* hold paired changes in points.
        `.records()` has the main quantities of every period, and all of them before the index
        date, in period 1, at the headline's period, at the last, and for the quarter. What is
        shown is a few lines of it.

    Notes
    -----
    Each patient counts equally, whatever the number of readings; intervals are Student's t over
    patients. A window is due when it was over by the cut-off and the patient was alive on its
    last day. Windows that touch a pregnancy are told apart. Between kinds of sensors nothing is
    estimated here: the sensor is the instrument too, so levels are shown as each reports them.

    References
    ----------
    .. [1] Battelino T et al. Diabetes Care 2019;42:1593-1603 (limits, 14 days, 70 %).
    .. [2] Danne T et al. Diabetes Care 2017;40:1631-1640 (episodes, day and night).
    """
    windows = cohort_windows(cohorts, threads=threads)
    month_6 = period_of_month(cohorts.plan)
    cells = list(_cells(windows, cohorts, month_6))
    entries = [record for cell in cells for record in cell.records]
    table = _typed(pd.DataFrame([cell.row for cell in cells], columns=list(_COLUMNS)))
    at = _shown_period(table, month_6)
    finding = _finding(table, cohorts, at)
    fewest = cohorts.plan.sensor_survival.smallest_at_risk
    return TimeInRangeResult(
        name=OUTCOME,
        title="Did time in range improve, and does it hold?",
        table=table,
        entries=entries,
        finding=finding,
        caption=(
            "Mean over patients of the share of time (%) in each glucose range as each sensor "
            f"reports it (95 % interval), by cohort and period of "
            f"{cohorts.plan.time_in_range.period_days} local days from the index date, up to "
            f"{cohorts.cut_off}; changes in percentage points."
        ),
        footnotes=_footnotes(cohorts, windows, month_6),
        settings=_settings(cohorts.plan.time_in_range),
        summary=_summary(table, cohorts, month_6),
        drawing=range_drawing(
            *_drawn(table, entries, at, fewest), last=cohorts.plan.time_in_range.last_period
        ),
        alt=_alt(finding, at),
        height=5.6,
        windows=windows,
    )


_COLUMNS: Final = (
    "population", "cohort", "who", "at", "quantity", "n_due", "n_patients",
    "estimate", "conf_low", "conf_high", *WIDE,
    "n_no_readings", "n_few_days", "n_pregnancy", "note",
)  # fmt: skip


def period_of_month(plan: Plan) -> int:
    """The period that holds the target day of the plan's primary month."""
    day = dict(zip(plan.hba1c.visit_months, plan.hba1c.visit_days, strict=True))
    return day[plan.hba1c.primary_month] // plan.time_in_range.period_days + 1


# --- one row of the table with its records -------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class _Cell:
    row: dict[str, Any]
    records: Sequence[Record]


def _cells(windows: pd.DataFrame, cohorts: CohortSet, month_6: int) -> Iterator[_Cell]:
    long = cohorts.plan.time_in_range.quarter_counting_days
    apart = (f"period {month_6}", str(cohorts.quarter))  # what is shown of those who are not new
    wanted = (QUANTITIES | VARIABILITY) if cohorts.plan.time_in_range.variability else QUANTITIES
    in_full = _in_full(windows, cohorts, month_6)
    # Only what is told, so that taking rows is quick.
    windows = windows[_needed(windows)].astype({"due": bool, "usable": bool, "counts": bool}).copy()
    for part in (CUMULATIVE, MONTHS, QUARTER):
        mine = windows.loc[windows["population"] == part]
        population = QUARTER if part == QUARTER else CUMULATIVE
        for cohort in cohort_order(mine["cohort"]):
            of_cohort = mine.loc[mine["cohort"] == cohort]
            for who in sorted(set(of_cohort["who"]), key=lambda w: (w != NEW, w)):
                group = of_cohort.loc[of_cohort["who"] == who]
                for at, rows in group.loc[group["due"]].groupby("at", sort=False):
                    if who != NEW and at not in apart:
                        continue
                    needs = long if population == QUARTER else 0
                    told = wanted
                    if at not in in_full:
                        told = {name: wanted[name] for name in wanted if name in AT_EVERY_PERIOD}
                    yield _level(rows, population, cohort, who, str(at), needs, told)
                if part == CUMULATIVE and who == NEW:
                    yield _change(group, cohort, who, (0, month_6), IMPROVEMENT)
                    yield _change(group, cohort, who, (HOLD_FROM, month_6), HOLD)


def _needed(windows: pd.DataFrame) -> list[str]:
    told = {column for column, *_ in (QUANTITIES | VARIABILITY | PREGNANCY).values()}
    frame = (
        "patient_id", "population", "cohort", "who", "at", "of", "period", "due", "usable",
        "counts", "counting_days", "pregnant", "reason",
    )  # fmt: skip
    return [name for name in windows.columns if name in told or name in frame]


def _in_full(windows: pd.DataFrame, cohorts: CohortSet, month_6: int) -> set[str]:
    """When every quantity is told."""
    periods = windows.loc[windows["usable"] & windows["period"].notna(), "period"]
    last = [int(periods.max())] if len(periods) else []
    shown = {0, 1, month_6, cohorts.plan.time_in_range.last_period, *last}
    return {str(cohorts.quarter), *(f"period {k}" for k in shown)}


def _level(
    rows: pd.DataFrame,
    population: str,
    cohort: str,
    who: str,
    at: str,
    lows_need: int,
    quantities: Mapping[str, tuple[str, float, str]],
) -> _Cell:
    usable = rows.loc[rows["usable"]]
    long = usable.loc[usable["counting_days"] >= lows_need]
    by = {} if who == NEW else {"stratum": who}
    base = {"population": population, "cohort": cohort, "at": at, "by": by}
    found = {
        name: (_mean(long if name in LOWS_AND_CV else usable, column, factor, unit), unit)
        for name, (column, factor, unit) in quantities.items()
    }
    # Of a calendar month the table says enough.
    is_month = bool(rows["of"].iloc[0] == "month")
    records = [] if is_month else [_record(name, *got, base) for name, got in found.items()]
    pregnant = rows.loc[rows["counts"] & rows["pregnant"]]
    if len(pregnant) and not is_month:
        by_state = base | {"by": {**by, "state": "touches a pregnancy"}}
        records += [
            _record(name, _mean(pregnant, column, factor, unit), unit, by_state)
            for name, (column, factor, unit) in PREGNANCY.items()
        ]
    (share, n), _ = found[SHARE]
    lacking = rows["reason"].value_counts()
    notes = [share.note] if share.note else []
    if lows_need and len(long) < len(usable):
        notes.append(f"lows and CV: {counted(len(long), 'patient')} with {lows_need} counting days")
    row = {
        "population": population, "cohort": cohort, "who": who, "at": at, "quantity": SHARE,
        "n_due": len(rows), "n_patients": n,
        "estimate": share.estimate, "conf_low": share.conf_low, "conf_high": share.conf_high,
        **{column: found[name][0][0].estimate for column, name in WIDE.items()},
        "n_no_readings": int(lacking.get("no readings", 0)),
        "n_few_days": int(lacking.get("too few counting days", 0)),
        "n_pregnancy": int(lacking.get("touches a pregnancy", 0)),
        "note": "; ".join(notes) or None,
    }  # fmt: skip
    return _Cell(row=row, records=records)


def _mean(rows: pd.DataFrame, column: str, factor: float, unit: str) -> tuple[Interval, int]:
    """The mean over patients; a patient without the value (an SD of one reading) is left out.

    None of these quantities can be below 0 and no share above 100, so neither can a limit.
    """
    values = rows[column].to_numpy(dtype=float)
    values = values[np.isfinite(values)] * factor
    got = t_interval(values)
    if got.conf_low is None or got.conf_high is None:
        return got, len(values)
    most = 100.0 if unit == "% of time" else math.inf
    low, high = max(0.0, got.conf_low), min(most, got.conf_high)
    return replace(got, conf_low=low, conf_high=high), len(values)


def _record(name: str, got: tuple[Interval, int], unit: str, base: dict[str, Any]) -> Record:
    shown, n = got
    note = "nobody has a window that counts" if n == 0 else shown.note or None
    return Record(
        outcome=OUTCOME, quantity=name, estimate=shown.estimate, conf_low=shown.conf_low,
        conf_high=shown.conf_high, level=shown.confidence_level, n_patients=n, n_units=n,
        unit=unit, method=METHOD, note=note, **base,
    )  # fmt: skip


def _change(
    group: pd.DataFrame, cohort: str, who: str, between: tuple[int, int], quantity: str
) -> _Cell:
    """Paired change of the share in range; who has a period before the index date decides which."""
    shares = group.loc[group["usable"]].pivot_table(
        index="patient_id", columns="period", values="share_from_70_to_180", aggfunc="first"
    )
    shares = 100 * shares.reindex(columns=sorted({0, *between}))
    has_before = shares[0].notna()
    pairs = shares.loc[has_before if quantity == IMPROVEMENT else ~has_before, list(between)]
    pairs = pairs.rename(columns=dict(zip(between, ("before", "after"), strict=True)))
    due = group.loc[group["due"] & (group["period"] == between[1]), "patient_id"]
    got = paired_change(pairs, before="before", after="after")
    at = f"period {between[0]} to {between[1]}"
    note = got.note
    if got.n == 0:
        note = f"nobody has counting periods {between[0]} and {between[1]}"
    record = Record(
        outcome=OUTCOME, quantity=quantity, population=CUMULATIVE, cohort=cohort, at=at,
        by={} if who == NEW else {"stratum": who}, estimate=got.mean, conf_low=got.conf_low,
        conf_high=got.conf_high, n_patients=got.n, n_units=got.n, unit="percentage points",
        method="paired change, Student t", note=note,
    )  # fmt: skip
    row = dict.fromkeys(_COLUMNS) | {
        "population": CUMULATIVE, "cohort": cohort, "who": who, "at": at, "quantity": quantity,
        "n_due": due.nunique(), "n_patients": got.n, "estimate": got.mean,
        "conf_low": got.conf_low, "conf_high": got.conf_high, "note": note,
    }  # fmt: skip
    return _Cell(row=row, records=[record])


def _typed(table: pd.DataFrame) -> pd.DataFrame:
    """Counts stay whole where a row has none."""
    return table.astype({name: "Int64" for name in table.columns if name.startswith("n_")}).astype(
        dict.fromkeys(("estimate", "conf_low", "conf_high", *WIDE), "float64")
    )


# --- words ---------------------------------------------------------------------------------------


def _shown_period(table: pd.DataFrame, month_6: int) -> str | None:
    """The period of the headline: that of month 6, else the last in which somebody has data."""
    levels = _levels(table)
    with_data = levels.loc[levels["n_patients"] > 0, "at"]
    wanted = f"period {month_6}"
    if wanted in set(with_data):
        return wanted
    numbers = sorted(int(at.removeprefix("period ")) for at in with_data)
    return f"period {numbers[-1]}" if numbers else None


def _finding(table: pd.DataFrame, cohorts: CohortSet, at: str | None) -> str:
    if not cohorts.study.has("readings"):
        return "The study holds no readings: time in range cannot be estimated."
    if at is None:
        return f"No new patient has a period that counts by {cohorts.cut_off}."
    primary = table.loc[(table["population"] == CUMULATIVE) & (table["who"] == NEW)]
    fewest = cohorts.plan.sensor_survival.smallest_at_risk
    told = [
        _answer(primary.loc[primary["cohort"] == cohort], cohort, at, fewest)
        for cohort in cohort_order(primary["cohort"])
    ]
    return " ".join(told)


def _answer(rows: pd.DataFrame, cohort: str, at: str, fewest: int) -> str:
    """One sentence: the improvement where it can be estimated, else the hold, else the level.

    What fewer than `fewest` patients show is told only where nothing else can be.
    """
    verbs = {IMPROVEMENT: "moved", HOLD: "held, moving"}
    changes = [rows.loc[rows["quantity"] == quantity].iloc[0] for quantity in verbs]
    for least in (fewest, 2):  # one patient's change is no answer to the question
        for row in changes:
            if pd.isna(row["conf_low"]) or row["n_patients"] < least:
                continue
            verb = verbs[row["quantity"]]
            begin, end = str(row["at"]).removeprefix("period ").split(" to ")
            since = "the period before" if begin == "0" else f"period {begin}"
            return (
                f"{cohort.capitalize()}: time in 70-180 mg/dL {verb} "
                f"{_signed(float(row['estimate']))} points ({_limits(row)}; n {row['n_patients']}) "
                f"from {since} to period {end}."
            )
    level = rows.loc[(rows["at"] == at) & (rows["quantity"] == SHARE)]
    if not len(level) or not level["n_patients"].iloc[0]:
        return f"{cohort.capitalize()}: nobody has a counting {at}."
    row = level.iloc[0]
    return (
        f"{cohort.capitalize()}: {number(row['estimate'])} % of time in 70-180 mg/dL in {at} "
        f"({_limits(row)}; {row['n_patients']} of {row['n_due']} due); no change can be told."
    )


def _signed(points: float) -> str:
    text = number(points)
    return text if text.startswith("−") or float(text) == 0 else f"+{text}"


def _limits(row: pd.Series) -> str:
    low, high = (None if pd.isna(row[c]) else float(row[c]) for c in ("conf_low", "conf_high"))
    return "no interval" if low is None else f"95 % interval {interval(low, high)}"


def _summary(table: pd.DataFrame, cohorts: CohortSet, month_6: int) -> pd.DataFrame:
    """The lines that are shown: some periods of the new, the quarter, and the changes."""
    last = cohorts.plan.time_in_range.last_period
    when = [f"period {k}" for k in sorted({0, 1, 3, month_6, last})] + [str(cohorts.quarter)]
    shown = table.loc[
        (table["who"] == NEW) & (table["at"].isin(when) | (table["quantity"] != SHARE))
    ]
    return pd.DataFrame([_line(row) for _, row in shown.iterrows()], columns=list(_LINE))


_LINE: Final = (
    "Cohort", "When", "n of due", "70-180, %", "Below 70, %", "Below 54, %", "Above 180, %",
    "Above 250, %", "CV, %",
)  # fmt: skip
_OF_LINE: Final = {
    "Below 70, %": "below_70", "Below 54, %": "below_54", "Above 180, %": "above_180",
    "Above 250, %": "above_250", "CV, %": "cv",
}  # fmt: skip
_CHANGES: Final = {IMPROVEMENT: "improvement", HOLD: "hold, without a period before"}


def _line(row: pd.Series) -> dict[str, str | None]:
    at = "the period before" if row["at"] == "period 0" else str(row["at"])
    value = number(row["estimate"])
    if row["quantity"] in _CHANGES:
        at = f"{_CHANGES[row['quantity']]}, {at}"
        value = f"{_signed(float(row['estimate']))} points" if row["n_patients"] else ""
    if pd.isna(row["estimate"]):
        shown = row["note"] or "not estimable"
    else:
        low, high = row["conf_low"], row["conf_high"]
        shown = f"{value} ({'no interval' if pd.isna(low) else interval(float(low), float(high))})"
    parts: dict[str, str | None] = {
        name: number(row[column], 1) for name, column in _OF_LINE.items()
    }
    if row["quantity"] in _CHANGES:
        parts = dict.fromkeys(_OF_LINE)
    return {
        "Cohort": row["cohort"], "When": at, "n of due": f"{row['n_patients']} of {row['n_due']}",
        "70-180, %": shown, **parts,
    }  # fmt: skip


def _footnotes(cohorts: CohortSet, windows: pd.DataFrame, month_6: int) -> list[str]:
    s = cohorts.plan.time_in_range
    first_day = (month_6 - 1) * s.period_days
    notes = [
        f"Period k is local days {s.period_days}(k - 1) to {s.period_days}k - 1 from the index "
        f"date; period 0 is the {s.period_days} days before it. A period is closed when its last "
        "day is at or before the cut-off, and due when it is closed and the patient was alive on "
        f"its last day. Period {month_6} (days {first_day} to {first_day + s.period_days - 1}) "
        f"holds the target day of month {cohorts.plan.hba1c.primary_month}.",
        f"A day counts when readings own {100 * s.day_share:g} % of its elapsed minutes (days of "
        f"23 and 25 hours by their own length; the first {s.first_hours} hours of an implanted "
        f"sensor are out of this test only). A period counts with {s.period_counting_days} such "
        "days, and then all its readings enter.",
        "A reading owns the time from its instant until its sensor's interval is over or the next "
        "reading comes. Shares are of owned time; mean, SD (n - 1), CV, GMI and the risk indices "
        "are over readings. Each patient counts equally; intervals are Student's t over patients.",
        "Readings are compared in their own unit with the paired limits 54/3.0, 63/3.5, 70/3.9, "
        "140/7.8, 180/10.0 and 250/13.9 (mg/dL or mmol/L); 70 and 180 lie inside the range.",
        "Where two sensors overlap, the cohort's kind goes first; readings of the other kind enter "
        f"only outside its owned minutes ({_left_out(windows)} left out).",
        f"An episode begins with {s.episode_minutes} owned minutes in a row beyond its limit, ends "
        f"once {s.episode_minutes} minutes are back at 70 or above (low) or 180 or below (high), "
        f"and a gap of more than {s.gap_minutes} minutes ends it; from "
        f"{s.prolonged_minutes} owned minutes it is prolonged. Durations have a slack of 30 "
        "seconds for sensor clocks.",
        f"Patients who are not new to the kind are told apart in the table beside the page, at "
        f"period {month_6} and for the quarter; calendar months stand there too. The figure shows "
        "the new, and no point of fewer than "
        f"{cohorts.plan.sensor_survival.smallest_at_risk} patients.",
        "Improvement is shown only for patients with a counting period before the index date "
        f"(period 0 to {month_6}). For the others there is no measured starting point: what can be "
        f"shown is their level, and whether it holds from period {HOLD_FROM} to {month_6}.",
        f"This quarter ({cohorts.span}): the local days from the index date on, with "
        f"{s.period_counting_days} counting days; lows and CV need {s.quarter_counting_days}.",
        "Each kind of sensor is also the instrument: levels of the two cohorts are shown as each "
        "sensor reports them and are not compared here. GMI is not an HbA1c, and was not derived "
        "on implanted sensors.",
        f"The data beside the page hold {len(AT_EVERY_PERIOD)} quantities of every period, and all "
        f"of them for the period before, periods 1, {month_6} and the last, and the quarter: every "
        "quantity at every period would be many chances of a striking number.",
        *_capped_notes(windows),
    ]
    pregnant = windows.loc[windows["due"] & windows["pregnant"], "patient_id"].nunique()
    if pregnant:
        notes.append(
            f"Windows that touch a pregnancy ({counted(pregnant, 'patient')}) are left "
            "out of these rows; "
            "their shares of 63-140 mg/dL stand in the data under their own heading."
        )
    if not cohorts.study.has("readings"):
        notes.insert(0, "The clinic's exports hold no sensor readings.")
    return notes


def _left_out(windows: pd.DataFrame) -> str:
    usable = windows.loc[windows["usable"] & (windows["of"] == "period")]
    return f"{counted(int(usable['overlap_left_out'].sum()), 'reading')} of counting periods"


def _capped_notes(windows: pd.DataFrame) -> Iterator[str]:
    """Say how many readings stand for beyond a limit; a mean or SD with many is not a mean."""
    usable = windows.loc[windows["usable"] & (windows["of"] == "period")]
    for cohort in cohort_order(usable["cohort"]):
        rows = usable.loc[usable["cohort"] == cohort]
        capped = int(rows["capped_below"].sum() + rows["capped_above"].sum())
        total = int(rows["readings"].sum())
        share = capped / total
        text = (
            f"{cohort.capitalize()}: {capped:,} of {counted(total, 'reading')} "
            f"({number(100 * share, 2)} %) "
            "lay beyond what the sensor reports and entered as that limit"
        )
        if share > MANY_CAPPED:
            text += "; more than 1 %, so read mean, SD, CV and GMI with care"
        yield text + "."


def _settings(settings: Settings) -> dict[str, str]:
    names = (
        "period_days", "day_share", "period_counting_days", "quarter_counting_days",
        "first_hours", "gap_minutes", "episode_minutes", "prolonged_minutes",
    )  # fmt: skip
    return {name: str(getattr(settings, name)) for name in names}


def _alt(finding: str, at: str | None) -> str:
    if at is None:
        return finding
    return (
        "Share of time in 70-180 mg/dL by period from the index date, one line a cohort with 95 % "
        f"intervals and the number of patients; below, every range of {at} in the order of "
        f"glucose. {finding}"
    )


def _drawn(
    table: pd.DataFrame, entries: Sequence[Record], at: str | None, fewest: int
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """What the figure shows: the new patients, and no point of fewer than `fewest` of them."""
    levels = _levels(table).loc[lambda rows: rows["n_patients"] >= fewest]
    levels = levels.assign(period=[int(at.removeprefix("period ")) for at in levels["at"]])
    ranges = [
        {"cohort": e.cohort, "range": e.quantity, "at": at, "estimate": e.estimate,
         "conf_low": e.conf_low, "conf_high": e.conf_high}
        for name in RANGES
        for e in entries
        if e.population == CUMULATIVE and e.at == at and not e.by and e.quantity == name
        and (e.n_patients or 0) >= fewest
    ]  # fmt: skip
    return levels, pd.DataFrame(ranges)


def _levels(table: pd.DataFrame) -> pd.DataFrame:
    primary = (table["population"] == CUMULATIVE) & (table["who"] == NEW)
    periods = table["at"].astype(str).str.startswith("period ")
    return table.loc[primary & periods & (table["quantity"] == SHARE)]
