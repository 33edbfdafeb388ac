import json
import shutil
import subprocess
import sys
from datetime import date

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import StudyError, TableError, UsageError, WriteError
from outcomes.tables.declared import DECLARED, PATIENTS, SENSORS
from outcomes.tables.study import Study, open_study, write_study
from outcomes.tables.versions import sole_writer

CLINIC = {"clinic": "Test clinic", "time_zone": "Europe/Berlin", "exported_on": date(2025, 1, 1)}


def patients(*ids: str) -> pd.DataFrame:
    n = len(ids)
    return pd.DataFrame(
        {
            "patient_id": list(ids),
            "birth_year": pd.array([1960] * n, dtype="Int64"),
            "sex": ["female"] * n,
            "diabetes_type": ["type 1"] * n,
            "diagnosis_year": pd.array([None] * n, dtype="Int64"),
            "covered_from": pd.to_datetime([None] * n),
            "sensor_use_before": ["none"] * n,
            "died_on": pd.to_datetime([None] * n),
        }
    )


def sensors(*rows: tuple[str, str, str, str, str | None]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["sensor_id", "patient_id", "kind", "placed_on", "removed"])
    n = len(frame)
    text = {name: np.full(n, None, dtype=object) for name in SENSORS.names}
    days = {"placed_on": pd.to_datetime(frame["placed_on"])}
    days["removed_on"] = pd.to_datetime(frame["removed"])
    none = pd.Series(pd.NaT, index=range(n), dtype="datetime64[ns]")
    days |= {"placed_at": none, "stopped_on": none, "recorded_on": none}
    planned = pd.array([180] * n, dtype="Int64")
    same = {name: frame[name] for name in ("sensor_id", "patient_id", "kind")}
    return pd.DataFrame(text | same | days | {"planned_days": planned})[list(SENSORS.names)]


def readings(patient: str, times: list[str], values: list[float], **more: object) -> pd.DataFrame:
    n = len(times)
    capped, unit = more.get("capped", ["no"] * n), more.get("unit", ["mg/dL"] * n)
    return pd.DataFrame(
        {
            "patient_id": [patient] * n,
            "time": pd.to_datetime(times),
            "local_offset": pd.array([60] * n, dtype="Int64"),
            "value": np.array(values, dtype=float),
            "unit": unit,
            "capped": capped,
            "sensor_id": np.array(more.get("sensor_id", [None] * n), dtype=object),
        }
    )


def a_study(folder, **more: object) -> Study:
    tables = more.pop("tables", {"patients": patients("P1", "P2"), "sensors": SENSORS.empty()})
    return write_study(folder, tables, **CLINIC, **more)


def test_a_study_gives_back_exactly_what_was_written(tmp_path):
    frame = readings("P1", ["2024-05-06 08:05", "2024-05-06 08:00"], [110, 5.6])
    frame["unit"] = ["mg/dL", "mmol/L"]
    study = a_study(tmp_path / "s", readings=frame)
    expected = frame.sort_values("time", ignore_index=True)
    pd.testing.assert_frame_equal(study.table("readings"), expected)
    pd.testing.assert_frame_equal(study.table("patients"), patients("P1", "P2"))


def test_an_absent_table_is_empty_and_typed(tmp_path):
    study = a_study(tmp_path / "s")
    assert not study.has("hba1c")
    assert study.has("sensors")
    pd.testing.assert_frame_equal(study.table("hba1c"), DECLARED["hba1c"].empty())
    assert list(study.readings()) == []


def test_an_unknown_table_name_answers_with_the_known_ones(tmp_path):
    with pytest.raises(UsageError, match="Did you mean 'hba1c'"):
        a_study(tmp_path / "s").table("hba1")


def test_covariates_of_patients_survive_with_their_types(tmp_path):
    frame = patients("P1", "P2").assign(language=["de", None], education_years=[9, 12])
    back = a_study(tmp_path / "s", tables={"patients": frame}).table("patients")
    assert back["language"].tolist() == ["de", None]
    assert str(back["education_years"].dtype) == "Int64"


def test_a_table_that_breaks_its_declaration_is_refused_at_the_door(tmp_path):
    with pytest.raises(TableError, match="not unique"):
        a_study(tmp_path / "s", tables={"patients": patients("P1", "P1")})
    assert not (tmp_path / "s").exists()


def test_the_fingerprint_follows_content_and_not_row_order(tmp_path):
    first = a_study(tmp_path / "a", tables={"patients": patients("P1", "P2")})
    second = a_study(tmp_path / "b", tables={"patients": patients("P2", "P1")})
    other = a_study(tmp_path / "c", tables={"patients": patients("P1", "P3")})
    assert first.version == second.version != other.version


def test_the_fingerprint_of_readings_follows_content_and_not_order(tmp_path):
    one = readings("P1", ["2024-05-06 08:05", "2024-05-06 08:00"], [110, 120])
    two = readings("P2", ["2024-05-06 08:05"], [99])
    versions = {
        a_study(tmp_path / str(i), readings=given).version
        for i, given in enumerate([[one, two], [two, one.iloc[::-1]], pd.concat([two, one])])
    }
    assert len(versions) == 1


def test_readings_that_int16_cannot_hold_come_back_exactly(tmp_path):
    values = [110.25, 40 / 18.0156]
    frame = readings("P1", ["2024-05-06 08:00", "2024-05-06 08:05"], values)
    study = a_study(tmp_path / "s", readings=frame)
    assert next(study.readings()).value.tolist() == values


def test_the_interval_is_the_commonest_whole_minute_distance(tmp_path):
    times = [f"2024-05-06 {h:02d}:{m:02d}" for h in range(2) for m in (0, 15, 30, 45)]
    frame = readings("P1", [*times, "2024-05-06 01:50"], [100.0] * 9)
    lone = readings("P1", ["2024-05-06 03:00"], [100.0], sensor_id=["S1"])
    worn = sensors(("S1", "P1", "adhesive", "2024-05-01", None))
    tables = {"patients": patients("P1"), "sensors": worn}
    study = a_study(tmp_path / "s", tables=tables, readings=pd.concat([frame, lone]))
    one = next(study.readings())
    assert set(one.interval.tolist()) == {15}  # the lone reading takes that of its kind


def test_a_patient_with_one_reading_has_the_interval_of_five_minutes(tmp_path):
    study = a_study(tmp_path / "s", readings=readings("P1", ["2024-05-06 08:00"], [100.0]))
    assert next(study.readings()).interval.tolist() == [5]


def test_the_kind_of_a_nameless_reading_is_the_only_kind_worn_that_day(tmp_path):
    worn = sensors(
        ("S1", "P1", "adhesive", "2024-05-01", "2024-05-10"),
        ("S2", "P1", "implanted", "2024-05-10", None),
    )
    days = ["2024-04-30", "2024-05-09", "2024-05-10", "2024-05-11"]
    frame = readings("P1", [f"{day} 08:00" for day in days], [100.0] * 4)
    tables = {"patients": patients("P1"), "sensors": worn}
    one = next(a_study(tmp_path / "s", tables=tables, readings=frame).readings())
    assert one.kind.tolist() == [-1, 1, -1, 0]


def test_the_local_day_decides_which_kind_was_worn(tmp_path):
    worn = sensors(("S2", "P1", "implanted", "2024-05-10", None))
    frame = readings("P1", ["2024-05-09 22:59", "2024-05-09 23:00"], [100.0, 100.0])
    tables = {"patients": patients("P1"), "sensors": worn}
    one = next(a_study(tmp_path / "s", tables=tables, readings=frame).readings())
    assert one.kind.tolist() == [-1, 0]


def test_capped_values_and_sensors_come_back(tmp_path):
    times = ["2024-05-06 08:00", "2024-05-06 08:05", "2024-05-06 08:05"]
    frame = readings("P1", times, [40.0, 400.0, 100.0], capped=["below", "above", "no"])
    frame["sensor_id"] = ["S2", "S1", "S2"]
    one = next(a_study(tmp_path / "s", readings=frame).readings())
    assert one.capped.tolist() == [-1, 1, 0]
    assert [one.sensors[i] for i in one.sensor] == ["S2", "S1", "S2"]


def test_a_patient_in_two_blocks_is_refused(tmp_path):
    frame = readings("P1", ["2024-05-06 08:00"], [100.0])
    with pytest.raises(TableError, match="two blocks"):
        a_study(tmp_path / "s", readings=[frame, frame])


def test_a_missing_or_damaged_study_says_how_to_mend_it(tmp_path):
    with pytest.raises(StudyError, match="run intake first"):
        open_study(tmp_path / "nothing")
    study = a_study(tmp_path / "s")
    (study.place / "patients.parquet").write_bytes(b"PAR1 not really")
    with pytest.raises(StudyError, match="damaged"):
        open_study(tmp_path / "s").table("patients")
    (study.place / "patients.parquet").unlink()
    with pytest.raises(StudyError, match=r"patients\.parquet is missing"):
        open_study(tmp_path / "s")


@pytest.mark.parametrize(("form", "says"), [(2, "Update the toolkit"), (0, "Run intake again")])
def test_another_format_is_refused_with_what_to_do(tmp_path, form, says):
    study = a_study(tmp_path / "s")
    told = json.loads((study.place / "study.json").read_text())
    (study.place / "study.json").write_text(json.dumps(told | {"format": form}))
    with pytest.raises(StudyError, match=says):
        open_study(tmp_path / "s")


def test_two_intakes_cannot_write_at_once(tmp_path):
    with sole_writer(tmp_path / "s"), pytest.raises(WriteError, match="another intake"):
        a_study(tmp_path / "s")
    assert a_study(tmp_path / "s").counts["patients"] == 2


def test_an_earlier_version_can_still_be_opened(tmp_path):
    first = a_study(tmp_path / "s")
    second = a_study(tmp_path / "s", tables={"patients": patients("P9")})
    assert open_study(tmp_path / "s").version == second.version
    assert open_study(tmp_path / "s", version=first.version).counts["patients"] == 2


KILLED = """
import os, sys
sys.path.insert(0, {root!r})
from tests.unit.tables.test_study_folder import a_study, readings
def parts():
    yield readings("P1", ["2024-05-06 08:00"], [100.0])
    os.kill(os.getpid(), 9)
a_study({folder!r}, readings=parts())
"""


def test_a_killed_intake_leaves_the_old_version_and_is_swept(tmp_path, request):
    old = a_study(tmp_path / "s")
    code = KILLED.format(root=str(request.config.rootpath), folder=str(tmp_path / "s"))
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == -9
    assert open_study(tmp_path / "s").version == old.version
    assert len(list((tmp_path / "s" / "versions").iterdir())) == 2
    a_study(tmp_path / "s")
    assert [p.name for p in (tmp_path / "s" / "versions").iterdir()] == [old.version]


def test_every_declared_patient_column_is_typed_as_declared(tmp_path):
    back = a_study(tmp_path / "s").table("patients")
    PATIENTS.check(back)
    assert back.dtypes.astype(str).to_dict() == PATIENTS.empty().dtypes.astype(str).to_dict()


def test_a_study_of_format_1_can_still_be_opened(tmp_path, request):
    kept = request.config.rootpath / "tests" / "data" / "studies" / "format_1"
    study = open_study(shutil.copytree(kept, tmp_path / "s"))
    assert study.counts == {"patients": 2, "sensors": 1, "hba1c": 2, "readings": 3}
    assert study.table("hba1c")["unit"].tolist() == ["%", "mmol/mol"]
    one = next(study.readings())
    assert (one.value.tolist(), one.capped.tolist()) == ([110, 40, 250], [0, -1, 0])
    assert (one.kind.tolist(), one.interval.tolist()) == ([0] * 3, [15] * 3)
    assert sorted(study.set_aside["rule"]) == ["no single unit", "not a number"]


def test_an_intake_with_the_same_tables_refreshes_what_it_tells_of_itself(tmp_path):
    first = a_study(tmp_path / "s", made_from={"files": 1})
    second = a_study(tmp_path / "s", made_from={"files": 2})
    assert second.version == first.version
    assert open_study(tmp_path / "s").made_from == {"files": 2}
    assert "Rows: patients 2, sensors 0" in repr(second)
