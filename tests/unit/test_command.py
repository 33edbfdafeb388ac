"""The command: exit statuses, endings, and what it says when something is wrong."""

import subprocess
import sys

import pytest

from outcomes.command import main, when
from outcomes.command.endings import Ending, typed
from outcomes.command.main import parser
from outcomes.errors import INTERNAL, NOT_WRITTEN, WRONG_USE


def outcomes(capsys, *words):
    status = main([str(word) for word in words])
    captured = capsys.readouterr()
    return status, captured.out, captured.err


@pytest.mark.parametrize("words", [[], ["reprt"], ["report", "weekly"], ["intake", "x.toml"]])
def test_a_wrong_call_ends_with_2(words, capsys):
    with pytest.raises(SystemExit) as caught:
        main(words)
    assert caught.value.code == WRONG_USE
    assert "usage: outcomes" in capsys.readouterr().err


def test_absent_sources_end_with_2_and_name_the_file(tmp_path, capsys):
    words = ["intake", tmp_path / "sources.toml", "--study", tmp_path / "study"]
    status, out, err = outcomes(capsys, *words)
    assert (status, out) == (WRONG_USE, "")
    assert "sources.toml: no such file" in err


def test_a_folder_that_is_no_study_is_told(tmp_path, capsys):
    status, _, err = outcomes(capsys, "draft-plan", "--study", tmp_path)
    assert status == 3
    assert "study" in err
    assert "Traceback" not in err


def test_a_wrong_quarter_is_told(tmp_path, capsys):
    words = ["report", "quarterly", "--study", tmp_path, "--plan", "p", "--quarter", "Q3", "--out"]
    status, _, err = outcomes(capsys, *words, tmp_path / "out")
    assert status == WRONG_USE
    assert "2026-Q3" in err
    assert not (tmp_path / "out").exists()


def test_an_internal_error_ends_with_1_shows_no_data_and_is_traced_in_the_log(
    tmp_path, capsys, monkeypatch
):
    def broken(given):
        raise KeyError("P0107")

    monkeypatch.setattr("outcomes.command.demo.run", broken)
    log = tmp_path / "logs" / "run.log"
    status, _, err = outcomes(capsys, "--log", log, "demo", "--out", tmp_path)
    assert status == INTERNAL
    assert "internal error (KeyError)" in err
    assert "P0107" not in err + log.read_text()
    assert "test_command.py" in log.read_text()


def test_an_interruption_ends_with_4(tmp_path, capsys, monkeypatch):
    def interrupted(given):
        raise KeyboardInterrupt

    monkeypatch.setattr("outcomes.command.demo.run", interrupted)
    status, _, err = outcomes(capsys, "demo", "--out", tmp_path)
    assert status == NOT_WRITTEN
    assert "nothing was replaced" in err


def test_an_ending_says_what_was_made_three_findings_and_what_is_next():
    text = Ending(made=["a"], findings=["1", "2", "3", "4"], following="outcomes x").text()
    assert text.splitlines()[-1] == "  outcomes x"
    assert text.count("  - ") == 3


def test_words_with_a_space_are_quoted():
    assert typed("outcomes", "--out", "my folder") == 'outcomes --out "my folder"'


def test_every_verb_explains_itself():
    text = parser().format_help()
    assert all(verb in text for verb in ("demo", "intake", "draft-plan", "report"))


def test_the_module_is_the_command():
    done = subprocess.run(
        [sys.executable, "-m", "outcomes", "--help"], capture_output=True, text=True, check=True
    )
    assert "Exit status: 0 done" in done.stdout


def test_a_scheduler_asks_for_the_last_quarter_and_the_report_before_it(demo, tmp_path):
    words = ["report", "quarterly", "--study", demo / "study", "--plan", "p", "--out", tmp_path]
    words += ["--quarter", "last", "--previous", "last"]
    given = parser().parse_args([str(word) for word in words])
    quarter = when.quarter_of(given)
    assert str(quarter) == "2026-Q3"
    assert when.previous_of(given, quarter) is None
    (tmp_path / "2026-Q2").mkdir()
    (tmp_path / "2026-Q2" / "results.json").write_text("{}")
    assert when.previous_of(given, quarter) == tmp_path / "2026-Q2"
