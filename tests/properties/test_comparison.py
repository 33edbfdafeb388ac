"""What must always hold of a contrast of two arms that were not drawn by lot."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from outcomes.comparison.contrasts import contrast
from outcomes.comparison.doubt import bounded
from outcomes.comparison.people import Compared, model_columns
from outcomes.comparison.trial import SWITCH
from outcomes.comparison.weights import balance_result, overlap
from outcomes.plan import Comparison
from outcomes.statistics.bootstrap import patient_bootstrap
from outcomes.statistics.propensity import propensity_score
from synthetic.tables_only import Setting
from tests.truth.comparison_bench import entries

RULES = Comparison(covariates=("age_years", "sex", "diabetes_type", "baseline_hba1c"))


@cache
def arms(seed: int = 5, patients: int = 150) -> Compared:
    rows = entries(Setting(patients=patients), np.random.default_rng(seed))
    return compared_of(rows)


def compared_of(rows, rules=RULES):
    rows, covariates, notes = model_columns(rows, list(rules.covariates), rules, outcome="change")
    return Compared(
        trial=SWITCH, month=6, rows=rows, covariates=covariates, left_out={}, notes=notes
    )


def estimate(found: Compared, **options) -> float:
    return contrast(found, outcome="change", rules=RULES, **options).estimate


@pytest.mark.parametrize("target", ["overlap", "everyone", "matching"])
def test_swapping_the_arms_negates_the_difference(target):
    found = arms()
    other = found.rows["arm"].map({"implanted": "adhesive", "adhesive": "implanted"})
    swapped = replace(found, rows=found.rows.assign(arm=other))
    assert estimate(swapped, target=target) == pytest.approx(-estimate(found, target=target))


def test_a_constant_covariate_changes_nothing():
    found = arms()
    more = replace(found, rows=found.rows.assign(one=1.0), covariates=[*found.covariates, "one"])
    assert estimate(more) == pytest.approx(estimate(found), abs=1e-12)


def test_the_order_of_the_rows_changes_nothing():
    found = arms()
    shuffled = found.rows.sample(frac=1, random_state=3).reset_index(drop=True)
    assert estimate(replace(found, rows=shuffled)) == pytest.approx(estimate(found), abs=1e-9)


def test_a_constant_added_to_everybodys_outcome_changes_nothing():
    found = arms()
    moved = found.rows.assign(change=found.rows["change"] + 3.0)
    assert estimate(replace(found, rows=moved)) == pytest.approx(estimate(found), abs=1e-9)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_overlap_weights_balance_the_columns_of_the_score_exactly(seed):
    found = arms(seed)
    table = balance_result(found, overlap(found, RULES), RULES).table
    assert table["smd"].abs().max() > 0.1
    assert table["weighted_smd"].abs().max() < 1e-6


def test_refitting_inside_the_bootstrap_changes_the_interval():
    found = arms()
    seen = found.rows.dropna(subset=["change"]).reset_index(drop=True)
    found = replace(found, rows=seen)
    refitted = contrast(
        found, outcome="percent", rules=RULES, estimator="weighted", n_draws=400,
        rng=np.random.default_rng(1),
    )  # fmt: skip
    score = propensity_score(seen, group="arm", reference="adhesive", covariates=found.covariates)
    w, y, z = score.weights("overlap").to_numpy(), seen["percent"].to_numpy(), score.treated

    def as_if_known(counts):
        treated, others = (w * counts)[:, z], (w * counts)[:, ~z]
        means = (treated @ y[z] / treated.sum(axis=1), others @ y[~z] / others.sum(axis=1))
        return (means[0] - means[1])[:, None]

    units = seen["patient_id"].factorize()[0]
    fixed = patient_bootstrap(as_if_known, units=units, n_draws=400, rng=np.random.default_rng(1))
    low, high = fixed.interval()
    assert refitted.conf_high - refitted.conf_low < 0.8 * (high - low)


def test_a_patient_given_twice_is_one_patient():
    found = arms()
    twice = replace(found, rows=found.rows.loc[found.rows.index.repeat(2)].reset_index(drop=True))
    once = contrast(found, outcome="change", rules=RULES)
    both = contrast(twice, outcome="change", rules=RULES)
    assert both.n == once.n
    assert both.estimate == pytest.approx(once.estimate, abs=0.02)
    assert both.std_error == pytest.approx(once.std_error, rel=0.1)


def test_a_bound_widens_with_the_strength_and_is_the_interval_without_any():
    given = (-0.3, -0.5, -0.1)
    none = bounded(*given, effect=0.0, imbalance=0.5)
    some = bounded(*given, effect=0.2, imbalance=0.5)
    more = bounded(*given, effect=-0.4, imbalance=0.5)
    assert (none.conf_low, none.conf_high) == pytest.approx((-0.5, -0.1))
    assert (some.conf_low, some.conf_high) == pytest.approx((-0.6, 0.0))
    assert (more.conf_low, more.conf_high) == pytest.approx((-0.7, 0.1))
