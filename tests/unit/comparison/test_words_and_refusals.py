"""What a comparison may say, and when it says nothing: by the code, not by restraint."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from datetime import date
from functools import cache

import numpy as np
import pandas as pd
import pytest

import outcomes as oc
from outcomes.comparison.contrasts import contrast
from outcomes.comparison.effects import DESCRIPTION, PRIMARY
from outcomes.comparison.instrument import GAP, SHARE, column_of, instrument_result
from outcomes.comparison.weights import overlap
from outcomes.comparison.words import called, standing
from outcomes.errors import SettingsError, UsageError
from outcomes.plan import Comparison
from synthetic.tables_only import Setting
from tests.comparison_clinic import cohorts
from tests.properties.test_comparison import RULES, arms, compared_of
from tests.truth.comparison_bench import APART, entries

FAST = {"bootstrap_draws": 40}


@cache
def hba1c(patients: int = 240, **settings: object):
    """The comparison of a clinic of so many, once for all tests that only read it."""
    return oc.compare(cohorts(patients, **FAST, **settings))


def test_under_ten_in_an_arm_nothing_is_contrasted_whatever_is_asked():
    found = arms()
    few = found.rows[found.rows["arm"] == "implanted"].index[9:]
    small = replace(found, rows=found.rows.drop(index=few).reset_index(drop=True))
    for estimator in ("augmented", "weighted", "outcome model"):
        got = contrast(small, outcome="change", rules=RULES, estimator=estimator)
        assert got.estimate is None
        assert "fewer than 10 patients" in got.note


def test_patients_are_counted_not_their_entries():
    found = arms()
    nine = found.rows["patient_id"].isin(
        found.rows.loc[found.rows["arm"] == "implanted", "patient_id"].head(9)
    )
    rows = found.rows[nine | (found.rows["arm"] == "adhesive")]
    twice = pd.concat([rows, rows[rows["arm"] == "implanted"]], ignore_index=True)
    assert contrast(replace(found, rows=twice), outcome="change", rules=RULES).estimate is None


def test_a_small_clinic_is_described_with_its_numbers_in_the_finding():
    result = hba1c(40)
    shown = result.table[result.table["role"] == PRIMARY].iloc[0]
    assert pd.isna(shown["estimate"])
    assert "described, not contrasted (fewer than 10 patients" in result.finding
    assert result.table.loc[result.table["role"] == DESCRIPTION, "estimate"].notna().any()
    assert all(entry.note for entry in result.entries if entry.estimate is None)


def test_arms_that_hardly_overlap_are_refused_in_words():
    rows = entries(replace(APART, choice_hba1c=12.0, patients=60), np.random.default_rng(2))
    judged = overlap(compared_of(rows), RULES)
    assert judged.refusal.startswith("not contrasted: the arms hardly overlap")
    assert overlap(arms(), RULES).refusal is None


def test_more_columns_than_patients_allow_are_penalised_and_said():
    found = compared_of(entries(Setting(patients=30), np.random.default_rng(4)))
    assert any("straight line" in note for note in found.notes)
    judged = overlap(found, replace(RULES, fewest_overlapping=2, fewest_per_arm=2))
    columns = judged.score.columns.shape[1] - 1
    assert columns * 5 > found.smaller()
    assert judged.score.penalty == "firth"
    assert any("Firth's penalty" in note for note in judged.score.notes)


@pytest.mark.parametrize(("measured", "word"), [(False, "association"), (True, "effect")])
def test_the_word_follows_what_was_done(measured, word):
    result = hba1c(reasons_measured=measured)
    assert called(Comparison(reasons_measured=measured)) == word
    assert word in result.finding
    assert ("if every reason was measured" in result.finding) == measured


def test_the_absolute_difference_comes_first_with_interval_n_and_look():
    result = hba1c()
    row = result.table[result.table["role"] == PRIMARY].iloc[0]
    first = result.finding.index("points")
    assert result.finding.index(f"{abs(row['estimate']):.2f}") < first
    assert "mmol/mol" in result.finding
    assert f"n = {row['n_implanted']:.0f} implanted" in result.finding
    assert any("look 7" in note for note in result.footnotes)


def test_confirmatory_only_at_the_cut_offs_of_the_plan():
    named = cohorts(120, confirmatory_on=(date(2026, 9, 30),))
    other = cohorts(120, confirmatory_on=(date(2027, 9, 30),))
    assert standing(named).confirmatory
    assert not standing(other).confirmatory
    assert "exploratory" in standing(other).sentence
    assert (
        "confirmatory" in oc.compare(named).finding or "not contrasted" in oc.compare(named).finding
    )


def test_the_others_are_called_exploratory_and_counted():
    result = hba1c()
    others = result.table["role"].isin(["secondary", "sensitivity"])
    n = int((others & result.table["estimate"].notna()).sum())
    assert any(f"the other {n} on this table are exploratory" in note for note in result.footnotes)


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ({"outcome": "hba1c"}, "hba1c_change"),
        ({"weights": "overlapping"}, "overlap"),
        ({"at_month": 7}, "6"),
    ],
)
def test_an_unknown_name_answers_with_the_known_ones(asked, told):
    with pytest.raises(UsageError, match=told):
        oc.compare(cohorts(40), **asked)


def test_a_plan_that_names_what_is_not_there_is_refused():
    with pytest.raises(SettingsError, match=r"comparison\.covariates"):
        oc.compare(cohorts(40, covariates=("agee_years",)))
    doubted = hba1c(negative_control="baseline_hba1c")
    with pytest.raises(SettingsError, match="negative_control"):
        oc.doubts(doubted)


def test_missing_covariates_are_left_out_or_a_level_of_their_own_as_the_plan_says():
    out = hba1c()
    own = hba1c(missing_covariates="own level")
    gaps = out.found.left_out["without diabetes years"]
    assert gaps > 0
    assert len(own.found.rows) == len(out.found.rows) + gaps
    assert own.found.rows["diabetes_years_missing"].sum() == gaps


def test_between_kinds_a_year_is_contrasted_only_by_permission():
    made = cohorts(120)
    plain = oc.compare(made, "year").table
    contrasts = plain["cohort"].isna()
    assert plain.loc[contrasts, "estimate"].isna().all()
    assert plain.loc[contrasts, "note"].str.contains("equal solicitation").all()
    rules = replace(made.plan.complications, equal_solicitation=True)
    asked = replace(made, plan=replace(made.plan, complications=rules))
    allowed = oc.compare(asked, "year").table
    assert allowed.loc[allowed["cohort"].isna(), "estimate"].notna().all()
    rates = allowed.dropna(subset=["cohort", "estimate"])
    assert (rates["estimate"] >= 0).all()


def test_contacts_stand_beside_what_a_patient_lives_through():
    table = oc.compare(cohorts(120), "year").table
    contacts = table[(table["quantity"] == "contacts with the clinic") & table["cohort"].notna()]
    assert contacts["estimate"].between(2, 8).all()


def test_a_constant_of_the_sensor_moves_the_share_and_its_correction_takes_it_back():
    found = arms()
    rng = np.random.default_rng(8)
    glucose = rng.normal(160, 40, size=(len(found.rows), 400))
    off = np.where(found.rows["arm"] == "implanted", 10.0, 0.0)[:, None]

    def share(shift: float) -> np.ndarray:
        return 100 * ((glucose + off + shift >= 70) & (glucose + off + shift <= 180)).mean(axis=1)

    shares = {column_of(s): share(s) for s in (0, 5, -5, 10, -10)}
    rows = found.rows.assign(**shares, **{GAP: off[:, 0] * 0.02392})
    table = instrument_result(
        replace(found, rows=rows), RULES, weights="overlap", footnotes=[]
    ).table.set_index("name")
    assert table.loc["as each sensor reports it", "estimate"] < -4
    corrected = table.loc["implanted sensors read 10 mg/dL too high"]
    assert corrected["conf_low"] < 0 < corrected["conf_high"]
    assert table.loc["difference of the gaps", "estimate"] == pytest.approx(0.2392)
    assert SHARE in rows


def test_without_readings_time_in_range_says_so():
    result = oc.compare(cohorts(40), "time_in_range")
    assert "no sensor readings" in result.finding
    assert result.table.empty


def test_doubts_hold_every_analysis_the_e_values_the_bounds_and_each_site():
    comparison = hba1c(negative_control="earlier_hba1c")
    table = oc.doubts(comparison).table
    assert table["what"].value_counts().to_dict() == {
        "several analyses": 10, "something unmeasured": 9, "E-value": 2, "negative control": 1,
        "leave one out": 3,
    }  # fmt: skip
    main = table.loc[table["name"] == "augmented, overlap", "estimate"].item()
    assert main == pytest.approx(comparison.main.estimate)
    assert (table.loc[table["what"] == "E-value", "estimate"] >= 1).all()


def test_subgroups_are_those_of_the_plan_with_their_interaction():
    none = oc.subgroups(hba1c())
    assert len(none.table) == 1
    some = oc.subgroups(hba1c(subgroups=("sex", "age_years"))).table
    assert (some["quantity"] == "interaction").sum() == 2
    row = some[some["quantity"] == "interaction"].iloc[0]
    levels = some[(some["subgroup"] == "sex") & (some["quantity"] == "level")]
    if levels["estimate"].notna().all():
        gap = levels["estimate"].iloc[0] - levels["estimate"].iloc[1]
        assert row["estimate"] == pytest.approx(gap)


def test_switchers_are_compared_with_themselves_and_few_are_only_described():
    many = oc.switchers(cohorts(240)).table
    within = many[(many["outcome"] == "HbA1c") & (many["method"] == "within patients")]
    assert set(within["quantity"]) == {"trend before", "change of level", "change of slope"}
    few = oc.switchers(cohorts(40)).table
    assert few["estimate"].isna().all()
    assert few["note"].str.contains("described only").all()


def test_every_number_that_leaves_is_finite_or_has_a_reason():
    made, comparison = cohorts(120, **FAST), hba1c(120)
    trial = oc.emulated_trial(made)
    results = [
        comparison, comparison.balance, oc.doubts(comparison), oc.subgroups(comparison),
        oc.compare(made, "year"), oc.switchers(made), trial, trial.flow, trial.baseline,
        trial.co_interventions,
    ]  # fmt: skip
    for result in results:
        assert result.finding.endswith(".")
        for record in result.records():
            numbers = [record[k] for k in ("estimate", "conf_low", "conf_high")]
            assert all(x is None or math.isfinite(x) for x in numbers)
            if record["estimate"] is None:
                assert record["note"], record
                continue
            assert record["unit"], record
            assert record["n_patients"] is not None or record["n_units"] is not None, record
            low, high = record["conf_low"], record["conf_high"]
            assert low is None or low - 1e-9 <= record["estimate"] <= high + 1e-9, record
        assert not re.search(r"\bnan\b", repr(result), re.IGNORECASE)


def test_the_same_plan_gives_the_same_interval():
    first, second = hba1c().main, oc.compare(cohorts(240, **FAST)).main
    assert (first.conf_low, first.conf_high) == (second.conf_low, second.conf_high)


def test_the_trial_is_printed_item_by_item_beside_what_cannot_be_emulated():
    table = oc.emulated_trial(cohorts(120)).table
    assert {"Eligibility", "Strategies", "Time zero", "Follow-up", "Contrast"} <= set(table["item"])
    assert (table[["wished", "done", "not_emulated"]].map(len) > 10).all(axis=None)
