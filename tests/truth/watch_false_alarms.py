"""False alarms of every chart and of the whole table, at realistic volumes.

`python -m tests.truth watch_false_alarms` prints the table and keeps it beside this file:
exact probabilities of each chart; then, for clinics of four sizes with their sites and inserters,
the rows a year that are false, also where the true level is another than that assumed, and the
smallest level that a quarter would show with 80 % probability.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from outcomes.plan import Watch
from outcomes.statistics.chart_alarms import false_alarms
from outcomes.statistics.control_charts import c_chart
from outcomes.statistics.funnel import funnel_false_alarm
from outcomes.statistics.reference_tails import Kind, tail_beside
from outcomes.statistics.run_rules import run_false_alarm
from outcomes.statistics.sequential_charts import learning_curve_odds, page_false_alarm
from outcomes.watch.false_rows import QuietYears, quiet_years
from outcomes.watch.inserters import InserterCurve, inserter_curves
from outcomes.watch.rules import lasting_level, seen_level
from outcomes.watch.series import Series
from outcomes.watch.sites import SiteCounts
from tests.watched_series import series

Floats = NDArray[np.float64]
RULES = Watch()


@dataclass(frozen=True)
class Size:
    """Patients of a clinic, how much a month brings (of the table below), sites and inserters."""

    patients: int
    volume: float
    sites: int
    inserters: int


SIZES = (Size(24, 0.4, 1, 2), Size(60, 1.0, 1, 3), Size(300, 5.0, 2, 6), Size(1500, 25.0, 8, 20))
# key: kind, size of a month in the smallest clinic, true level
MONTHLY: dict[str, tuple[Kind, float, float]] = {
    "procedure_harm": ("share", 5, 0.05),
    "not_completed": ("share", 5, 0.03),
    "wear_harm_implanted": ("rate", 1.8, 0.2),
    "wear_harm_adhesive": ("rate", 2.3, 0.5),
    "losses_implanted": ("rate", 1.8, 0.5),
    "losses_adhesive": ("rate", 2.2, 6.0),
    "visits_without_draw": ("share", 8, 0.15),
    "serious_related": ("rate", 4.0, 0.02),
    "site_infection": ("rate", 1.8, 0.02),
}
RARE = ("serious_related", "site_infection")


def clinic(size: Size, *, times: float = 1.0) -> tuple[Series, ...]:
    """A year of reference and nine months since, without any change, at `times` the true levels."""
    made = []
    for key, (kind, monthly, level) in MONTHLY.items():
        sizes = np.full(21, np.round(monthly * size.volume) if kind == "share" else
                        monthly * size.volume)  # fmt: skip
        events = np.zeros(21)  # only the reference's total matters
        events[0] = np.round(level * times * sizes[:12].sum())
        gaps = [1.0] if key in RARE else None
        made.append(series(events, sizes, kind=kind, gaps=gaps, key=key))
    return tuple(made)


def sites_of(size: Size, watched: tuple[Series, ...]) -> tuple[SiteCounts, ...]:
    """Equal sites with twelve months of procedures each, both measures."""
    n = np.round(12 * MONTHLY["not_completed"][1] * size.volume / size.sites)
    table = pd.DataFrame({"site": range(size.sites), "size": float(n), "note": ""})
    named = [one for one in watched if one.key in ("not_completed", "procedure_harm")]
    return tuple(SiteCounts(of=one, table=table) for one in named)


def inserters_of(size: Size) -> tuple[InserterCurve, ...]:
    """Inserters who share a year's procedures, all of them open."""
    each = int(12 * MONTHLY["not_completed"][1] * size.volume / size.inserters)
    on = pd.date_range("2025-01-01", periods=each, freq=f"{364 / each:.4f}D").floor("D")
    rows = [
        pd.DataFrame(
            {"inserter_id": f"I{i:02d}", "procedure_id": range(each), "role": "physician",
             "on": on, "known_on": on + pd.Timedelta(days=30), "known": True,
             "what": "placement", "site": "A", "supervised": False, "failure": 0, "because": ""}
        )
        for i in range(size.inserters)
    ]  # fmt: skip
    return inserter_curves(pd.concat(rows, ignore_index=True), RULES)


def quiet(size: Size, *, years: int, seed: int, times: float = 1.0) -> QuietYears:
    """Simulate the whole table of a clinic: series, sites and inserters."""
    watched = clinic(size, times=times)
    return quiet_years(
        watched, sites_of(size, watched), inserters_of(size), rules=Watch(simulated_years=years),
        rng=np.random.default_rng(seed),
    )  # fmt: skip


def alpha_of(size: Size, *, years: int = RULES.simulated_years) -> float:
    """Choose what each look is given, as the programme does."""
    return quiet(size, years=years, seed=1).largest_alpha(RULES.false_rows_a_year)


def conditional_false_alarm(
    kind: Kind, level: float, size: float, ratio: int, alpha: float
) -> float:
    """Sum over all counts of reference and month: how often is a limit reached without change?"""
    x, x0 = np.arange(120.0)[:, None], np.arange(400.0)[None, :]
    if kind == "rate":
        chance = stats.poisson.pmf(x, level * size) * stats.poisson.pmf(x0, level * size * ratio)
    else:
        chance = stats.binom.pmf(x, size, level) * stats.binom.pmf(x0, size * ratio, level)
    tails = np.ones(chance.shape)
    possible = chance > 0
    at = np.nonzero(possible)
    tails[at] = tail_beside(x[at[0], 0], size, x0[0, at[1]], size * ratio, kind=kind)
    return float(chance[tails <= alpha].sum())


def lines() -> Iterator[str]:
    """Yield the printed table."""
    yield "Exact probability of a false signal"
    for kind, level, size in (("rate", 0.5, 2.0), ("rate", 0.5, 10.0), ("share", 0.05, 24.0)):
        for alpha in (0.004, 0.001):
            found = conditional_false_alarm(kind, level, size, 12, alpha)
            yield f"  month of {size:g}, {kind} {level:g}, alpha {alpha:g}: {found:.5f}"
    three = false_alarms(c_chart([9] * 20))
    exact = false_alarms(c_chart([9] * 20, limits="probability"))
    yield f"  count chart, mean 9, 20 points, three sigma: any {three.any_point:.4f}"
    yield f"  the same, probability limits: any {exact.any_point:.4f}"
    for n in (12, 24):
        yield f"  run of {RULES.run_length} on one side in {n} points: {run_false_alarm(n):.4f}"
    for size in (20, 50, 200):
        low, high = funnel_false_alarm(0.05, size, level=0.998)
        yield f"  funnel 99.8 %, target 5 %, {size} procedures: below {low:.5f}, above {high:.5f}"
    for cases in (25, 50, 100, 200):
        at = {
            p: learning_curve_odds(
                p, cases, p0=RULES.p0, p1=RULES.p1, alpha=RULES.alpha, beta=RULES.beta
            )
            for p in (RULES.p0, RULES.p1)
        }
        yield (
            f"  sequential chart, {cases} cases: false alarm at p0 "
            f"{at[RULES.p0].unacceptable:.4f}, found at p1 {at[RULES.p1].unacceptable:.4f}, "
            f"missed {at[RULES.p1].acceptable:.4f}"
        )
    page = page_false_alarm(RULES.p0, 200, p0=RULES.p0, p1=RULES.p1, threshold=4.0)
    yield f"  Page's chart, threshold 4, 200 cases: {page:.4f}"
    yield "Rows a year that are false, whole table, 10,000 simulated years that alpha has not seen"
    for size in SIZES:
        yield from _table_lines(size)


def _table_lines(size: Size) -> Iterator[str]:
    alpha = alpha_of(size)
    found = quiet(size, years=10_000, seed=2).rows(alpha)
    yield (
        f"  {size.patients} patients, {size.sites} sites, {size.inserters} inserters: alpha "
        f"{alpha:g}, {found.total:.3f} rows ({found.low:.3f} to {found.high:.3f})"
    )
    for row in found.table.itertuples():
        yield f"    {row.subject.removeprefix('Series ')}: {row.rows_a_year:.4f}"
    for times in (0.5, 1.5, 2.0):
        other = quiet(size, years=4_000, seed=3, times=times).rows(alpha)
        yield f"    all true levels {times:g} times those assumed: {other.total:.3f} rows"
    for one in clinic(size):
        assert one.reference is not None
        level = seen_level(one, alpha)
        told = "no level" if level is None else f"{level:.3g}"
        lasting = lasting_level(one, alpha)
        year = "no level" if lasting is None else f"{lasting:.3g}"
        yield (
            f"    {one.key} at {one.reference.estimate:.3g} shows with 80 % probability: a quarter "
            f"from {told}, twelve months from {year}"
        )
