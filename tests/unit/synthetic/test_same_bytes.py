"""Same seed, same bytes; a larger clinic begins with the same patients."""

from __future__ import annotations

import hashlib
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from synthetic import Clinic, Scenario, clinic, write_clinic
from tests.unit.synthetic.invented import SHORT


def digests(folder: Path) -> dict[str, str]:
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in files
    }


def test_the_same_seed_writes_the_same_bytes(small_clinic: Path, tmp_path: Path) -> None:
    again = write_clinic(tmp_path / "again", patients=24, scenario=SHORT)
    assert digests(again) == digests(small_clinic)


def test_another_seed_writes_other_people(small_clinic: Path, tmp_path: Path) -> None:
    other = write_clinic(tmp_path / "other", patients=24, seed=3, scenario=SHORT)
    path = "exports/laboratory/central.csv"
    assert digests(other)[path] != digests(small_clinic)[path]


@pytest.mark.parametrize("table", ["patients", "sensors", "hba1c", "contacts", "states"])
def test_a_larger_clinic_begins_with_the_same_patients(table: str) -> None:
    few, many = getattr(clinic(20), table), getattr(clinic(50), table)
    first = many[many["patient_id"].isin(clinic(20).patients["patient_id"])]
    pd.testing.assert_frame_equal(few, first.reset_index(drop=True), check_dtype=False)


def test_only_failed_attempts_and_their_harm_depend_on_the_others() -> None:
    few, many = clinic(20), clinic(200)
    ids = set(few.patients["patient_id"])
    done, all_done = (made.procedures.query("completed") for made in (few, many))
    columns = ["patient_id", "sensor_id", "what", "on", "site"]
    first = all_done[all_done["patient_id"].isin(ids)].reset_index(drop=True)
    pd.testing.assert_frame_equal(done[columns].reset_index(drop=True), first[columns])
    columns = ["patient_id", "sensor_id", "onset_on", "category", "severity", "serious"]
    harms, all_harms = (
        made.complications[~made.complications["procedure_id"].isin(failed_ids(made))]
        for made in (few, many)
    )
    first = all_harms[all_harms["patient_id"].isin(ids)].reset_index(drop=True)
    pd.testing.assert_frame_equal(harms[columns].reset_index(drop=True), first[columns])


def failed_ids(made: Clinic) -> set[str]:
    return set(made.procedures.query("not completed")["procedure_id"])


def test_readings_of_a_patient_do_not_depend_on_the_others() -> None:
    few, many = list(clinic(3).traces()), list(clinic(6).traces())
    for a, b in zip(few, many, strict=False):
        assert a.patient_id == b.patient_id
        assert all(np.array_equal(x, y) for x, y in zip(a.values, b.values, strict=True))


def test_another_topic_may_draw_more_without_moving_this_one() -> None:
    plain = clinic(20).sensors
    noisy = clinic(20, scenario=Scenario(implanted_bias_mg_dl=10.0)).sensors
    pd.testing.assert_frame_equal(plain, noisy)


def test_a_clinic_of_ten_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="20 and 5,000"):
        write_clinic(tmp_path, patients=10)


def test_a_smaller_clinic_leaves_nothing_of_the_larger_one(tmp_path: Path) -> None:
    few = Scenario(readings_from=date(2026, 9, 1))
    write_clinic(tmp_path, patients=30, scenario=few)
    write_clinic(tmp_path, patients=20, scenario=few)
    fresh = write_clinic(tmp_path / "fresh", patients=20, scenario=few)
    assert digests(fresh) == {
        name: digest for name, digest in digests(tmp_path).items() if "fresh" not in name
    }


def test_exports_that_are_not_invented_are_left_alone(tmp_path: Path) -> None:
    (tmp_path / "exports").mkdir()
    (tmp_path / "exports/own.csv").write_text("a,b\n")
    with pytest.raises(FileExistsError, match="not invented"):
        write_clinic(tmp_path)
    assert (tmp_path / "exports/own.csv").exists()
