"""Every reference row of the comparison methods is checked somewhere, or named as not offered."""

import pytest

from tests.reference import (
    test_adjusted_means,
    test_ancova,
    test_fractional_logit,
    test_marginal_models,
    test_missing_data,
    test_natural_splines,
    test_paired_change,
    test_personal_lines,
    test_repeated_measures,
    test_responders,
    test_segmented,
    test_sensitivity,
    test_weighting,
)
from tests.reference.comparison_rows import ids_of, reference_rows

CHECKED_BY = {
    "paired_change": [test_paired_change.values],
    "ancova": [test_ancova.plain_values],
    "ancova_cluster": [test_ancova.clustered_values],
    "adjusted_means": [
        test_adjusted_means.linear_values,
        test_adjusted_means.standardised_values,
    ],
    "mmrm": [test_repeated_measures.values],
    "mmrm_missing": [test_repeated_measures.values],
    "mixed_model": [test_personal_lines.sleep_values, test_personal_lines.other_values],
    "small_sample_df": [test_personal_lines.sleep_values, test_personal_lines.other_values],
    "gee": [test_marginal_models.weights_of_pigs, test_marginal_models.respiratory],
    "gee_small_sample": [test_marginal_models.weights_of_pigs, test_marginal_models.respiratory],
    "bounded_percent": [test_fractional_logit.values],
    "cluster_resampling": [test_fractional_logit.values],
    "splines": [test_natural_splines.values],
    "multiple_imputation": [test_missing_data.pooled_values],
    "inverse_missing": [test_missing_data.weighted_values],
    "regression_to_mean": [test_sensitivity.falls],
    "power": [test_sensitivity.powers],
    "evalue": [test_sensitivity.e_values],
    "responder_difference": [test_responders.values],
    "propensity": [test_weighting.score_values],
    "balance": [test_weighting.balance_values],
    "weighted_effect": [test_weighting.effect_values],
    "doubly_robust": [test_weighting.robust_values],
    "interrupted_series": [test_segmented.series_values, test_segmented.switch_values],
}
# Checked by the tests of agreement.
ELSEWHERE = {"agreement"}
NOT_OFFERED = (
    test_repeated_measures.NOT_OFFERED
    | test_personal_lines.NOT_OFFERED
    | test_fractional_logit.NOT_OFFERED
    | test_responders.NOT_OFFERED
    | test_weighting.NOT_OFFERED
)


def test_every_topic_has_a_test():
    assert set(reference_rows()["topic"]) - ELSEWHERE == set(CHECKED_BY)


@pytest.mark.parametrize("topic", CHECKED_BY)
def test_every_row_is_checked_or_named_as_not_offered(topic):
    checked = {name for values in CHECKED_BY[topic] for name in values()}
    left = [i for i in ids_of(topic) if i not in checked and i not in NOT_OFFERED]
    assert left == []


def test_what_is_not_offered_exists_and_has_a_reason():
    assert set(NOT_OFFERED) <= set(reference_rows().index)
    assert all(len(reason) > 20 for reason in NOT_OFFERED.values())
