"""Series as the watch reads them, made of typed counts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from outcomes.statistics.reference_tails import Kind, Reference
from outcomes.watch.series import REFERENCE, WATCHED, Series


def series(
    events: Sequence[float],
    sizes: Sequence[float],
    *,
    kind: Kind = "rate",
    reference_months: int = 12,
    level: float | None = None,
    gaps: Sequence[float] | None = None,
    key: str = "losses_implanted",
) -> Series:
    """A series from January 2024 on; the last three months are this quarter.

    `gaps` are exposures between rare events after the reference.
    """
    n = len(events)
    month = pd.date_range("2024-01-01", periods=n, freq="MS")
    last = month + pd.offsets.MonthEnd(0)
    part = np.where(np.arange(n) < reference_months, REFERENCE, WATCHED)
    points = pd.DataFrame(
        {
            "month": month, "last_on": last, "closes_on": last, "events": np.array(events, float),
            "size": np.array(sizes, float), "part": part,
            "this_quarter": (np.arange(n) >= n - 3) & (part == WATCHED),
        }
    )  # fmt: skip
    base = points.loc[points["part"] == REFERENCE]
    reference = (
        Reference(kind=kind, events=base["events"].sum(), size=base["size"].sum())
        if level is None
        else Reference(kind=kind, level=level)
    )
    days = None
    if gaps is not None:
        on = pd.date_range(month[-1], periods=len(gaps), freq="D")
        days = pd.DataFrame({"on": on, "size_to": np.cumsum(gaps)})
    return Series(
        key=key, title=f"Series {key}", unit="per year", size_name="years", kind=kind, per=1.0,
        points=points, reference=reference, note="", look_at="the reasons", days=days,
    )  # fmt: skip
