"""The pictures of HbA1c: each draws a tidy frame on the Axes it is given."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from outcomes.figures.scales import HBA1C_PERCENT, HBA1C_POINTS, drawn_values, fix_scale
from outcomes.figures.style import FAINT, INK, SHADES, look
from outcomes.tables.declared import KINDS
from outcomes.units import hba1c_difference_mmol_mol

MMOL_PER_POINT: Final = float(hba1c_difference_mmol_mol(1.0))


def draw_changes(ax: Axes, *, points: pd.DataFrame, months: Sequence[int]) -> None:
    """Mean change at each visit with its interval, no change as the reference line.

    `points`: one row per cohort and visit with `cohort`, `month`, `estimate`, `conf_low`,
    `conf_high`, `n`, `n_due`. `months`: the visits of the plan, drawn or not.
    """
    place = {month: i for i, month in enumerate(months)}
    ax.axhline(0, color=FAINT, linewidth=0.8)
    names = _cohorts(points)
    for turn, name in enumerate(names):
        mine, style = points.loc[points["cohort"] == name].sort_values("month"), look(name)
        x = mine["month"].map(place).to_numpy(dtype=float) + 0.12 * (turn - (len(names) - 1) / 2)
        ax.errorbar(
            x, mine["estimate"], yerr=_reach(mine), fmt=style.marker, linestyle=style.line,
            color=style.colour, capsize=3, linewidth=1.2, label=name,
        )  # fmt: skip
    counts: dict[int, list[str]] = {month: [] for month in months}
    for name in names:
        for each in points.loc[points["cohort"] == name].itertuples():
            counts[each.month].append(f"{name} n = {each.n:.0f} of {each.n_due:.0f}")
    ax.set_xticks(
        range(len(months)),
        ["\n".join([f"month {month}", *(counts[month] or ["too few seen"])]) for month in months],
    )
    ax.set_xlim(-0.5, len(months) - 0.5)
    ax.set_ylabel("change in HbA1c,\npercentage points")
    fix_scale(ax, "y", HBA1C_POINTS, drawn_values(points))
    with_mmol(ax)
    ax.legend(frameon=False, loc="best")


def draw_visits(ax: Axes, *, visits: pd.DataFrame, reasons: Sequence[str]) -> None:
    """What became of every visit that was due: one bar a cohort and visit, in patients.

    `visits`: one row per cohort and visit with `cohort`, `month`, `n_due`, `drawn` and one column
    of counts for each of `reasons`.
    """
    shades = dict(zip(["drawn", *reasons], [SHADES[0], *SHADES[2:]], strict=False))
    labels = []
    for place, each in enumerate(visits.to_dict("records")):
        labels.append(f"{each['cohort']}, month {each['month']}")
        begin = 0
        for name, shade in shades.items():
            size = int(each[name])
            ax.barh(place, size, left=begin, color=shade, height=0.62, edgecolor="white",
                    label=name if place == 0 else None)  # fmt: skip
            begin += size
        ax.annotate(f"{each['drawn']} of {each['n_due']}", (begin, place), (4, 0),
                    textcoords="offset points", va="center", fontsize="small")  # fmt: skip
    ax.set_yticks(range(len(labels)), labels)
    ax.invert_yaxis()
    ax.set_xlim(0, 1.16 * max(1, int(visits["n_due"].max())))
    ax.set_xlabel("patients due at the visit; at the end of the bar: drawn of due")
    ax.tick_params(axis="y", length=0)
    ax.legend(frameon=False, ncols=3, loc="lower left", bbox_to_anchor=(-0.25, 1.0),
              fontsize="small")  # fmt: skip


def draw_bands(ax: Axes, *, bands: pd.DataFrame, expected: pd.DataFrame) -> None:
    """The same patients grouped twice: by where they began, and by the mean of both draws.

    `bands`: one row per grouping and band with `grouping` ("baseline", "both draws"), `place` (mean
    of the grouping value, %), `estimate`, `conf_low`, `conf_high`, `n`. `expected`: one row per
    band of the baseline with `place`, `estimate`; may be empty.
    """
    ax.set_axis_off()
    values = [*drawn_values(bands), *expected["estimate"]]
    places = [*bands["place"], *expected["place"]]
    titles = {"baseline": "grouped by the baseline", "both draws": "grouped by the mean of both"}
    for turn, (grouping, title) in enumerate(titles.items()):
        panel = ax.inset_axes((0.52 * turn, 0.0, 0.46, 0.92))
        rows = bands.loc[bands["grouping"] == grouping].sort_values("place")
        panel.axhline(0, color=FAINT, linewidth=0.8)
        panel.errorbar(rows["place"], rows["estimate"], yerr=_reach(rows), fmt="o", linestyle="-",
                       color=INK, capsize=2, linewidth=1.2, label="seen")  # fmt: skip
        for place, top, n in rows[["place", "conf_high", "n"]].to_numpy():
            panel.annotate(f"n = {n:.0f}", (place, top), (0, 3), textcoords="offset points",
                           ha="center", fontsize="x-small", color=INK)  # fmt: skip
        if grouping == "baseline" and len(expected):
            panel.plot(expected["place"], expected["estimate"], color=INK, linestyle=":",
                       linewidth=1.4, marker="D", markerfacecolor="white", markersize=5,
                       label="expected without any effect")  # fmt: skip
        panel.set_title(title, fontsize="small", color=INK)
        panel.set_xlabel("HbA1c, %")
        panel.set_ylabel("change, percentage points" if turn == 0 else "")
        fix_scale(panel, "x", HBA1C_PERCENT, places)
        fix_scale(panel, "y", HBA1C_POINTS, values, room=(0.02, 0.06))
        if turn == 0:
            panel.legend(frameon=False, fontsize="x-small", loc="lower left")
        else:
            panel.set_ylabel("")
            panel.set_yticklabels([])
            with_mmol(panel)


def with_mmol(ax: Axes) -> None:
    """Write the same differences in mmol/mol on the right."""
    step = 1 / MMOL_PER_POINT
    twin = ax.secondary_yaxis(
        "right", functions=(lambda y: np.asarray(y) / step, lambda y: np.asarray(y) * step)
    )
    twin.set_ylabel("mmol/mol", color=INK)


def _cohorts(frame: pd.DataFrame) -> list[str]:
    return [name for name in KINDS if name in set(frame["cohort"])]


def _reach(rows: pd.DataFrame) -> list[np.ndarray]:
    """How far each interval reaches below and above; 0 where there is none."""
    y = rows["estimate"].to_numpy(dtype=float)
    low, high = (rows[name].to_numpy(dtype=float) for name in ("conf_low", "conf_high"))
    return [np.nan_to_num(y - low), np.nan_to_num(high - y)]
