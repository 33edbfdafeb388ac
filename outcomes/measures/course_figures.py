"""The pictures of courses over time: cohort curves, and the lines of single patients."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from textwrap import fill

import numpy as np
import numpy.typing as npt
import pandas as pd
from matplotlib.axes import Axes

from outcomes.figures.scales import TIME_IN_RANGE, Scale, drawn_values, fix_scale
from outcomes.figures.style import FAINT, INK, cohort_order, look
from outcomes.units import counted

MOST_TICKS = 8
FEWEST_OF_A_MEAN = 5


@dataclass(frozen=True)
class SecondScale:
    """Another unit of the same values, drawn at the right edge."""

    label: str
    there: Callable[[npt.ArrayLike], npt.ArrayLike]
    back: Callable[[npt.ArrayLike], npt.ArrayLike]


def draw_course(ax: Axes, *, curve: pd.DataFrame, stated: pd.DataFrame, last: int) -> None:
    """The modelled level of each cohort with its band; stated months marked, n below.

    `curve`: one row per cohort and period with `cohort`, `period`, `estimate`, `conf_low`,
    `conf_high` (% of time), `n`. `stated`: the rows of the stated months with `month`.
    `last`: the plan's last period.
    """
    stated = stated.reindex(columns=["cohort", "period", "month", "estimate"])  # there may be none
    cohorts = cohort_order(curve["cohort"])
    for place, name in enumerate(cohorts):
        rows, style = curve.loc[curve["cohort"] == name].sort_values("period"), look(name)
        x = rows["period"].to_numpy(dtype=float)
        ax.fill_between(x, rows["conf_low"].astype(float), rows["conf_high"].astype(float),
                        color=style.colour, alpha=0.15, linewidth=0)  # fmt: skip
        for edge in ("conf_low", "conf_high"):  # bands part in grey print too
            ax.plot(x, rows[edge].astype(float), style.line, color=style.colour, linewidth=0.5)
        ax.plot(x, rows["estimate"], style.line, color=style.colour, linewidth=1.6, label=name)
        at = stated.loc[stated["cohort"] == name]
        ax.plot(at["period"], at["estimate"], style.marker, color=style.colour, markersize=5)
        for period, n in rows[["period", "n"]].to_numpy():
            ax.annotate(f"{n:.0f}", (period, 0), (0, -44 - 11 * place), color=style.colour,
                        xycoords=("data", "axes fraction"), textcoords="offset points",
                        ha="center", fontsize="small", annotation_clip=False)  # fmt: skip
        ax.annotate(f"n {name}", (0, 0), (-8, -44 - 11 * place), color=style.colour,
                    xycoords="axes fraction", textcoords="offset points", ha="right",
                    fontsize="small", annotation_clip=False)  # fmt: skip
    for period, month in stated[["period", "month"]].drop_duplicates().to_numpy():
        ax.annotate(f"month {month:.0f}", (period, 1), (0, 2), ha="center", fontsize="x-small",
                    xycoords=("data", "axes fraction"), textcoords="offset points",
                    color=INK)  # fmt: skip
    ax.set_xlim(0.6, last + 0.4)
    ax.set_xticks(range(1, last + 1))
    ax.set_xlabel("Period of 28 days from the index date", labelpad=2)
    ax.set_ylabel("Time in 70-180 mg/dL\n(3.9-10.0 mmol/L), %")
    fix_scale(ax, "y", TIME_IN_RANGE, drawn_values(curve))
    ax.legend(frameon=False, loc="lower right")


def draw_shares(ax: Axes, *, rows: pd.DataFrame) -> None:
    """Shares of patients with their intervals under each other, one mark a cohort.

    `rows`: one row per line and cohort with `label`, `cohort`, `estimate`, `conf_low`, `conf_high`
    (%) and `n`.
    """
    labels = list(dict.fromkeys(rows["label"]))
    cohorts = cohort_order(rows["cohort"])
    for turn, name in enumerate(cohorts):
        mine, style = rows.loc[rows["cohort"] == name].set_index("label"), look(name)
        y = np.arange(len(labels)) + 0.26 * (turn - (len(cohorts) - 1) / 2)
        mine = mine.reindex(labels)
        ax.hlines(y, mine["conf_low"].astype(float), mine["conf_high"].astype(float),
                  color=style.colour, linewidth=1.2, linestyle=style.line)  # fmt: skip
        ax.plot(mine["estimate"].astype(float), y, style.marker, color=style.colour, label=name)
        for height, high, n in zip(y, mine["conf_high"], mine["n"], strict=True):
            if not pd.isna(high):
                ax.annotate(f"n = {n:.0f}", (high, height), (5, 0), textcoords="offset points",
                            va="center", fontsize="x-small", color=style.colour)  # fmt: skip
    ax.set_yticks(range(len(labels)), labels)
    ax.set_ylim(len(labels) - 0.5, -0.5)
    ax.set_xlim(0, 108)
    ax.set_xlabel("% of patients")
    ax.tick_params(axis="y", length=0)
    ax.legend(frameon=False, ncols=2, loc="lower left", bbox_to_anchor=(0, 1.0))


def draw_lines(
    ax: Axes,
    *,
    points: pd.DataFrame,
    label: str,
    x_label: str,
    scale: Scale,
    second: SecondScale | None = None,
) -> None:
    """One thin line a patient, one panel a cohort, the mean of five or more seen drawn over it.

    `points`: one row per patient, cohort and time with `patient_id`, `cohort`, `x`, `y`. `scale`:
    the fixed scale of `y`. `second`: another unit of it for the right edge.
    """
    ax.set_axis_off()
    cohorts = cohort_order(points["cohort"])
    room = 1.0 if second is None else 0.94
    width = room / len(cohorts)
    seen_at = sorted(set(points["x"]))
    ticks = seen_at if len(seen_at) <= MOST_TICKS else seen_at[::3]
    for turn, name in enumerate(cohorts):
        panel = ax.inset_axes((turn * width, 0.0, width - 0.05, 0.93))
        mine, style = points.loc[points["cohort"] == name], look(name)
        for _, line in mine.groupby("patient_id", sort=True):
            panel.plot(line["x"], line["y"], color=style.colour, alpha=0.28, linewidth=0.7,
                       marker=".", markersize=2, rasterized=True)  # fmt: skip
        by_time = mine.groupby("x")["y"].agg(["mean", "size"])
        mean = by_time.loc[by_time["size"] >= FEWEST_OF_A_MEAN, "mean"]
        panel.plot(mean.index, mean, color=INK, linewidth=1.6, marker=style.marker, markersize=4)
        people = counted(mine["patient_id"].nunique(), "patient")
        panel.set_title(f"{name}, {people}", fontsize="small", color=INK)
        panel.set_xticks(ticks)
        panel.set_xlim(seen_at[0] - 0.5, seen_at[-1] + 0.5)
        panel.set_xlabel(x_label)
        panel.set_ylabel(label)
        fix_scale(panel, "y", scale, points["y"])
        if turn > 0:
            panel.set_ylabel("")
            panel.set_yticklabels([])
        if second is not None and turn == len(cohorts) - 1:
            right = panel.secondary_yaxis("right", functions=(second.there, second.back))
            right.set_ylabel(second.label)


def draw_groups(ax: Axes, *, rows: pd.DataFrame, scales: Mapping[str, Scale]) -> None:
    """Groups of patients under each other, one panel an outcome, one mark a cohort.

    `rows`: one row per group, cohort and outcome with `covariate`, `level`, `cohort`, `outcome`,
    `unit`, `estimate`, `conf_low`, `conf_high`, `n_patients`. `scales`: of each outcome. At the
    right stand the patients of each group, the most that any outcome rests on.
    """
    ax.set_axis_off()
    named = rows.assign(label=rows["covariate"] + ": " + rows["level"].astype(str))
    labels = list(dict.fromkeys(named["label"]))
    outcomes = list(dict.fromkeys(named["outcome"]))
    cohorts = cohort_order(named["cohort"])
    width = 0.72 / len(outcomes)
    for turn, outcome in enumerate(outcomes):
        panel = ax.inset_axes((0.20 + turn * width, 0.0, width - 0.03, 0.95))
        of_outcome = named.loc[named["outcome"] == outcome]
        for place, name in enumerate(cohorts):
            mine = of_outcome.loc[of_outcome["cohort"] == name].set_index("label").reindex(labels)
            style = look(name)
            y = np.arange(len(labels)) + 0.26 * (place - (len(cohorts) - 1) / 2)
            panel.hlines(y, mine["conf_low"].astype(float), mine["conf_high"].astype(float),
                         color=style.colour, linewidth=1.1, linestyle=style.line)  # fmt: skip
            panel.plot(mine["estimate"].astype(float), y, style.marker, color=style.colour,
                       markersize=4, label=name)  # fmt: skip
        if float(of_outcome["estimate"].min()) < 0:
            panel.axvline(0, color=FAINT, linewidth=0.8, linestyle="--")
        panel.set_ylim(len(labels) - 0.5, -0.5)
        panel.set_yticks(range(len(labels)), labels if turn == 0 else [])
        words = fill(f"{outcome}, {of_outcome['unit'].iloc[0]}", 15)
        panel.set_xlabel(words, fontsize="x-small")
        fix_scale(panel, "x", scales[outcome], drawn_values(of_outcome))
        panel.locator_params(axis="x", nbins=3)
        panel.tick_params(axis="y", length=0)
        panel.tick_params(axis="both", labelsize="small")
        if turn == 0:
            panel.legend(frameon=False, ncols=2, loc="lower left", bbox_to_anchor=(-1.0, 1.0),
                         fontsize="small")  # fmt: skip
    _write_sizes(panel, named, labels, cohorts)


def _write_sizes(ax: Axes, rows: pd.DataFrame, labels: list[str], cohorts: list[str]) -> None:
    """Patients of each group right of the last panel, one column a cohort."""
    most = rows.groupby(["label", "cohort"])["n_patients"].max()
    beside = {"xycoords": ("axes fraction", "data"), "ha": "right", "va": "center",
              "fontsize": "small", "annotation_clip": False}  # fmt: skip
    for place, name in enumerate(cohorts):
        right, colour = 1.22 + 0.24 * place, look(name).colour
        ax.annotate("n", (right, -0.9), color=colour, **beside)  # type: ignore[arg-type]
        for y, label in enumerate(labels):
            if pd.notna(n := most.get((label, name))):
                ax.annotate(f"{n:.0f}", (right, y), color=colour, **beside)  # type: ignore[arg-type]
