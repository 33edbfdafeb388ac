"""A run is isolated, checked before it starts, and leaves nothing behind when it fails."""

import datetime
import json
import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import nbformat
import numpy as np
import pytest
from nbformat.v4 import new_code_cell, new_notebook

from outcomes.errors import ReportError, UsageError, WriteError
from outcomes.report.publish import json_text, publish
from outcomes.report.run import check_parameters, notebook_path, run_notebook

PARAMETERS = "when: str = None\ncode: str = None\nflag: bool = False\nnote: str = ''"


def notebook(tmp_path, *sources, parameters=PARAMETERS, kernel="python3"):
    cells = [new_code_cell(parameters, metadata={"tags": ["parameters"]})]
    cells += [new_code_cell(source) for source in sources]
    made = new_notebook(cells=cells)
    made.metadata["kernelspec"] = {"name": kernel, "display_name": kernel, "language": "python"}
    path = tmp_path / "tested.ipynb"
    nbformat.write(made, path)
    return path


def run(path, tmp_path, **options):
    work = tmp_path / "work"
    work.mkdir(exist_ok=True)
    given = {"when": "2026-01-31", "code": "007", **options.pop("parameters", {})}
    return run_notebook(path, given, work=work, **options)


def shown(notebook):
    return notebook.cells[-1].outputs[-1]["data"]["text/plain"]


def test_parameters_arrive_as_declared(tmp_path):
    given = {
        "when": datetime.date(2026, 1, 31),
        "code": "007",
        "flag": False,
        "note": 'NO "quoted"\nsecond line {x} \\',
    }
    path = notebook(tmp_path, "(when, code, flag, note)")
    expected = ("2026-01-31", "007", False, given["note"])
    assert shown(run(path, tmp_path, parameters=given)) == repr(expected)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"cohrt": "implanted"}, "cohrt"),
        ({"flag": np.bool_(True)}, "bool"),
        ({"note": {1, 2}}, "set"),
        ({"when": datetime.datetime(2026, 1, 1)}, "datetime"),
    ],
)
def test_unknown_or_untyped_parameters_are_refused_before_a_kernel_starts(tmp_path, changes, told):
    with pytest.raises(UsageError, match=told):
        check_parameters(notebook(tmp_path, "1"), {"when": "x", "code": "y", **changes})


def test_a_missing_parameter_is_refused(tmp_path):
    with pytest.raises(UsageError, match="code must be given"):
        check_parameters(notebook(tmp_path, "1"), {"when": "x"})


def test_a_notebook_without_the_parameters_tag_is_refused(tmp_path):
    path = tmp_path / "untagged.ipynb"
    nbformat.write(new_notebook(cells=[new_code_cell("x = 1")]), path)
    with pytest.raises(UsageError, match="tagged 'parameters'"):
        check_parameters(path, {})


def test_an_early_exit_is_a_failure(tmp_path):
    with pytest.raises((ReportError, WriteError)):
        run(notebook(tmp_path, "import sys; sys.exit()", "1"), tmp_path)


def test_a_failing_cell_tells_its_place_and_no_data(tmp_path):
    path = notebook(tmp_path, "patient = 'P0107 secret'", "raise RuntimeError(patient)")
    with pytest.raises(ReportError) as caught:
        run(path, tmp_path)
    assert "RuntimeError" in str(caught.value)
    assert "P0107" not in str(caught.value)


def test_an_error_of_our_own_keeps_its_exit_status(tmp_path):
    path = notebook(tmp_path, "from outcomes.errors import UsageError; raise UsageError('so')")
    with pytest.raises(UsageError, match="so"):
        run(path, tmp_path)


def test_a_cell_has_a_time_limit(tmp_path):
    with pytest.raises(WriteError, match="longer than 1 s"):
        run(notebook(tmp_path, "while True: pass"), tmp_path, cell_seconds=1)


def test_a_dead_kernel_is_told_in_seconds(tmp_path):
    began = time.monotonic()
    with pytest.raises(WriteError, match="kernel died"):
        run(notebook(tmp_path, "import os; os._exit(9)"), tmp_path)
    assert time.monotonic() - began < 20


def test_the_interpreter_in_use_runs_whatever_the_notebook_says(tmp_path):
    path = notebook(tmp_path, "import sys; sys.executable", kernel="julia-1.9")
    assert shown(run(path, tmp_path)) == repr(sys.executable)


def test_nothing_of_the_machine_reaches_a_run(tmp_path, monkeypatch):
    home = tmp_path / "home"
    startup = home / ".ipython" / "profile_default" / "startup"
    startup.mkdir(parents=True)
    (startup / "00.py").write_text("planted = True")
    (tmp_path / "work").mkdir()
    (tmp_path / "work" / "pandas.py").write_text("planted = True")
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.setenv("SECRET_TOKEN", "abc")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path / "work"))
    code = (
        "import os, pandas\n"
        "('planted' in globals(), hasattr(pandas, 'planted'), 'SECRET_TOKEN' in os.environ,"
        " get_ipython().history_manager.enabled)"
    )
    assert shown(run(notebook(tmp_path, code), tmp_path)) == "(False, False, False, False)"


def test_files_replace_the_earlier_ones_only_together(tmp_path):
    publish(tmp_path, {"tables/a.csv": "1\n", "page.html": "first"})
    (tmp_path / "blocked").mkdir()
    (tmp_path / "blocked" / "x").write_text("")
    with pytest.raises(WriteError):
        publish(tmp_path, {"page.html/inside": "x", "page.html": "second"})
    assert (tmp_path / "page.html").read_text() == "first"
    assert not list(tmp_path.glob(".new-*"))


def test_a_table_of_an_earlier_report_does_not_stay_beside_the_new_page(tmp_path):
    publish(tmp_path, {"tables/old.csv": "1\n", "tables/a.csv": "1\n", "page.html": "first"})
    (tmp_path / "tables" / "mine.txt").write_text("a reader's own note")
    publish(tmp_path, {"tables/a.csv": "2\n", "page.html": "second"})
    assert sorted(p.name for p in (tmp_path / "tables").iterdir()) == ["a.csv", "mine.txt"]


def test_what_does_not_exist_is_null_and_never_nan():
    assert json.loads(json_text({"x": None})) == {"x": None}
    with pytest.raises(ValueError, match="Out of range"):
        json_text({"x": float("nan")})


def test_a_killed_writer_leaves_the_page(tmp_path):
    page = tmp_path / "page.html"
    publish(tmp_path, {"page.html": "first"})
    code = (
        "import sys\nfrom pathlib import Path\nfrom outcomes.report.publish import publish\n"
        "print('ready', flush=True)\n"
        "while True: publish(Path(sys.argv[1]), {'page.html': 'second' * 200000})"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path)], stdout=subprocess.PIPE, text=True
    )
    process.stdout.readline()
    threading.Event().wait(0.2)
    process.kill()
    process.wait()
    process.stdout.close()
    assert page.read_text() in ("first", "second" * 200000)


def test_the_notebooks_are_found():
    assert notebook_path("quarterly_report").name == "quarterly_report.ipynb"
    with pytest.raises(ReportError, match="not found"):
        notebook_path("nothing")


def test_an_unwritable_place_is_told(tmp_path):
    if os.geteuid() == 0:
        target = Path("/proc/nowhere")
    else:
        target = tmp_path / "closed"
        target.mkdir(mode=0o500)
    with pytest.raises(WriteError, match="cannot be written"):
        publish(target / "out", {"page.html": "x"})
