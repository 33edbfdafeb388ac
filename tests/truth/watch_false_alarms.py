"""False alarms of every chart and of the whole table, at realistic volumes.

`python -m tests.truth.watch_false_alarms` prints the table that is committed beside it: rows a
year that are false for clinics of three sizes, and exact probabilities of each chart.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from outcomes.plan import Watch
from outcomes.statistics.control_charts import c_chart, false_alarms
from outcomes.statistics.funnel import funnel_false_alarm
from outcomes.statistics.reference_tails import Kind, tail_beside
from outcomes.statistics.run_rules import run_false_alarm
from outcomes.statistics.sequential_charts import learning_curve_odds, page_false_alarm
from outcomes.watch.false_rows import FalseRows, false_rows
from outcomes.watch.series import Series
from tests.watched_series import series

Floats = NDArray[np.float64]
RULES = Watch()
# Patients of a clinic, and what a month brings: procedures, years of wear, visits due.
VOLUMES = {60: 1.0, 300: 5.0, 1500: 25.0}
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


def clinic(volume: float) -> tuple[Series, ...]:
    """A year of reference and nine months since, without any change."""
    made = []
    for key, (kind, size, level) in MONTHLY.items():
        sizes = np.full(21, size * volume)
        events = np.round(level * sizes)
        gaps = [1.0] if key in RARE else None
        made.append(series(events, sizes, kind=kind, gaps=gaps, key=key))
    return tuple(made)


def looks(watched: tuple[Series, ...]) -> float:
    """As the programme counts them: months and quarters, or quarters and events."""
    total = 0.0
    for one in watched:
        assert one.reference is not None
        yearly = one.reference.estimate * one.yearly_sizes.sum()
        total += 16 if not one.rare else 4 + max(1.0, yearly)
    return total


def table_rows(volume: float, *, years: int, seed: int = 3) -> FalseRows:
    """Simulate the whole table of a clinic of this volume, inserters and sites apart."""
    watched = clinic(volume)
    alpha = RULES.false_rows_a_year * RULES.looks_share / looks(watched)
    rules = Watch(simulated_years=years)
    return false_rows(
        watched, (), (), alpha=alpha, rules=rules, rng=np.random.default_rng(seed)
    )  # fmt: skip


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
    yield "Rows a year that are false, whole table, 10,000 simulated years"
    for patients, volume in VOLUMES.items():
        found = table_rows(volume, years=10_000)
        yield f"  {patients} patients: {found.total:.3f} ({found.low:.3f} to {found.high:.3f})"
        for row in found.table.itertuples():
            yield f"    {row.subject}: {row.rows_a_year:.4f}"


if __name__ == "__main__":
    print("\n".join(lines()))
