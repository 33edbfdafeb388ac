"""The same numbers whatever the size of files, row groups and pages, and however many threads."""

import pandas as pd
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from outcomes.cohorts.build import build_cohorts
from outcomes.errors import StudyError
from outcomes.glucose import Workers, periods, summary
from outcomes.tables import reading_writer
from tests import small_clinic

PATIENTS, DAYS = 5, 70
ROWS = 96 * DAYS  # of a patient
PLAN = small_clinic.PLAN


def asked(study) -> pd.DataFrame:
    cohorts = build_cohorts(study, PLAN, quarter="2024-Q3")
    made = periods(cohorts.patients, PLAN, cohorts.cut_off)
    return made.assign(shaped=made["period"] == 1)


def written(folder, *, file_rows: int, group_rows: int):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reading_writer, "FILE_ROWS", file_rows)
        patch.setattr(reading_writer, "GROUP_ROWS", group_rows)
        return small_clinic.study(folder, PATIENTS, days=DAYS)


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """One file, a row group a patient: the study and what the plain loop says."""
    place = tmp_path_factory.mktemp("whole") / "study"
    study = written(place, file_rows=10**9, group_rows=10**9)
    windows = asked(study)
    return study, windows, summary(study, windows, settings=PLAN.time_in_range)


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    file_rows=st.integers(1, PATIENTS * ROWS),
    group_rows=st.integers(ROWS // 60, 2 * ROWS),
    threads=st.integers(1, 4),
)
def test_the_split_into_files_and_row_groups_changes_nothing(
    whole, tmp_path_factory, file_rows: int, group_rows: int, threads: int
) -> None:
    one, windows, want = whole
    study = written(
        tmp_path_factory.mktemp("split") / "study", file_rows=file_rows, group_rows=group_rows
    )
    assert study.version == one.version
    workers = Workers(threads=threads)
    got = summary(study, windows, settings=PLAN.time_in_range, workers=workers)
    pd.testing.assert_frame_equal(got.table, want.table, check_exact=True)
    assert (got.shapes == want.shapes).all()


def rewritten(study, **options: object) -> None:
    """Write every reading file again with other pages, codecs or row groups."""
    for file in study.reading_files():
        table = pq.read_table(file)
        with pq.ParquetWriter(file, table.schema, **options) as writer:
            for place in range(0, len(table), ROWS):
                writer.write_table(table.slice(place, ROWS))


@pytest.mark.parametrize(
    "options",
    [
        {"data_page_size": 1024, "compression": "zstd"},
        {"use_dictionary": False, "data_page_version": "2.0", "compression": "none"},
    ],
)
def test_pages_and_codecs_change_nothing(tmp_path, whole, options) -> None:
    _, windows, want = whole
    study = written(tmp_path / "study", file_rows=2 * ROWS, group_rows=10**9)
    rewritten(study, **options)
    got = summary(study, windows, settings=PLAN.time_in_range)
    pd.testing.assert_frame_equal(got.table, want.table, check_exact=True)


def test_row_groups_that_are_not_those_of_the_index_are_refused(tmp_path, whole) -> None:
    study = written(tmp_path / "study", file_rows=10**9, group_rows=10**9)
    (file,) = study.reading_files()
    pq.write_table(pq.read_table(file), file, row_group_size=ROWS // 2)  # nobody told the index
    with pytest.raises(StudyError, match=r"P001, whole-00000\.parquet: not what the index says"):
        summary(study, whole[1], settings=PLAN.time_in_range)
