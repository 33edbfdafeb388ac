"""How often the limits of a control chart are crossed while nothing has changed, exactly."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.statistics.control_charts import ControlChart, Floats, count_law
from outcomes.statistics.gap_charts import gap_law

__all__ = ["FalseAlarms", "false_alarms"]


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class FalseAlarms:
    """How often a chart signals although nothing has changed.

    Attributes
    ----------
    table : DataFrame, one row a point
        `point`, `above`, `below`: exact probabilities of a signal on each side.
    expected : float
        Expected number of false signals over the points shown.
    any_point : float
        Probability of at least one.
    average_run_length : float or None
        Points between false signals; None where the probabilities differ or are 0.
    """

    table: pd.DataFrame
    expected: float
    any_point: float
    average_run_length: float | None


def false_alarms(chart: ControlChart) -> FalseAlarms:
    """Compute exactly how often a chart's limits are crossed while its mean stays what it was.

    Takes the counts as binomial (p), Poisson (u, c) or geometric (g), the times as exponential
    (t), at the chart's mean. The uncertainty of that mean is not in it.

    Raises
    ------
    EstimationError
        The chart has no limits.

    Examples
    --------
    >>> from outcomes.statistics.control_charts import c_chart
    >>> alarms = false_alarms(c_chart([9] * 20))
    >>> round(float(alarms.table.loc[0, "above"]), 5), float(alarms.table.loc[0, "below"])
    (0.00243, 0.0)
    """
    table = chart.table
    low, high = table["limit_low"].to_numpy(), table["limit_high"].to_numpy()
    if chart.mean is None or np.isnan(low).any() or np.isnan(high).any():
        raise EstimationError(f"control chart: no false alarms without limits ({chart.note}).")
    sizes = table["size"].to_numpy()
    if chart.kind in ("g", "t"):
        law = gap_law(chart.kind, chart.mean, chart.every)
    else:
        law = count_law(chart.kind, chart.mean, sizes)
    above, below = _beyond(law.sf, law.cdf, low * sizes, high * sizes, whole=chart.kind != "t")
    either = above + below
    same = float(np.ptp(either)) < 1e-12 and either[0] > 0
    return FalseAlarms(
        table=pd.DataFrame({"point": table["point"], "above": above, "below": below}),
        expected=float(either.sum()),
        any_point=float(-np.expm1(np.log1p(-either).sum())),
        average_run_length=float(1 / either[0]) if same else None,
    )


def _beyond(
    sf: Callable[[Floats], Floats],
    cdf: Callable[[Floats], Floats],
    low: Floats,
    high: Floats,
    *,
    whole: bool,
) -> tuple[Floats, Floats]:
    if whole:
        # A signal is a count above the limit, or below it; a count on the limit is none.
        high, low = np.floor(high + 1e-9), np.ceil(low - 1e-9) - 1
    return np.asarray(sf(high), float), np.where(low >= 0, cdf(low), 0.0)
