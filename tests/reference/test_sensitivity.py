"""E-values, regression to the mean and power against printed and closed-form values.

VanderWeele and Ding (Ann Intern Med 2017;167:268-274) and Ding and VanderWeele (2016); Davis
(1976), Oldham (1962), Galton (1886); R `power.t.test` and `power.prop.test`.
"""

import functools

import pytest

from outcomes.statistics.power import (
    detectable_difference,
    paired_power,
    people_per_group,
    people_per_group_for_shares,
)
from outcomes.statistics.regression_to_mean import (
    expected_fall,
    oldham_correlation,
    within_person,
)
from outcomes.statistics.sensitivity import (
    as_risk_ratio,
    bias_factor,
    e_value,
    e_value_of_difference,
    e_value_of_interval,
)
from tests.reference.comparison_rows import data, expect, ids_of


@functools.cache
def e_values() -> dict[str, float]:
    hazard = as_risk_ratio(0.56, measure="hazard ratio", common=True)
    odds = as_risk_ratio(0.86, measure="odds ratio", common=True)
    odds_low = as_risk_ratio(0.75, measure="odds ratio", common=True)
    odds_high = as_risk_ratio(0.99, measure="odds ratio", common=True)
    difference = e_value_of_difference(-0.42, 0.14, standard_deviation=1.0)
    return {
        "EV-rr3.9": e_value(3.9),
        "EV-rr3.9-lo": e_value_of_interval(1.8, 8.7),
        "EV-rr0.8-ci": e_value_of_interval(0.71, 0.91),
        "EV-rr10.73-lo": e_value_of_interval(8.02, 14.36),
        "EV-cross": e_value_of_interval(0.9, 1.2),
        "EV-hr0.56": e_value(hazard),
        "EV-or0.86": e_value(odds),
        "EV-or0.86-ci": e_value_of_interval(odds_low, odds_high),
        "EV-smd": difference[0],
        "EV-smd-ci": difference[1],
        "EV-true": e_value(2.5, true_ratio=1.5),
        "EV-bound": bias_factor(2, 3),
    }


@functools.cache
def falls() -> dict[str, float]:
    heights = data("galton")
    pairs = within_person(heights, first="parent", second="child")
    tall = heights.loc[heights["parent"] >= 70, "parent"].mean()
    chosen = {"mean": 62, "sd": 10, "correlation": 0.7, "threshold": 70}
    control = data("anorexia").query("Treat == 'Cont'")
    return {
        "RTM-slope": pairs.slope,
        "RTM-r": pairs.correlation,
        "RTM-sel-first": tall - heights["parent"].mean(),
        "RTM-davis": expected_fall(**chosen),
        "RTM-davis-k2": expected_fall(**chosen, n_baselines=2),
        "RTM-oldham": oldham_correlation(control, before="Prewt", after="Postwt"),
    }


@functools.cache
def powers() -> dict[str, float]:
    return {
        "PWR-n": people_per_group(4, sd=11, power=0.9),
        "PWR-mdd": detectable_difference(150, 150, sd=11),
        "PWR-paired": paired_power(40, difference=3, sd=8),
        "PWR-prop": people_per_group_for_shares(0.45, 0.60),
        "PWR-mdd-unequal": detectable_difference(120, 300, sd=11),
        "PWR-ancova": detectable_difference(150, 150, sd=11, baseline_correlation=0.6),
    }


@pytest.mark.parametrize("check_id", ids_of("evalue"))
def test_e_values_agree_with_the_reference(check_id):
    expect(check_id, e_values()[check_id])


@pytest.mark.parametrize("check_id", ids_of("regression_to_mean"))
def test_regression_to_the_mean_agrees_with_the_reference(check_id):
    expect(check_id, falls()[check_id])


@pytest.mark.parametrize("check_id", ids_of("power"))
def test_power_agrees_with_the_reference(check_id):
    expect(check_id, powers()[check_id])
