"""Every known way in which an export misleads is planted, in known numbers, and found by intake."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from outcomes.errors import IntakeError
from outcomes.plan.sources import read_sources
from outcomes.tables.intake import intake
from outcomes.tables.study import Study
from synthetic import Scenario, write_clinic
from tests.unit.synthetic.invented import known

FEW = {"readings_from": pd.Timestamp("2025-10-15").date(), "adhesive_minutes": 30}
SPAN = Scenario(**FEW, implanted_minutes=30)
ASIDE = {  # table and kind: rows that intake sets aside, in a clinic of any size
    ("patients", "no patient id"): 1,
    ("patients", "outside its range"): 1,
    ("sensors", "same id"): 2,
    ("sensors", "another number of fields"): 1,
    ("sensors", "removed before placed"): 3,
    ("sensors", "no patient id"): 1,
    ("sensors", "unknown code"): 1,
    ("hba1c", "no unit"): 2,
    ("hba1c", "outside its range"): 2,
    ("hba1c", "two draws on one day"): 4,
    ("hba1c", "impossible date"): 2,
    ("readings", "two values at one time"): 8,
    ("readings", "clock time that never was"): 2,
    ("readings", "not a number"): 3,
    ("readings", "no unit"): 2,
    ("fingersticks", "after the export"): 1,
}
KEPT = {
    ("readings", "kept, without an offset"): 1,
    ("readings", "kept, blanks around the value"): 3,
    ("readings", "kept, unit in the value's cell"): 3,
    ("hba1c", "kept, from years ago"): 3,
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_clinic(tmp_path_factory.mktemp("traps"), patients=20, scenario=SPAN)


@pytest.fixture(scope="module")
def study(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Study:
    return intake(read_sources(folder / "sources.toml"), tmp_path_factory.mktemp("study"))


def test_wrong_rows_of_every_kind_are_told_in_their_numbers(folder: Path) -> None:
    tables = known(folder)["tables"]
    assert {key: tables[key[0]]["set_aside"].get(key[1]) for key in ASIDE} == ASIDE
    assert {key: tables[key[0]]["flagged"].get(key[1]) for key in KEPT} == KEPT


def test_two_sensors_under_one_id_are_both_set_aside(study: Study) -> None:
    rows = study.set_aside.query("rule == 'same id'")
    assert len(rows) == 2
    assert rows["file"].str.endswith("patches.csv").all()
    assert "A-910" not in set(study.table("sensors")["sensor_id"])


def test_values_in_blanks_or_with_their_unit_are_read_as_they_are(
    folder: Path, study: Study
) -> None:
    dressed = {}
    for path in sorted((folder / "exports/wear_portal/centre").glob("*.csv")):
        for line in path.read_text(encoding="utf-8").splitlines():
            time, _, value = line.split(",")
            if value.endswith(' "') or value.endswith(" mg/dL"):
                number = float(value.strip('" ').removesuffix(" mg/dL"))
                dressed[path.stem.split("_")[1], time] = number
    found = {}
    for patient in study.readings():
        local = pd.to_datetime(patient.time // 1_000_000 + 60 * patient.local_offset, unit="s")
        for at, value in zip(local.strftime("%Y-%m-%d %H:%M:%S"), patient.value, strict=True):
            if (patient.patient_id, at) in dressed:
                found[patient.patient_id, at] = value
    assert len(dressed) == 6
    assert found == dressed


def test_a_note_led_by_a_tab_stays_the_text_it_is(study: Study) -> None:
    notes = study.table("complications")["action"].dropna()
    assert notes.str.strip().eq("=2+2").any()


def test_one_person_with_two_contents_stops_the_run_by_name(tmp_path: Path) -> None:
    few = Scenario(**FEW, implanted_minutes=60, one_person_twice=True)
    folder = write_clinic(tmp_path / "clinic", patients=20, scenario=few)
    told = [p for p in known(folder)["planted"] if p["kind"] == "one person with two contents"]
    assert len(told) == 2
    with pytest.raises(
        IntakeError, match=r"stands there twice with different content \(lines"
    ) as e:
        intake(read_sources(folder / "sources.toml"), tmp_path / "study")
    assert all(str(p["line"]) in str(e.value) for p in told)
