"""Curves over the share of planned life: steps with intervals, and states stacked on each other."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.gridspec import SubplotSpec

from outcomes.figures.style import FAINT, INK, SHADES, look

LINES: Final = ("-", "--", "-.", ":", (0, (5, 1)), (0, (1, 1)))
LIGHT: Final = "#edf1f2"
STACK: Final = ("#0b5563", "#9fc3c8", "#4f8a94", "#cfe0e0", "#c98a1b", "#8a5a10", "#5f656d")
STACK_GAP: Final = 8.5  # points of 100 between labels beside a stack
_LABEL_GAP: Final = 5.5  # points of 100 between labels at the right of a curve


def draw_curves(ax: Axes, *, curves: pd.DataFrame, at_risk: pd.DataFrame) -> None:
    """Draw step curves with their intervals on 0 to 100, and the numbers at risk beneath.

    Parameters
    ----------
    ax : Axes
    curves : DataFrame, one row per kind, group and step
        `kind`, `group` ("all" or a name), `share_of_planned`, `estimate`, `conf_low`, `conf_high`
        (fractions). A curve ends where its rows end.
    at_risk : DataFrame, one row per kind, group and mark
        `kind`, `group`, `share_of_planned`, `n_at_risk`.
    """
    ends = []
    for place, ((kind, group), curve) in enumerate(curves.groupby(["kind", "group"], sort=False)):
        colour, line = _look(kind, group, place)
        x = 100 * curve["share_of_planned"].to_numpy(float)
        y = 100 * curve["estimate"].to_numpy(float)
        ax.step(x, y, where="post", color=colour, linestyle=line, linewidth=1.8)
        ax.fill_between(
            x, 100 * curve["conf_low"].to_numpy(float), 100 * curve["conf_high"].to_numpy(float),
            step="post", color=colour, alpha=0.16, linewidth=0,
        )  # fmt: skip
        ends.append((_name(kind, group), x[-1], y[-1], colour))
    _name_at_the_end(ax, ends)
    _percent_axes(ax, "of 100 placed, still working\nor removed as planned")
    _write_at_risk(ax, at_risk)


def _look(kind: str, group: str, place: int) -> tuple[str, Any]:
    if group == "all":
        return look(kind).colour, look(kind).line
    return SHADES[(0, 5, 1, 6, 2, 3)[place % 6]], LINES[place % len(LINES)]


def _name(kind: str, group: str) -> str:
    return kind if group == "all" else f"{kind}, {group}"


def _percent_axes(ax: Axes, label: str) -> None:
    ax.set_xlim(0, 100)
    ax.set_ylim(0, 101)
    ax.set_yticks(range(0, 101, 20))
    ax.set_xticks(range(0, 101, 25))
    ax.set_ylabel(label)
    ax.set_xlabel("share of planned life, %")


def _name_at_the_end(ax: Axes, ends: Sequence[tuple[str, float, float, str]]) -> None:
    """Write each name right of the plot; a fine line leads to a curve that ends before it."""
    heights = apart([y for _, _, y, _ in ends], gap=_LABEL_GAP)
    for (name, x, y, colour), height in zip(ends, heights, strict=True):
        ax.annotate(
            f"{name} {y:.0f}", (x, y), xytext=(101.5, height), textcoords="data", va="center",
            color=INK, annotation_clip=False,
            arrowprops={"arrowstyle": "-", "color": colour, "linewidth": 0.6, "shrinkB": 0,
                        "shrinkA": 1, "linestyle": ":"},
        )  # fmt: skip


def apart(heights: Sequence[float], *, gap: float) -> list[float]:
    """Move labels up until neighbours stand `gap` apart, keeping their order.

    Examples
    --------
    >>> apart([81.0, 80.0, 90.0], gap=3.0)
    [83.0, 80.0, 90.0]
    """
    moved = list(heights)
    order = sorted(range(len(heights)), key=lambda i: heights[i])
    for below, above in itertools.pairwise(order):
        moved[above] = max(moved[above], moved[below] + gap)
    return moved


def _write_at_risk(ax: Axes, at_risk: pd.DataFrame) -> None:
    """Numbers at risk just before the events at each mark, aligned with the axis above them."""
    small: dict[str, Any] = {
        "fontsize": "small", "annotation_clip": False, "xycoords": "axes fraction",
        "textcoords": "offset points",
    }  # fmt: skip
    ax.annotate("At risk", (0, 0), xytext=(-20, -46), ha="right", **small)
    for line, ((kind, group), rows) in enumerate(at_risk.groupby(["kind", "group"], sort=False)):
        depth = -58 - 12 * line
        ax.annotate(_name(kind, group), (0, 0), xytext=(-20, depth), ha="right", **small)
        for row in rows.itertuples():
            ax.annotate(
                f"{row.n_at_risk:,}", (float(row.share_of_planned), 0), xytext=(0, depth),
                ha="center", **small,
            )  # fmt: skip


def draw_stacks(
    ax: Axes, *, states: pd.DataFrame, order: Sequence[str], sizes: Mapping[str, int]
) -> None:
    """Draw what became of 100 sensors over the share of planned life, one panel a kind.

    Parameters
    ----------
    ax : Axes
        Its place is shared out between the kinds, one under the other.
    states : DataFrame, one row per kind, time and state
        `kind`, `share_of_planned`, `state`, `estimate` (fraction); at each time the states of a
        kind add to 1.
    order : sequence of str
        States from the bottom up; the last is left light.
    sizes : mapping of str to int
        Sensors placed of each kind.
    """
    kinds = list(dict.fromkeys(states["kind"]))
    for panel, kind in zip(_panels(ax, len(kinds)), kinds, strict=True):
        mine = states.loc[states["kind"] == kind]
        wide = mine.pivot_table(index="share_of_planned", columns="state", values="estimate")
        _draw_stack(panel, wide.reindex(columns=list(order)).fillna(0.0))
        panel.set_title(f"{kind}, n = {sizes[kind]:,} placed")
        _percent_axes(panel, "of 100 placed")
        panel.set_xlabel("share of planned life, %" if kind == kinds[-1] else "")


def _draw_stack(ax: Axes, wide: pd.DataFrame) -> None:
    x = 100 * wide.index.to_numpy(float)
    tops = 100 * wide.to_numpy(float).cumsum(axis=1)
    floor = np.zeros(len(x))
    names, middles = [], []
    for place, state in enumerate(wide.columns):
        last = place == wide.shape[1] - 1
        colour = LIGHT if last else STACK[place % len(STACK)]
        ax.fill_between(
            x, floor, tops[:, place], step="post", color=colour, linewidth=0.4, edgecolor="white"
        )
        share = tops[-1, place] - floor[-1]
        if share > 0:
            names.append(f"{state} {share:.1f}")
            middles.append((tops[-1, place] + floor[-1]) / 2)
        floor = tops[:, place]
    for name, middle, height in zip(names, middles, apart(middles, gap=STACK_GAP), strict=True):
        ax.annotate(
            name, (x[-1], middle), xytext=(103, height), textcoords="data", va="center",
            fontsize="small", color=INK, annotation_clip=False,
            arrowprops={"arrowstyle": "-", "color": FAINT, "linewidth": 0.6, "shrinkB": 0,
                        "shrinkA": 1, "relpos": (0, 0.5)},
        )  # fmt: skip


def _panels(ax: Axes, number: int) -> list[Axes]:
    """Share the place of an Axes out between panels; one panel is the Axes itself."""
    if number == 1:
        return [ax]
    figure, place = ax.get_figure(root=True), ax.get_subplotspec()
    ax.set_axis_off()
    if figure is None or not isinstance(place, SubplotSpec):
        height = 1 / number
        return [ax.inset_axes((0, 1 - (i + 1) * height, 1, 0.7 * height)) for i in range(number)]
    inner = place.subgridspec(number, 1)
    return [figure.add_subplot(inner[i, 0]) for i in range(number)]
