"""The index in a reading file's footer: a pass takes offset, capped code and stream from it."""

import base64

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from outcomes.errors import StudyError
from outcomes.tables.reading_runs import KEY, runs_by_group, runs_of, spelt_out
from tests import small_clinic


def a_frame() -> pd.DataFrame:
    """Forty days of one patient with a clock change, capped stretches and two sensors."""
    (frame,) = small_clinic.readings_frames(1, days=40)
    rows = np.arange(len(frame))
    frame["local_offset"] = pd.array(np.where(rows < 1500, 60, 120), dtype="Int64")
    frame["capped"] = np.where((rows > 700) & (rows < 710), "above", "no")
    frame["sensor_id"] = np.where(rows < 2000, "S000", "S999")
    return frame


def without_index(study) -> None:
    """Write the file again as another program would, without the footer."""
    (file,) = study.reading_files()
    table = pq.read_table(file).replace_schema_metadata(None)
    pq.write_table(table, file, row_group_size=len(table))


def test_a_pass_has_the_columns_whether_or_not_there_is_an_index(tmp_path) -> None:
    study = small_clinic.study(tmp_path / "study", 1, frames=[a_frame()])
    (file,) = study.reading_files()
    assert len(runs_by_group(pq.ParquetFile(file))[0]) == 5
    (indexed,) = study.stored_readings()
    without_index(study)
    assert runs_by_group(pq.ParquetFile(file)) == {}
    (plain,) = study.stored_readings()
    for name in ("time", "value", "local_offset", "capped", "stream"):
        got, want = getattr(indexed, name), getattr(plain, name)
        assert got.dtype == want.dtype, name
        np.testing.assert_array_equal(got, want, err_msg=name)


def test_a_pass_decodes_time_and_value_alone(tmp_path, monkeypatch) -> None:
    study = small_clinic.study(tmp_path / "study", 1, frames=[a_frame()])
    asked = []
    plain = pq.ParquetFile.read_row_groups

    def noted(self, groups, columns=None, **options):
        asked.append(columns)
        return plain(self, groups, columns=columns, **options)

    monkeypatch.setattr(pq.ParquetFile, "read_row_groups", noted)
    list(study.stored_readings())
    assert asked == [["time", "value"]]


def test_runs_spell_out_what_they_were_made_from() -> None:
    rng = np.random.default_rng(4)
    change = rng.random((3, 5000)) < 0.003
    columns = {
        "local_offset": (np.cumsum(change[0]) * 60).astype(np.int16),
        "capped": (np.cumsum(change[1]) % 3 - 1).astype(np.int8),
        "stream": np.cumsum(change[2]).astype(np.int32),
    }
    starts = np.array([0, 1200, 5000])
    for runs, start, end in zip(runs_of(columns, starts), starts[:-1], starts[1:], strict=True):
        for name, values in spelt_out(runs[:, 1:]).items():
            np.testing.assert_array_equal(values, columns[name][start:end])


def test_two_sensors_in_turn_have_no_index() -> None:
    same = {"local_offset": np.zeros(100, np.int16), "capped": np.zeros(100, np.int8)}
    one = np.array([0, 100])
    assert runs_of({**same, "stream": np.arange(100) % 2}, one) == [None]
    assert len(runs_of({**same, "stream": np.zeros(100, np.int32)}, one)[0]) == 1


def test_a_file_of_short_runs_alone_is_read_by_its_columns(tmp_path) -> None:
    frame = a_frame().assign(capped=lambda rows: np.where(rows.index % 40 == 0, "above", "no"))
    study = small_clinic.study(tmp_path / "study", 1, frames=[frame])
    (file,) = study.reading_files()
    assert runs_by_group(pq.ParquetFile(file)) == {}
    (stored,) = study.stored_readings()
    np.testing.assert_array_equal(stored.capped, frame["capped"] == "above")


@pytest.mark.parametrize("damage", ["!", base64.b64encode(b"\0" * 20).decode()])
def test_a_damaged_index_is_refused(tmp_path, damage: str) -> None:
    study = small_clinic.study(tmp_path / "study", 1, frames=[a_frame()])
    (file,) = study.reading_files()
    table = pq.read_table(file)
    with pq.ParquetWriter(file, table.schema) as writer:
        writer.write_table(table, row_group_size=len(table))
        writer.add_key_value_metadata({KEY: damage})
    with pytest.raises(StudyError, match="whole-00000"):
        list(study.stored_readings())
