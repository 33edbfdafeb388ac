"""The whole programme under watch: series, sites and inserters, and how errors are shared out."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.plan import Watch
from outcomes.watch.false_rows import FalseRows, QuietYears, quiet_years
from outcomes.watch.inserters import InserterCurve, inserter_cases, inserter_curves
from outcomes.watch.rules import Signal, lasting_level, seen_level, series_signals
from outcomes.watch.series import Series, all_series
from outcomes.watch.sites import SiteCounts, judged, site_counts


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Programme:
    """Everything that is watched in one quarter; made by `programme_watch`.

    Attributes
    ----------
    cohorts : CohortSet
    series : tuple of Series
    site_tables : tuple of SiteCounts
        Counted, not judged yet: see `sites`.
    inserters : tuple of InserterCurve
    """

    cohorts: CohortSet
    series: tuple[Series, ...]
    site_tables: tuple[SiteCounts, ...]
    inserters: tuple[InserterCurve, ...]

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
    def alpha(self) -> float:
        """Probability of a false row that every single look at a count is given."""
        return self._quiet_years(1).largest_alpha(self.rules.false_rows_a_year)

    @cached_property
    def false_rows(self) -> FalseRows:
        """How many false rows a year brings at this volume, in years that `alpha` has not seen."""
        return self._quiet_years(2).rows(self.alpha)

    @cached_property
    def sites(self) -> tuple[SiteCounts, ...]:
        """Sites held against the programme's reference."""
        return tuple(judged(part, self.alpha) for part in self.site_tables)

    def _quiet_years(self, which: int) -> QuietYears:
        return quiet_years(
            self.series, self.site_tables, self.inserters, rules=self.rules,
            rng=np.random.default_rng([self.cohorts.plan.plan.seed, which]),
        )  # fmt: skip

    @cached_property
    def _levels(self) -> dict[str, tuple[float | None, float | None]]:
        alpha = self.alpha
        return {one.key: (seen_level(one, alpha), lasting_level(one, alpha)) for one in self.series}

    def detectable(self, one: Series) -> float | None:
        """Return the smallest level of this quarter that a limit would have shown, 80 % likely."""
        return self._levels[one.key][0]

    def detectable_if_lasting(self, one: Series) -> float | None:
        """Return the smallest level that twelve months of it would show, 80 % likely."""
        return self._levels[one.key][1]

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
    series = all_series(cohorts)
    return Programme(
        cohorts=cohorts,
        series=series,
        site_tables=site_counts(cohorts, series),
        inserters=inserter_curves(inserter_cases(cohorts), cohorts.plan.watch),
    )
