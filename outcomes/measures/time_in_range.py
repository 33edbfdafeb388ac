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
from outcomes.measures.range_quantities import (
    AT_EVERY_PERIOD,
    HOLD,
    HOLD_FROM,
    IMPROVEMENT,
    LOWS_AND_CV,
    PREGNANCY,
    QUANTITIES,
    RANGES,
    SHARE,
    VARIABILITY,
    WIDE,
)
from outcomes.measures.range_windows import CUMULATIVE, MONTHS, NEW, QUARTER, cohort_windows
from outcomes.measures.range_words import (
    alternative_text,
    finding_of,
    footnotes_of,
    levels_of,
    shown_period,
    summary_of,
)
from outcomes.plan import Plan
from outcomes.plan import TimeInRange as Settings
from outcomes.results import Record, Result
from outcomes.statistics.change import paired_change
from outcomes.statistics.intervals import Interval, t_interval
from outcomes.units import counted

OUTCOME: Final = "time_in_range"
METHOD: Final = "mean over patients, Student t, limits kept within what is possible"


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
    at = shown_period(table, month_6)
    finding = finding_of(table, cohorts, at)
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
        footnotes=footnotes_of(cohorts, windows, month_6),
        settings=_settings(cohorts.plan.time_in_range),
        summary=summary_of(table, cohorts, month_6),
        drawing=range_drawing(
            *_drawn(table, entries, at, fewest), last=cohorts.plan.time_in_range.last_period
        ),
        alt=alternative_text(finding, at),
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


def _settings(settings: Settings) -> dict[str, str]:
    names = (
        "period_days", "day_share", "period_counting_days", "quarter_counting_days",
        "first_hours", "gap_minutes", "episode_minutes", "prolonged_minutes",
    )  # fmt: skip
    return {name: str(getattr(settings, name)) for name in names}


def _drawn(
    table: pd.DataFrame, entries: Sequence[Record], at: str | None, fewest: int
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """What the figure shows: the new patients, and no point of fewer than `fewest` of them."""
    levels = levels_of(table).loc[lambda rows: rows["n_patients"] >= fewest]
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
