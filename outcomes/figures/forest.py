"""Several estimates of one quantity under each other, on one horizontal scale."""

from __future__ import annotations

import pandas as pd
from matplotlib.axes import Axes

from outcomes.figures.scales import HBA1C_POINTS, Scale, drawn_values, fix_scale
from outcomes.figures.style import FAINT, INK


def draw_forest(
    ax: Axes,
    *,
    rows: pd.DataFrame,
    label: str,
    nothing: float = 0.0,
    scale: Scale = HBA1C_POINTS,
) -> None:
    """Draw one line per row, from the top down.

    Parameters
    ----------
    ax : Axes
    rows : DataFrame, one row per estimate
        `label`, `estimate`, `conf_low`, `conf_high` (a limit may be missing), `main` (drawn filled
        and heavier) and, where it is known, `n`, written at the right.
    label : str
        Of the horizontal axis, with unit and direction.
    nothing : float, default 0
        Where a line marks no difference.
    scale : Scale
        The quantity's fixed scale; by default that of changes in HbA1c, in percentage points.
    """
    for place, row in enumerate(rows.to_dict("records")):
        heavy = bool(row["main"])
        if pd.notna(row["conf_low"]) and pd.notna(row["conf_high"]):
            ax.plot(
                [row["conf_low"], row["conf_high"]],
                [place, place],
                color=INK,
                linewidth=2.2 if heavy else 1.2,
                solid_capstyle="butt",
            )
        ax.plot(
            row["estimate"],
            place,
            marker="D" if heavy else "o",
            markersize=7 if heavy else 5,
            color=INK,
            markerfacecolor=INK if heavy else "white",
        )
        if pd.notna(row.get("n")):
            ax.annotate(f"n = {row['n']:,.0f}", (1.01, place), xycoords=("axes fraction", "data"),
                        va="center", fontsize="small", annotation_clip=False)  # fmt: skip
    ax.axvline(nothing, color=FAINT, linewidth=0.8, linestyle="--")
    ax.set_yticks(range(len(rows)))
    ax.set_yticklabels(list(rows["label"]))
    ax.set_ylim(len(rows) - 0.4, -0.6)
    ax.set_xlabel(label)
    ax.tick_params(axis="y", length=0)
    fix_scale(ax, "x", scale, drawn_values(rows))
