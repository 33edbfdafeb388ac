"""At which hours of the day is glucose low, and at which high?"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from matplotlib.axes import Axes

from outcomes.cohorts.build import CohortSet
from outcomes.figures.scales import Scale, drawn_values, fix_scale
from outcomes.figures.style import cohort_order, look
from outcomes.glucose.ranges import BANDS, SHAPE_STEP_MG_DL
from outcomes.measures.range_windows import NEW, QUARTER, clinic_windows
from outcomes.results import Record, Result, interval, number
from outcomes.statistics.intervals import Interval, t_interval, without_limits
from outcomes.statistics.ratios import within

Floats = npt.NDArray[np.float64]

OUTCOME: Final = "day_shape"
BLOCK: Final = 3  # hours together
LOW: Final = "below 70"
HIGH: Final = "above 180"
IN_RANGE: Final = "70-180"
# Bands of `BANDS` in each share.
PARTS: Final = {LOW: slice(0, 3), IN_RANGE: slice(3, 5), HIGH: slice(5, 7)}
PERCENTILES: Final = (10, 25, 50, 75, 90)
DRAWS: Final = 500
MINUTES_AN_HOUR: Final = 60.0


def day_shape(cohorts: CohortSet, *, threads: int = 1) -> Result:
    """Answer at which hours of this quarter's days glucose was low, and at which high.

    Parameters
    ----------
    cohorts : CohortSet
    threads : int, default 1
        As in `time_in_range`; the hours come from the same pass.

    Returns
    -------
    Result
        `.table` has one row per cohort, block of three local hours (`at`) and quantity: minutes of
        an hour below 70, in 70-180 and above 180 mg/dL (mean over patients, with interval), and
        the 10th to 90th percentile of glucose (mg/dL) over the time of all patients, each of whom
        counts equally.

    Notes
    -----
    The new patients whose quarter counts. Percentiles are read from steps of 5 mg/dL, linearly
    within a step; their limits are a bootstrap of patients.
    """
    made = clinic_windows(cohorts, threads=threads)
    quarter = made.windows.loc[made.windows["population"] == QUARTER].reset_index(drop=True)
    wanted = quarter["usable"] & (quarter["who"] == NEW)
    rng = np.random.default_rng(cohorts.plan.plan.seed)
    rows: list[dict[str, Any]] = []
    for cohort in cohort_order(quarter.loc[wanted, "cohort"]):
        of_cohort = np.flatnonzero(wanted & (quarter["cohort"] == cohort))
        rows += _rows(made.shapes[of_cohort], cohort, rng)
    table = pd.DataFrame(rows, columns=list(_COLUMNS))
    finding = _finding(table, cohorts)
    return Result(
        name=OUTCOME,
        title="At which hours is glucose low, and at which high?",
        table=table,
        entries=[Record(outcome=OUTCOME, population=QUARTER, **row) for row in rows],
        finding=finding,
        caption=(
            f"Minutes of each hour below 70 and above 180 mg/dL in {cohorts.quarter}, by local "
            "time of day and cohort: mean over new patients whose quarter counts, with 95 % "
            "interval; and where the middle of their glucose lay."
        ),
        footnotes=[
            "A reading's time belongs to the local hour in which it began. Each patient counts "
            "equally; the picture is of a group, and may be like no one person's day.",
            "Percentiles are of all patients' time together (mg/dL), from steps of 5 mg/dL; their "
            "intervals are a bootstrap of patients. All five stand in the table beside the page.",
            "Each cohort's hours are as its own sensors report them, and are not compared here.",
        ],
        summary=_summary(table),
        drawing=_drawing(table, cohorts.plan.sensor_survival.smallest_at_risk),
        alt=(
            "Two panels over the hours of the day, one line a cohort with intervals: minutes of an "
            f"hour above 180 mg/dL, and below it minutes of an hour below 70. {finding}"
        ),
        height=4.2,
    )


_COLUMNS: Final = (
    "cohort", "at", "quantity", "n_patients", "n_units", "estimate", "conf_low", "conf_high",
    "unit", "method", "note",
)  # fmt: skip


SCALES: Final = {
    HIGH: Scale(0, 40, 20, lowest=0, highest=MINUTES_AN_HOUR),
    LOW: Scale(0, 5, 5, lowest=0, highest=MINUTES_AN_HOUR),
}


def block_words(block: int) -> str:
    """Return the hours of a block, "06-09".

    Examples
    --------
    >>> block_words(2)
    '06-09'
    """
    return f"{BLOCK * block:02d}-{BLOCK * (block + 1):02d}"


def _rows(shapes: Floats, cohort: str, rng: np.random.Generator) -> Iterator[dict[str, Any]]:
    for block in range(24 // BLOCK):
        hours = shapes[:, BLOCK * block : BLOCK * (block + 1)].sum(axis=1)
        total = hours[:, : len(BANDS)].sum(axis=1)
        seen = total > 0
        hours, total = hours[seen], total[seen]
        who = {"cohort": cohort, "at": block_words(block), "n_patients": len(hours),
               "n_units": len(hours)}  # fmt: skip
        for name, part in PARTS.items():
            minutes = MINUTES_AN_HOUR * hours[:, part].sum(axis=1) / total
            shown = within(t_interval(minutes), 0.0, MINUTES_AN_HOUR)
            yield _row(shown, f"minutes {name}", "minutes of an hour", who)
        steps = hours[:, len(BANDS) :] / total[:, None]
        for percent, shown in zip(PERCENTILES, _percentiles(steps, rng), strict=True):
            yield _row(shown, f"percentile {percent}", "mg/dL", who)


def _row(shown: Interval, quantity: str, unit: str, who: dict[str, Any]) -> dict[str, Any]:
    return {
        **who, "quantity": quantity, "estimate": shown.estimate, "conf_low": shown.conf_low,
        "conf_high": shown.conf_high, "unit": unit, "method": shown.method,
        "note": shown.note or None,
    }  # fmt: skip


def _percentiles(steps: Floats, rng: np.random.Generator) -> list[Interval]:
    """Percentiles of the mixture of patients, from the share of time of each in every step."""
    n = len(steps)
    method = "percentile of the patients' time, bootstrap of patients"
    if not n:
        note = "nobody has readings in these hours"
        nobody = without_limits(None, method, 0.95, note)
        return [nobody] * len(PERCENTILES)
    at = [_read_off(steps.mean(axis=0)[None], p)[0] for p in PERCENTILES]
    if n < 2:
        note = "one patient: no limits can be estimated"
        return [without_limits(float(x), method, 0.95, note) for x in at]
    weights = rng.multinomial(n, np.full(n, 1 / n), size=DRAWS) / n
    mixed = weights @ steps
    found = []
    for estimate, percent in zip(at, PERCENTILES, strict=True):
        low, high = np.quantile(_read_off(mixed, percent), [0.025, 0.975])
        found.append(Interval(estimate=float(estimate), conf_low=float(min(low, estimate)),
                              conf_high=float(max(high, estimate)), method=method))  # fmt: skip
    return found


def _read_off(mixtures: Floats, percent: float) -> Floats:
    """Return the percentile of each row of shares by step, linear within the step it falls into."""
    below = np.cumsum(mixtures, axis=1)
    wanted = percent / 100 * below[:, -1]
    step = np.argmax(below >= wanted[:, None] - 1e-12, axis=1)
    rows = np.arange(len(mixtures))
    before = below[rows, step] - mixtures[rows, step]
    inside = np.clip((wanted - before) / np.maximum(mixtures[rows, step], 1e-300), 0, 1)
    return np.asarray((step + inside) * SHAPE_STEP_MG_DL)


def _finding(table: pd.DataFrame, cohorts: CohortSet) -> str:
    if not cohorts.study.has("readings"):
        return "The study holds no readings: nothing is known of the hours of the day."
    if table.empty:
        return f"No new patient has a quarter that counts by {cohorts.cut_off}."
    parts = []
    for cohort in cohort_order(table["cohort"]):
        of_cohort = table.loc[(table["cohort"] == cohort) & table["estimate"].notna()]
        said = []
        for name in (LOW, HIGH):
            rows = of_cohort.loc[of_cohort["quantity"] == f"minutes {name}"]
            if len(rows):
                row = rows.loc[rows["estimate"].idxmax()]
                said.append(f"most time {name} at {row['at']} h: {_cell(row)} minutes of an hour")
        n = int(of_cohort["n_patients"].max())
        parts.append(f"{cohort.capitalize()} (n {n}): {'; '.join(said)}.")
    return " ".join(parts)


def _cell(row: pd.Series) -> str:
    if pd.isna(row["estimate"]):
        return "not estimable"
    low, high = row["conf_low"], row["conf_high"]
    if pd.isna(low):
        return f"{number(row['estimate'])} (no interval)"
    return f"{number(row['estimate'])} ({interval(float(low), float(high))})"


def _summary(table: pd.DataFrame) -> pd.DataFrame:
    lines = []
    for (cohort, at), rows in table.groupby(["cohort", "at"], sort=False):
        by = rows.set_index("quantity")
        middle = [number(by.loc[f"percentile {p}", "estimate"], 0) for p in (25, 75)]
        lines.append(
            {
                "Cohort": cohort, "Local hours": at, "Patients": int(rows["n_patients"].iloc[0]),
                "Minutes of an hour below 70": _cell(by.loc[f"minutes {LOW}"]),
                "Minutes of an hour above 180": _cell(by.loc[f"minutes {HIGH}"]),
                "Median, mg/dL": _cell(by.loc["percentile 50"]),
                "Middle half, mg/dL": f"{middle[0]} to {middle[1]}",
            }
        )  # fmt: skip
    return pd.DataFrame(lines, columns=list(lines[0]) if lines else ["Cohort"])


def _drawing(table: pd.DataFrame, fewest: int) -> Callable[[Axes], None] | None:
    rows = table.loc[(table["n_patients"] >= fewest) & table["estimate"].notna()]
    return partial(_draw, rows=rows) if len(rows) else None


def _draw(ax: Axes, *, rows: pd.DataFrame) -> None:
    ax.set_axis_off()
    panels = {
        HIGH: ax.inset_axes((0.0, 0.56, 0.82, 0.44)),
        LOW: ax.inset_axes((0.0, 0.0, 0.82, 0.4)),
    }
    cohorts = cohort_order(rows["cohort"])
    for name, panel in panels.items():
        for place, cohort in enumerate(cohorts):
            _draw_steps(panel, rows, name, cohort, place - (len(cohorts) - 1) / 2)
        panel.set_xlim(0, 24)
        panel.set_xticks(range(0, 25, BLOCK), [f"{hour:02d}" for hour in range(0, 25, BLOCK)])
        mine = rows.loc[rows["quantity"] == f"minutes {name}"]
        fix_scale(panel, "y", SCALES[name], drawn_values(mine), room=(0.0, 0.02))
        panel.set_title(f"Minutes of an hour {name} mg/dL", fontsize="small", loc="left")
    panels[LOW].set_xlabel("Local hour of the day")


def _draw_steps(ax: Axes, rows: pd.DataFrame, name: str, cohort: str, side: float) -> None:
    mine = rows.loc[(rows["cohort"] == cohort) & (rows["quantity"] == f"minutes {name}")]
    begins = np.array([int(at[:2]) for at in mine["at"]])
    height, shown = mine["estimate"].to_numpy(dtype=float), look(cohort)
    ax.step(np.append(begins, 24), np.append(height, height[-1]), shown.line, where="post",
            color=shown.colour)  # fmt: skip
    x = begins + BLOCK / 2 + 0.25 * side
    ax.vlines(x, mine["conf_low"].astype(float), mine["conf_high"].astype(float),
              color=shown.colour, linewidth=1)  # fmt: skip
    ax.plot(x, height, shown.marker, color=shown.colour, markersize=3)
    words = f"{cohort}, n = {mine['n_patients'].max():.0f}"
    ax.annotate(words, (24, height[-1]), (6, 9 * np.sign(side)), textcoords="offset points",
                color=shown.colour, va="center", annotation_clip=False)  # fmt: skip
