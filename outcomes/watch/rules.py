"""Which rules a series breaks in this quarter, and the numbers behind each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from outcomes.plan import Watch
from outcomes.statistics.reference_tails import detectable, signal_from, upper_tail
from outcomes.statistics.run_rules import runs_about_median
from outcomes.watch.series import OPEN, Series

MONTH: Final = "month above its limit"
QUARTER: Final = "quarter above its limit"
YEAR: Final = "twelve months above their limit"
RUN: Final = "run above the median"
GAPS: Final = "gaps shorter than their limit"


@dataclass(frozen=True, kw_only=True)
class Signal:
    """One row of what needs attention.

    Attributes
    ----------
    key : str
        Stable from quarter to quarter.
    subject : str
    rules : tuple of str
        All that fired; the numbers are those of the rule with the smallest probability.
    observed, expected, size : float
        Events, events expected under the reference, and exposure or units.
    size_name : str
    tail : float or None
        Probability of so many or more under the reference; None for runs and inserters.
    look_at : str
    inserter_role : str or None
        Set where the row is about one inserter.
    months : int
        Months that were looked at.
    """

    key: str
    subject: str
    rules: tuple[str, ...]
    observed: float
    expected: float
    size: float
    size_name: str
    tail: float | None
    look_at: str
    inserter_role: str | None = None
    months: int = 0


def series_signals(one: Series, alpha: float, rules: Watch) -> tuple[Signal, ...]:
    """Return the row of a series in this quarter, or nothing.

    Parameters
    ----------
    one : Series
    alpha : float
        Probability of a false row that each look is given.
    rules : Watch
    """
    if one.reference is None or one.quarter.empty:
        return ()
    hits = [*_limits(one, alpha), *_gaps(one, alpha, rules)]
    fired = [rule for rule, *_ in hits]
    quarter = one.quarter
    whole = (float(quarter["events"].sum()), float(quarter["size"].sum()))
    if run_in_quarter(one, rules):
        fired.append(RUN)
    if not fired:
        return ()
    best = min(hits, key=lambda hit: hit[3]) if hits else ("", *whole, None)
    _, observed, size, tail = best
    return (
        Signal(
            key=one.key, subject=one.title, rules=tuple(dict.fromkeys(fired)), observed=observed,
            expected=one.reference.estimate * size, size=size, size_name=one.size_name, tail=tail,
            look_at=one.look_at, months=len(quarter),
        ),
    )  # fmt: skip


def _limits(one: Series, alpha: float) -> list[tuple[str, float, float, float]]:
    assert one.reference is not None
    quarter = one.quarter
    looks = [] if one.rare else list(zip(quarter["events"], quarter["size"], strict=True))
    named = [(MONTH, events, size) for events, size in looks]
    named.append((QUARTER, float(quarter["events"].sum()), float(quarter["size"].sum())))
    if (last := _lasting(one)) is not None:
        named.append((YEAR, *last))
    found = []
    for rule, events, size in named:
        tail = float(upper_tail(events, size, one.reference))
        if tail <= alpha:
            found.append((rule, float(events), float(size), tail))
    return found


def last_months(one: Series) -> tuple[float, float]:
    """Return events and size of the last twelve months that can be judged, fewer if there are."""
    months = one.watched.tail(12)
    return float(months["events"].sum()), float(months["size"].sum())


def _lasting(one: Series) -> tuple[float, float] | None:
    """Return the last twelve months where this quarter is part of what they show.

    What is too small for a quarter's limit adds up over a year. A quarter at or below its
    expectation makes no row because of what came before it.
    """
    assert one.reference is not None
    quarter = one.quarter
    expected = one.reference.estimate * float(quarter["size"].sum())
    if len(one.watched) <= len(quarter) or not float(quarter["events"].sum()) > expected:
        return None
    return last_months(one)


def gap_tails(one: Series, together: int) -> pd.DataFrame:
    """Return for every rare event after the reference how short the gaps up to it are.

    Returns
    -------
    DataFrame, one row per event from the `together`-th on
        `on`, `size` (exposure that the last `together` gaps took), `events`, `tail`: probability
        of so many events or more in so little exposure. The first gap begins where the reference
        ends.
    """
    assert one.days is not None
    assert one.reference is not None
    to = one.days["size_to"].to_numpy(float)
    begins = np.r_[0.0, to][: max(len(to) - together + 1, 0)]
    size = to[together - 1 :] - begins
    rows = one.days.iloc[together - 1 :][["on"]].reset_index(drop=True)
    return rows.assign(
        size=size, events=float(together),
        tail=upper_tail(np.full(len(size), float(together)), size, one.reference),
    )  # fmt: skip


def _gaps(one: Series, alpha: float, rules: Watch) -> list[tuple[str, float, float, float]]:
    if not one.rare:
        return []
    first = one.quarter["month"].min()
    rows = gap_tails(one, rules.gaps_together)
    rows = rows.loc[(rows["on"] >= first) & (rows["tail"] <= alpha)]
    return [(GAPS, row.events, row.size_taken, row.tail) for row in
            rows.rename(columns={"size": "size_taken"}).itertuples()]  # fmt: skip


def run_in_quarter(one: Series, rules: Watch) -> bool:
    """Return whether a run above the median reaches its length within this quarter.

    The median is that of all months so far, so that months in another order make a run no more
    likely. Where events are so rare that the median month has none, runs say nothing.
    """
    points = one.points.loc[one.points["part"] != OPEN]
    points = points.loc[points["size"] > 0].reset_index(drop=True)
    if one.reference is None or one.rare or not applicable(one, rules):
        return False
    values = (points["events"] / points["size"]).to_numpy(float)
    runs = runs_about_median(values, shift=rules.run_length)
    new = points.index[points["this_quarter"]] + 1
    return any(point in new and values[point - 1] > runs.median for point in runs.shift)


def applicable(one: Series, rules: Watch) -> bool:
    """Return whether a series has events enough for runs."""
    assert one.reference is not None
    monthly = one.reference.estimate * float(one.yearly_sizes.mean())
    return not one.rare and monthly >= rules.runs_from_expected


def seen_level(one: Series, alpha: float) -> float | None:
    """Return the smallest level of this quarter that a limit of counts shows with 80 % probability.

    Months and the quarter are looked at; runs, twelve months together, and gaps between rare
    events show more.
    """
    quarter = one.quarter
    if one.reference is None or quarter.empty:
        return None
    sizes = [float(size) for size in quarter["size"]]
    months = [None if one.rare else signal_from(n, one.reference, alpha=alpha) for n in sizes]
    together = signal_from(sum(sizes), one.reference, alpha=alpha)
    return detectable(sizes, months, together, kind=one.kind)


def lasting_level(one: Series, alpha: float) -> float | None:
    """Return the smallest level that twelve months of it would show with 80 % probability.

    The exposure is that of twelve months like the latest ones.
    """
    size = float(one.yearly_sizes.sum())
    if one.reference is None or one.quarter.empty or not size > 0:
        return None
    limit = signal_from(size, one.reference, alpha=alpha)
    return detectable([size], [limit], None, kind=one.kind)
