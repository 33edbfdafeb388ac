"""The whole programme under watch: series, sites and inserters, and how errors are shared out."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.plan import Watch
from outcomes.statistics.reference_tails import detectable, signal_from
from outcomes.watch.false_rows import FalseRows, false_rows
from outcomes.watch.inserters import InserterCurve, inserter_cases, inserter_curves
from outcomes.watch.rules import Signal, series_signals
from outcomes.watch.series import Series, all_series
from outcomes.watch.sites import SiteCounts, site_counts


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Programme:
    """Everything that is watched in one quarter; made by `programme_watch`.

    Attributes
    ----------
    cohorts : CohortSet
    series : tuple of Series
    sites : tuple of SiteCounts
    inserters : tuple of InserterCurve
    alpha : float
        Probability of a false row that every single look at a count is given.
    looks_a_year : float
    """

    cohorts: CohortSet
    series: tuple[Series, ...]
    sites: tuple[SiteCounts, ...]
    inserters: tuple[InserterCurve, ...]
    alpha: float
    looks_a_year: float

    @property
    def rules(self) -> Watch:
        """The plan's section."""
        return self.cohorts.plan.watch

    @cached_property
    def signals(self) -> tuple[Signal, ...]:
        """What fired in this quarter, series first, then sites, then inserters."""
        found = [s for one in self.series for s in series_signals(one, self.alpha, self.rules)]
        return (*found, *self._site_signals(), *self._inserter_signals())

    @cached_property
    def false_rows(self) -> FalseRows:
        """How many false rows a year would bring at this clinic's volume, by simulation."""
        return false_rows(
            self.series, self.sites, self.inserters, alpha=self.alpha, rules=self.rules,
            rng=np.random.default_rng(self.cohorts.plan.plan.seed),
        )  # fmt: skip

    def detectable(self, one: Series) -> float | None:
        """Return the smallest level of this quarter that a limit would have shown, 80 % likely."""
        quarter = one.quarter
        if one.reference is None or quarter.empty:
            return None
        sizes = quarter["size"].to_numpy(float)
        months = [
            None if one.rare else signal_from(n, one.reference, alpha=self.alpha) for n in sizes
        ]
        together = signal_from(float(sizes.sum()), one.reference, alpha=self.alpha)
        return detectable(list(sizes), months, together, kind=one.kind)

    def _site_signals(self) -> list[Signal]:
        return [
            Signal(
                key=f"{part.of.key} {row['site']}", subject=f"{part.of.title}, site {row['site']}",
                rules=("site above its limit",), observed=float(row["events"]),
                size=float(row["size"]), size_name=part.of.size_name,
                expected=float(row["expected"]), tail=float(row["tail"]),
                look_at=part.of.look_at, inserter_role=None,
            )
            for part in self.sites
            for row in part.table.to_dict("records")
            if row["fires"]
        ]  # fmt: skip

    def _inserter_signals(self) -> list[Signal]:
        first = pd.Timestamp(self.cohorts.span.first_on)
        return [
            Signal(
                key=f"inserter {one.inserter_id}",
                subject=f"Failed procedures of inserter {one.inserter_id}",
                rules=("sequential chart above its limit",), observed=float(one.failures),
                size=float(len(one.cases)), size_name="procedures",
                expected=self.rules.p0 * len(one.cases), tail=None,
                look_at="the inserter's private page, with the inserter; kinds of failure, "
                "supervision, difficulty of the cases",
                inserter_role=one.role,
            )
            for one in self.inserters
            if one.decision == "unacceptable" and one.decided_on is not None
            and one.decided_on >= first
        ]  # fmt: skip


def programme_watch(cohorts: CohortSet) -> Programme:
    """Watch the whole programme in the quarter of `cohorts`.

    The start of everything that is watched: give what it returns to `attention`, `watched`,
    `control_chart`, `sites`, `learning_curves` and `inserter_page`.

    Parameters
    ----------
    cohorts : CohortSet
        As `build_cohorts` returns it; the plan's section `watch` holds reference and errors.

    Returns
    -------
    Programme
    """
    rules = cohorts.plan.watch
    series = all_series(cohorts)
    cases = inserter_cases(cohorts)
    names = cases["site"].dropna().nunique()
    looks = sum(map(_looks, series)) + 4 * 2 * names
    alpha = rules.false_rows_a_year * rules.looks_share / max(looks, 1.0)
    return Programme(
        cohorts=cohorts,
        series=series,
        sites=site_counts(cohorts, series, alpha=alpha),
        inserters=inserter_curves(cases, rules),
        alpha=alpha,
        looks_a_year=looks,
    )


def _looks(one: Series) -> float:
    """Looks a year: months and quarters, or quarters and events for what is rare."""
    if one.reference is None:
        return 0.0
    if not one.rare:
        return 16.0
    return 4.0 + max(1.0, one.reference.estimate * float(one.yearly_sizes.sum()))
