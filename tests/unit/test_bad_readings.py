"""Readings that are wrong give an error in words or an empty typed table, never a wrong number."""

import json
from datetime import date

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from outcomes.cohorts.build import build_cohorts
from outcomes.errors import StudyError, TableError
from outcomes.glucose import Workers, days, months, periods, quarter, sensors, summarise, together
from outcomes.measures.time_in_range import time_in_range
from outcomes.tables.declared import READINGS
from outcomes.tables.study import open_study
from tests import small_clinic

SETTINGS = small_clinic.PLAN.time_in_range


def frames(n: int = 2) -> list[pd.DataFrame]:
    return list(small_clinic.readings_frames(n, days=60))


def written(folder, given):
    return small_clinic.study(folder, 2, frames=given)


def result(study):
    return time_in_range(build_cohorts(study, small_clinic.PLAN, quarter="2024-Q3"))


def test_the_order_in_which_readings_come_changes_nothing(tmp_path) -> None:
    rng = np.random.default_rng(3)
    mixed = [f.iloc[rng.permutation(len(f))].reset_index(drop=True) for f in frames()]
    one, other = written(tmp_path / "a", frames()), written(tmp_path / "b", mixed[::-1])
    assert one.version == other.version
    pd.testing.assert_frame_equal(result(one).table, result(other).table)


def test_a_patient_in_two_frames_is_refused_by_name(tmp_path) -> None:
    first, second = frames()
    with pytest.raises(TableError, match="patient P000 comes in two blocks"):
        written(tmp_path / "s", [first.iloc[:100], second, first.iloc[100:]])


@pytest.mark.parametrize("wrong", [np.nan, np.inf, -np.inf, -5.0, 0.0])
def test_a_value_that_is_no_glucose_is_refused(tmp_path, wrong: float) -> None:
    given = frames()
    given[0].loc[7, "value"] = wrong
    with pytest.raises(TableError, match="readings, column value: 1 of"):
        written(tmp_path / "s", given)


def test_a_reading_without_a_time_is_refused(tmp_path) -> None:
    given = frames()
    given[1].loc[3, "time"] = pd.NaT
    with pytest.raises(TableError, match="readings, column time"):
        written(tmp_path / "s", given)


def rewritten(study, change) -> None:
    """Change the stored rows of the first reading file, as damage would."""
    file = study.reading_files()[0]
    groups = pq.ParquetFile(file)
    tables = [groups.read_row_group(i) for i in range(groups.num_row_groups)]
    with pq.ParquetWriter(file, tables[0].schema) as writer:
        for table in tables:
            writer.write_table(change(table), row_group_size=len(table))


def test_stored_readings_out_of_order_are_refused_not_summed(tmp_path) -> None:
    study = written(tmp_path / "s", frames())
    # The first and the last stay: what the index says of them is true.
    rewritten(study, lambda t: t.take(pa.array([0, *range(len(t) - 2, 0, -1), len(t) - 1])))
    with pytest.raises(StudyError, match="P000: not in order of time"):
        result(study)


def test_a_stored_value_that_is_no_number_is_refused(tmp_path) -> None:
    given = frames()
    for frame in given:
        frame["value"] += 0.25  # so that values are stored as decimals
    study = written(tmp_path / "s", given)

    def spoil(table: pa.Table) -> pa.Table:
        value = table["value"].to_numpy().copy()
        value[5] = np.nan
        return table.set_column(1, "value", pa.array(value))

    rewritten(study, spoil)
    with pytest.raises(StudyError, match="P000: a value is no number"):
        result(study)


def test_an_index_that_names_a_patient_twice_is_refused(tmp_path) -> None:
    study = written(tmp_path / "s", frames())
    index = pd.read_parquet(study.place / "reading_index.parquet")
    pd.concat([index, index.iloc[:1]]).to_parquet(study.place / "reading_index.parquet")
    with pytest.raises(StudyError, match="a patient is in two files"):
        result(study)


def test_readings_outside_the_windows_change_no_number(tmp_path) -> None:
    given = frames()
    odd = given[0].iloc[:3].assign(time=pd.to_datetime(["1999-01-01", "2031-01-01", "2031-01-02"]))
    odd["value"] = 400.0
    more = [pd.concat([given[0], odd], ignore_index=True), given[1]]
    one, other = written(tmp_path / "a", frames()), written(tmp_path / "b", more)
    pd.testing.assert_frame_equal(result(one).table, result(other).table)


@pytest.mark.parametrize("given", [[], None])
def test_a_study_without_readings_gives_rows_without_numbers(tmp_path, given) -> None:
    study = small_clinic.study(tmp_path / "s", 2, frames=given)
    cohorts = build_cohorts(study, small_clinic.PLAN, quarter="2024-Q3")
    windows = periods(cohorts.patients, small_clinic.PLAN, cohorts.cut_off)
    got = summarise(study, windows, settings=SETTINGS, workers=Workers())
    assert (got["readings"] == 0).all()
    assert got["share_from_70_to_180"].isna().all()
    assert not got["counts"].any()


def test_nobody_gives_an_empty_typed_table_for_every_kind_of_window(tmp_path) -> None:
    study = small_clinic.study(tmp_path / "s", 2, frames=[])
    cohorts = build_cohorts(study, small_clinic.PLAN, quarter="2024-Q3")
    nobody, until = cohorts.patients.iloc[:0], date(2024, 9, 30)
    asked = together(
        period=periods(nobody, small_clinic.PLAN, until),
        month=months(nobody, small_clinic.PLAN, until),
        quarter=quarter(nobody, small_clinic.PLAN, cohorts.span),
        day=days(nobody, cohorts.span),
        sensor=sensors(study.table("sensors").iloc[:0], small_clinic.PLAN, until, zone="UTC"),
    )
    got = summarise(study, asked, settings=SETTINGS)
    assert len(got) == 0
    assert str(got["share_from_70_to_180"].dtype) == "float64"
    assert list(READINGS.empty().columns) == list(study.table("readings").columns)


@pytest.mark.parametrize(("number", "words"), [(0, "Run intake again"), (99, "Update the toolkit")])
def test_another_format_is_answered_in_words(tmp_path, number: int, words: str) -> None:
    study = written(tmp_path / "s", frames())
    told = json.loads((study.place / "study.json").read_text("utf-8"))
    (study.place / "study.json").write_text(json.dumps(told | {"format": number}), "utf-8")
    with pytest.raises(StudyError, match=words):
        open_study(study.folder)


def test_two_shaped_windows_of_one_kind_are_refused(tmp_path) -> None:
    study = written(tmp_path / "s", frames())
    cohorts = build_cohorts(study, small_clinic.PLAN, quarter="2024-Q3")
    windows = periods(cohorts.patients, small_clinic.PLAN, cohorts.cut_off).assign(shaped=True)
    with pytest.raises(TableError, match="two shaped windows"):
        summarise(study, windows, settings=SETTINGS)
