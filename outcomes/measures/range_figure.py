"""The picture of time in range: cohorts by period, and every range in the order of glucose."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from outcomes.figures.scales import PERCENT, TIME_IN_RANGE, drawn_values, fix_scale
from outcomes.figures.style import FAINT, INK, cohort_order, look
from outcomes.results import number


def range_drawing(
    levels: pd.DataFrame, ranges: pd.DataFrame, *, last: int
) -> Callable[[Axes], None] | None:
    """Return what draws the two panels on the Axes it is given; None where there is nothing.

    Parameters
    ----------
    levels : DataFrame, one row per cohort and period
        `cohort`, `period` (0 before the index date), `estimate`, `conf_low`, `conf_high` (% of
        time in 70-180) and `n_patients`.
    ranges : DataFrame, one row per cohort and range, lowest glucose first
        `cohort`, `range`, `at` (which period), `estimate`, `conf_low`, `conf_high` (% of time).
    last : int
        The plan's last period, to which the scale runs.
    """
    if levels.empty:
        return None
    return partial(_draw, levels=levels, ranges=ranges, last=last)


def _draw(ax: Axes, *, levels: pd.DataFrame, ranges: pd.DataFrame, last: int) -> None:
    ax.set_axis_off()
    cohorts = cohort_order(levels["cohort"])
    _draw_periods(ax.inset_axes((0.0, 0.58, 1.0, 0.42)), levels, cohorts, last)
    if len(ranges):
        _draw_ranges(ax.inset_axes((0.16, 0.0, 0.84, 0.32)), ranges, cohorts)


def _draw_periods(ax: Axes, levels: pd.DataFrame, cohorts: Sequence[str], last: int) -> None:
    ends = levels.sort_values("period").groupby("cohort")["estimate"].last().sort_values()
    for place, cohort in enumerate(cohorts):
        rows = levels.loc[levels["cohort"] == cohort].sort_values("period")
        shown = look(cohort)
        # A period that is not shown breaks the line.
        every = pd.RangeIndex(rows["period"].min(), rows["period"].max() + 1, name="period")
        rows = rows.set_index("period").reindex(every).reset_index()
        x = rows["period"] + 0.12 * (place - (len(cohorts) - 1) / 2)  # so that intervals part
        for part in (rows["period"] == 0, rows["period"] > 0):  # no line across the index date
            ax.plot(x[part], rows.loc[part, "estimate"], shown.line, color=shown.colour,
                    marker=shown.marker, markersize=4)  # fmt: skip
        ax.vlines(x, rows["conf_low"].astype(float), rows["conf_high"].astype(float),
                  color=shown.colour, linewidth=1)  # fmt: skip
        above = -5 + 10 * list(ends.index).index(cohort)  # the labels stand in the lines' order
        ax.annotate(cohort, (float(x.iloc[-1]), float(rows["estimate"].iloc[-1])), (6, above),
                    textcoords="offset points", color=shown.colour, va="center")  # fmt: skip
        for period, n in rows.loc[rows["n_patients"].notna(), ["period", "n_patients"]].to_numpy():
            ax.annotate(f"{n}", (period, 0), (0, -42 - 11 * place), color=shown.colour,
                        xycoords=("data", "axes fraction"), textcoords="offset points",
                        ha="center", fontsize="small", annotation_clip=False)  # fmt: skip
        ax.annotate(f"n {cohort}", (0, 0), (-8, -42 - 11 * place), color=shown.colour,
                    xycoords="axes fraction", textcoords="offset points", ha="right",
                    fontsize="small", annotation_clip=False)  # fmt: skip
    ax.axvline(0.5, color=FAINT, linewidth=0.8, linestyle=":")
    ax.set_xlim(-0.6, last + 1.2)
    ax.set_xticks(range(last + 1), ["before" if k == 0 else str(k) for k in range(last + 1)])
    ax.set_xlabel("Period of 28 days from the index date", labelpad=2)
    ax.set_ylabel("Time in 70-180, %")
    fix_scale(ax, "y", TIME_IN_RANGE, drawn_values(levels))


def _draw_ranges(ax: Axes, ranges: pd.DataFrame, cohorts: Sequence[str]) -> None:
    """One row a range, lowest glucose at the bottom, all on one scale of per cent of time."""
    names = list(dict.fromkeys(ranges["range"]))
    for place, cohort in enumerate(cohorts):
        rows = ranges.loc[ranges["cohort"] == cohort].set_index("range").reindex(names)
        shown = look(cohort)
        y = np.arange(len(names)) - 0.3 * (place - (len(cohorts) - 1) / 2)
        ax.hlines(y, rows["conf_low"].astype(float), rows["conf_high"].astype(float),
                  color=shown.colour, linewidth=1)  # fmt: skip
        ax.plot(rows["estimate"].astype(float), y, shown.marker, color=shown.colour, markersize=4)
        for height, low, value in zip(y, rows["conf_high"], rows["estimate"], strict=True):
            if not pd.isna(value):
                ax.annotate(number(value), (value if pd.isna(low) else low, height), (5, 0),
                            textcoords="offset points", va="center", fontsize="small",
                            color=shown.colour)  # fmt: skip
    ax.set_yticks(range(len(names)), [name.removeprefix("share ") for name in names])
    ax.set_ylim(-0.6, len(names) - 0.4)
    ax.set_xlabel(f"Share of time in {ranges['at'].iloc[0]}, %", labelpad=2)
    ax.set_ylabel("Glucose, mg/dL", color=INK)
    fix_scale(ax, "x", PERCENT, drawn_values(ranges), room=(0.0, 0.12))
