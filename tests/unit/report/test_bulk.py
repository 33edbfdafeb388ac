"""Many reports at once: distinct, with predictable names, each failing for itself."""

import json
import os
import signal
import time
from dataclasses import dataclass
from pathlib import Path

import pytest

from outcomes.errors import SettingsError, UsageError
from outcomes.plan import Quarter
from outcomes.report.bulk import Task, cores, make_all, refuse_collisions, tasks_of
from outcomes.report.run import run_notebook

CASES = Path(__file__).parents[2] / "data" / "cases"
QUARTER = Quarter.parse("2026-Q3")


@dataclass(frozen=True)
class Echo:
    """Run the small notebook with one set of parameters and write what it printed."""

    folder: Path
    parameters: dict

    def run(self):
        work = self.folder.with_suffix(".work")
        work.mkdir(parents=True)
        notebook = run_notebook(CASES / "echo_cohort_and_month.ipynb", self.parameters, work=work)
        self.folder.mkdir()
        (self.folder / "page.txt").write_text(notebook.cells[-1].outputs[0]["text"])
        return self.folder


@dataclass(frozen=True)
class Act:
    """Do one thing in the child."""

    folder: Path
    what: str

    def run(self):
        if self.what == "raise":
            raise UsageError("wrong quarter")
        if self.what == "surprise":
            raise RuntimeError("patient P0107")
        if self.what == "killed":
            os.kill(os.getpid(), signal.SIGKILL)
        if self.what == "endless":
            time.sleep(600)
        return self.what


def of(tmp_path, **where):
    return Task(tmp_path / "study", tmp_path / "plan.toml", QUARTER, tmp_path / "out", where=where)


@pytest.mark.slow
def test_twenty_four_parameter_sets_make_twenty_four_distinct_reports(tmp_path):
    sets = json.loads((CASES / "twenty_four_parameter_sets.json").read_text())
    tasks = [Echo(tmp_path / f"{p['cohort']}-{p['month']:02}", p) for p in sets]
    lines = []
    ended = make_all(tasks, tell=lines.append)
    assert [one.error for one in ended] == [None] * 24
    texts = {one.folder.name: (one.folder / "page.txt").read_text() for one in ended}
    assert texts == {
        f"{p['cohort']}-{p['month']:02}": f"{p['cohort']} {p['month']}\n" for p in sets
    }
    assert len(lines) == 24


def test_one_failure_leaves_the_others_and_is_told_apart(tmp_path):
    acts = ["fine", "raise", "surprise", "killed", "well"]
    ended = make_all([Act(tmp_path / act, act) for act in acts], jobs=2, tell=lambda line: None)
    assert [one.report for one in ended] == ["fine", None, None, None, "well"]
    told = [str(one.error) for one in ended[1:4]]
    assert told[0] == "wrong quarter"
    assert "RuntimeError" in told[1]
    assert "P0107" not in told[1]
    assert "code -9" in told[2]


def test_an_endless_report_is_stopped_alone(tmp_path):
    tasks = [Act(tmp_path / act, act) for act in ("endless", "fine")]
    began = time.monotonic()
    ended = make_all(tasks, jobs=2, seconds=3, tell=lambda line: None)
    assert "longer than 3 s" in str(ended[0].error)
    assert ended[1].report == "fine"
    assert time.monotonic() - began < 30


def test_groups_get_folders_with_predictable_names(tmp_path):
    folders = [
        of(tmp_path, **where).folder for where in ({}, {"site": "Haus 2"}, {"sex": "female"})
    ]
    names = [str(folder.relative_to(tmp_path / "out")) for folder in folders]
    assert names == ["2026-Q3", "2026-Q3/site-haus-2", "2026-Q3/sex-female"]


@pytest.mark.parametrize("other", ["haus-2", "HAUS 2", "Haus  2!"])
def test_names_that_would_clash_are_refused_before_anything_runs(tmp_path, other):
    with pytest.raises(UsageError, match="two reports would have this name"):
        make_all([of(tmp_path, site="Haus 2"), of(tmp_path, site=other)])
    assert not (tmp_path / "out").exists()


def test_a_list_of_reports_is_read_strictly(tmp_path):
    listed = tmp_path / "reports.toml"
    listed.write_text(
        '[[report]]\nquarter = "2026-Q2"\nwhere = { site = "north" }\n[[report]]\n'
        'where = { site = "007" }\n'
    )
    tasks = tasks_of(of(tmp_path), listed)
    assert [(str(task.quarter), task.where) for task in tasks] == [
        ("2026-Q2", {"site": "north"}),
        ("2026-Q3", {"site": "007"}),
    ]
    refuse_collisions(tasks)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[[report]]\nwhre = {}", "Did you mean 'where'"),
        ("[[reports]]\n", "Did you mean 'report'"),
        ("", "at least one"),
        ("[[report]]\nwhere = { site = 7 }", "as texts"),
        ("[[report", "cannot be read"),
    ],
)
def test_a_wrong_list_is_refused_with_the_known_names(tmp_path, text, told):
    listed = tmp_path / "reports.toml"
    listed.write_text(text)
    with pytest.raises(SettingsError, match=told):
        tasks_of(of(tmp_path), listed)


def test_the_default_is_as_many_at_once_as_there_are_cores():
    assert 1 <= cores() <= (os.cpu_count() or 1)
