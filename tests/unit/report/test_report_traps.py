"""Reports that go wrong without an error, one group of tests a trap, on the inputs of each.

Twenty-four sets at once: `test_bulk.py`. The order of cohorts and their looks whatever the rows:
`tests/unit/test_figure_colours.py`.
"""

import errno
import json
import os
import shutil
import subprocess
import sys
import time
from functools import partial
from pathlib import Path

import nbformat
import pandas as pd
import papermill
import psutil
import pytest
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output

from outcomes.command import main
from outcomes.command.many import conditions
from outcomes.errors import ReportError, UsageError, WriteError
from outcomes.figures.style import house_style, svg_figure
from outcomes.plan import Quarter
from outcomes.report import make, publish, run
from outcomes.report.bulk import Task, tasks_of
from outcomes.report.check import check_page
from outcomes.report.page import assemble
from outcomes.report.run import check_parameters, run_notebook
from outcomes.results import Result

CASES = Path(__file__).parents[2] / "data" / "cases"
TOKEN = "EXAMPLE-NOT-REAL-0000"
DIES = "import os; os._exit(9)"


def work_in(tmp_path):
    work = tmp_path / "work"
    work.mkdir(exist_ok=True)
    return work


def page_of(notebook):
    return assemble(notebook, title="t", subtitle="s", footer="f").text


def written(text, tmp_path):
    """Return the files under `tmp_path` that hold a text."""
    files = [path for path in tmp_path.rglob("*") if path.is_file()]
    return [path for path in files if text.encode() in path.read_bytes()]


# Parameter types: a date, an id 007, a cohort NO, false, null, quotes and a line break.


def test_parameters_of_all_types_arrive_as_declared(tmp_path):
    given = json.loads((CASES / "parameters_of_all_types.json").read_text("utf-8"))
    notebook = run_notebook(CASES / "echo_all_types.ipynb", given, work=work_in(tmp_path))
    expected = {name: (type(value).__name__, value) for name, value in given.items()}
    assert notebook.cells[-1].outputs[0]["text"].strip() == repr(expected)


def test_ids_and_words_of_a_list_or_a_command_line_stay_texts(tmp_path):
    listed = tmp_path / "reports.toml"
    listed.write_text('[[report]]\nwhere = { patient_id = "007", cohort = "NO" }\n')
    first = Task(tmp_path, tmp_path / "plan.toml", Quarter.parse("2026-Q3"), tmp_path / "out")
    expected = {"patient_id": "007", "cohort": "NO"}
    assert tasks_of(first, listed)[0].where == expected
    assert conditions(["patient_id=007", "cohort=NO"]) == expected


# A misspelt parameter, and a notebook without the tag.


def test_a_misspelt_parameter_is_refused_by_name_before_anything_runs():
    given = json.loads((CASES / "parameters_misspelt.json").read_text("utf-8"))
    with pytest.raises(UsageError, match="cohrt"):
        check_parameters(CASES / "tagged_parameters.ipynb", given)
    with pytest.raises(UsageError, match="tagged 'parameters'"):
        check_parameters(CASES / "untagged_parameters.ipynb", {"cohort": "implanted"})


# Secrets and folders.


def test_a_secret_parameter_is_in_no_file_and_on_no_page(tmp_path):
    given = json.loads((CASES / "parameters_with_a_token.json").read_text("utf-8"))
    assert given["access_token"] == TOKEN
    notebook = run_notebook(CASES / "uses_a_token.ipynb", given, work=work_in(tmp_path))
    assert TOKEN not in page_of(notebook)
    assert written(TOKEN, tmp_path) == []


# A run that fails half way, a kernel that dies, hangs or leaves, an error of memory.


@pytest.fixture
def earlier(tmp_path, demo, monkeypatch):
    """Return a function that reports with some last cell, over an earlier page."""
    folder = tmp_path / "out" / "2026-Q3"
    publish.publish(folder, {"tables/a.csv": "1\n", "quarterly_report.html": "earlier"})
    kept = run.notebook_path("quarterly_report")
    made = nbformat.read(kept, as_version=4)

    def report(cell, cell_seconds=60):
        path = tmp_path / "failing.ipynb"
        made.cells = [made.cells[0], new_code_cell(cell)]
        nbformat.write(made, path)
        monkeypatch.setattr(make, "notebook_path", lambda name: path)
        limited = partial(run_notebook, cell_seconds=cell_seconds)
        monkeypatch.setattr(make, "run_notebook", limited)
        words = ["report", "quarterly", "--study", demo / "study", "--out", tmp_path / "out"]
        words += ["--plan", demo / "clinic" / "plan.toml", "--quarter", "2026-Q3"]
        return main([str(word) for word in words])

    yield report
    files = {p.name: p.read_text() for p in folder.rglob("*") if p.is_file()}
    assert files == {"a.csv": "1\n", "quarterly_report.html": "earlier"}
    assert not list(demo.glob(".run-*"))


@pytest.mark.parametrize(
    ("cell", "seconds", "status", "told"),
    [
        ("raise ValueError('row for patient P0042, born 1949-05-12')", 60, 1, "ValueError"),
        ("raise MemoryError()", 60, 1, "MemoryError"),
        ("import sys; sys.exit(0)", 60, None, ""),
        ("exit()", 60, None, ""),
        (DIES, 60, 4, "kernel died"),
        ("while True: pass", 1, 4, "longer than 1 s"),
        ("import time; time.sleep(3600)", 1, 4, "longer than 1 s"),
    ],
)
def test_a_run_that_fails_leaves_the_earlier_report(earlier, capsys, cell, seconds, status, told):
    ended = earlier(cell, seconds)
    err = capsys.readouterr().err
    assert ended != 0
    assert status in (None, ended)
    assert told in err
    assert "P0042" not in err
    assert "1949" not in err


def test_a_run_that_fails_half_way_tells_no_data_and_leaves_no_copy(tmp_path):
    with pytest.raises(ReportError) as caught:
        run_notebook(CASES / "fails_half_way.ipynb", {}, work=work_in(tmp_path))
    assert "P0042" not in str(caught.value)
    assert written("P0042", tmp_path) == []


# Kernels.


def test_a_foreign_kernel_name_changes_nothing(tmp_path):
    notebook = run_notebook(CASES / "foreign_kernel.ipynb", {}, work=work_in(tmp_path))
    assert notebook.cells[-1].outputs[0]["text"].strip() == repr(sys.version_info[:2])


@pytest.mark.parametrize(
    ("name", "told"), [("kernel_dies", "kernel died"), ("cell_hangs", "longer than 1 s")]
)
def test_a_dead_or_endless_kernel_is_told_and_nothing_is_left_running(tmp_path, name, told):
    with pytest.raises(WriteError, match=told):
        run_notebook(CASES / f"{name}.ipynb", {}, work=work_in(tmp_path), cell_seconds=1)
    deadline = time.monotonic() + 10
    while (left := kernels()) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert left == []


def kernels():
    """Return the kernels that this process started and that still run."""
    found = []
    for child in psutil.Process().children(recursive=True):
        try:
            alive = child.status() != psutil.STATUS_ZOMBIE
            if alive and any("ipykernel" in word for word in child.cmdline()):
                found.append(child.pid)
        except psutil.NoSuchProcess:
            continue
    return found


def test_a_kernel_that_does_not_start_is_tried_once_more_then_reported(tmp_path, monkeypatch):
    tries = []

    def no_start(*_, **__):
        tries.append(1)
        raise RuntimeError("Kernel didn't respond in 60 seconds")

    monkeypatch.setattr(papermill, "execute_notebook", no_start)
    with pytest.raises(WriteError, match="did not start, twice"):
        run_notebook(CASES / "kernel_dies.ipynb", {}, work=work_in(tmp_path))
    assert len(tries) == 2


# A full disk, and a writer that is killed at any of its steps.

FILES = {"tables/a.csv": "2\n", "results.json": "{}", "page.html": "second"}


@pytest.mark.parametrize("step", range(len(FILES)))
def test_a_disk_that_is_full_at_any_file_leaves_the_earlier_report(tmp_path, monkeypatch, step):
    publish.publish(tmp_path, {name: "first" for name in FILES})
    flushed = []

    def full(number):
        flushed.append(number)
        if len(flushed) > step:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(publish.os, "fsync", full)
    with pytest.raises(WriteError, match="No space left"):
        publish.publish(tmp_path, FILES)
    kept = {p.relative_to(tmp_path).as_posix(): p.read_text() for p in tmp_path.rglob("*.*")}
    assert kept == {name: "first" for name in FILES}


@pytest.mark.parametrize("step", range(2 * len(FILES)))
def test_a_writer_killed_at_any_step_leaves_a_whole_page(tmp_path, step):
    publish.publish(tmp_path, {name: "first" for name in FILES})
    code = (
        "import os, sys\nfrom pathlib import Path\nfrom outcomes.report import publish\n"
        "done = []\n"
        "def counted(real):\n"
        "    def act(*given):\n"
        f"        len(done) == {step} and os._exit(9)\n"
        "        done.append(1)\n"
        "        return real(*given)\n"
        "    return act\n"
        "os.fsync, os.replace = counted(os.fsync), counted(os.replace)\n"
        f"publish.publish(Path(sys.argv[1]), {FILES!r})"
    )
    ended = subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=False)
    assert ended.returncode == 9
    assert (tmp_path / "page.html").read_text() == "first"  # it is replaced last
    assert (tmp_path / "results.json").read_text() in ("first", "{}")


@pytest.mark.slow
def test_a_report_killed_while_its_kernel_runs_leaves_the_earlier_page(demo, tmp_path):
    shutil.copytree(demo / "study", tmp_path / "study")
    page = tmp_path / "out" / "2026-Q3" / "quarterly_report.html"
    page.parent.mkdir(parents=True)
    page.write_text("earlier")
    words = [sys.executable, "-m", "outcomes", "report", "quarterly", "--quarter", "2026-Q3"]
    words += ["--study", tmp_path / "study", "--plan", demo / "clinic" / "plan.toml"]
    report = subprocess.Popen(
        [*map(str, words), "--out", str(tmp_path / "out")],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    deadline = time.monotonic() + 60
    while not list(tmp_path.glob(".run-*/ipython")) and time.monotonic() < deadline:
        time.sleep(0.05)
    report.kill()
    report.wait()
    assert list(tmp_path.glob(".run-*/ipython"))  # it was killed in the middle of a run
    assert [p.name for p in (tmp_path / "out").rglob("*") if p.is_file()] == [page.name]
    assert page.read_text() == "earlier"


# A page that is complete in itself: formulas, diagrams, pictures.


def test_a_picture_beside_the_notebook_or_missing_stops_the_page_and_diagrams_are_text():
    notebook = nbformat.read(CASES / "outside_addresses.ipynb", as_version=4)
    (prose,) = [cell.source for cell in notebook.cells if cell.cell_type == "markdown"]
    with pytest.raises(ReportError, match="an address in src; an address in src"):
        check_page(page_of(new_notebook(cells=[new_markdown_cell(prose)])))
    without = "\n".join(line for line in prose.splitlines() if "![" not in line)
    page = page_of(new_notebook(cells=[new_markdown_cell(without)]))
    check_page(page)
    assert "graph TD; A--&gt;B" in page
    assert "$y = a + bx$" in page


# Alternative text.


def test_a_figure_without_a_text_of_its_own_has_the_finding_and_a_bare_one_is_refused():
    def drawing(ax):
        ax.plot([0, 1], [1, 0])

    table = pd.DataFrame({"cohort": ["implanted"]})
    result = Result(
        name="one", title="Why?", table=table, entries=(), finding="It fell by 0.5.",
        caption="One row.", drawing=drawing,
    )  # fmt: skip
    data = result._repr_mimebundle_()
    page = page_of(new_notebook(cells=[shown(data)]))
    check_page(page)
    assert '<title id="fig-one-text">It fell by 0.5.</title>' in page
    bare = {"image/png": "AAAA", "text/plain": "<Figure>"}
    with pytest.raises(ReportError, match="neither a result nor prose"):
        page_of(new_notebook(cells=[shown(bare)]))


def shown(data):
    return new_code_cell("x", outputs=[new_output("execute_result", data=data)])


# Data that looks like markup.


def test_notes_like_markup_are_text_in_table_caption_prose_and_figure():
    notes = pd.read_csv(CASES / "notes_like_markup.csv")
    told = " ".join(notes["note"])

    def drawing(ax):
        ax.set_title(told)

    result = Result(
        name="notes", title=told, table=notes, entries=(), finding=told, caption=told,
        footnotes=[told], settings={told: told}, drawing=drawing,
    )  # fmt: skip
    page = page_of(new_notebook(cells=[new_markdown_cell(told), shown(result._repr_mimebundle_())]))
    check_page(page)
    assert "<script" not in page
    assert "<img" not in page
    assert page.count("&lt;script&gt;window.hit=1&lt;/script&gt;") >= 6
    assert "a &lt; b &amp; c &gt; d" in page


# Hidden code, progress bars and widgets.


def test_no_code_hidden_or_not_and_no_parameter_is_on_a_page(tmp_path):
    notebook = run_notebook(CASES / "hidden_source.ipynb", {}, work=work_in(tmp_path))
    page = page_of(notebook)
    for code in ("SECRET_HELPER", "visible result", "cohort = "):
        assert code not in page


def test_progress_bars_stay_out_and_a_widget_is_refused():
    notebook = nbformat.read(CASES / "progress_bar_and_widget.ipynb", as_version=4)
    for cell in notebook.cells:
        kinds = {output.output_type for output in cell.get("outputs", [])}
        if kinds == {"stream"}:
            page = page_of(new_notebook(cells=[cell]))
            assert all(output["text"] not in page for output in cell.outputs)
        elif kinds:
            with pytest.raises(ReportError, match="neither a result nor prose"):
                page_of(new_notebook(cells=[cell]))


# Bands come from people, and two drawings are one.


def test_two_drawings_of_a_band_give_the_same_bytes():
    from matplotlib.figure import Figure

    people = pd.read_csv(CASES / "six_people_twelve_readings.csv")
    means = people.groupby("patient_id")["glucose_mg_dl"].mean()

    def picture():
        with house_style():
            figure = Figure()
            ax = figure.add_subplot()
            ax.errorbar([0], [means.mean()], yerr=[means.sem()])
            return svg_figure(figure, alt="x", prefix="p")

    assert picture() == picture()
