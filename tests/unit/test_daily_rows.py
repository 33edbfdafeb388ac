"""Rows of single days, written file by file: what the pass over all days at once gives."""

from datetime import date

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from outcomes.cohorts.build import build_cohorts
from outcomes.glucose import Workers, days, summarise, write_daily
from outcomes.plan import Span
from outcomes.tables import reading_writer
from tests import small_clinic

SETTINGS = small_clinic.PLAN.time_in_range


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """Six patients, a reading file each."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reading_writer, "FILE_ROWS", 1)
        return small_clinic.study(tmp_path_factory.mktemp("daily") / "study", 6, days=40)


@pytest.mark.parametrize("workers", [Workers(), Workers(threads=3)])
def test_days_on_disk_are_the_days_of_one_pass(tmp_path, study, workers) -> None:
    place = tmp_path / "days.parquet"
    n = write_daily(study, place, settings=SETTINGS, workers=workers)
    got = pd.read_parquet(place).sort_values(["patient_id", "on"], ignore_index=True)
    patients = build_cohorts(study, small_clinic.PLAN, quarter="2024-Q3").patients
    span = Span(first_on=date(2024, 1, 1), last_on=date(2024, 3, 1))
    want = summarise(study, days(patients, span), settings=SETTINGS).rename(
        columns={"first_on": "on"}
    )
    want = want.loc[want["readings"] > 0].sort_values(["patient_id", "on"], ignore_index=True)
    assert n == len(got) == 6 * 40
    pd.testing.assert_frame_equal(got, want[got.columns], check_dtype=False, check_exact=True)


def test_a_few_files_at_a_time_make_a_row_group(tmp_path, study) -> None:
    write_daily(study, tmp_path / "days.parquet", settings=SETTINGS)
    written = pq.ParquetFile(tmp_path / "days.parquet").metadata
    assert [written.row_group(i).num_rows for i in range(written.num_row_groups)] == [160, 80]


def test_days_after_the_cut_off_are_left_out(tmp_path, study) -> None:
    write_daily(study, tmp_path / "d.parquet", settings=SETTINGS, cut_off=date(2024, 1, 20))
    assert pd.read_parquet(tmp_path / "d.parquet")["on"].max() == pd.Timestamp("2024-01-20")


def test_no_readings_give_a_typed_file_without_rows(tmp_path) -> None:
    empty = small_clinic.study(tmp_path / "study", 2, frames=[])
    assert write_daily(empty, tmp_path / "d.parquet", settings=SETTINGS) == 0
    got = pd.read_parquet(tmp_path / "d.parquet")
    assert got["share_from_70_to_180"].dtype == np.float64
    assert len(got) == 0


def test_readings_of_no_known_sensor_have_no_kind(tmp_path) -> None:
    (frame,) = small_clinic.readings_frames(1, days=2)
    study = small_clinic.study(tmp_path / "s", 1, frames=[frame.assign(sensor_id="elsewhere")])
    assert write_daily(study, tmp_path / "d.parquet", settings=SETTINGS) == 2
    assert pd.read_parquet(tmp_path / "d.parquet")["kind"].isna().all()


def test_a_failed_pass_leaves_the_earlier_file(tmp_path, study, monkeypatch) -> None:
    place = tmp_path / "d.parquet"
    place.write_bytes(b"earlier")
    monkeypatch.setattr("outcomes.glucose.daily._windows", lambda *_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        write_daily(study, place, settings=SETTINGS)
    assert [file.name for file in tmp_path.iterdir()] == ["d.parquet"]
    assert place.read_bytes() == b"earlier"
