"""How much of the time were sensors worn with readings, and were calibrations kept?"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from outcomes.cohorts.build import CohortSet
from outcomes.figures.scales import PERCENT, drawn_values, fix_scale
from outcomes.figures.style import cohort_order, look
from outcomes.measures.calibrations import calibration_days
from outcomes.measures.range_windows import CUMULATIVE, QUARTER, ClinicWindows, clinic_windows
from outcomes.results import Record, Result, interval, number
from outcomes.statistics.intervals import Interval
from outcomes.statistics.pairs import cluster_bootstrap, median_of, pairs_of
from outcomes.statistics.ratios import ratio_of_sums, within
from outcomes.units import counted

OUTCOME: Final = "sensor_wear"
ON: Final = "share of time with readings"
KEPT: Final = "calibrations kept"
DRAWS: Final = 500
WEEK: Final = 7
# Classes of the length of a gap, in hours.
LENGTHS: Final = ((0, 2, "up to 2 h"), (2, 8, "2 to 8 h"), (8, 24, "8 to 24 h"),
                  (24, 72, "1 to 3 days"), (72, np.inf, "over 3 days"))  # fmt: skip


def sensor_wear(cohorts: CohortSet, *, threads: int = 1) -> Result:
    """Answer how much of the time sensors gave readings, where the gaps are, and what was kept.

    Parameters
    ----------
    cohorts : CohortSet
        Of its study `sensors`, `readings` and `fingersticks` are used, whoever wears the sensor.
    threads : int, default 1
        As in `time_in_range`.

    Returns
    -------
    Result
        `.table` has one row per population, kind, quantity and `at`: share of the time with
        readings, gaps per 30 days, share of gaps by length, median length, share of ended sensors
        whose readings had ceased before (implanted), days between sensors (adhesive), and
        calibrations kept, in all and by day since placement (implanted).

    Notes
    -----
    A gap is no failure and never ends a sensor: the transmitter over an implanted sensor comes
    off. Shares and rates are ratios of sums over sensors with patients as the unit of the
    interval; medians have a bootstrap of patients.
    """
    made = clinic_windows(cohorts, threads=threads)
    kept = _calibrations(cohorts)
    rows = [
        *_readings_rows(made, cohorts),
        *_between_rows(cohorts),
        *_calibration_rows(kept, cohorts),
    ]
    table = pd.DataFrame(rows, columns=list(_COLUMNS))
    finding = _finding(table, cohorts)
    return Result(
        name=OUTCOME,
        title="How much of the time did sensors give readings?",
        table=table,
        entries=list(_records(table)),
        finding=finding,
        caption=(
            "Sensors of each kind placed since the plan's start (this quarter: all that were worn "
            f"in it), up to {cohorts.cut_off}: share of the time with readings, gaps, and "
            "calibrations kept of those due; 95 % intervals by patient."
        ),
        footnotes=_footnotes(cohorts),
        settings=_settings(cohorts),
        summary=_summary(table),
        drawing=_drawing(table, cohorts),
        alt=(
            "Left: gaps in the readings by length, a marker a kind. Right: share of due "
            f"calibrations kept by week since placement. {finding}"
        ),
        height=3.4,
    )


_COLUMNS: Final = (
    "population", "kind", "quantity", "at", "n_patients", "n_units", "events", "exposure",
    "estimate", "conf_low", "conf_high", "unit", "method", "note",
)  # fmt: skip


def _row(
    shown: Interval, *, population: str, kind: str, quantity: str, unit: str, n_patients: int,
    n_units: int, at: str | None = None, events: int | None = None, exposure: float | None = None,
    factor: float = 1.0,
) -> dict[str, Any]:  # fmt: skip
    ends = {
        name: None if value is None else factor * value
        for name, value in (
            ("estimate", shown.estimate), ("conf_low", shown.conf_low),
            ("conf_high", shown.conf_high),
        )
    }  # fmt: skip
    return {
        "population": population, "kind": kind, "quantity": quantity, "at": at,
        "n_patients": n_patients, "n_units": n_units, "events": events, "exposure": exposure,
        **ends, "unit": unit, "method": shown.method, "note": shown.note or None,
    }  # fmt: skip


# --- readings ------------------------------------------------------------------------------------


def _readings_rows(made: ClinicWindows, cohorts: CohortSet) -> Iterator[dict[str, Any]]:
    if not cohorts.study.has("readings"):
        return
    lives = made.sensors.assign(
        days=(made.sensors["span_to"] - made.sensors["span_from"]).dt.total_seconds() / 86400
    )
    lives = lives.loc[lives["days"] > 0].drop(columns=["because"])
    gaps = made.gaps.merge(lives[["window_id", "population", "kind", "patient_id"]], on="window_id")
    since = pd.Timestamp(cohorts.plan.plan.start)
    for population in (CUMULATIVE, QUARTER):
        mine = lives.loc[lives["population"] == population]
        if population == CUMULATIVE:
            mine = mine.loc[mine["first_on"] >= since]
        for kind in cohort_order(mine["kind"]):
            worn = mine.loc[mine["kind"] == kind]
            found = gaps.loc[gaps["window_id"].isin(worn["window_id"])]
            yield from _of_kind(worn, found, {"population": population, "kind": kind})


def _of_kind(
    worn: pd.DataFrame, found: pd.DataFrame, base: dict[str, Any]
) -> Iterator[dict[str, Any]]:
    patients = worn["patient_id"]
    who = {"n_patients": patients.nunique(), "n_units": len(worn), **base}
    days, on = worn["days"].to_numpy(dtype=float), worn["on_share"].fillna(0).to_numpy(dtype=float)
    share = within(ratio_of_sums(on * days, days, cluster=patients), 0, 1)
    yield _row(share, quantity=ON, unit="% of time worn", factor=100, exposure=days.sum(), **who)
    number = worn["window_id"].map(found.groupby("window_id").size()).fillna(0).to_numpy(float)
    rate = within(ratio_of_sums(number, days, cluster=patients), 0, np.inf)
    yield _row(rate, quantity="gaps", unit="gaps per 30 days worn", factor=30,
               events=len(found), exposure=days.sum(), **who)  # fmt: skip
    gap_who = {"n_patients": found["patient_id"].nunique(), "n_units": len(found), **base}
    yield _row(_median(found["hours"], found["patient_id"]), quantity="median length of a gap",
               unit="hours", **gap_who)  # fmt: skip
    for low, high, label in LENGTHS if len(found) else ():
        of_length = found["hours"].between(low, high, inclusive="right")
        part = within(ratio_of_sums(of_length.to_numpy(float), np.ones(len(found)),
                                    cluster=found["patient_id"]), 0, 1)  # fmt: skip
        yield _row(part, quantity="gaps by length", at=label, unit="% of gaps", factor=100,
                   events=int(of_length.sum()), **gap_who)  # fmt: skip
    ended = worn.loc[worn["closed"].astype(bool)]
    if base["kind"] == "implanted" and len(ended):
        silent = ended["window_id"].isin(found.loc[found["to_the_end"], "window_id"])
        part = within(ratio_of_sums(silent.to_numpy(float), np.ones(len(ended)),
                                    cluster=ended["patient_id"]), 0, 1)  # fmt: skip
        yield _row(part, quantity="sensors whose last gap ended with the removal",
                   unit="% of ended sensors", factor=100, events=int(silent.sum()),
                   n_patients=ended["patient_id"].nunique(), n_units=len(ended),
                   **base)  # fmt: skip


def _median(values: pd.Series, patients: pd.Series) -> Interval:
    frame = pd.DataFrame({"value": values, "patient": patients}).assign(one=1.0)
    given = pairs_of(frame, "value", "one", "patient")
    middle = median_of(given.measured, given)
    return cluster_bootstrap(middle, given, 0.95, DRAWS, np.random.default_rng(1))


def _between_rows(cohorts: CohortSet) -> Iterator[dict[str, Any]]:
    """Days from the end of an adhesive sensor to the next; a row a population."""
    worn = cohorts.table("sensors")
    worn = worn.loc[(worn["kind"] == "adhesive") & worn["placed_on"].notna()]
    worn = worn.sort_values(["patient_id", "placed_on"], kind="stable")
    ended = worn["stopped_on"].fillna(worn["removed_on"])
    # Where sensors overlap, the latest end so far counts.
    latest = ended.groupby(worn["patient_id"]).cummax()
    before = latest.groupby(worn["patient_id"]).shift()
    days = (worn["placed_on"] - before).dt.days
    most = cohorts.plan.sensor_wear.between_days
    since = {CUMULATIVE: cohorts.plan.plan.start, QUARTER: cohorts.span.first_on}
    for population, first in since.items():
        mine = days.notna() & (worn["placed_on"] >= pd.Timestamp(first))
        apart, who = days.loc[mine].clip(lower=0), worn.loc[mine, "patient_id"]
        base = {"population": population, "kind": "adhesive", "n_patients": who.nunique(),
                "n_units": len(apart)}  # fmt: skip
        if not len(apart):
            continue
        long = (apart > most).to_numpy(float)
        part = within(ratio_of_sums(long, np.ones(len(long)), cluster=who), 0, 1)
        yield _row(part, quantity=f"gaps of more than {most} day between sensors",
                   unit="% of changes", factor=100, events=int(long.sum()), **base)  # fmt: skip


# --- calibrations --------------------------------------------------------------------------------


def _calibrations(cohorts: CohortSet) -> pd.DataFrame:
    return calibration_days(
        cohorts.table("sensors"), cohorts.table("fingersticks"),
        rules=cohorts.plan.sensor_wear, cut_off=cohorts.cut_off,
    )  # fmt: skip


def _calibration_rows(kept: pd.DataFrame, cohorts: CohortSet) -> Iterator[dict[str, Any]]:
    marked = cohorts.table("fingersticks")["used_for_calibration"].notna().any()
    if not marked or kept.empty:
        return
    span, since = cohorts.span, pd.Timestamp(cohorts.plan.plan.start)
    in_quarter = kept["on"].between(pd.Timestamp(span.first_on), pd.Timestamp(span.last_on))
    cumulative = kept.loc[kept["placed_on"] >= since]
    for population, rows in ((CUMULATIVE, cumulative), (QUARTER, kept.loc[in_quarter])):
        yield _kept_row(rows, population, None)
    week = (cumulative["day"] - 1) // WEEK
    for number_of_week, rows in cumulative.groupby(week):
        first = int(number_of_week) * WEEK + 1
        yield _kept_row(rows, CUMULATIVE, f"days {first}-{first + WEEK - 1}")


def _kept_row(rows: pd.DataFrame, population: str, at: str | None) -> dict[str, Any]:
    share = within(ratio_of_sums(rows["kept"], rows["due"], cluster=rows["patient_id"]), 0, 1)
    return _row(share, population=population, kind="implanted", quantity=KEPT, at=at,
                unit="% of those due", factor=100, events=int(rows["kept"].sum()),
                exposure=float(rows["due"].sum()), n_patients=rows["patient_id"].nunique(),
                n_units=rows["sensor_id"].nunique())  # fmt: skip


# --- words and picture ---------------------------------------------------------------------------


def _records(table: pd.DataFrame) -> Iterator[Record]:
    for row in table.astype(object).where(table.notna(), None).to_dict("records"):
        kind = row.pop("kind")
        if row["estimate"] is None and row["note"] is None:
            row["note"] = "not estimable"
        yield Record(outcome=OUTCOME, cohort=kind, by={"sensors": "all of the kind"}, **row)


def _finding(table: pd.DataFrame, cohorts: CohortSet) -> str:
    whole = table.loc[(table["population"] == CUMULATIVE) & table["at"].isna()]
    parts = []
    for kind in cohort_order(whole["kind"]):
        of_kind = whole.loc[whole["kind"] == kind].set_index("quantity")
        said = [
            f"{text} {_cell(of_kind.loc[quantity])}"
            for quantity, text in ((ON, "readings for"), (KEPT, "calibrations kept"))
            if quantity in of_kind.index
        ]
        if said:
            row = of_kind.iloc[0]
            sensors = counted(row["n_units"], "sensor")
            people = counted(row["n_patients"], "patient")
            parts.append(f"{kind.capitalize()} ({sensors}, {people}): {'; '.join(said)}.")
    if not cohorts.study.has("readings"):
        parts.insert(0, "The study holds no readings.")
    return " ".join(parts) or f"No sensor was worn by {cohorts.cut_off}."


def _cell(row: pd.Series) -> str:
    if pd.isna(row["estimate"]):
        return str(row["note"])
    size = f"{number(row['estimate'])} {row['unit']}"
    if pd.isna(row["conf_low"]):
        return f"{size} (no interval)"
    return f"{size} (95 % interval {interval(float(row['conf_low']), float(row['conf_high']))})"


def _summary(table: pd.DataFrame) -> pd.DataFrame:
    """One line a kind and quantity; how many it is of stands behind each value."""
    shown = table.loc[table["at"].isna()]
    cells = {
        (row["population"], row["kind"], row["quantity"]): f"{_in_brief(row)}; {_of(row)}"
        for _, row in shown.iterrows()
    }
    quantities = list(dict.fromkeys(shown["quantity"]))
    lines = [
        {
            "Kind": kind, "Quantity": quantity,
            "All since the plan's start": cells.get((CUMULATIVE, kind, quantity)),
            "This quarter": cells.get((QUARTER, kind, quantity)),
        }
        for kind in cohort_order(shown["kind"])
        for quantity in quantities
        if {(CUMULATIVE, kind, quantity), (QUARTER, kind, quantity)} & cells.keys()
    ]  # fmt: skip
    return pd.DataFrame(
        lines, columns=["Kind", "Quantity", "All since the plan's start", "This quarter"]
    )


def _in_brief(row: pd.Series) -> str:
    """As `_cell`; the caption says which interval it is."""
    if pd.isna(row["estimate"]) or pd.isna(row["conf_low"]):
        return _cell(row)
    ends = interval(float(row["conf_low"]), float(row["conf_high"]))
    return f"{number(row['estimate'])} ({ends}) {row['unit']}"


def _of(row: pd.Series) -> str:
    what = {"gaps of more": "change", "median length": "gap"}
    unit = next((name for start, name in what.items() if row["quantity"].startswith(start)),
                "sensor")  # fmt: skip
    return f"{counted(row['n_units'], unit)}, {counted(row['n_patients'], 'patient')}"


def _footnotes(cohorts: CohortSet) -> list[str]:
    rules, settings = cohorts.plan.sensor_wear, cohorts.plan.time_in_range
    notes = [
        "A gap is no failure, and never ends a sensor: the transmitter over an implanted sensor "
        "can be taken off. It is where the next reading of the kind comes more than "
        f"{settings.gap_minutes} minutes later; its length is the time that no reading owns.",
        f"Time worn runs from {settings.first_hours} hours after the placement of an implanted "
        "sensor (from the placement of an adhesive one; where the time of day is not known, from "
        "the next day) to the day before it stopped; without an end, to its planned day or the "
        "cut-off.",
        f"Calibrations (implanted): {rules.first_calibrations} are due a local day on days 1 to "
        f"{rules.first_days} after the placement, then {rules.later_calibrations}; the day on "
        "which the sensor stopped is due, and extra ones never make up for a missed day. These "
        "numbers are common practice; what the device asks for, and licensed practice, hold.",
        "Patients are not compared between kinds here: who wears which kind was not drawn by lot.",
    ]
    if not cohorts.table("fingersticks")["used_for_calibration"].notna().any():
        notes.append("The exports do not say which fingersticks calibrated a sensor.")
    return notes


def _settings(cohorts: CohortSet) -> dict[str, str]:
    rules = cohorts.plan.sensor_wear
    names = ("first_days", "first_calibrations", "later_calibrations", "between_days")
    return {name: str(getattr(rules, name)) for name in names} | {
        "gap_minutes": str(cohorts.plan.time_in_range.gap_minutes)
    }


def _drawing(table: pd.DataFrame, cohorts: CohortSet) -> Callable[[Axes], None] | None:
    fewest = cohorts.plan.sensor_survival.smallest_at_risk
    whole = table.loc[table["population"] == CUMULATIVE]
    lengths = whole.loc[whole["quantity"] == "gaps by length"]
    weeks = whole.loc[
        (whole["quantity"] == KEPT) & whole["at"].notna() & (whole["n_units"] >= fewest)
    ]
    if lengths.empty and weeks.empty:
        return None
    sensors = cohorts.table("sensors")
    planned = sensors.loc[sensors["kind"] == "implanted", "planned_days"]
    last = -(-int(planned.max()) // WEEK) if len(planned) else 1  # the longest planned life
    return partial(_draw, lengths=lengths, weeks=weeks, last_week=last)


def _draw(ax: Axes, *, lengths: pd.DataFrame, weeks: pd.DataFrame, last_week: int) -> None:
    ax.set_axis_off()
    left, right = ax.inset_axes((0.13, 0.0, 0.33, 0.92)), ax.inset_axes((0.6, 0.0, 0.4, 0.92))
    names = [label for *_, label in LENGTHS]
    kinds = cohort_order(lengths["kind"])
    for place, kind in enumerate(kinds):
        rows = lengths.loc[lengths["kind"] == kind].set_index("at").reindex(names)
        shown, y = look(kind), np.arange(len(names)) + 0.24 * (place - (len(kinds) - 1) / 2)
        left.hlines(y, rows["conf_low"].astype(float), rows["conf_high"].astype(float),
                    color=shown.colour, linewidth=1)  # fmt: skip
        left.plot(rows["estimate"].astype(float), y, shown.marker, color=shown.colour,
                  markersize=4,
                  label=f"{kind}, {counted(rows['n_units'].max(), 'gap')}")  # fmt: skip
    left.set_yticks(range(len(names)), names)
    left.invert_yaxis()
    left.set_xlabel("% of gaps")
    fix_scale(left, "x", PERCENT, drawn_values(lengths), room=(0.0, 0.02))
    if kinds:
        left.legend(frameon=False, fontsize="small", loc="lower right")
    left.set_title("How long gaps were", fontsize="small")
    shown = look("implanted")
    if len(weeks):
        week = [int(str(at).split()[1].split("-")[0]) // WEEK + 1 for at in weeks["at"]]
        right.vlines(week, weeks["conf_low"].astype(float), weeks["conf_high"].astype(float),
                     color=shown.colour, linewidth=1)  # fmt: skip
        right.plot(week, weeks["estimate"].astype(float), shown.line, marker=shown.marker,
                   markersize=3, color=shown.colour)  # fmt: skip
        right.set_ylim(0, 102)
        right.set_xlim(0, last_week + 1)
        right.set_xlabel("Week since placement")
        right.set_ylabel("% of due calibrations")
        due = int(weeks["n_units"].sum())
        right.set_title(f"Calibrations kept, implanted, of {due:,} due", fontsize="small")
    else:
        right.set_axis_off()
