"""Fixed scales: one quantity has one range, in both cohorts and in every quarter.

A picture that stretches to its data makes noise look like movement, and two quarters laid side by
side cannot be compared by eye. So every quantity has a usual range here. Where data fall outside,
the range widens by whole steps, and the axis says so.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

WIDER: Final = "wider scale than usual"
_ROUND: Final = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)


@dataclass(frozen=True)
class Scale:
    """The usual range of a quantity, and how it widens.

    Parameters
    ----------
    low, high : float
        The usual range, in the unit of the quantity.
    step : float
        It widens by whole steps, at the end where data fall outside.
    lowest, highest : float
        Ends that are never passed, since no value can lie beyond them.
    """

    low: float
    high: float
    step: float
    lowest: float = -math.inf
    highest: float = math.inf

    def holding(self, values: Iterable[Any]) -> tuple[float, float]:
        """Return the range, widened where values fall outside; missing values are passed over.

        Examples
        --------
        >>> Scale(-2, 1, 0.5).holding([-0.6, None, 0.2])
        (-2, 1)
        >>> Scale(-2, 1, 0.5).holding([-2.7])
        (-3.0, 1)
        """
        given = np.array([v for v in values if not pd.isna(v)], dtype=float)
        if not len(given):
            return self.low, self.high
        low, high = self.low, self.high
        if given.min() < low:
            low = low - self.step * math.ceil((low - given.min()) / self.step - 1e-9)
        if given.max() > high:
            high = high + self.step * math.ceil((given.max() - high) / self.step - 1e-9)
        return max(low, self.lowest), min(high, self.highest)


HBA1C_PERCENT: Final = Scale(6, 11, 1)
HBA1C_POINTS: Final = Scale(-2, 1, 0.5)  # changes, and differences of changes
TIME_IN_RANGE: Final = Scale(20, 100, 20, lowest=0, highest=100)
PERCENT: Final = Scale(0, 100, 100)
FEW_PERCENT: Final = Scale(0, 40, 20, highest=100)
HARM_PER_100_YEARS: Final = Scale(0, 150, 50, lowest=0)


def about(level: float, *, times: float = 10.0, highest: float = math.inf) -> Scale:
    """Return the scale of counts and rates that are held against a fixed level.

    It runs from 0 to a round number of `times` the level, and widens by as much again.

    Examples
    --------
    >>> about(0.52).high, about(24.5).high, about(7.4, highest=100).high
    (6.0, 300.0, 80.0)
    """
    wanted = times * level
    if not wanted > 0:
        return Scale(0, 1, 1, lowest=0, highest=highest)
    size = 10 ** math.floor(math.log10(wanted))
    high = min(next(n * size for n in _ROUND if n * size >= wanted * (1 - 1e-9)), highest)
    return Scale(0, high, high, lowest=0, highest=highest)


def fix_scale(
    ax: Axes,
    axis: Literal["x", "y"],
    scale: Scale,
    values: Iterable[Any],
    *,
    room: tuple[float, float] = (0.02, 0.02),
) -> None:
    """Give an axis its fixed range; where it had to widen, its label says so.

    Parameters
    ----------
    ax : Axes
        Its label is set already.
    axis : {"x", "y"}
    scale : Scale
    values : iterable of numbers
        All that is drawn along the axis, limits of intervals too; missing ones are passed over.
    room : tuple of float
        Empty share of the range before and after it, so that marks at its ends are seen whole.
    """
    low, high = scale.holding(values)
    span = high - low
    ends = (low - room[0] * span, high + room[1] * span)
    label = ax.get_xlabel() if axis == "x" else ax.get_ylabel()
    if (low, high) != (scale.low, scale.high):
        label = f"{label}\n({WIDER})".strip()
    if axis == "x":
        ax.set_xlim(*ends)
        ax.set_xlabel(label)
    else:
        ax.set_ylim(*ends)
        ax.set_ylabel(label)


def drawn_values(rows: pd.DataFrame) -> np.ndarray:
    """Return estimates and limits of a frame as one array, for `fix_scale`."""
    names = [name for name in ("estimate", "conf_low", "conf_high") if name in rows]
    return rows[names].astype(float).to_numpy().ravel()
