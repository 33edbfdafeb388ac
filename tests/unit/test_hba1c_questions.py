"""Who had a draw, what the missing would have to be like, and what was to be expected anyway."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.cohorts.build import CohortSet, build_cohorts
from outcomes.measures.hba1c_by_baseline import (
    BY_BASELINE,
    BY_BOTH,
    EXPECTED,
    hba1c_by_baseline,
)
from outcomes.measures.hba1c_change import hba1c_change
from outcomes.measures.hba1c_change_rows import CHANGE, DIFFERENCE, DIFFERENCE_PLAIN
from outcomes.measures.hba1c_rows import CONTRAST, MMOL, POINTS
from outcomes.measures.hba1c_sensitivity import hba1c_sensitivity
from outcomes.measures.hba1c_visits import NOT_DUE, REASONS, hba1c_visits
from outcomes.measures.hba1c_ways import CHANGE_IMPUTED, DELTAS, NO_OTHER, TIPPING
from outcomes.results import Result
from outcomes.statistics.change import paired_change
from tests.invented_clinic import PLAN, declared, invented_study, invented_tables

EARLIER = (-300, -200)  # days of two further draws, of the implanted patients alone


def clinic(folder: Path) -> CohortSet:
    """40 implanted with two earlier draws, 24 adhesive; P002 begins a drug on day 150."""
    tables = invented_tables(implanted=40, adhesive=24)
    rng = np.random.default_rng(3)
    first = tables["hba1c"].groupby("patient_id", as_index=False).first()
    mine = first.loc[first["patient_id"] < "P040"]
    earlier = [
        {
            "patient_id": row.patient_id, "unit": "%", "method": "laboratory",
            "drawn_on": row.drawn_on + pd.Timedelta(days=day + 10),
            "value": round(row.value - 0.5 + rng.normal(0, 0.3), 1),
        }
        for row in mine.itertuples()
        for day in EARLIER
    ]  # fmt: skip
    tables["hba1c"] = pd.concat([tables["hba1c"], declared("hba1c", earlier)], ignore_index=True)
    index = tables["sensors"].query("patient_id == 'P002'")["placed_on"].min()
    begun = {"patient_id": "P002", "what": "other glucose-lowering drug", "value": "yes",
             "from_on": index + pd.Timedelta(days=150)}  # fmt: skip
    tables["states"] = declared("states", [begun])
    return build_cohorts(invented_study(folder, tables), PLAN)


@pytest.fixture(scope="module")
def cohorts(tmp_path_factory: pytest.TempPathFactory) -> CohortSet:
    return clinic(tmp_path_factory.mktemp("clinic"))


@pytest.fixture(scope="module")
def change(cohorts: CohortSet) -> Result:
    return hba1c_change(cohorts)


@pytest.fixture(scope="module")
def leaning(cohorts: CohortSet) -> Result:
    return hba1c_sensitivity(cohorts)


@pytest.fixture(scope="module")
def by_baseline(cohorts: CohortSet) -> Result:
    return hba1c_by_baseline(cohorts)


def row(result: Result, quantity: str, who: str | None, unit: str = POINTS) -> pd.Series:
    t = result.table
    whose = t["cohort"].isna() & t["contrast"].isna() if who is None else t["who"] == who
    found = t.loc[(t["quantity"] == quantity) & whose & (t["unit"] == unit)]
    if "month" in found:
        found = found.loc[(found["month"] == 6) & (found["population"] == "cumulative")]
    assert len(found) == 1, found
    return found.iloc[0]


def test_every_patient_stands_in_one_column_of_each_visit(cohorts: CohortSet) -> None:
    table = hba1c_visits(cohorts).table.query("population == 'cumulative'")
    assert set(table["month"]) == {0, 3, 6, 12}
    parts = table[[*NOT_DUE, "drawn", *REASONS]].sum(axis=1)
    assert parts.tolist() == table["n"].tolist()
    due = table[["drawn", *REASONS]].sum(axis=1)
    assert due.tolist() == table["n_due"].tolist()
    assert table.groupby("cohort")["n"].unique().map(list).to_dict() == {
        "implanted": [40], "adhesive": [24]
    }  # fmt: skip


def test_the_visits_agree_with_the_change(cohorts: CohortSet, change: Result) -> None:
    visits = hba1c_visits(cohorts).table.query("population == 'cumulative' and month == 6")
    for one in visits.itertuples():
        assert row(change, CHANGE, one.cohort)["n"] <= one.drawn <= one.n_due


def test_the_structure_of_the_covariance_is_named(change: Result) -> None:
    got = row(change, "mean change, repeated-measures model", "implanted")
    assert "unstructured" in got["method"]
    assert "CR2 by patient with the patients as a sample" in got["method"]


def test_both_units_stand_for_the_same_change(change: Result) -> None:
    points = row(change, CHANGE, "implanted")
    mmol = row(change, CHANGE, "implanted", MMOL)
    for name in ("estimate", "conf_low", "conf_high"):
        assert mmol[name] == pytest.approx(points[name] / 0.09148)


def test_the_missing_made_worse_move_the_mean_by_their_share(leaning: Result) -> None:
    base = row(leaning, CHANGE_IMPUTED, "implanted")
    worse = row(leaning, f"{CHANGE_IMPUTED}, and worse by 1 points", "implanted")
    share = base["missing"] / base["n"]
    assert 0 < share < 1
    assert worse["estimate"] - base["estimate"] == pytest.approx(share)


def test_the_tipping_point_is_told_in_words(leaning: Result) -> None:
    got = row(leaning, f"{TIPPING}, {CHANGE_IMPUTED}", "implanted")
    assert got["note"].startswith("the conclusion that there was a fall holds")
    assert pd.isna(got["estimate"]) or 0 < got["estimate"] <= DELTAS[-1]


def test_the_two_differences_stand_side_by_side_with_the_reason(leaning: Result) -> None:
    adjusted, plain = (row(leaning, name, CONTRAST) for name in (DIFFERENCE, DIFFERENCE_PLAIN))
    told = plain["note"].split("so that ")[1].split(" points")[0].replace("−", "-")
    assert plain["estimate"] - adjusted["estimate"] == pytest.approx(float(told), abs=0.005)


def test_visits_after_another_treatment_leave_only_the_sensitivity(
    change: Result, leaning: Result
) -> None:
    kept = row(change, "mean change, repeated-measures model", "implanted")
    without = row(leaning, f"mean change, repeated-measures model, {NO_OTHER}", "implanted")
    begun = row(change, "began another treatment before the visit's draw", "implanted", "% of due")
    assert begun["events"] == 1
    assert kept["n"] - without["n"] == 1


def test_what_was_to_be_expected_comes_from_two_earlier_draws(by_baseline: Result) -> None:
    got = row(by_baseline, EXPECTED, "implanted")
    assert got["n"] >= 30
    assert got["estimate"] < 0  # earlier draws lie half a point below the baseline
    assert "not estimable: two or more" in row(by_baseline, EXPECTED, "adhesive")["note"]


def test_bands_show_the_artefact(cohorts: CohortSet, by_baseline: Result) -> None:
    points = by_baseline.table.query("cohort.isna() and unit == @POINTS")
    slopes = []
    for grouping in (BY_BASELINE, BY_BOTH):
        bands = points.loc[points["quantity"].str.startswith(grouping)].dropna(subset=["estimate"])
        assert bands["n"].sum() <= row(by_baseline, CHANGE, None)["n"]
        slopes.append(bands["estimate"].iloc[-1] - bands["estimate"].iloc[0])
    assert slopes[0] < slopes[1]  # steeper by the baseline, which is high partly by chance


def test_everybody_s_change_is_the_plain_paired_one(
    cohorts: CohortSet, by_baseline: Result
) -> None:
    pairs = hba1c_change(cohorts).pairs.query("month == 6 and new")
    got = paired_change(pairs, before="baseline_percent", after="percent")
    assert row(by_baseline, CHANGE, None)["estimate"] == pytest.approx(got.mean)


def test_every_cohort_is_named_in_the_picture_where_the_model_is_refused(tmp_path: Path) -> None:
    cohorts = build_cohorts(
        invented_study(tmp_path, invented_tables(implanted=24, adhesive=8)), PLAN
    )
    ax = hba1c_sensitivity(cohorts).plot()
    assert ax is not None
    labels = [label.get_text().replace("\n", " ") for label in ax.get_yticklabels()]
    assert [label.split(":")[0] for label in labels if ":" in label] == ["implanted", "adhesive"]
    assert "adhesive: those with both draws, not adjusted" in labels
