"""What the repeated-measures model says when the data cannot bear it."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import EstimationError
from outcomes.statistics.repeated_measures import repeated_measures
from outcomes.statistics.visit_means import visit_means

CASES = Path(__file__).parents[1] / "data" / "cases"


def case(name: str) -> pd.DataFrame:
    return pd.read_csv(CASES / f"{name}.csv", dtype={"patient_id": str})


def fitted(visits: pd.DataFrame):
    visits = visits.assign(constant=1.0, time=visits["visit"].astype(float))
    roles = {"subject": "patient_id", "visit": "visit", "outcome": "hba1c"}
    return repeated_measures(visits, design=["constant", "time"], **roles)


def made_up(n: int = 60, seed: int = 4) -> pd.DataFrame:
    """People by three visits with a baseline, two groups, one visit in six missing."""
    rng = np.random.default_rng(seed)
    people = pd.DataFrame(
        {"who": np.arange(n), "arm": np.where(np.arange(n) % 2, "b", "a")}
    ).assign(start=rng.normal(8, 1, n), level=rng.normal(0, 0.7, n))
    visits = people.merge(pd.DataFrame({"month": [3, 6, 12]}), how="cross")
    noise = rng.normal(0, 0.5, len(visits))
    visits["value"] = visits["start"] * 0.7 + 2 + visits["level"] + noise
    visits.loc[rng.random(len(visits)) < 1 / 6, "value"] = np.nan
    return visits


ROLES = {"subject": "who", "visit": "month", "outcome": "value", "baseline": "start"}


def test_lost_rows_are_counted_with_their_reasons():
    fit = fitted(case("visits_with_a_blank_value_and_a_blank_id"))
    sentence = "10 of 12 rows used (1 without patient_id, 1 without hba1c)"
    assert (fit.rows.sentence, fit.n_subjects) == (sentence, 4)


def test_one_visit_each_names_the_simpler_model():
    visits = case("one_visit_each").assign(visit=[0, 1, 0, 1])
    fit = fitted(visits)
    assert fit.structure == "independence"
    assert "dependence within a person is not estimable" in fit.notes[0]
    line = np.polyfit(visits["visit"], visits["hba1c"], 1)
    assert fit.coefficients.to_numpy() == pytest.approx(line[::-1])


def test_too_few_people_fall_back_by_the_stated_rule():
    fit = fitted(case("visits_sorted"))
    assert fit.structure != "unstructured"
    assert "only 4 subjects were seen at some pair of visits" in fit.notes[0]


def test_row_order_does_not_matter():
    one, other = (fitted(case(name)) for name in ("visits_sorted", "visits_shuffled"))
    assert one.coefficients.to_numpy() == pytest.approx(other.coefficients.to_numpy(), abs=1e-8)
    assert one.contrast({"time": 1.0}) == pytest.approx(other.contrast({"time": 1.0}), abs=1e-8)


def test_a_repeated_visit_is_refused():
    visits = case("visits_sorted")
    with pytest.raises(EstimationError, match="1 rows repeat a patient_id and visit"):
        fitted(pd.concat([visits, visits.head(1)]))


def test_a_column_that_says_the_same_twice_is_refused_by_name():
    visits = case("visits_sorted").assign(constant=1.0, again=2.0)
    roles = {"subject": "patient_id", "visit": "visit", "outcome": "hba1c"}
    with pytest.raises(EstimationError, match="cannot tell again"):
        repeated_measures(visits, design=["constant", "again"], **roles)


def test_an_exact_fit_is_refused_in_words():
    visits = case("visits_sorted").assign(hba1c=7.0)
    with pytest.raises(EstimationError, match="no error is left to estimate"):
        fitted(visits)


def test_the_difference_at_a_visit_is_that_of_the_means_at_one_baseline():
    result = visit_means(made_up(), group="arm", reference="a", **ROLES)
    assert list(result.differences["visit"]) == [3, 6, 12]
    slope = result.model.coefficients["visit[6]:baseline"]
    means = result.means.query("visit == 6").set_index("group")["estimate"]
    start = made_up().drop_duplicates("who").groupby("arm")["start"].mean()
    gap = means["b"] - means["a"] - slope * (start["b"] - start["a"])
    assert result.differences.set_index("visit").loc[6, "estimate"] == pytest.approx(gap)


def test_the_change_is_the_mean_less_the_groups_own_baseline():
    result = visit_means(made_up(), group="arm", reference="a", **ROLES)
    start = made_up().drop_duplicates("who").groupby("arm")["start"].mean()
    gap = result.means["estimate"] - result.changes["estimate"]
    assert gap.to_numpy() == pytest.approx(result.means["group"].map(start).to_numpy())
    assert result.changes["n"].lt(result.changes["n_given"]).any()


def test_a_small_cell_is_described_and_the_others_estimated():
    visits = made_up()
    late = visits["arm"].eq("b") & visits["month"].eq(12) & visits["who"].gt(15)
    result = visit_means(visits[~late], group="arm", reference="a", **ROLES)
    small = result.differences.set_index("visit").loc[12]
    assert np.isnan(small["estimate"])
    assert small["note"].startswith("Fewer than 10")
    assert result.differences.set_index("visit").loc[3, "note"] is None


def test_tiny_groups_get_words_only():
    result = visit_means(made_up(n=12), group="arm", reference="a", **ROLES)
    assert result.model is None
    assert result.means["estimate"].isna().all()
    assert result.means["note"].notna().all()


def test_single_valued_covariates_are_left_out_with_a_note():
    plain = visit_means(made_up(), group="arm", reference="a", **ROLES)
    visits = made_up().assign(site="one")
    result = visit_means(visits, group="arm", reference="a", covariates=["site"], **ROLES)
    assert "site takes a single value" in result.notes[0]
    assert result.differences["estimate"].equals(plain.differences["estimate"])


def test_a_person_in_both_groups_is_one_cluster():
    visits = made_up().assign(person=lambda d: d["who"] // 2)
    result = visit_means(visits, group="arm", reference="a", cluster="person", **ROLES)
    assert result.model.n_clusters == 30
    assert result.model.n_subjects == 60
    assert result.differences["df"].lt(30).all()


def test_a_baseline_that_explains_nearly_everything_does_not_stop_the_search():
    visits = made_up().assign(value=lambda d: d["start"] + 0.001 * (d["value"] - d["start"]))
    result = visit_means(visits, group="arm", reference="a", **ROLES)
    assert result.model.structure == "unstructured"
    plain = visit_means(made_up(), group="arm", reference="a", **ROLES)
    want = 0.001 * plain.differences["std_error"].to_numpy()
    assert result.differences["std_error"].to_numpy() == pytest.approx(want, rel=1e-6)


def test_values_that_never_change_within_a_person_are_refused_in_words():
    visits = made_up().assign(value=lambda d: d["level"])
    with pytest.raises(EstimationError, match="No covariance structure fits 60 subjects"):
        visit_means(visits, group="arm", reference="a", **ROLES)


def test_a_change_with_nobody_missing_has_the_error_of_the_paired_change_of_its_group():
    # Groups of unlike spread, baselines that differ between people: neither is averaged away.
    rng = np.random.default_rng(5)
    people = pd.DataFrame({"who": range(160), "arm": np.repeat(["a", "b"], 80)})
    people["start"] = rng.normal(8, 1, 160)
    visits = people.merge(pd.DataFrame({"month": [3, 6]}), how="cross")
    spread = np.where(visits["arm"] == "b", 0.8, 0.3)
    visits["value"] = 5 + 0.4 * visits["start"] + spread * rng.normal(size=320)
    result = visit_means(visits, group="arm", reference="a", **ROLES).changes
    moved = visits.assign(change=visits["value"] - visits["start"]).groupby(["month", "arm"])
    paired = moved["change"].sem().to_numpy()
    assert result["std_error"].to_numpy() == pytest.approx(paired, rel=0.03)
    assert result["df"].between(75, 160).all()


def test_a_change_counts_the_people_as_a_sample():
    # The outcome follows the baseline exactly but for little noise: what is left is who was drawn.
    visits = made_up().assign(value=lambda d: 6 + 0.2 * d["start"] + 0.01 * d["value"])
    result = visit_means(visits, group="arm", reference="a", **ROLES).changes
    starts = made_up().drop_duplicates("who").groupby("arm")["start"].sem()
    assert result["std_error"].to_numpy() == pytest.approx(
        0.8 * result["group"].map(starts).to_numpy(), rel=0.05
    )
