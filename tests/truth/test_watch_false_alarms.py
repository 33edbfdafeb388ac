"""False alarms of the watch: exact bars, set before the run; the table is beside the module.

Every look at a count: at most its alpha, whatever the true level. The whole table: at most one
row a programme-year.
"""

import numpy as np
import pytest

from outcomes.plan import Watch
from outcomes.statistics.reference_tails import Reference, upper_tail
from outcomes.statistics.run_rules import run_false_alarm
from outcomes.statistics.sequential_charts import learning_curve, learning_curve_odds
from outcomes.watch.false_rows import quiet_years
from outcomes.watch.rules import series_signals
from tests.truth.watch_false_alarms import (
    RULES,
    SIZES,
    Size,
    alpha_of,
    conditional_false_alarm,
    quiet,
)
from tests.watched_series import series


@pytest.mark.parametrize("kind", ["rate", "share"])
@pytest.mark.parametrize("level", [0.02, 0.1, 0.4])
def test_a_limit_beside_a_period_keeps_its_alpha_at_every_level(kind: str, level: float) -> None:
    for size, ratio in ((12, 12), (40, 4)):
        found = conditional_false_alarm(kind, level, size, ratio, 0.01)
        assert 0 <= found <= 0.01


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size.patients} patients")
def test_the_whole_table_has_at_most_one_false_row_a_year(size: Size) -> None:
    alpha = alpha_of(size, years=1000)
    found = quiet(size, years=1000, seed=5).rows(alpha)
    assert found.high <= 1.0


@pytest.mark.parametrize("size", SIZES[:3], ids=lambda size: f"{size.patients} patients")
def test_the_allowance_is_used_and_not_left_lying(size: Size) -> None:
    alpha = alpha_of(size, years=1000)
    assert alpha == 0.05 or quiet(size, years=1000, seed=5).rows(alpha).total > 0.7


@pytest.mark.parametrize("size", SIZES[:2], ids=lambda size: f"{size.patients} patients")
def test_levels_all_twice_as_high_as_thought_hardly_exceed_the_allowance(size: Size) -> None:
    # Limits hold at every level; only their discreteness, which the allowance counts on, does not.
    alpha = alpha_of(size, years=1000)
    assert quiet(size, years=1000, seed=5, times=2.0).rows(alpha).total <= 1.1


def test_a_worse_programme_makes_more_rows_than_an_unchanged_one() -> None:
    # A bar that no rule can fail would be no bar: doubled losses must be seen often.
    reference = Reference(kind="rate", events=300, size=50)
    rng = np.random.default_rng(1)
    tails = upper_tail(rng.poisson(2 * 6 * 12.5, 500), 12.5, reference)
    assert (tails <= 0.004).mean() > 0.99


def test_gaps_between_rare_events_keep_their_alpha() -> None:
    rng = np.random.default_rng(2)
    base = rng.poisson(4.0, 40_000)
    size = rng.gamma(RULES.gaps_together, 1 / 4.0, 40_000)
    tails = np.empty(len(base))
    for events in np.unique(base):
        mine = base == events
        reference = Reference(kind="rate", events=float(events), size=1.0)
        tails[mine] = upper_tail(np.full(mine.sum(), 3.0), size[mine], reference)
    for alpha in (0.05, 0.01, 0.004):
        assert (tails <= alpha).mean() <= alpha + 3 * (alpha / 40_000) ** 0.5


def test_runs_about_the_median_are_as_rare_as_their_formula_says() -> None:
    rng = np.random.default_rng(3)
    drawn = rng.random((40_000, 24)) > 0.5
    run = np.zeros(len(drawn), int)
    seen = np.zeros(len(drawn), bool)
    for month in range(24):
        same = drawn[:, month] == (drawn[:, month - 1] if month else drawn[:, month])
        run = np.where(same & (month > 0), run + 1, 1)
        seen |= run >= RULES.run_length
    assert seen.mean() == pytest.approx(run_false_alarm(24), abs=0.005)


@pytest.mark.parametrize("rate", [RULES.p0, RULES.p1])
def test_the_sequential_chart_errs_as_often_as_its_exact_odds_say(rate: float) -> None:
    given = dict(p0=RULES.p0, p1=RULES.p1, alpha=RULES.alpha, beta=RULES.beta)
    odds = learning_curve_odds(rate, 120, **given)
    rng = np.random.default_rng(4)
    made = [learning_curve(rng.random(120) < rate, **given).decision for _ in range(3000)]
    assert made.count("unacceptable") / 3000 == pytest.approx(odds.unacceptable, abs=0.03)
    assert made.count("acceptable") / 3000 == pytest.approx(odds.acceptable, abs=0.03)


def test_the_sequential_charts_errors_are_at_most_those_of_the_plan() -> None:
    # Wald's limits are approximate; over any number of cases they must not err more often.
    plan = Watch()
    given = dict(p0=plan.p0, p1=plan.p1, alpha=plan.alpha, beta=plan.beta)
    assert learning_curve_odds(plan.p0, 400, **given).unacceptable <= plan.alpha
    assert learning_curve_odds(plan.p1, 400, **given).acceptable <= plan.beta


@pytest.mark.parametrize(("kind", "size"), [("rate", 10.0), ("share", 40.0)])
def test_the_simulation_counts_the_rows_that_the_rules_make(kind: str, size: float) -> None:
    # The simulation has code of its own, for speed: here the report's rules judge drawn years.
    years, alpha, events = 120, 0.05, round(0.4 * 12 * size)
    known = series([events, *[0] * 20], [size] * 21, kind=kind)
    rng = np.random.default_rng(11)
    rows = 0
    for _ in range(years):
        spread = (events + 0.5, 12 * size - events + 0.5)
        level = rng.gamma(spread[0], 1 / (12 * size)) if kind == "rate" else rng.beta(*spread)
        counts = rng.poisson(level * size, 24) if kind == "rate" else rng.binomial(size, level, 24)
        for quarter in range(4):
            end = 15 + 3 * quarter
            one = series(counts[:end], [size] * end, kind=kind)
            rows += len(series_signals(one, alpha, RULES))
    found = quiet_years(
        (known,), (), (), rules=Watch(simulated_years=20_000), rng=np.random.default_rng(12)
    ).rows(alpha)
    assert found.total > 0.2
    assert rows / years == pytest.approx(found.total, abs=3.5 * (found.total / years) ** 0.5)
