"""Time in range in words: the finding, the lines that are shown, the footnotes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.figures.style import cohort_order
from outcomes.measures.range_quantities import AT_EVERY_PERIOD, HOLD, HOLD_FROM, IMPROVEMENT, SHARE
from outcomes.measures.range_windows import CUMULATIVE, NEW
from outcomes.results import interval, number
from outcomes.units import counted

MANY_CAPPED: Final = 0.01


def shown_period(table: pd.DataFrame, month_6: int) -> str | None:
    """The period of the headline: that of month 6, else the last in which somebody has data."""
    levels = levels_of(table)
    with_data = levels.loc[levels["n_patients"] > 0, "at"]
    wanted = f"period {month_6}"
    if wanted in set(with_data):
        return wanted
    numbers = sorted(int(at.removeprefix("period ")) for at in with_data)
    return f"period {numbers[-1]}" if numbers else None


def finding_of(table: pd.DataFrame, cohorts: CohortSet, at: str | None) -> str:
    """Return one sentence a cohort, or why there is none."""
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


def summary_of(table: pd.DataFrame, cohorts: CohortSet, month_6: int) -> pd.DataFrame:
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


def footnotes_of(cohorts: CohortSet, windows: pd.DataFrame, month_6: int) -> list[str]:
    """Return the rules that made the numbers, with the plan's settings and what was left out."""
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


def alternative_text(finding: str, at: str | None) -> str:
    """Return what the figure shows, for those who do not see it."""
    if at is None:
        return finding
    return (
        "Share of time in 70-180 mg/dL by period from the index date, one line a cohort with 95 % "
        f"intervals and the number of patients; below, every range of {at} in the order of "
        f"glucose. {finding}"
    )


def levels_of(table: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of the new, by period, of the share in range."""
    primary = (table["population"] == CUMULATIVE) & (table["who"] == NEW)
    periods = table["at"].astype(str).str.startswith("period ")
    return table.loc[primary & periods & (table["quantity"] == SHARE)]
