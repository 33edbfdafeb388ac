"""The intake page: every account on it, nothing from elsewhere, progress for people and logs."""

import io

import pandas as pd
import pytest

from outcomes.command import main
from outcomes.command.intake import Progress
from outcomes.report.intake_account import coverage, intake_page, rows_of_files
from outcomes.tables.rules import CATALOGUE
from tests.exports import LABS, READINGS, take_in, write_clinic

LABS_TEXT = "patient_id,drawn_on,hba1c,unit\nP1,2024-03-01,7.1,%\nP9,2024-03-02,8.0,%\n"
HOURS = [f"P1,2024-04-{1 + i // 24:02d} {i % 24:02d}:00,{100 + i % 50}\n" for i in range(360)]
HEADING = "patient_id,read_at,glucose_mg_dl\n"


@pytest.fixture
def study(tmp_path):
    return take_in(tmp_path, LABS + READINGS, labs=LABS_TEXT, readings=HEADING + "".join(HOURS))


def test_the_page_holds_accounts_findings_rules_and_coverage(study, tmp_path):
    page = intake_page(study, tmp_path / "page")
    text = page.read_text(encoding="utf-8")
    assert "labs.csv: 1 of 2 rows name a patient who is not in patients" in text
    assert "Complete the patients export." in text
    assert all(rule.code in text for rule in CATALOGUE)
    tables = {path.stem for path in (page.parent / "tables").iterdir()}
    assert {"accounting", "findings", "changes", "coverage", "completeness", "rules"} <= tables


def test_coverage_is_the_share_of_the_month_that_readings_own(tmp_path):
    half_hours = [row.replace(":00,", f":{m},") for row in HOURS for m in ("00", "30")]
    text = HEADING + "".join(half_hours)
    study = take_in(tmp_path, READINGS, readings=text)
    table = coverage(study)[0].table
    assert table[["patient_id", "month", "readings"]].to_numpy().tolist() == [
        ["P1", "2024-04", 720]
    ]
    assert table["share"].item() == pytest.approx(50)  # 15 of 30 days


def test_a_study_without_readings_has_a_page_too(tmp_path):
    study = take_in(tmp_path, LABS, labs=LABS_TEXT)
    assert "Readings by patient and month" in intake_page(study, tmp_path / "p").read_text()


def test_the_command_writes_the_page_and_tells_each_finding_once(tmp_path, capsys):
    path = write_clinic(tmp_path, LABS, labs=LABS_TEXT)
    assert main(["intake", str(path), "--study", str(tmp_path / "study")]) == 0
    told = capsys.readouterr()
    assert (tmp_path / "study" / "account" / "intake_account.html").is_file()
    assert told.out.count("1 of 2 rows name a patient") == 1
    assert "labs.csv: hba1c, 2 rows" in told.err.splitlines()


def test_rules_can_be_listed_without_reading(capsys):
    assert main(["intake", "--rules"]) == 0
    assert "K01  unknown patient (set aside)" in capsys.readouterr().out


def test_a_terminal_gets_a_bar_and_a_log_plain_lines(monkeypatch):
    class Terminal(io.StringIO):
        def isatty(self):
            return True

    terminal, log = Terminal(), io.StringIO()
    for stream in (terminal, log):
        monkeypatch.setattr("sys.stderr", stream)
        progress = Progress()
        progress("labs.csv: hba1c, 2 rows")
        progress.advance(0.5)
        progress.close()
    assert "[" + "#" * 15 + "." * 15 + "]  50%" in terminal.getvalue()
    assert log.getvalue() == "labs.csv: hba1c, 2 rows\n"


def test_the_accounting_of_the_page_adds_up(study, tmp_path):
    page = intake_page(study, tmp_path / "page")
    account = pd.read_csv(page.parent / "tables" / "accounting.csv")
    placed = ["rows_kept", "rows_set_aside", "exact_repeats", "rows_without_value"]
    assert (account[placed].sum(axis=1) == account["rows_read"]).all()


def test_files_with_nothing_to_tell_stand_in_one_line_and_still_add_up(tmp_path):
    toml = READINGS.replace("readings.csv", "day_*.csv")
    days = {f"day_{i:02d}": HEADING + f"P1,2024-04-{i:02d} 08:00,100\n" for i in range(1, 16)}
    days["day_03"] += "P9,2024-04-03 08:00,100\n"
    told = rows_of_files(take_in(tmp_path, toml, **days))
    shown = told.shown()
    readings = shown[shown["Table"] == "readings"]
    assert readings["Export"].tolist() == ["day_03.csv", "14 further files of readings"]
    assert readings["Read"].tolist() == ["2", "14"]
    assert len(told.table) == 17  # the table for the CSV has every file
