"""Every known way in which an export misleads is planted, in known numbers, and found by intake."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from outcomes.cohorts.build import build_cohorts
from outcomes.errors import IntakeError
from outcomes.plan import read_plan
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


def counts(column: pd.Series) -> dict[str, int]:
    return {str(name): int(n) for name, n in column.value_counts().items()}


def told_of(folder: Path, name: str) -> dict[str, int]:
    return known(folder)["traps"][name]


def test_initials_that_look_like_a_missing_word_stay_text(folder: Path, study: Study) -> None:
    initials = study.table("patients")["initials"]
    told = told_of(folder, "odd initials")
    assert told == counts(initials[initials.isin(["NA", "None", "NaN", "ZË"])])
    assert len(told) == 4


def test_rows_of_ids_alike_but_for_zeros_stay_apart_in_every_table(
    folder: Path, study: Study
) -> None:
    told = told_of(folder, "rows of ids alike but for zeros")
    tables = {name.split(" of ")[0] for name in told}
    assert len(tables) >= 6
    for table in tables:
        ids = study.table(table)["patient_id"]
        found = counts(f"{table} of " + ids[ids.isin(["007", "07", "7"])])
        assert found == {name: n for name, n in told.items() if name.startswith(f"{table} of")}


def test_birth_years_of_two_digits_fall_before_the_export(folder: Path, study: Study) -> None:
    century = study.table("patients")["birth_year"] // 100
    assert told_of(folder, "birth years of two digits") == counts(century.astype(str) + "..")


def test_draws_keep_their_scale_and_decimal_commas(folder: Path, study: Study) -> None:
    draws = study.table("hba1c").query("method != 'point of care'")
    words = {"%": "% with a decimal comma", "mmol/mol": "mmol/mol"}
    assert told_of(folder, "draws of the laboratory by scale") == counts(draws["unit"].map(words))
    assert draws.loc[draws["unit"] == "%", "value"].between(3, 20).all()


def test_days_told_as_never_are_missing_and_not_dates(folder: Path, study: Study) -> None:
    sensors = study.table("sensors").query("kind == 'implanted'")
    found = {
        "patients.died_on": study.table("patients")["died_on"].isna().sum(),
        "states.to_on": study.table("states")["to_on"].isna().sum(),
        "sensors.removed_on": sensors["removed_on"].isna().sum(),
    }
    assert told_of(folder, "days told as never") == found


def test_dates_that_fit_both_orders_are_read_in_the_declared_one(
    folder: Path, study: Study
) -> None:
    draws, sticks = study.table("hba1c"), study.table("fingersticks")
    bedside = draws["method"] == "point of care"
    wall = sticks["time"] + pd.to_timedelta(sticks["local_offset"].astype(int), unit="min")
    days = {
        "hba1c, day first": draws.loc[~bedside, "drawn_on"],
        "hba1c, month first": draws.loc[bedside, "drawn_on"],
        "contacts, day first": study.table("contacts")["on"],
        "fingersticks, month first": wall,
    }
    found = {
        name: int(((on.dt.day <= 12) & (on.dt.day != on.dt.month)).sum())
        for name, on in days.items()
    }
    assert told_of(folder, "dates that fit both orders") == found


def test_notes_like_formulas_are_as_many_as_written(folder: Path, study: Study) -> None:
    notes = study.table("complications")["action"].dropna()
    told = told_of(folder, "notes like formulas")
    assert {name.strip(): n for name, n in told.items()} == counts(
        notes[notes.str.match(r"[=+\-@]")]
    )


def test_lines_that_are_no_rows_are_counted_as_such(folder: Path, study: Study) -> None:
    account = study.accounting.set_index("file")
    above = account["title_lines"][account["title_lines"] > 0]
    assert told_of(folder, "lines above the headings") == above.to_dict()
    book = account.loc["exports/quality/incidents.xlsx"]
    findings = study.findings.query("table == 'complications'").set_index("rule")["rows"]
    found = {
        "hidden row": findings["hidden row"], "hidden sheet": findings["hidden sheet"],
        "empty line": book["empty_lines"], "footer": book["footer_lines"],
    }  # fmt: skip
    assert told_of(folder, "furniture of the workbook") == found


def test_files_are_in_the_encodings_that_are_told(folder: Path) -> None:
    marks = {"utf-16": b"\xff\xfe", "utf-8-sig": b"\xef\xbb\xbf", "workbook": b"PK"}
    heads = [p.read_bytes()[:3] for p in (folder / "exports").rglob("*") if p.is_file()]
    told = told_of(folder, "files by encoding")
    assert {name: sum(h.startswith(mark) for h in heads) for name, mark in marks.items()} == {
        name: told[name] for name in marks
    }
    register = (folder / "exports/register/personen.csv").read_bytes()
    assert "ZË;" in register.decode("cp1252")
    assert told["cp1252"] == 3


def test_a_draw_from_years_ago_is_kept_and_is_nobodys_baseline(folder: Path, study: Study) -> None:
    old = study.table("hba1c")["drawn_on"] < "2024-01-01"
    assert old.sum() == known(folder)["tables"]["hba1c"]["flagged"]["kept, from years ago"]
    cohorts = build_cohorts(study, read_plan(folder / "plan.toml"))
    baseline = cohorts.draws.query("month == 0 and value.notna()")
    assert len(baseline) > 0
    assert (baseline["drawn_on"] >= "2024-01-01").all()


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
