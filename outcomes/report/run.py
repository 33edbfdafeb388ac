"""Run one notebook with declared parameters, in isolation, and give back what it displayed."""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
import time
import warnings
from collections.abc import Mapping
from datetime import date
from importlib.resources import files
from pathlib import Path
from typing import Any

import nbformat
import papermill
from nbclient.exceptions import CellExecutionError, CellTimeoutError, DeadKernelError
from papermill.exceptions import PapermillException, PapermillExecutionError

from outcomes import errors
from outcomes.errors import ReportError, UsageError, WriteError, known_names
from outcomes.report.kernel import kernel_environment, kernel_manager_class

CELL_SECONDS = 900
LEFT_OVER_SECONDS = 24 * 3600  # no run lasts so long: what is older was left by a killed one


def notebook_path(name: str) -> Path:
    """Return the notebook called `name`: from the installed package, else from the checkout."""
    for folder in (files("outcomes") / "_notebooks", files("outcomes") / ".." / "notebooks"):
        path = Path(str(folder)) / f"{name}.ipynb"
        if path.is_file():
            return path.resolve()
    raise ReportError(f"notebook {name}: not found. Install the package again.")


def check_parameters(path: Path, parameters: Mapping[str, Any]) -> dict[str, Any]:
    """Return the parameters as plain JSON types, or refuse them before a kernel starts.

    Every parameter that the notebook declares without a default must be given, no other name is
    accepted, and each value keeps the type it came with: a schema decides, not its look.
    """
    cells = [
        cell
        for cell in nbformat.read(path, as_version=4).cells  # type: ignore[no-untyped-call]
        if "parameters" in cell.metadata.get("tags", [])
    ]
    if len(cells) != 1:
        raise UsageError(
            f"{path.name}: {len(cells)} cells are tagged 'parameters'; exactly one must be."
        )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # inspection warns of cells without parameters
        declared = papermill.inspect_notebook(str(path))
    for name in parameters:
        if name not in declared:
            raise UsageError(f"{path.name}: {known_names('parameter', name, declared)}")
    absent = [n for n, d in declared.items() if d["default"] == "None" and n not in parameters]
    if absent:
        raise UsageError(f"{path.name}: parameters {', '.join(absent)} must be given.")
    return {name: _plain(name, value) for name, value in parameters.items()}


def _plain(name: str, value: Any) -> Any:
    if value is None or type(value) in (bool, int, float, str):
        return value
    if isinstance(value, Path):
        return str(value)
    if type(value) is date:
        return value.isoformat()
    if type(value) in (list, tuple):
        return [_plain(name, item) for item in value]
    if type(value) is dict and all(type(key) is str for key in value):
        return {key: _plain(name, item) for key, item in value.items()}
    raise UsageError(f"parameter {name}: a {type(value).__name__} cannot be passed to a notebook.")


def run_notebook(
    path: Path, parameters: Mapping[str, Any], *, work: Path, cell_seconds: int = CELL_SECONDS
) -> nbformat.NotebookNode:
    """Run the notebook at `path` and return it with its outputs; nothing is written.

    Parameters
    ----------
    path : Path
    parameters : mapping
        Checked by `check_parameters`.
    work : Path
        Folder of working files, made for this run and swept by the caller.
    cell_seconds : int
        Time limit of one cell, in seconds.

    Raises
    ------
    UsageError
        A parameter is unknown, missing or of a type that cannot be passed.
    ReportError
        A cell failed or the notebook ended early. The message names cell and error.
    WriteError
        The kernel died or ran out of time, or did not start, twice.
    """
    given = check_parameters(path, parameters)
    try:
        notebook = _executed(path, given, work, cell_seconds)
    except PapermillExecutionError as error:
        place = f"{path.name}, cell {error.exec_count}"
        raise _cell_error(place, error.ename, error.evalue) from error
    except CellTimeoutError as error:
        raise WriteError(f"{path.name}: a cell took longer than {cell_seconds} s.") from error
    except DeadKernelError as error:
        raise WriteError(
            f"{path.name}: the kernel died, most often for lack of memory. No page was written."
        ) from error
    except (CellExecutionError, PapermillException) as error:
        raise ReportError(f"{path.name}: {error}") from error
    _refuse_early_end(path, notebook)
    return notebook


def _executed(
    path: Path, parameters: Mapping[str, Any], work: Path, cell_seconds: int
) -> nbformat.NotebookNode:
    """Execute the notebook; a kernel that does not start is tried once more."""
    quiet = not sys.stderr.isatty() or bool(os.environ.get("CI"))
    for last in (False, True):
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # of the libraries that run notebooks
                return papermill.execute_notebook(
                    str(path),
                    None,  # a failed run must leave no file with patient data behind
                    parameters=dict(parameters),
                    cwd=str(work),
                    progress_bar=not quiet,
                    kernel_name="python3",
                    language="python",
                    execution_timeout=cell_seconds,
                    kernel_manager_class=kernel_manager_class(kernel_environment(work)),
                    shutdown_kernel="immediate",
                    request_save_on_cell_execute=False,
                )
        except DeadKernelError:
            raise  # it died in a cell, where a second try would repeat the first
        except RuntimeError as error:
            if last:
                raise WriteError(
                    f"{path.name}: the kernel did not start, twice. Check that there is memory "
                    "and that this Python can import ipykernel. No page was written."
                ) from error
    raise AssertionError("a try returns or raises")


def _cell_error(place: str, name: str, message: str) -> Exception:
    """Return the error of a failed cell; errors of our own family keep their exit status."""
    cls = getattr(errors, name, None)
    if isinstance(cls, type) and issubclass(cls, errors.OutcomesError):
        return cls(message)
    return ReportError(f"{place}: {name}. No page was written; run with --log FILE for more.")


def _refuse_early_end(path: Path, notebook: nbformat.NotebookNode) -> None:
    for number, cell in enumerate(notebook.cells, start=1):
        if cell.cell_type == "code" and cell.source.strip() and cell.execution_count is None:
            raise ReportError(f"{path.name}: the run ended before cell {number} (sys.exit?).")


def working_folder(beside: Path) -> tempfile.TemporaryDirectory[str]:
    """Return a private folder for working files beside `beside`, swept when it is left.

    Folders that a killed run left there are swept too, once they are a day old.
    """
    beside.parent.mkdir(parents=True, exist_ok=True)
    for folder in beside.parent.glob(".run-*"):
        if time.time() - folder.stat().st_mtime > LEFT_OVER_SECONDS:
            shutil.rmtree(folder, ignore_errors=True)
    return tempfile.TemporaryDirectory(
        prefix=".run-", dir=beside.parent, ignore_cleanup_errors=True
    )
