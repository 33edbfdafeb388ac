"""The course of time in range: levels, improvement, hold, refusals; exact without chance."""

import pandas as pd
import pytest

from outcomes.measures.hba1c_rows import CONTRAST
from outcomes.measures.meaning import between_groups, meaningful
from outcomes.measures.patient_lines import patient_lines
from outcomes.measures.time_in_range import time_in_range
from outcomes.measures.trajectories import trajectories
from outcomes.measures.trajectory_rows import CHECK, DIFFERENCE, HOLD, IMPROVEMENT, LEVEL
from outcomes.report.disclosure import audience
from tests import small_clinic

PEOPLE = 24
IMPLANTED, ADHESIVE = range(0, PEOPLE, 2), range(1, PEOPLE, 2)


@pytest.fixture(scope="module")
def begun_known(tmp_path_factory):
    """All 24 have 30 days at 200 mg/dL before; after, patient i has 70 + i % 5 % in range."""
    return small_clinic.cohorts(tmp_path_factory.mktemp("known"), PEOPLE, before=PEOPLE)


@pytest.fixture(scope="module")
def known(begun_known):
    return trajectories(begun_known)


@pytest.fixture(scope="module")
def unknown(tmp_path_factory):
    """The same without anything before the index date."""
    return trajectories(small_clinic.cohorts(tmp_path_factory.mktemp("unknown"), PEOPLE))


def row(result, quantity: str, who: str, month: int = 6) -> pd.Series:
    t = result.table
    found = t.loc[(t["quantity"] == quantity) & (t["who"] == who) & (t["month"] == month)]
    assert len(found) == 1
    return found.iloc[0]


def mean_of(patients: range) -> float:
    return sum(70 + i % 5 for i in patients) / len(patients)


def test_with_everybody_seen_the_level_is_the_mean_over_patients(known) -> None:
    for who, patients in (("implanted", IMPLANTED), ("adhesive", ADHESIVE)):
        got = row(known, LEVEL, who)
        assert got["estimate"] == pytest.approx(mean_of(patients), abs=0.02)
        assert (got["n"], got["n_due"], got["period"]) == (12, 12, 7)
        assert got["conf_low"] < got["estimate"] < got["conf_high"]


def test_the_difference_is_in_points_and_says_what_it_excludes(known) -> None:
    got = row(known, DIFFERENCE, CONTRAST)
    assert got["estimate"] == pytest.approx(mean_of(IMPLANTED) - mean_of(ADHESIVE), abs=0.03)
    assert (got["n"], got["unit"]) == (24, "percentage points")
    assert got["note"].startswith("the interval excludes a difference of 3 points or more")


def test_improvement_is_told_only_of_those_with_a_period_before(known, unknown) -> None:
    got = row(known, IMPROVEMENT, "implanted")
    assert got["estimate"] == pytest.approx(mean_of(IMPLANTED), abs=0.02)  # from nothing in range
    assert HOLD not in set(known.table["quantity"])
    assert IMPROVEMENT not in set(unknown.table["quantity"])


def test_the_others_are_told_against_period_2(unknown) -> None:
    for month in (3, 6):
        got = row(unknown, HOLD, "adhesive", month)
        assert got["estimate"] == pytest.approx(0, abs=0.03)
        assert (got["n"], got["n_due"]) == (12, 12)
    assert "since period 2, no period before being known" in unknown.finding


def test_the_check_by_personal_lines_agrees(known) -> None:
    got = row(known, CHECK, "implanted")
    assert got["estimate"] == pytest.approx(row(known, LEVEL, "implanted")["estimate"], abs=0.3)
    assert any(note.startswith("Check by personal lines: the random slope") for note in
               known.footnotes)  # fmt: skip


def test_the_level_of_month_12_is_refused_in_words(known) -> None:
    got = row(known, LEVEL, "implanted", 12)
    assert pd.isna(got["estimate"])
    assert got["note"] == "not estimated: 0 patients seen in period 13, fewer than 40"
    assert known.curve["period"].max() == 8  # and the curve ends where nobody is seen


def test_every_number_has_a_record_with_its_unit_and_n(known) -> None:
    records = known.records()
    assert len(records) == len(known.table)
    assert all(r["unit"] and (r["n_patients"] is not None or r["note"]) for r in records)
    assert {r["at"] for r in records} == {"period 4", "period 7", "period 13"}


def test_the_windows_of_the_measure_give_the_same_answer(begun_known, known) -> None:
    again = trajectories(begun_known, glucose=time_in_range(begun_known))
    pd.testing.assert_frame_equal(again.table, known.table)


def test_lines_of_patients_stay_in_the_clinic(begun_known) -> None:
    lines = patient_lines(begun_known, "time_in_range")
    mine = lines.table.query("patient_id == 'P006' and at == 7")
    assert mine["value"].to_numpy() == pytest.approx([71], abs=0.05)
    withheld = audience("committee")(lines)
    assert "stays in the clinic" in withheld.finding
    assert "patient_id" not in withheld.table
    assert "P006" not in repr(lines)  # the table shown has cohorts, the file beside it the ids


def test_a_gain_of_five_points_is_five_points_in_binary_too() -> None:
    assert meaningful([100 * (0.70 - 0.65), 4.9]).tolist() == [True, False]
    assert between_groups(-6.0, 0.5) == "does not exclude a difference of 3 points"
