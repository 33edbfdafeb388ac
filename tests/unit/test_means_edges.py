"""Changes and adjusted differences where there is little, or nothing, to estimate."""

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import EstimationError
from outcomes.statistics.balance import balance
from outcomes.statistics.change import ancova, paired_change, welch_difference
from outcomes.statistics.cluster_sandwich import cluster_sandwich
from outcomes.statistics.design import covariate_columns
from outcomes.statistics.least_squares import least_squares

ROLES = {"outcome": "after", "baseline": "before", "group": "arm", "reference": "a"}


def people(n: int = 40, seed: int = 8) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    out = pd.DataFrame({"arm": np.where(np.arange(n) % 2, "b", "a")})
    out["before"] = rng.normal(8, 1, n)
    return out.assign(after=out["before"] - 0.5 + rng.normal(0, 0.6, n))


def test_no_pair_and_one_pair_are_said_in_words():
    none = pd.DataFrame({"before": [1.0, None], "after": [None, 2.0]})
    one = pd.DataFrame({"before": [1.0, None], "after": [3.0, 2.0]})
    roles = {"before": "before", "after": "after"}
    assert paired_change(none, **roles).note == "No one has both values."
    assert paired_change(one, **roles).mean == 2.0
    assert paired_change(one, **roles).conf_low is None


def test_equal_changes_have_an_interval_and_no_p_value():
    change = paired_change(
        pd.DataFrame({"before": [1.0, 2.0], "after": [2.0, 3.0]}), before="before", after="after"
    )
    assert (change.conf_low, change.conf_high, change.p_value) == (1.0, 1.0, None)


def test_nullable_columns_with_gaps_are_accepted():
    frame = pd.DataFrame({"before": [7.0, 8.0, None], "after": [6.0, 8.5, 7.0]}).convert_dtypes()
    assert paired_change(frame, before="before", after="after").n == 2


def test_an_unknown_column_offers_the_known_ones():
    with pytest.raises(EstimationError, match="Did you mean 'before'"):
        paired_change(people(), before="befor", after="after")


def test_infinite_values_are_refused():
    with pytest.raises(EstimationError, match="infinite"):
        paired_change(people().assign(after=np.inf), before="before", after="after")


def test_a_single_person_has_no_welch_interval():
    frame = pd.DataFrame({"arm": ["a", "a", "b"], "y": [1.0, 2.0, 5.0]})
    row = welch_difference(frame, outcome="y", group="arm", reference="a").iloc[0]
    assert row["estimate"] == 3.5
    assert row["note"] == "Fewer than two in a group: no interval."


def test_under_ten_in_a_group_is_described_only():
    result = ancova(people(18), **ROLES)
    assert result.model is None
    assert result.differences["estimate"].isna().all()
    assert result.differences["note"].str.contains("described, not estimated").all()
    assert list(result.description["n"]) == [9, 9]


def test_small_groups_get_bell_mccaffrey_df_and_large_ones_hc3():
    small, large = ancova(people(40), **ROLES), ancova(people(120), **ROLES)
    assert (small.covariance, large.covariance) == ("CR2", "HC3")
    assert small.differences.loc[0, "df"] < 38
    assert large.differences.loc[0, "df"] == 117


def test_clusters_always_mean_cr2():
    frame = people().assign(person=lambda d: d.index // 2)
    assert ancova(frame, cluster="person", **ROLES).covariance == "CR2"
    with pytest.raises(EstimationError, match="With clusters the errors are CR2"):
        ancova(frame, cluster="person", covariance="HC3", **ROLES)


def test_lost_rows_keep_clusters_aligned():
    frame = people().assign(person=lambda d: (d.index // 2).astype(float))
    frame.loc[3, "after"], frame.loc[5, "person"] = np.nan, np.nan
    result = ancova(frame, cluster="person", **ROLES)
    whole = ancova(frame.dropna().reset_index(drop=True), cluster="person", **ROLES)
    assert result.rows.sentence == "38 of 40 rows used (1 without after, 1 without person)"
    pd.testing.assert_frame_equal(result.differences, whole.differences)


def test_a_row_that_alone_fixes_a_coefficient_is_named():
    design = pd.DataFrame({"constant": 1.0, "alone": [1.0, 0, 0, 0, 0]})
    with pytest.raises(EstimationError, match="1 rows alone determine"):
        least_squares(design, np.arange(5.0))
    assert least_squares(design, np.arange(5.0) ** 2, kind="CR2").covariance.shape == (2, 2)


def test_a_contrast_that_one_cluster_determines_has_no_df():
    design = pd.DataFrame({"constant": 1.0, "alone": [1.0, 1.0, 0, 0, 0, 0]}).to_numpy()
    found = cluster_sandwich(design, np.array([1.0, -1, 0.5, -0.5, 1, -1]), [1, 1, 2, 2, 3, 3])
    assert found.degrees_of_freedom([1.0, 0.0]) == pytest.approx(1.0)


def test_dates_as_covariates_are_refused():
    frame = people().assign(on=pd.Timestamp("2024-01-01"))
    with pytest.raises(EstimationError, match="is a date"):
        covariate_columns(frame, ["on"])


def test_balance_keeps_every_level_and_the_missing_ones():
    frame = people().assign(site=["n", "s", None, "n"] * 10, flat=1.0)
    table = balance(frame, group="arm", reference="a", covariates=["before", "site", "flat"])
    assert list(table["level"].dropna()) == ["n", "s", "(missing)"]
    flat = table.set_index("covariate").loc["flat"]
    assert flat["smd"] is None or np.isnan(flat["smd"])
    assert flat["note"] == "No spread: no standardised difference."


def test_weighting_cannot_change_the_yardstick():
    frame = people().assign(weight=lambda d: 1 + (d["before"] > 8))
    table = balance(frame, group="arm", reference="a", covariates=["before"], weights="weight")
    row = table.iloc[0]
    sd = (row["mean"] - row["mean_reference"]) / row["smd"]
    gap = row["weighted_mean"] - row["weighted_mean_reference"]
    assert row["weighted_smd"] == pytest.approx(gap / sd)


def test_small_sample_intervals_cover_where_normal_ones_do_not():
    """24 people, 6 in the smaller group, four rows each: 400 draws, nothing true."""
    rng = np.random.default_rng(20)
    person = np.repeat(np.arange(24), 4)
    design = pd.DataFrame({"constant": 1.0, "arm": (person < 6).astype(float)})
    t, z = 0, 0
    for _ in range(400):
        y = rng.normal(0, 1, 24)[person] + rng.normal(0, 1, 96)
        fit = least_squares(design, y, kind="CR2", clusters=person).contrast({"arm": 1.0})
        plain = least_squares(design, y, kind="CR0", clusters=person).contrast({"arm": 1.0})
        t += fit["conf_low"] <= 0 <= fit["conf_high"]
        z += abs(plain["estimate"]) <= 1.96 * plain["std_error"]
    # Two binomial standard errors at 400 draws are .022.
    assert 0.928 <= t / 400 <= 0.98
    assert z / 400 < t / 400 - 0.02
