"""The notebooks for fellows run from top to bottom on the invented clinic, with the names given."""

import shutil
import time

import pytest

from outcomes.command import main
from outcomes.report.run import notebook_path, run_notebook

MOST_SECONDS = 300  # a third of the quarter of an hour that the lesson is to take, reading included


@pytest.fixture
def near(demo, tmp_path):
    """A folder that holds `demo`, as a fellow has it after `outcomes demo`."""
    shutil.copytree(demo, tmp_path / "demo", ignore=shutil.ignore_patterns("exports", "report"))
    return tmp_path


@pytest.mark.parametrize("name", ["explore_cohorts", "first_quarter_of_an_hour"])
def test_every_cell_runs_and_shows_something(near, name):
    began = time.monotonic()
    notebook = run_notebook(notebook_path(name), {}, work=near)
    assert time.monotonic() - began < MOST_SECONDS
    code = [cell for cell in notebook.cells if cell.cell_type == "code"][1:]
    silent = [cell.id for cell in code if not cell.outputs and cell.id != "injected-parameters"]
    assert [cell for cell in silent if not cell.startswith("param")] == []
    assert not any(output.output_type == "error" for cell in code for output in cell.outputs)
    assert (near / "demo" / "study-looks.jsonl").read_text().count("\n") >= 1


def test_without_the_lab_the_command_prints_one_line_and_ends_with_2(demo, capsys, monkeypatch):
    monkeypatch.setattr("outcomes.command.explore.find_spec", lambda name: None)
    assert main(["explore", "--study", str(demo / "study")]) == 2
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert "python -m pip install" in told
