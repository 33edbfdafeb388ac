"""Wear, calibrations, agreement with fingersticks, hours of the day, and who lacks data."""

import math
from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from outcomes.cohorts.build import build_cohorts
from outcomes.errors import UsageError
from outcomes.glucose.gaps import gaps
from outcomes.glucose.workers import Workers
from outcomes.measures.calibrations import calibration_days
from outcomes.measures.data_sufficiency import REASONS, data_sufficiency
from outcomes.measures.day_shape import _percentiles, _read_off, day_shape
from outcomes.measures.sensor_agreement import ALL, agreement_pairs, sensor_agreement
from outcomes.measures.sensor_wear import sensor_wear
from outcomes.plan import SensorWear
from outcomes.results import number
from outcomes.statistics.ratios import ratio_of_sums
from outcomes.tables.declared import FINGERSTICKS, SENSORS
from outcomes.tables.study import write_study
from tests import small_clinic
from tests.glucose_traces import MINUTE, instant, trace, worked_answers

PATIENTS = 12


def sticks_frame(n: int, *, every_days: int = 3) -> pd.DataFrame:
    """At noon and a minute: 110 where the sensor last read 120, 190 where it read 200."""
    frames = []
    for frame in small_clinic.readings_frames(n, days=120):
        at = frame.iloc[48 :: 96 * every_days]
        sticks = FINGERSTICKS.empty().reindex(range(len(at)))
        sticks["patient_id"] = at["patient_id"].to_numpy()
        sticks["time"] = (at["time"] + pd.Timedelta(minutes=1)).to_numpy()
        sticks["local_offset"] = pd.array([0] * len(at), dtype="Int64")
        sticks["value"] = at["value"].to_numpy() - 10
        sticks["unit"], sticks["capped"] = "mg/dL", "no"
        sticks["used_for_calibration"] = pd.array(np.arange(len(at)) % 2 == 0, dtype="boolean")
        frames.append(sticks)
    return pd.concat(frames, ignore_index=True)


def clinic(folder, sticks: pd.DataFrame | None, **readings):
    tables = {
        "patients": small_clinic.patients_frame(PATIENTS),
        "sensors": small_clinic.sensors_frame(PATIENTS),
        "contacts": small_clinic.contacts_frame(PATIENTS),
    }
    if sticks is not None:
        tables["fingersticks"] = sticks
    study = write_study(
        folder, tables, clinic="Invented", time_zone="UTC", exported_on=date(2024, 10, 5),
        readings=small_clinic.readings_frames(PATIENTS, **readings),
    )  # fmt: skip
    return build_cohorts(study, small_clinic.PLAN, quarter="2024-Q3")


@pytest.fixture(scope="module")
def cohorts(tmp_path_factory):
    return clinic(tmp_path_factory.mktemp("clinic") / "study", sticks_frame(PATIENTS))


def every_number_has_a_unit_or_a_reason(result) -> None:
    for record in result.records():
        assert record["unit"]
        if record["estimate"] is None:
            assert record["note"]
        else:
            assert math.isfinite(record["estimate"])
            assert record["n_patients"] is not None


# Calibrations and wear.


def test_calibrations_kept_follow_the_worked_example() -> None:
    sensors = SENSORS.empty().reindex(range(1))
    sensors["sensor_id"], sensors["patient_id"], sensors["kind"] = "S1", "P1", "implanted"
    sensors["placed_on"] = pd.to_datetime(["2024-05-01"])
    sensors["stopped_on"] = pd.to_datetime(["2024-05-26"])
    sensors["planned_days"] = pd.array([180], dtype="Int64")
    made = {0: 1, **dict.fromkeys(range(1, 21), 2), 21: 3, 22: 2, 24: 1, 25: 1}
    at = [pd.Timestamp("2024-05-01 08:00") + pd.Timedelta(days=d, hours=h)
          for d, n in made.items() for h in range(n)]  # fmt: skip
    sticks = FINGERSTICKS.empty().reindex(range(len(at)))
    sticks["patient_id"], sticks["time"] = "P1", pd.to_datetime(at)
    sticks["local_offset"] = pd.array([120] * len(at), dtype="Int64")
    sticks["used_for_calibration"] = pd.array([True] * len(at), dtype="boolean")
    days = calibration_days(sensors, sticks, rules=SensorWear(), cut_off=date(2024, 9, 30))
    told = f"{days['kept'].sum()} of {days['due'].sum()}"
    assert told == worked_answers()["W33", "kept_of_due"]


def test_a_gap_is_found_with_its_length_and_whether_it_lasts_to_the_end() -> None:
    readings = trace([100] * 6, [0, 5, 10, 60, 65, 70], kind="implanted")
    zero = instant("2024-05-06 00:00")
    spans = np.array([[zero, zero + 240 * MINUTE], [zero, zero + 20 * MINUTE]])
    owned, found = gaps(readings.time, readings.stream, readings.kind_of, readings.interval_of,
                        0, spans, 30 * MINUTE)  # fmt: skip
    shown = [(s, (a - zero) // MINUTE, n // MINUTE, e) for s, a, n, e in found.tolist()]
    assert shown == [(0, 15, 45, 0), (0, 75, 165, 1)]
    assert (owned / MINUTE).tolist() == [30, 15]


def test_readings_of_another_kind_fill_no_gap() -> None:
    readings = trace([100] * 3, [0, 60, 120], kind=["implanted", "adhesive", "implanted"])
    zero = instant("2024-05-06 00:00")
    _, found = gaps(readings.time, readings.stream, readings.kind_of, readings.interval_of,
                    0, np.array([[zero, zero + 125 * MINUTE]]), 30 * MINUTE)  # fmt: skip
    assert [n // MINUTE for n in found[:, 2].tolist()] == [115]


def test_wear_is_told_by_kind_and_population_and_a_gap_ends_no_sensor(cohorts) -> None:
    result = sensor_wear(cohorts)
    rows = result.table.loc[result.table["quantity"] == "share of time with readings"]
    on = rows.loc[(rows["population"] == "cumulative") & (rows["kind"] == "implanted")].iloc[0]
    # 250 days of readings since the placement, in sensors followed to the cut-off.
    assert 90 < on["estimate"] < 100
    assert on["n_units"] == PATIENTS // 2
    assert set(result.table["population"]) == {"cumulative", "quarter"}
    assert any("never ends a sensor" in note for note in result.footnotes)
    every_number_has_a_unit_or_a_reason(result)


def test_half_of_the_time_off_is_half_on(tmp_path) -> None:
    result = sensor_wear(clinic(tmp_path / "study", None, days=130))
    on = result.table.loc[result.table["quantity"] == "share of time with readings"].iloc[0]
    lives = (pd.Timestamp("2024-10-01") - small_clinic.FIRST).days
    assert on["estimate"] == pytest.approx(100 * 129 / (lives - 6), abs=2)
    assert "do not say which fingersticks" in " ".join(result.footnotes)


def test_a_ratio_of_sums_has_the_patient_as_its_unit() -> None:
    shown = ratio_of_sums([9, 1, 5], [10, 2, 5], cluster=["a", "a", "b"])
    ratio = 15 / 17
    error = np.array([10 - ratio * 12, 5 - ratio * 5])
    se = math.sqrt(2 * float((error**2).sum())) / 17
    assert shown.conf_high - shown.estimate == pytest.approx(12.7062047 * se, rel=1e-6)
    assert ratio_of_sums([1], [2], cluster=["a"]).conf_low is None
    assert ratio_of_sums([], [], cluster=[]).estimate is None


# Agreement.


def test_the_value_lies_strictly_before_the_fingerstick_and_within_the_window(tmp_path) -> None:
    sticks = sticks_frame(PATIENTS)
    sticks.loc[sticks.index % 3 == 1, "time"] -= pd.Timedelta(minutes=1)  # at the reading itself
    sticks.loc[sticks.index % 3 == 2, "time"] += pd.Timedelta(minutes=5)  # six minutes after it
    made = clinic(tmp_path / "study", sticks)
    pairs, _ = agreement_pairs(made, kind="implanted", workers=Workers())
    assert set(pairs["minutes_before"]) == {1.0}
    assert (
        len(pairs)
        == (sticks.index % 3 == 0)[sticks["patient_id"].str[1:].astype(int) % 2 == 0].sum()
    )


def test_a_sensor_that_reads_ten_more_is_seen_and_calibrations_are_told_apart(cohorts) -> None:
    result = sensor_agreement(cohorts, kind="implanted")
    table = result.table
    whole = table.loc[table["at"].isna()].set_index(["pairs", "quantity"])
    assert whole.loc[("all pairs", "mean difference"), "estimate"] == pytest.approx(10)
    assert whole.loc[("all pairs", "within 15 mg/dL or %"), "estimate"] == 100
    every, apart, used = (
        whole.loc[(pairs, "mean difference"), "n_units"]
        for pairs in ("all pairs", "not used for calibration", "used for calibration")
    )
    assert every == apart + used
    assert "which flatters this" in result.finding
    assert "no claim about accuracy" in result.finding
    every_number_has_a_unit_or_a_reason(result)


def test_pairs_found_once_are_taken_from_beside_the_study(tmp_path) -> None:
    made = clinic(tmp_path / "study", sticks_frame(PATIENTS), days=60)
    first = sensor_agreement(made)
    (file,) = (tmp_path / ".study-remembered").glob("pairs-*.npz")
    written = file.stat().st_mtime_ns
    again = sensor_agreement(replace(made))  # with nothing in memory of the answer before
    assert file.stat().st_mtime_ns == written
    pd.testing.assert_frame_equal(again.table, first.table, check_exact=True)
    file.write_bytes(b"not numbers")
    pd.testing.assert_frame_equal(sensor_agreement(replace(made)).table, first.table)
    rules = replace(made.plan.sensor_agreement, pair_minutes=7)
    other = replace(made, plan=replace(made.plan, sensor_agreement=rules))
    sensor_agreement(other)
    assert len(list(file.parent.glob("pairs-*.npz"))) == 2


def test_groups_of_pairs_add_up(cohorts) -> None:
    table = sensor_agreement(cohorts, kind="adhesive").table
    rows = table.loc[table["quantity"] == "mean difference"]
    total = rows.loc[(rows["pairs"] == "all pairs") & rows["at"].isna(), "n_units"].iloc[0]
    of_range = rows.loc[rows["at"].astype(str).str.startswith("fingerstick"), "n_units"].sum()
    of_week = rows.loc[rows["at"].astype(str).str.startswith("week"), "n_units"].sum()
    assert total == of_range == of_week


def test_the_kinds_are_never_in_one_result(cohorts) -> None:
    for kind in ("implanted", "adhesive"):
        assert {r["cohort"] for r in sensor_agreement(cohorts, kind=kind).records()} == {kind}
    with pytest.raises(UsageError, match="not a kind of sensor"):
        sensor_agreement(cohorts, kind="both")


def test_without_fingersticks_or_readings_the_answer_is_in_words(tmp_path) -> None:
    result = sensor_agreement(clinic(tmp_path / "study", None, days=30))
    assert (
        result.finding == "The study holds no fingersticks: nothing can be held against each other."
    )
    assert (result.records(), result.plot()) == ([], None)


# Hours of the day.


def test_percentiles_are_read_linearly_within_a_step() -> None:
    shares = np.zeros((1, 81))
    shares[0, 20], shares[0, 30] = 0.5, 0.5  # half at 100-105, half at 150-155 mg/dL
    assert _read_off(shares, 25)[0] == pytest.approx(102.5)
    assert _read_off(shares, 75)[0] == pytest.approx(152.5)


def test_each_patient_counts_equally_in_the_percentiles() -> None:
    low, high = np.zeros(81), np.zeros(81)
    low[20] = high[40] = 1.0
    middle = _percentiles(np.array([low, low, high]), np.random.default_rng(1))[2]
    assert 100 <= middle.estimate <= 105


def test_the_hours_add_to_an_hour_and_agree_with_the_shares(cohorts) -> None:
    result = day_shape(cohorts)
    minutes = result.table.loc[result.table["unit"] == "minutes of an hour"]
    added = minutes.groupby(["cohort", "at"])["estimate"].sum()
    assert np.allclose(added, 60)
    assert len(added) == 2 * 8
    high = minutes.loc[minutes["quantity"] == "minutes above 180", "estimate"] / 60
    assert high.mean() == pytest.approx(0.28, abs=0.02)  # 70 to 74 of 100 readings are 120
    every_number_has_a_unit_or_a_reason(result)


# Who lacks data.


def test_reasons_add_to_those_due(cohorts) -> None:
    result = data_sufficiency(cohorts)
    table = result.table
    assert (table["n_enough"] + table[list(REASONS)].sum(axis=1) == table["n_due"]).all()
    begins = table.loc[table["needed_for"].str.startswith("improvement")]
    assert (begins["no readings"] == begins["n_due"]).all()  # nobody wore one before
    assert {"patient_id", "reason", "counting_days"} <= set(result.patients.columns)
    assert "patient_id" not in result.table
    every_number_has_a_unit_or_a_reason(result)


def test_wear_is_shown_a_line_a_kind_and_quantity_with_both_populations(cohorts) -> None:
    result = sensor_wear(cohorts)
    shown = result.shown()
    assert not shown.duplicated(["Kind", "Quantity"]).any()
    whole = result.table.loc[result.table["at"].isna() & result.table["estimate"].notna()]
    told = shown[["All since the plan's start", "This quarter"]]
    assert (told != "–").to_numpy().sum() >= len(whole)
    assert "6 sensors, 6 patients" in shown.to_string()


def test_the_limits_of_agreement_stand_in_the_footnotes(tmp_path) -> None:
    sticks = sticks_frame(PATIENTS)
    sticks["value"] += np.random.default_rng(5).normal(0, 12, len(sticks)).round()
    result = sensor_agreement(clinic(tmp_path / "study", sticks, days=120))
    table = result.table.loc[(result.table["pairs"] == ALL) & result.table["at"].isna()]
    lower = table.set_index("quantity").loc["lower limit of agreement", "estimate"]
    assert any(f"All pairs: {number(lower)} to" in note for note in result.footnotes)
