"""Several estimates of one quantity under each other, on one horizontal scale."""

from __future__ import annotations

import pandas as pd
from matplotlib.axes import Axes

from outcomes.figures.style import FAINT, INK


def draw_forest(ax: Axes, *, rows: pd.DataFrame, label: str, nothing: float = 0.0) -> None:
    """Draw one line per row, from the top down.

    Parameters
    ----------
    ax : Axes
    rows : DataFrame, one row per estimate
        `label`, `estimate`, `conf_low`, `conf_high` (a limit may be missing), `main` (drawn filled
        and heavier).
    label : str
        Of the horizontal axis, with unit and direction.
    nothing : float, default 0
        Where a line marks no difference.
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
    ax.axvline(nothing, color=FAINT, linewidth=0.8, linestyle="--")
    ax.set_yticks(range(len(rows)))
    ax.set_yticklabels(list(rows["label"]))
    ax.set_ylim(len(rows) - 0.4, -0.6)
    ax.set_xlabel(label)
    ax.tick_params(axis="y", length=0)
