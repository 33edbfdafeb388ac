"""Intake of the invented exports finds the known numbers, and gives the truth back."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.plan.analysis import read_plan
from outcomes.plan.sources import read_sources
from outcomes.tables.intake import intake
from outcomes.tables.study import Study
from synthetic import Clinic, Scenario, clinic, write_clinic
from tests.unit.synthetic.invented import known

# Both changes of the clock lie in the readings, and the second half-year of 2025 is not needed.
SPAN = Scenario(readings_from=date(2025, 10, 15), implanted_minutes=15)
OUR_WORDS = {  # kinds of the known numbers: rules of the intake
    "no patient id": "missing value",
    "outside its range": "out of range",
    "impossible date": "not a date",
    "removed before placed": "wrong order",
    "clock time that never was": "no such time",
    "hour that comes twice": "repeated hour",
    "another number of fields": "fields",
}


@dataclass(frozen=True)
class Read:
    """A written clinic, the same lives as frames, and the study that intake made of it."""

    folder: Path
    numbers: dict
    made: Clinic
    study: Study


@pytest.fixture(scope="module")
def read(tmp_path_factory: pytest.TempPathFactory) -> Read:
    folder = write_clinic(tmp_path_factory.mktemp("exports"), patients=20, scenario=SPAN)
    study = intake(read_sources(folder / "sources.toml"), tmp_path_factory.mktemp("study"))
    return Read(folder, known(folder), clinic(20, scenario=SPAN), study)


def test_rows_read_kept_and_repeated_agree(read: Read) -> None:
    account = read.study.accounting.groupby("table").sum(numeric_only=True)
    for table, told in read.numbers["tables"].items():
        assert account.loc[table, "rows_read"] == told["rows"], table
        assert account.loc[table, "rows_kept"] == told["kept"], table
        assert account.loc[table, "exact_repeats"] == told["exact_repeats"], table
        assert account.loc[table, "rows_set_aside"] == told["set_aside_in_all"], table
        assert account.loc[table, "rows_without_value"] == told["without_a_value"], table


def test_rows_read_agree_file_by_file(read: Read) -> None:
    account = read.study.accounting.set_index("file")["rows_read"]
    assert account.to_dict() == read.numbers["rows_by_file"]


def test_every_wrong_row_is_set_aside_for_its_reason(read: Read) -> None:
    found = read.study.set_aside.groupby(["table", "rule"]).size()
    for table, told in read.numbers["tables"].items():
        expected = {OUR_WORDS.get(kind, kind): n for kind, n in told["set_aside"].items()}
        assert found[table].to_dict() == expected, table


def test_wrong_rows_are_named_by_file_and_line(read: Read) -> None:
    told = {
        (p["file"], p["line"]): OUR_WORDS.get(p["kind"], p["kind"])
        for p in read.numbers["planted"]
        if "line" in p and p["kind"] not in ("exact repeat", "one draw in both scales", "no value")
        and not p["kind"].startswith("kept")
    }  # fmt: skip
    rows = read.study.set_aside.query("table != 'readings'")
    found = dict(zip(zip(rows["file"], rows["line"], strict=True), rows["rule"], strict=True))
    assert found == told


def test_readings_beyond_a_limit_are_counted(read: Read) -> None:
    told = read.numbers["readings_beyond_a_limit"]
    counted = Counter()
    for patient in read.study.readings():
        for kind, name in enumerate(("implanted", "adhesive")):
            capped = patient.capped[patient.kind == kind]
            counted[f"{name} below"] += int((capped == -1).sum())
            counted[f"{name} above"] += int((capped == 1).sum())
    # What is set aside may hold such a word; two passings of an hour with one are counted once.
    aside = read.study.set_aside.query("table == 'readings'")
    aside = aside[aside["value"].isin(["LOW", "HIGH", "< 2,2", "> 22,2"])]
    lost = aside["file"].str.contains("implant_cloud").map({True: "implanted", False: "adhesive"})
    alike = read.numbers["tables"]["readings"]["of_these_in_the_hour_that_comes_twice"]
    missing = Counter({name: n - counted[name] for name, n in told.items()})
    for kind in ("implanted", "adhesive"):
        n = missing[f"{kind} below"] + missing[f"{kind} above"]
        assert 0 <= n - (lost == kind).sum() <= alike, kind


def test_instants_come_back_through_both_changes_of_the_clock(read: Read) -> None:
    true = {t.patient_id: np.sort(np.concatenate(t.times)) for t in read.made.traces() if t.times}
    missing = extra = 0
    for patient in read.study.readings():
        seconds = patient.time // 1_000_000
        missing += len(np.setdiff1d(true[patient.patient_id], seconds))
        extra += len(np.setdiff1d(seconds, true[patient.patient_id]))
    told = read.numbers["tables"]["readings"]
    hour = (
        told["set_aside"]["hour that comes twice"] + told["of_these_in_the_hour_that_comes_twice"]
    )
    assert missing == hour + told["set_aside"]["two values at one time"] // 2
    assert extra == told["flagged"]["kept, without an offset"]


def test_sensors_come_back_as_they_were_recorded(read: Read) -> None:
    found = read.study.table("sensors").set_index("sensor_id").sort_index()
    true = read.made.sensors.set_index("sensor_id").sort_index()
    for column in ("patient_id", "kind", "model", "lot", "placed_on", "planned_days"):
        assert found[column].tolist() == true[column].tolist(), column
    both = found["removed_on"].notna()
    assert (found["removed_on"][both] == true["removed_on"][both]).all()


def test_reasons_are_as_many_as_told(read: Read) -> None:
    told = read.numbers["happened"]["recorded_ends_by_kind"]
    for kind, rows in read.study.table("sensors").groupby("kind"):
        assert rows["end_reason"].fillna("").value_counts().to_dict() == told[kind]


def test_people_and_procedures_are_as_many_as_told(read: Read) -> None:
    told, study = read.numbers["happened"], read.study
    kinds = study.table("sensors").groupby("patient_id")["kind"].nunique()
    assert (kinds == 2).sum() == told["people_with_both_kinds"]
    attempts = study.table("procedures").groupby(["what", "completed"]).size()
    assert attempts[("placement", True)] == told["placements_completed"]
    assert attempts.get(("placement", False), 0) == told["placements_failed"]
    categories = study.table("complications")["category"].value_counts().to_dict()
    assert categories == told["complications_by_category"]


def test_draws_come_back_in_tenths(read: Read) -> None:
    found = read.study.table("hba1c")
    percent = np.where(found["unit"] == "%", found["value"], 0.09148 * found["value"] + 2.152)
    tenths = found.assign(tenths=np.rint(percent * 10))
    key = ["patient_id", "drawn_on", "method"]
    true = read.made.hba1c.assign(tenths=lambda t: np.rint(t["value"] * 10))
    joined = tenths.merge(true, on=key, suffixes=("", "_true"), how="inner", validate="1:1")
    assert (joined["tenths"] == joined["tenths_true"]).all()
    clashes = read.numbers["tables"]["hba1c"]["set_aside"]["two draws on one day"] // 2
    assert len(joined) == len(true) - clashes


def test_patients_come_back_with_their_birth_year_and_initials(read: Read) -> None:
    found = read.study.table("patients").set_index("patient_id").sort_index()
    true = read.made.patients.set_index("patient_id").sort_index()
    for column in ("birth_year", "sex", "diabetes_type", "sensor_use_before"):
        assert found[column].tolist() == true[column].tolist(), column
    years = [found["diagnosis_year"].astype("Float64"), true["diagnosis_year"].astype("Float64")]
    pd.testing.assert_series_equal(*years)
    assert "unknown" in set(found["sex"])
    assert {"NA", "None", "NaN", "ZË"} <= set(found["initials"])
    pd.testing.assert_series_equal(found["died_on"], true["died_on"], check_dtype=False)


@pytest.mark.parametrize("table", ["procedures", "complications", "contacts", "states"])
def test_other_tables_come_back_row_by_row(read: Read, table: str) -> None:
    found, true = read.study.table(table), getattr(read.made, table)
    columns = [name for name in true.columns if name in found.columns]
    assert _texts(found[columns]) == _texts(true[columns])


def _texts(frame: pd.DataFrame) -> Counter:
    """Rows as tuples of text, missing cells alike whatever their type."""
    cells = frame.astype(object).where(frame.notna(), None).astype(str)
    cells = cells.apply(lambda column: column.str.strip())  # a note led by a tab loses the tab
    return Counter(map(tuple, cells.to_numpy()))


def test_the_plan_is_read(read: Read) -> None:
    assert read_plan(read.folder / "plan.toml").plan.start == SPAN.plan_start


@pytest.mark.parametrize("seed", [1, 2])
def test_other_seeds_agree_too(seed: int, tmp_path: Path) -> None:
    few = Scenario(readings_from=date(2026, 3, 1), implanted_minutes=60, adhesive_minutes=60)
    folder = write_clinic(tmp_path / "clinic", patients=20, seed=seed, scenario=few)
    study = intake(read_sources(folder / "sources.toml"), tmp_path / "study")
    account = study.accounting.groupby("table").sum(numeric_only=True)
    for table, told in known(folder)["tables"].items():
        found = account.loc[table, ["rows_kept", "rows_set_aside", "exact_repeats"]].tolist()
        assert found == [told["kept"], told["set_aside_in_all"], told["exact_repeats"]], table


def test_complete_days_of_23_and_25_hours_stay_complete(read: Read) -> None:
    found: Counter[tuple[str, str]] = Counter()
    for patient in read.study.readings():
        local = pd.Series(
            patient.time * 1000 + patient.local_offset.astype(np.int64) * 60_000_000_000
        )
        on = pd.to_datetime(local).dt.strftime("%Y-%m-%d").to_numpy()
        for date_, expected in {"2025-10-26": 100, "2026-03-29": 92}.items():
            for place, kind in enumerate(("implanted", "adhesive")):
                n = np.count_nonzero((on == date_) & (patient.kind == place))
                found[date_, kind] += int(n == expected)
    told = read.numbers["patients_with_complete_change_days"]
    for (on_, kind), n in found.items():
        # The file that is out of order loses the hour that comes twice.
        assert told[on_][kind] - int(on_ == "2025-10-26") <= n <= told[on_][kind]
    assert min(found["2026-03-29", "implanted"], found["2026-03-29", "adhesive"]) >= 1
    assert found["2025-10-26", "adhesive"] >= 1


def test_notes_that_look_like_formulas_or_missing_words_stay_text(read: Read) -> None:
    notes = set(read.study.table("complications")["action"].dropna())
    assert {"=1+1", "=2+2", "+49 30 0000 rappelée", "-2 jours sans capteur", "NA"} <= notes


def test_a_site_that_nobody_recorded_stays_empty(read: Read) -> None:
    states = read.study.table("states").query("what == 'site'")
    without = set(read.study.table("patients")["patient_id"]) - set(states["patient_id"])
    assert len(without) == read.numbers["happened"]["patients_without_a_site"] == 1
    attempts = read.study.table("procedures")
    assert attempts.loc[attempts["patient_id"].isin(without), "site"].isna().all()


def test_the_workbooks_furniture_is_told_and_its_hidden_row_kept(read: Read) -> None:
    found = read.study.findings.query("table == 'complications'").set_index("rule")["sentence"]
    assert "old list" in found["hidden sheet"]
    assert "hidden rows are read" in found["hidden row"]
    kept = set(read.study.table("complications")["complication_id"])
    assert kept == set(read.made.complications["complication_id"])  # no footer, nothing lost
