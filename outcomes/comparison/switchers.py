"""Those who changed from adhesive to implanted, each the own control, with the time trend."""

from __future__ import annotations

from functools import partial
from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from outcomes.cohorts.build import CohortSet
from outcomes.cohorts.draws import one_draw_a_day
from outcomes.cohorts.states import holds_on
from outcomes.comparison.trial import SWITCH, person_trials
from outcomes.comparison.words import CAUTION, standing
from outcomes.errors import EstimationError
from outcomes.figures.scales import HBA1C_PERCENT, drawn_values, fix_scale
from outcomes.figures.style import INK, look
from outcomes.glucose import summarise
from outcomes.results import Record, Result, interval, number
from outcomes.statistics.intervals import t_interval
from outcomes.statistics.segmented import LEVEL, Segments, interrupted_series
from outcomes.statistics.segmented import switch_within_people as within_people
from outcomes.tables.declared import STATE_UNRELIABLE
from outcomes.units import counted

QUARTER_DAYS: Final = 91
SIDE: Final = 4  # periods shown before and after the change
HBA1C, RANGE = "HbA1c", "time in range, as each sensor reports it"
UNITS: Final = {HBA1C: "percentage points", RANGE: "percentage points of time"}
PERIOD_WORDS: Final = {HBA1C: f"{QUARTER_DAYS} days", RANGE: "28 days"}
WITHIN, SERIES = "within patients", "series of means"
FEWEST_SIDE: Final = 3  # times on a side of a series of means

Row = dict[str, Any]


def switchers(cohorts: CohortSet) -> Result:
    """Compare each switcher's periods on implanted sensors with the own ones on adhesive sensors.

    Everybody who entered "switch or stay" as a switch. Time is counted in periods from the first
    implanted sensor; the period that holds the decision and the first weeks is left out.

    Returns
    -------
    Result
        `.table` has one row per `outcome`, `method` (within patients; series of means) and
        `quantity` (trend before, change of level, change of slope), with `estimate`, `conf_low`,
        `conf_high`, `unit`, `n_patients`, `n_periods`, `note`.

    Notes
    -----
    Within patients: fixed effects, clustered by patient. Series of means: segmented regression of
    the mean of each period, Newey-West errors. Both assume that the trend before would have gone
    on, that nothing else changed at the same time, and that the moment of the change did not
    follow a passing high: after a chance high a fall comes by itself.
    """
    hba1c, ranges = _hba1c_periods(cohorts), _range_periods(cohorts)
    rows = [*_outcome_rows(HBA1C, hba1c, cohorts), *_outcome_rows(RANGE, ranges, cohorts)]
    table = pd.DataFrame(rows, columns=_COLUMNS)
    means = _means(hba1c)
    fewest = cohorts.plan.comparison.fewest_per_arm
    drawn = means.loc[means["n"] >= fewest]
    finding = _finding(table)
    return Result(
        name="comparison_switchers",
        title="Before and after, in those who switched",
        table=table,
        entries=[_record(row) for row in rows],
        finding=finding,
        caption=(
            f"Patients who switched from adhesive to implanted sensors; HbA1c by {QUARTER_DAYS} "
            f"days and time in range by 28 days from the first implanted sensor, up to {SIDE} "
            "periods on either side, the period of the change left out. 95 % intervals."
        ),
        footnotes=[
            CAUTION,
            standing(cohorts).sentence,
            "Assumes that the trend before would have gone on, that nothing else was changed with "
            "the sensor, and that the moment did not follow a passing high: who switches after a "
            "chance high falls without any treatment.",
            "Time in range changes its instrument on the day of the switch, so that its change of "
            "level holds any constant difference between the two sensors.",
        ],
        summary=_summary(table),
        drawing=partial(_draw, means=drawn) if len(drawn) > 1 else None,
        alt=f"Mean HbA1c by period before and after the switch. {finding}",
        height=2.8,
    )


_COLUMNS: Final = [
    *("outcome", "method", "quantity", "estimate", "conf_low", "conf_high", "unit"),
    *("n_patients", "n_periods", "note"),
]


def _switches(cohorts: CohortSet) -> pd.DataFrame:
    rows = person_trials(cohorts).of(SWITCH)
    mine = rows.loc[rows["started_on"].notna()].sort_values("started_on")
    return mine.drop_duplicates("patient_id")[
        ["patient_id", "time_zero", "started_on", "on_kind_until"]
    ].reset_index(drop=True)


def _hba1c_periods(cohorts: CohortSet) -> pd.DataFrame:
    """Return one draw per patient and 91 days from the change, the change's own period left out.

    Period 0 begins 91 days after the first implanted sensor, -1 ends with the day of the decision.
    """
    switched = _switches(cohorts)
    daily = one_draw_a_day(cohorts.table("hba1c"))[["patient_id", "drawn_on", "percent"]]
    unreliable = holds_on(cohorts.table("states"), what=STATE_UNRELIABLE, at=daily, day="drawn_on")
    both = switched.merge(daily.loc[~unreliable], on="patient_id", how="inner")
    before = (both["drawn_on"] - both["time_zero"]).dt.days
    after = (both["drawn_on"] - both["started_on"]).dt.days - QUARTER_DAYS
    period = np.where(before <= 0, -1 - (-before) // QUARTER_DAYS, after // QUARTER_DAYS)
    keep = ((before <= 0) | (after >= 0)) & (both["drawn_on"] <= both["on_kind_until"])
    rows = both.assign(period=period).loc[keep & (period >= -SIDE) & (period < SIDE)]
    # The draw nearest to the change where a period has several, so that none is chosen by value.
    rows = rows.assign(near=(rows["drawn_on"] - rows["started_on"]).dt.days.abs())
    once = rows.sort_values("near").drop_duplicates(["patient_id", "period"])
    return once[["patient_id", "period", "percent"]].rename(columns={"percent": "value"})


def _range_periods(cohorts: CohortSet) -> pd.DataFrame:
    """Return the share of time in range of 28-day periods on either side of the change."""
    switched, settings = _switches(cohorts), cohorts.plan.time_in_range
    empty = pd.DataFrame(
        {"patient_id": pd.Series(dtype=object), "period": pd.Series(dtype=int),
         "value": pd.Series(dtype=float)}
    )  # fmt: skip
    if not cohorts.study.has("readings") or switched.empty:
        return empty
    length = settings.period_days
    number_of = np.concatenate([np.arange(-SIDE, 0), np.arange(SIDE)])
    rows = switched.loc[switched.index.repeat(len(number_of))].reset_index(drop=True)
    period = pd.Series(np.tile(number_of, len(switched)))
    ago = pd.to_timedelta(period * length, unit="D")
    # The period from the decision to 28 days after the placement is the transition.
    first = (rows["time_zero"] + ago).where(
        period < 0, rows["started_on"] + ago + pd.Timedelta(days=length)
    )
    last = first + pd.Timedelta(days=length - 1)
    inside = (last <= pd.Timestamp(cohorts.cut_off)) & (last <= rows["on_kind_until"])
    rows = rows.assign(period=period, first_on=first, last_on=last).loc[inside]
    rows = rows.reset_index(drop=True)
    if rows.empty:
        return empty
    windows = pd.DataFrame(
        {
            "window_id": pd.array(np.arange(len(rows)), dtype="Int64"),
            "patient_id": rows["patient_id"].to_numpy(dtype=object),
            "kind": np.where(rows["period"] < 0, "adhesive", "implanted").astype(object),
            "first_on": rows["first_on"].to_numpy().astype("datetime64[ns]"),
            "last_on": rows["last_on"].to_numpy().astype("datetime64[ns]"),
            "closed": pd.array(np.full(len(rows), True), dtype="boolean"),
            "needed_days": pd.array(
                np.full(len(rows), settings.period_counting_days), dtype="Int64"
            ),
        }
    )
    got = summarise(
        cohorts.study, windows, settings=settings, cut_off=cohorts.cut_off, remembering=True
    )
    found = rows[["patient_id", "period"]].assign(value=100 * got["share_from_70_to_180"])
    return found.loc[got["counts"].to_numpy(dtype=bool)].reset_index(drop=True)


def _outcome_rows(outcome: str, periods: pd.DataFrame, cohorts: CohortSet) -> list[Row]:
    base: Row = {"outcome": outcome, "unit": UNITS[outcome]}
    fewest = cohorts.plan.comparison.fewest_per_arm
    sides = periods.assign(after=periods["period"] >= 0).groupby("patient_id")["after"].nunique()
    n = int((sides == 2).sum())
    if n < fewest:
        told = counted(n, "patient")
        note = f"described only: periods on both sides in {told}, fewer than {fewest}"
        return [base | {"method": m, "quantity": LEVEL, "note": note, "n_patients": n}
                for m in (WITHIN, SERIES)]  # fmt: skip
    rows = []
    for method, estimate in ((WITHIN, _within), (SERIES, _series)):
        try:
            got = estimate(periods)
        except EstimationError as error:
            rows.append(base | {"method": method, "quantity": LEVEL, "n_patients": n,
                                "note": f"not estimable: {error}"})  # fmt: skip
            continue
        n_people = got.n_units if method == WITHIN else n
        if n_people < fewest:
            note = (
                f"described only: two periods on both sides in {counted(n_people, 'patient')}, "
                f"fewer than {fewest}"
            )
            rows.append(base | {"method": method, "quantity": LEVEL, "note": note,
                                "n_patients": n_people})  # fmt: skip
            continue
        rows += [
            base
            | {"method": method, "quantity": str(r["quantity"]), "estimate": r["estimate"],
               "conf_low": r["conf_low"], "conf_high": r["conf_high"], "n_patients": n_people,
               "n_periods": got.n, "note": "; ".join(got.notes) or None}
            for r in got.table.to_dict("records")
        ]  # fmt: skip
    return rows


def _within(periods: pd.DataFrame) -> Segments:
    return within_people(
        periods, subject="patient_id", time="period", outcome="value", fewest_each_side=2
    )


def _series(periods: pd.DataFrame) -> Segments:
    """Segmented regression of the means of those seen on both sides."""
    sides = periods.assign(after=periods["period"] >= 0).groupby("patient_id")["after"]
    both = periods.loc[sides.transform("nunique") == 2]
    means = both.groupby("period", as_index=False)["value"].mean()
    return interrupted_series(
        means.rename(columns={"period": "time"}), time="time", outcome="value", change_at=0, lags=1
    )


# --- words ---------------------------------------------------------------------------------------


def _means(periods: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for period, part in periods.groupby("period"):
        got = t_interval(part["value"].to_numpy(dtype=float))
        rows.append((int(str(period)), got.estimate, got.conf_low, got.conf_high, len(part)))
    return pd.DataFrame(rows, columns=["period", "estimate", "conf_low", "conf_high", "n"])


def _draw(ax: Axes, *, means: pd.DataFrame) -> None:
    for side, kind in ((means["period"] < 0, "adhesive"), (means["period"] >= 0, "implanted")):
        part, style = means.loc[side], look(kind)
        if part.empty:
            continue
        at = part["period"] + np.where(part["period"] < 0, 0, 1)
        ax.errorbar(
            at, part["estimate"],
            yerr=[part["estimate"] - part["conf_low"], part["conf_high"] - part["estimate"]],
            color=style.colour, linestyle=style.line, marker=style.marker, capsize=2,
        )  # fmt: skip
        for x, row in zip(at, part.itertuples(), strict=True):
            ax.annotate(f"n = {row.n}", (x, row.conf_low), xytext=(0, -11), ha="center",
                        textcoords="offset points", fontsize="x-small", color=INK)  # fmt: skip
        ax.annotate(kind, (at.iloc[0], part["conf_high"].max()), xytext=(0, 5), color=INK,
                    textcoords="offset points")  # fmt: skip
    ax.axvspan(-0.5, 0.5, color="#e6e8ea", linewidth=0)
    ax.set_xlabel(f"periods of {QUARTER_DAYS} days from the change (grey: left out)")
    ax.set_ylabel("HbA1c, %")
    ax.set_xlim(-SIDE - 0.6, SIDE + 0.6)
    fix_scale(ax, "y", HBA1C_PERCENT, drawn_values(means), room=(0.08, 0.08))


def _finding(table: pd.DataFrame) -> str:
    rows = table.loc[
        (table["outcome"] == HBA1C) & (table["method"] == WITHIN) & (table["quantity"] == LEVEL)
    ]
    row = rows.iloc[0]
    if pd.isna(row["estimate"]):
        return f"Before and after in switchers is {row['note']}."
    limits = interval(row["conf_low"], row["conf_high"], 2)
    return (
        f"In {counted(row['n_patients'], 'patient')} who switched, HbA1c changed its level by "
        f"{number(row['estimate'], 2)} points ({limits}) against their own trend before: an "
        "association, exploratory."
    )


def _summary(table: pd.DataFrame) -> pd.DataFrame:
    def cell(row: Row) -> str:
        if pd.isna(row["estimate"]):
            return str(row["note"])
        limits = interval(row["conf_low"], row["conf_high"], 2)
        slope = row["quantity"] != LEVEL
        per = f" per {PERIOD_WORDS[row['outcome']]}" if slope else ""
        return f"{number(row['estimate'], 2)} ({limits}){per}"

    return pd.DataFrame(
        {
            "Outcome": row["outcome"],
            "Method": row["method"],
            "Quantity": row["quantity"],
            "Estimate (95 %)": cell(row),
            "Unit": row["unit"],
            "Patients": "–" if pd.isna(row["n_patients"]) else f"{row['n_patients']:.0f}",
        }
        for row in table.to_dict("records")
    )


def _record(row: Row) -> Record:
    return Record(
        outcome="comparison_switchers", quantity=f"{row['outcome']}: {row['quantity']}",
        population="cumulative", contrast="after minus before", by={"method": str(row["method"])},
        estimate=row.get("estimate"), conf_low=row.get("conf_low"),
        conf_high=row.get("conf_high"), n_patients=row.get("n_patients"),
        n_units=row.get("n_periods"), unit=str(row["unit"]), method=str(row["method"]),
        note=row.get("note"),
    )  # fmt: skip
