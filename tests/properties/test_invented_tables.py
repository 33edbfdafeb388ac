"""Tables without readings give their own stated truth back, by counting alone."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from synthetic.tables_only import (
    COHORTS,
    LOSSES,
    MONTHS,
    Setting,
    Tables,
    tables,
    true_effects,
    true_first_rate,
    true_incidence,
    true_levels,
    true_shares_seen,
)

MANY = Setting(patients=30_000, leaving=-20.0, leaving_hba1c=0.0)  # nobody leaves


@pytest.fixture(scope="module")
def many() -> Tables:
    return tables(MANY, np.random.default_rng(9))


def joined_changes(many: Tables, month: int) -> pd.DataFrame:
    visits = many.visits.query(f"month == {month}")
    return visits.merge(many.patients.drop(columns="cohort"), on="patient_id")


def counted_incidence(sensors: pd.DataFrame, at: int) -> float:
    """Aalen-Johansen by a loop over days, with late entry: slow, and apart from the estimators."""
    alive, lost = 1.0, 0.0
    for day in range(at + 1):
        at_risk = ((sensors["entry"] < day) & (sensors["exit"] >= day)).sum()
        here = sensors.loc[sensors["exit"] == day, "end"]
        ended, losses = (~here.isin(["censored", "reached"])).sum(), here.isin(LOSSES).sum()
        if at_risk:
            lost += alive * losses / at_risk
            alive *= 1 - ended / at_risk
    return lost


@pytest.mark.parametrize("month", MONTHS)
def test_changes_within_cohorts_are_the_true_ones(many: Tables, month: int) -> None:
    truth = true_effects(MANY, month=month, draws=200_000)
    for cohort in COHORTS:
        change = joined_changes(many, month).query(f"cohort == '{cohort}'")["change"]
        error = np.hypot(change.std() / np.sqrt(len(change)), truth[f"change {cohort}"].error)
        assert abs(change.mean() - truth[f"change {cohort}"].value) < 4 * error


def test_weighting_by_the_true_propensity_gives_the_overlap_effect(many: Tables) -> None:
    rows = joined_changes(many, 6)
    implanted, e = rows["cohort"] == "implanted", rows["propensity"]
    weight = np.where(implanted, 1 - e, e)
    means = [
        np.average(rows["change"][arm], weights=weight[arm]) for arm in (implanted, ~implanted)
    ]
    truth = true_effects(MANY, draws=200_000)
    assert means[0] - means[1] == pytest.approx(truth["overlap"].value, abs=0.03)


def test_without_weighting_the_difference_is_the_crude_one(many: Tables) -> None:
    means = joined_changes(many, 6).groupby("cohort")["change"].mean()
    truth = true_effects(MANY, draws=200_000)
    assert means["implanted"] - means["adhesive"] == pytest.approx(truth["crude"].value, abs=0.03)
    assert truth["confounding"].value < -0.08


def test_an_unmeasured_trait_is_left_over_after_weighting() -> None:
    hidden = Setting(patients=30_000, unmeasured=0.8, leaving=-20.0, leaving_hba1c=0.0)
    truth = true_effects(hidden, draws=200_000)
    assert truth["confounding"].value < true_effects(MANY, draws=200_000)["confounding"].value - 0.1


@pytest.mark.parametrize("model", ["IG-1", "AP-14"])
def test_counted_incidence_is_the_closed_form(model: str) -> None:
    setting = Setting(patients=12_000, model=model)
    sensors = tables(setting, np.random.default_rng(2)).sensors
    truth = true_incidence(setting).set_index("day")["lost"]
    for at in (truth.index[-1] // 2, truth.index[-1]):
        assert counted_incidence(sensors, at) == pytest.approx(truth[at], abs=0.012)


def test_a_bad_lot_loses_more() -> None:
    setting = Setting(lot_ratio=2.0)
    good, bad = (true_incidence(setting, lot=lot)["lost"].iloc[-1] for lot in "AB")
    both = true_incidence(setting)["lost"].iloc[-1]
    assert good < both < bad
    assert both == pytest.approx((good + bad) / 2)


def test_shares_by_period_have_the_true_levels() -> None:
    setting = Setting(patients=40_000)
    periods = tables(setting, np.random.default_rng(3)).periods.query("period <= 1")
    found = periods.groupby(["cohort", "period"])["share"].mean()
    truth = true_levels(setting).set_index(["cohort", "period"])["share"]
    for place in found.index:  # later periods miss the low ones, who leave more often
        assert found[place] == pytest.approx(truth[place], abs=0.006)


def test_the_low_leave_more_often() -> None:
    setting = Setting(patients=20_000)
    periods = tables(setting, np.random.default_rng(4)).periods.query("period == 13")
    truth = true_levels(setting).query("period == 13").set_index("cohort")["share"]
    seen = periods.groupby("cohort")["share"].mean()
    assert (seen > truth[seen.index] + 0.003).all()


def test_harm_has_the_true_rates(many: Tables) -> None:
    sums = many.harm.groupby("cohort")[["events", "years", "procedures", "procedure_events"]].sum()
    for place, cohort in enumerate(COHORTS):
        rate = sums.loc[cohort, "events"] / sums.loc[cohort, "years"]
        assert rate == pytest.approx(MANY.harm_rate[place], rel=0.06)
    share = sums.loc["implanted", "procedure_events"] / sums.loc["implanted", "procedures"]
    assert share == pytest.approx(MANY.procedure_harm, rel=0.06)


def test_the_same_stream_gives_the_same_tables() -> None:
    one, two = (tables(Setting(patients=40), np.random.default_rng(7)) for _ in range(2))
    for name in ("patients", "visits", "sensors", "periods", "harm"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(two, name))


def test_a_table_drawn_alone_is_the_one_drawn_with_the_others() -> None:
    whole = tables(Setting(patients=40), np.random.default_rng(7))
    alone = tables(Setting(patients=40), np.random.default_rng(7), only=("harm",))
    pd.testing.assert_frame_equal(alone.harm, whole.harm)
    assert alone.visits.empty


def test_first_events_have_the_true_rate(many: Tables) -> None:
    until = many.harm.assign(until=many.harm["first"].fillna(many.harm["years"]))
    for cohort, rows in until.groupby("cohort"):
        events, truth = rows["first"].notna().sum(), true_first_rate(MANY, str(cohort))
        assert abs(events / rows["until"].sum() / truth - 1) < 4 / np.sqrt(events)
        assert (rows["first"].notna() == (rows["events"] > 0)).all()


def test_levels_of_those_seen_begin_with_everybodys() -> None:
    everybody = true_levels(Setting()).set_index(["cohort", "period"])["share"]
    seen = true_shares_seen(Setting(), draws=200_000, end=0)
    for cohort in COHORTS:
        true = seen[f"level {cohort}"]
        assert abs(true.value - everybody[cohort, 0]) < 4 * true.error
