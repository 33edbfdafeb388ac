"""How many rows would be false in a programme-year in which nothing changed, by simulation.

The clinic's own volumes stay; events are drawn anew under each reference, the reference period
too where the reference comes from one, and every rule is applied as in the report.
"""

from __future__ import annotations

from dataclasses import dataclass

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


def false_rows(
    series: tuple[Series, ...],
    sites: tuple[SiteCounts, ...],
    inserters: tuple[InserterCurve, ...],
    *,
    alpha: float,
    rules: Watch,
    rng: np.random.Generator,
) -> FalseRows:
    """Simulate programme-years without any change and count the rows.

    Inserters' charts are counted exactly and at their worst: every inserter begins anew at the
    acceptable rate and does as many procedures as in the last twelve months.
    """
    years = rules.simulated_years
    counted: dict[str, Floats] = {}
    for one in series:
        if one.reference is not None:
            counted[one.title] = _series_rows(one, alpha, rules, years, rng)
    for part in sites:
        rows = sum(
            (_site_rows(row["size"], part.of.reference, alpha, years, rng)
             for row in part.table.to_dict("records") if not row["note"]),
            np.zeros(years),
        )  # fmt: skip
        counted[f"{part.of.title}, by site"] = np.asarray(rows, float)
    each = {subject: float(rows.mean()) for subject, rows in counted.items()}
    curves = sum(_curve_odds(one, rules) for one in inserters)
    if inserters:
        each["Inserters' sequential charts"] = curves
    total = sum(counted.values(), np.zeros(years)) + curves
    half = 1.96 * float(total.std(ddof=1)) / np.sqrt(years) if years > 1 else 0.0
    mean = float(total.mean())
    return FalseRows(
        table=pd.DataFrame({"subject": list(each), "rows_a_year": list(each.values())}),
        years=years, total=mean, low=max(mean - half, 0.0), high=mean + half,
    )  # fmt: skip


def _level(reference: Reference) -> float:
    """A reference without events is simulated at half an event, since 0 could never be false."""
    if reference.level is not None:
        return reference.level
    return max(reference.events, 0.5) / reference.size


def _draw(reference: Reference, sizes: Floats, years: int, rng: np.random.Generator) -> Floats:
    level = _level(reference)
    if reference.kind == "rate":
        return rng.poisson(level * sizes, (years, len(sizes))).astype(float)
    return rng.binomial(sizes.astype(int), level, (years, len(sizes))).astype(float)


def _tails(x: Floats, n: Floats, reference: Reference, base: Floats) -> Floats:
    """Tails of drawn counts, each beside its own drawn reference; every different case once."""
    if reference.level is not None:
        return upper_tail(x, np.broadcast_to(n, x.shape), reference)
    cases = np.stack(np.broadcast_arrays(x, n, base[:, None]), axis=-1).reshape(-1, 3)
    different, where = np.unique(cases, axis=0, return_inverse=True)
    tails = tail_beside(
        different[:, 0], different[:, 1], different[:, 2], reference.size, kind=reference.kind
    )
    return tails[np.ravel(where)].reshape(x.shape)


def _series_rows(
    one: Series, alpha: float, rules: Watch, years: int, rng: np.random.Generator
) -> Floats:
    assert one.reference is not None
    sizes = one.yearly_sizes
    before = one.points.loc[one.points["part"] == REFERENCE, "size"].to_numpy(float)
    earlier = _draw(one.reference, before, years, rng)
    counts = _draw(one.reference, sizes, years, rng)
    base = earlier.sum(axis=1)
    by_quarter = counts.reshape(years, 4, 3).sum(axis=2)
    rows = _tails(by_quarter, sizes.reshape(4, 3).sum(axis=1), one.reference, base) <= alpha
    if one.rare:
        rows |= _gap_rows(one, alpha, rules, base, rng)
        return rows.sum(axis=1).astype(float)
    months = _tails(counts, sizes, one.reference, base) <= alpha
    rows |= months.reshape(years, 4, 3).any(axis=2)
    if applicable(one, rules):
        rows |= _run_rows(np.hstack([earlier, counts]), np.r_[before, sizes], rules.run_length)
    return rows.sum(axis=1).astype(float)


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


def _gap_rows(
    one: Series, alpha: float, rules: Watch, base: Floats, rng: np.random.Generator
) -> Flags:
    assert one.reference is not None
    years, together = len(base), rules.gaps_together
    exposure = float(one.yearly_sizes.sum())
    level = _level(one.reference)
    mean = level * exposure
    if mean <= 0:
        return np.zeros((years, 4), dtype=bool)
    most = int(mean + 6 * np.sqrt(mean) + 6) + together
    to = np.cumsum(rng.exponential(1 / level, (years, most)), axis=1)
    begins = np.hstack([np.zeros((years, 1)), to])[:, : most - together + 1]
    ends = to[:, together - 1 :]
    tails = upper_tail_each(float(together), ends - begins, one.reference, base)
    hits = (tails <= alpha) & (ends <= exposure)
    quarter = np.minimum((4 * ends / exposure).astype(int), 3)
    return np.stack([(hits & (quarter == q)).any(axis=1) for q in range(4)], axis=1)


def upper_tail_each(x: float, n: Floats, reference: Reference, base: Floats) -> Floats:
    """Tails of one count in many exposures, each row beside its own drawn reference."""
    if reference.level is not None:
        return upper_tail(np.full(n.shape, x), n, reference)
    return tail_beside(x, n, base[:, None], reference.size, kind=reference.kind)


def _site_rows(
    size: float, reference: Reference | None, alpha: float, years: int, rng: np.random.Generator
) -> Floats:
    assert reference is not None
    drawn = _draw(reference, np.full(4, size), years, rng)
    base = _draw(reference, np.array([reference.size or 1.0]), years, rng)[:, 0]
    return (_tails(drawn, np.full(4, size), reference, base) <= alpha).sum(axis=1).astype(float)


def _curve_odds(one: InserterCurve, rules: Watch) -> float:
    last = one.cases["on"].max() - pd.DateOffset(months=12) if len(one.cases) else pd.NaT
    cases = int((one.cases["on"] > last).sum())
    odds = learning_curve_odds(
        rules.p0, cases, p0=rules.p0, p1=rules.p1, alpha=rules.alpha, beta=rules.beta
    )
    return odds.unacceptable
