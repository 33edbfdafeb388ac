"""Time in range by cohort: who is due, who counts, what is said and what is not."""

import math
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.cohorts.build import build_cohorts
from outcomes.measures.range_quantities import AT_EVERY_PERIOD, QUANTITIES
from outcomes.measures.time_in_range import time_in_range
from outcomes.plan import Frame, Plan
from outcomes.statistics.intervals import t_interval
from outcomes.tables.declared import STATES
from outcomes.tables.study import write_study
from tests import small_clinic
from tests.glucose_traces import trace, window

CASES = Path(__file__).parents[1] / "data" / "cases"


@pytest.fixture(scope="module")
def clinic(tmp_path_factory):
    """24 patients: six with readings before the index date, P003 without any, P004 pregnant."""
    folder = tmp_path_factory.mktemp("clinic")
    states = STATES.empty().reindex(range(2))
    states["patient_id"], states["what"] = ["P004", "P006"], "pregnancy"
    states["value"] = ["yes", "no"]
    states["from_on"] = pd.to_datetime(["2024-06-25", "2024-01-01"])
    patients = small_clinic.patients_frame(24)
    patients["died_on"] = pd.to_datetime([None] * 23 + ["2024-04-01"])
    study = write_study(
        folder / "study",
        {
            "patients": patients, "states": states,
            "sensors": small_clinic.sensors_frame(24),
            "contacts": small_clinic.contacts_frame(24),
        },
        clinic="Invented", time_zone="UTC", exported_on=date(2024, 10, 5),
        readings=small_clinic.readings_frames(24, before=6, lacking=(3,)),
    )  # fmt: skip
    return build_cohorts(study, small_clinic.PLAN, quarter="2024-Q3")


@pytest.fixture(scope="module")
def result(clinic):
    return time_in_range(clinic)


def row(result, cohort: str, at: str, quantity: str = "share 70-180") -> pd.Series:
    t = result.table
    found = t.loc[(t["cohort"] == cohort) & (t["at"] == at) & (t["quantity"] == quantity)]
    assert len(found) == 1
    return found.iloc[0]


def expected_percent(patients: list[int]) -> float:
    return float(np.mean([70 + i % 5 for i in patients]))


def test_each_patient_counts_equally(result) -> None:
    implanted = [i for i in range(0, 24, 2) if i != 4]  # P004 is pregnant in period 7
    got = row(result, "implanted", "period 7")
    assert (got["n_due"], got["n_patients"], got["n_pregnancy"]) == (12, 11, 1)
    assert got["estimate"] == pytest.approx(expected_percent(implanted), abs=0.01)
    half = t_interval([70.0 + i % 5 for i in implanted])
    assert got["conf_high"] - got["conf_low"] == pytest.approx(
        half.conf_high - half.conf_low, rel=0.01
    )


def test_the_dead_are_not_due_and_those_without_readings_are_missing(result) -> None:
    before, after = row(result, "adhesive", "period 2"), row(result, "adhesive", "period 7")
    assert (before["n_due"], after["n_due"]) == (12, 11)
    assert (after["n_patients"], after["n_no_readings"]) == (10, 1)


def test_due_is_counting_plus_every_reason(result) -> None:
    levels = result.table.loc[result.table["quantity"] == "share 70-180"]
    reasons = levels[["n_patients", "n_no_readings", "n_few_days", "n_pregnancy"]].sum(axis=1)
    assert (levels["n_due"] == reasons).all()
    assert levels["at"].str.startswith("2024-0").any()  # months too


def test_improvement_is_for_those_with_a_period_before_and_hold_for_the_others(result) -> None:
    better = row(result, "adhesive", "period 0 to 7", "improvement of share 70-180")
    held = row(result, "adhesive", "period 2 to 7", "hold of share 70-180")
    # P001 and P005 had 30 days at 200 before; P003 has no readings, P023 died.
    assert (better["n_patients"], held["n_patients"]) == (2, 8)
    assert better["estimate"] == pytest.approx((71 + 70) / 2, abs=0.05)
    assert held["estimate"] == pytest.approx(0, abs=0.02)


def test_a_pregnancy_is_told_apart_with_its_own_range(result) -> None:
    pregnant = [r for r in result.records() if r["quantity"] == "share 63-140"]
    assert {r["by"]["state"] for r in pregnant} == {"touches a pregnancy"}
    at_7 = next(r for r in pregnant if r["at"] == "period 7")
    assert (at_7["n_patients"], at_7["cohort"]) == (1, "implanted")
    assert at_7["estimate"] == pytest.approx(74, abs=0.01)
    assert at_7["conf_low"] is None
    assert not any(r["at"] == "period 1" for r in pregnant)  # and "no" is no pregnancy


def test_both_populations_are_named(result) -> None:
    assert set(result.table["population"]) == {"cumulative", "quarter"}
    got = row(result, "implanted", "2024-Q3")
    assert (got["n_due"], got["n_patients"]) == (12, 11)


def test_every_quantity_has_a_record_with_interval_n_and_unit(result) -> None:
    records = [r for r in result.records() if r["at"] == "period 1" and r["cohort"] == "implanted"]
    assert [r["quantity"] for r in records] == list(QUANTITIES)
    assert {r["n_patients"] for r in records if "length" not in r["quantity"]} == {12}
    assert all(r["unit"] for r in result.records())
    gmi = next(r for r in records if r["quantity"] == "glucose management indicator")
    mean = next(r for r in records if r["quantity"] == "mean glucose")
    assert gmi["estimate"] == pytest.approx(3.31 + 0.02392 * mean["estimate"])
    assert gmi["conf_low"] < gmi["estimate"] < gmi["conf_high"]


def test_the_main_quantities_have_a_record_at_every_period(result) -> None:
    every = [r for r in result.records() if r["cohort"] == "implanted" and not r["by"]]
    at_3 = [r["quantity"] for r in every if r["at"] == "period 3"]
    assert set(at_3) == AT_EVERY_PERIOD
    assert len(result.records()) < 500


def test_what_is_shown_fits_on_a_page(result) -> None:
    shown = result.shown()
    assert len(shown) == 2 * 7  # the periods before, 1, 3 and 7, the quarter, two changes
    assert shown.loc[shown["When"] == "period 7", "n of due"].tolist() == ["11 of 12", "10 of 11"]
    assert "–" not in set(shown["70-180, %"])


def test_nothing_leaves_as_nan_or_infinity(result) -> None:
    numbers = [v for r in result.records() for v in r.values() if isinstance(v, float)]
    assert all(math.isfinite(v) for v in numbers)
    empty = [r for r in result.records() if r["estimate"] is None]
    assert all(r["note"] for r in empty)


def test_no_limit_lies_beyond_what_a_share_can_be(result) -> None:
    shares = [r for r in result.records() if r["unit"] == "% of time" and r["conf_low"] is not None]
    assert len(shares) > 50
    assert all(0 <= r["conf_low"] <= r["estimate"] <= r["conf_high"] <= 100 for r in shares)


def test_those_who_are_not_new_are_shown_apart(tmp_path) -> None:
    patients = small_clinic.patients_frame(6)
    patients.loc[:1, "covered_from"] = pd.NaT  # nobody knows what P000 and P001 wore before
    tables = {"patients": patients, "sensors": small_clinic.sensors_frame(6)}
    study = write_study(
        tmp_path / "study", tables, clinic="Invented", time_zone="UTC",
        exported_on=date(2024, 10, 5), readings=small_clinic.readings_frames(6),
    )  # fmt: skip
    table = time_in_range(build_cohorts(study, small_clinic.PLAN, quarter="2024-Q3")).table
    apart = table.loc[table["who"] != "new"]
    assert set(apart["at"]) == {"period 7", "2024-Q3"}
    assert (apart["n_due"] == 1).all()
    at_7 = table.loc[(table["at"] == "period 7") & (table["who"] == "new")]
    assert at_7["n_due"].tolist() == [2, 2]


def test_no_record_compares_the_kinds(result) -> None:
    assert all(r["contrast"] is None for r in result.records())
    assert any("not compared here" in note for note in result.footnotes)


def test_the_finding_is_a_sentence_a_cohort_with_estimate_interval_and_n(result) -> None:
    sentences = result.finding.removesuffix(".").split(". ")
    assert len(sentences) == 2
    for cohort, said in zip(("implanted", "adhesive"), sentences, strict=True):
        got = row(result, cohort, "period 0 to 7", "improvement of share 70-180")
        assert f"moved +{got['estimate']:.1f} points (95 % interval" in said
        assert f"n {got['n_patients']}) from the period before to period 7" in said
    assert result.finding in result.alt


def test_without_a_period_before_the_finding_tells_the_hold(tmp_path) -> None:
    got = time_in_range(small_clinic.cohorts(tmp_path / "study", 6))
    assert got.finding.count("held, moving") == 2
    assert got.finding.count("95 % interval") == 2


def test_the_figure_draws_every_point_with_ten_patients(result) -> None:
    upper, lower = result.plot().child_axes
    drawn = [line for line in upper.lines if len(line.get_xdata()) > 2]
    assert [len(line.get_xdata()) for line in drawn] == [8, 8]
    assert [label.get_text() for label in lower.get_yticklabels()] == [
        "below 54", "54-69", "70-180", "181-250", "above 250"
    ]  # fmt: skip


def kept_files(clinic) -> list[Path]:
    folder = clinic.study.folder
    return sorted((folder.parent / f".{folder.name}-remembered").glob("*"))


def anew(clinic, **options):
    """Ask as a new set of cohorts does, which has nothing in memory of the answer before."""
    return time_in_range(replace(clinic), **options)


def test_two_threads_give_the_same_numbers(clinic, result) -> None:
    (file,) = kept_files(clinic)
    file.unlink()
    again = anew(clinic, threads=2)
    pd.testing.assert_frame_equal(result.table, again.table, check_exact=True)
    assert result.records() == again.records()


def test_a_second_call_takes_the_sums_from_beside_the_study(clinic, result) -> None:
    (file,) = kept_files(clinic)
    assert file.parent.stat().st_mode & 0o777 == 0o700
    before = file.stat().st_mtime_ns
    again = anew(clinic)
    assert (again.records(), kept_files(clinic)) == (result.records(), [file])
    assert file.stat().st_mtime_ns == before


def test_remembered_sums_that_cannot_be_read_are_made_again(clinic, result) -> None:
    (file,) = kept_files(clinic)
    file.write_bytes(b"not numbers")
    assert anew(clinic).records() == result.records()
    with np.load(file) as kept:
        assert len(kept["windows"]) == len(result.windows) + 2 * 24  # and sensors


def test_a_memory_that_others_can_write_is_not_read(clinic, result) -> None:
    (file,) = kept_files(clinic)
    with np.load(file) as kept:
        emptied = {name: kept[name] * 0 for name in kept.files}
    with file.open("wb") as open_file:
        np.savez(open_file, **emptied)
    file.parent.chmod(0o777)
    assert anew(clinic).records() == result.records()
    file.parent.chmod(0o700)
    file.unlink()
    anew(clinic)


def test_another_plan_is_another_memory(clinic, result) -> None:
    plan = replace(clinic.plan, time_in_range=replace(clinic.plan.time_in_range, gap_minutes=45))
    time_in_range(replace(clinic, plan=plan))
    assert len(kept_files(clinic)) == 2


def test_many_capped_readings_are_said(tmp_path) -> None:
    frames = []
    for frame in small_clinic.readings_frames(4, days=60):
        frame.loc[frame.index % 50 == 0, ["value", "capped"]] = [400.0, "above"]
        frames.append(frame)
    study = small_clinic.study(tmp_path / "study", 4, frames=frames)
    got = time_in_range(build_cohorts(study, small_clinic.PLAN, quarter="2024-Q3"))
    said = [note for note in got.footnotes if "lay beyond what the sensor reports" in note]
    assert all("more than 1 %" in note and "(2.0" in note for note in said)
    assert len(said) == 2


def test_one_patient_has_a_mean_and_words_for_the_interval(tmp_path) -> None:
    got = time_in_range(small_clinic.cohorts(tmp_path / "study", 4, lacking=(1, 2, 3)))
    level = row(got, "implanted", "period 7")
    assert level["estimate"] == pytest.approx(70, abs=0.02)
    assert level["conf_low"] is None or math.isnan(level["conf_low"])
    assert "one value: no limits can be estimated" in level["note"]
    assert got.drawing is None


def test_a_study_without_readings_answers_in_words(tmp_path) -> None:
    study = small_clinic.study(tmp_path / "study", 4, frames=None)
    got = time_in_range(build_cohorts(study, small_clinic.PLAN, quarter="2024-Q3"))
    assert got.finding == "The study holds no readings: time in range cannot be estimated."
    assert got.table["estimate"].isna().all()
    assert (got.table["n_due"] > 0).all()
    assert got.plot() is None


def test_nobody_in_a_cohort_is_said(tmp_path) -> None:
    study = small_clinic.study(tmp_path / "study", 4, days=20)
    later = Plan(plan=Frame(start=date(2024, 9, 1)))
    got = time_in_range(build_cohorts(study, later, quarter="2024-Q3"))
    assert got.finding == "No new patient has a period that counts by 2024-09-30."
    assert (len(got.table), got.records(), got.plot()) == (0, [], None)


def test_readings_after_the_cut_off_change_nothing(tmp_path) -> None:
    def result(days: int):
        study = small_clinic.study(tmp_path / str(days), 3, days=days)
        return time_in_range(build_cohorts(study, small_clinic.PLAN, quarter="2024-Q2"))

    exactly, beyond = result(175), result(200)  # 2024-06-30 is day 174 of the first patient
    first = exactly.windows["patient_id"] == "P000"
    pd.testing.assert_frame_equal(exactly.windows[first], beyond.windows[first])


# The known traps of days and of bands.


@pytest.mark.parametrize(("day", "number"), [("2024-03-31", 92), ("2024-10-27", 100)])
def test_days_of_23_and_25_hours_are_covered_in_full(day: str, number: int) -> None:
    frame = pd.read_csv(CASES / "readings_of_23_and_25_hour_days.csv")
    at = (
        pd.to_datetime(frame["read_at"]) - pd.Timestamp("2024-03-30", tz="UTC")
    ).dt.total_seconds()
    readings = trace(
        frame["glucose_mg_dl"], at / 60, interval=15, start="2024-03-30 01:00", zone="Europe/Berlin"
    )
    got = window(readings, day, zone="Europe/Berlin")
    assert (got["readings"], got["active_share"]) == (number, 1.0)


def test_the_band_comes_from_people_not_from_readings() -> None:
    frame = pd.read_csv(CASES / "six_people_twelve_readings.csv")
    people = frame.groupby("patient_id")["glucose_mg_dl"].mean()
    band = t_interval(people)
    error = (band.conf_high - band.conf_low) / 2 / 2.5706  # t of 5 degrees of freedom
    assert error == pytest.approx(4.2, abs=0.05)
    assert frame["glucose_mg_dl"].sem() < error / 2  # what the readings alone would claim
