"""How many rows would be false in a programme-year in which nothing changed, by simulation.

The clinic's own volumes stay; true levels are drawn from what the reference months leave possible,
then events of the reference and of a year at that level, and every rule is applied as in the
report. The errors
allowed are then given to the looks as far as they go.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.plan import Watch
from outcomes.statistics.reference_tails import Reference, tail_beside, upper_tail
from outcomes.statistics.sequential_charts import learning_curve_odds
from outcomes.watch.inserters import InserterCurve
from outcomes.watch.rules import applicable
from outcomes.watch.series import REFERENCE, Series
from outcomes.watch.sites import SiteCounts

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

CHARTS: Final = "Inserters' sequential charts"
# No look is called a finding beyond 1 in 20, however few the looks are.
LARGEST_ALPHA: Final = 0.05


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class FalseRows:
    """False rows a programme-year.

    Attributes
    ----------
    table : DataFrame, one row per thing watched
        `subject`, `rows_a_year` (mean of the simulated years).
    years : int
    total, low, high : float
        Mean rows a year over all, with its 95 % Monte Carlo limits.
    """

    table: pd.DataFrame
    years: int
    total: float
    low: float
    high: float


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class QuietYears:
    """Simulated programme-years without any change; made by `quiet_years`.

    Attributes
    ----------
    tails : mapping of subject to array of years by possible rows
        The smallest tail of the looks that a row stands for; 0 where a run makes it anyway.
    charts : float or None
        Rows a year of the inserters' sequential charts, exact; None without inserters.
    """

    tails: Mapping[str, Floats]
    charts: float | None

    def rows(self, alpha: float) -> FalseRows:
        """Count the rows at a probability of `alpha` a look."""
        counted = {name: (tails <= alpha).sum(axis=1) for name, tails in self.tails.items()}
        each = {name: float(rows.mean()) for name, rows in counted.items()}
        if self.charts is not None:
            each[CHARTS] = self.charts
        years = max((len(rows) for rows in counted.values()), default=0)
        total = sum(counted.values(), np.zeros(years)) + (self.charts or 0.0)
        half = 1.96 * float(total.std(ddof=1)) / np.sqrt(years) if years > 1 else 0.0
        mean = float(total.mean()) if years else self.charts or 0.0
        return FalseRows(
            table=pd.DataFrame({"subject": list(each), "rows_a_year": list(each.values())}),
            years=years, total=mean, low=max(mean - half, 0.0), high=mean + half,
        )  # fmt: skip

    def largest_alpha(self, allowed: float) -> float:
        """Return the largest probability a look may have for at most `allowed` rows a year.

        Limits of counts are often crossed less often than their probability, and a month, its
        quarter and a run make one row together: equal parts of the allowance would leave most of
        it unused. A tenth is kept for levels that are higher than thought. Counts have at least a
        fifth, whatever runs and inserters take; the page says where that is too many.
        """
        alone = self.rows(0.0).high
        aim = max(0.9 * allowed, alone + allowed / 5)
        low, high = 0.0, LARGEST_ALPHA
        if self.rows(high).high <= aim:
            return high
        while high - low > 1e-5:
            middle = (low + high) / 2
            low, high = (middle, high) if self.rows(middle).high <= aim else (low, middle)
        # Two digits, downwards: the last ones are chance of the simulation.
        step = 10.0 ** (np.floor(np.log10(max(low, 1e-5))) - 1)
        return float(np.floor(low / step + 1e-9) * step)


def quiet_years(
    series: tuple[Series, ...],
    sites: tuple[SiteCounts, ...],
    inserters: tuple[InserterCurve, ...],
    *,
    rules: Watch,
    rng: np.random.Generator,
) -> QuietYears:
    """Simulate programme-years without any change.

    Inserters' charts are counted exactly and at their worst: every chart that was open within
    the last twelve months begins anew at the acceptable rate, with as many procedures.
    """
    years = rules.simulated_years
    tails = {
        one.title: _series_tails(one, rules, years, rng)
        for one in series
        if one.reference is not None
    }
    for part in sites:
        judged = [row["size"] for row in part.table.to_dict("records") if not row["note"]]
        drawn = [_site_tails(size, part.of.reference, years, rng) for size in judged]
        tails[f"{part.of.title}, by site"] = np.hstack([np.ones((years, 1)), *drawn])
    charts = sum(_curve_odds(one, rules) for one in inserters) if inserters else None
    return QuietYears(tails=tails, charts=charts)


def _levels(reference: Reference, years: int, rng: np.random.Generator) -> Floats:
    """Draw each year's true level from what the reference months leave possible.

    Gamma and beta with Jeffreys' half event, so that a reference without events has levels too; a
    declared level is what it says.
    """
    if reference.level is not None:
        return np.full(years, reference.level)
    if reference.kind == "rate":
        return rng.gamma(reference.events + 0.5, 1 / reference.size, years)
    silent = max(reference.size - reference.events, 0.0)
    return rng.beta(reference.events + 0.5, silent + 0.5, years)


def _draw(reference: Reference, levels: Floats, sizes: Floats, rng: np.random.Generator) -> Floats:
    if reference.kind == "rate":
        return rng.poisson(levels[:, None] * sizes).astype(float)
    return rng.binomial(sizes.astype(int), levels[:, None]).astype(float)


def _tails(x: Floats, n: Floats, reference: Reference, base: Floats) -> Floats:
    """Tails of drawn counts, each beside its own drawn reference; every different case once."""
    if reference.level is not None:
        return upper_tail(x, np.broadcast_to(n, x.shape), reference)
    count, size, before = (np.ravel(a) for a in np.broadcast_arrays(x, n, base[:, None]))
    # Counts are whole, so a case is one whole number: count, place among the sizes, base.
    _, place = np.unique(size, return_inverse=True)
    case = (count * (place.max() + 1) + place) * (before.max() + 1) + before
    _, first, where = np.unique(case, return_index=True, return_inverse=True)
    tails = tail_beside(
        count[first], size[first], before[first], reference.size, kind=reference.kind
    )
    return tails[where].reshape(x.shape)


def _series_tails(one: Series, rules: Watch, years: int, rng: np.random.Generator) -> Floats:
    """Return the smallest tail of each quarter's looks; 0 where a run makes a row."""
    assert one.reference is not None
    sizes = one.yearly_sizes
    before = one.points.loc[one.points["part"] == REFERENCE, "size"].to_numpy(float)
    levels = _levels(one.reference, years, rng)
    earlier = _draw(one.reference, levels, before, rng)
    before_it = _draw(one.reference, levels, sizes, rng)  # the twelve months before the year
    counts = _draw(one.reference, levels, sizes, rng)
    base = earlier.sum(axis=1)
    by_quarter = counts.reshape(years, 4, 3).sum(axis=2)
    quarters = sizes.reshape(4, 3).sum(axis=1)
    tails = _tails(by_quarter, quarters, one.reference, base)
    lasting = _year_tails(one.reference, np.hstack([before_it, counts]), sizes.sum(), base)
    level = base[:, None] / one.reference.size if one.reference.level is None else levels[:, None]
    tails = np.minimum(tails, np.where(by_quarter > level * quarters, lasting, 1.0))
    if one.rare:
        return np.minimum(tails, _gap_tails(one, rules, base, levels, rng))
    months = _tails(counts, sizes, one.reference, base)
    tails = np.minimum(tails, months.reshape(years, 4, 3).min(axis=2))
    if applicable(one, rules):
        runs = _run_rows(np.hstack([earlier, counts]), np.r_[before, sizes], rules.run_length)
        tails = np.where(runs, 0.0, tails)
    return tails


def _year_tails(reference: Reference, counts: Floats, size: float, base: Floats) -> Floats:
    """Return the tails of the twelve months that end with each quarter of the second year."""
    sums = np.stack([counts[:, end - 12 : end].sum(axis=1) for end in (15, 18, 21, 24)], axis=1)
    return _tails(sums, np.full(4, size), reference, base)


def _run_rows(counts: Floats, sizes: Floats, length: int) -> Flags:
    """Quarters of the last year in which a run above the median so far reaches its length."""
    values = counts / np.maximum(sizes, 1e-300)
    found = np.zeros((len(values), 4), dtype=bool)
    start = values.shape[1] - 12
    for quarter in range(4):
        end = start + 3 * quarter + 3
        seen = values[:, :end]
        side = np.sign(seen - np.median(seen, axis=1, keepdims=True))
        run = np.zeros(len(seen), dtype=int)
        for month in range(end):
            # A value on the median neither adds to a run nor ends it.
            up, down = side[:, month] > 0, side[:, month] < 0
            run = np.where(up, run + 1, np.where(down, 0, run))
            if month >= end - 3:
                found[:, quarter] |= up & (run == length)
    return found


def _gap_tails(
    one: Series, rules: Watch, base: Floats, levels: Floats, rng: np.random.Generator
) -> Floats:
    """Return the smallest tail of the gaps that end in each quarter."""
    assert one.reference is not None
    years, together = len(base), rules.gaps_together
    exposure = float(one.yearly_sizes.sum())
    mean = float(levels.max()) * exposure
    if mean <= 0:
        return np.ones((years, 4))
    scale = 1 / np.maximum(levels, 1e-300)
    most = int(mean + 6 * np.sqrt(mean) + 6) + together
    to = np.cumsum(rng.exponential(scale[:, None], (years, most)), axis=1)
    begins = np.hstack([np.zeros((years, 1)), to])[:, : most - together + 1]
    ends = to[:, together - 1 :]
    tails = upper_tail_each(float(together), ends - begins, one.reference, base)
    quarter = np.where(ends <= exposure, np.minimum((4 * ends / exposure).astype(int), 3), -1)
    return np.stack([np.where(quarter == q, tails, 1.0).min(axis=1) for q in range(4)], axis=1)


def upper_tail_each(x: float, n: Floats, reference: Reference, base: Floats) -> Floats:
    """Tails of one count in many exposures, each row beside its own drawn reference."""
    if reference.level is not None:
        return upper_tail(np.full(n.shape, x), n, reference)
    return tail_beside(x, n, base[:, None], reference.size, kind=reference.kind)


def _site_tails(
    size: float, reference: Reference | None, years: int, rng: np.random.Generator
) -> Floats:
    assert reference is not None
    levels = _levels(reference, years, rng)
    drawn = _draw(reference, levels, np.full(4, size), rng)
    base = _draw(reference, levels, np.array([reference.size or 1.0]), rng)[:, 0]
    return _tails(drawn, np.full(4, size), reference, base)


def _curve_odds(one: InserterCurve, rules: Watch) -> float:
    if not len(one.cases):
        return 0.0
    year_ago = one.cases["known_on"].max() - pd.DateOffset(months=12)
    if one.decided_on is not None and one.decided_on <= year_ago:
        return 0.0  # the first crossing decides; a chart decided before makes no row again
    cases = int((one.cases["known_on"] > year_ago).sum())
    odds = learning_curve_odds(
        rules.p0, cases, p0=rules.p0, p1=rules.p1, alpha=rules.alpha, beta=rules.beta
    )
    return odds.unacceptable
