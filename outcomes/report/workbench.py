"""A folder with copies of the exploring notebooks, pointed at one study, for JupyterLab."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import nbformat

from outcomes.report.publish import json_text, publish
from outcomes.report.run import check_parameters, notebook_path

EXPLORE: Final = "explore_cohorts"
LESSON: Final = "first_quarter_of_an_hour"

# JupyterLab asks nobody outside for news, versions or extensions, and listens to this machine only.
QUIET: Final = (
    "--ServerApp.ip=127.0.0.1",
    "--LabApp.news_url=",
    "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
    "--LabApp.extension_manager=readonly",
)
SETTINGS: Final = ".lab"
NO_QUESTIONS: Final = {
    "@jupyterlab/apputils-extension:notification": {"fetchNews": "false", "checkForUpdates": False}
}


def copy_notebook(name: str, parameters: Mapping[str, Any], folder: Path) -> Path:
    """Copy a notebook into `folder` with its parameters set, and return the copy.

    A copy that lies there already is somebody's work and is never replaced; the new one gets the
    next free number.

    Raises
    ------
    UsageError
        The notebook does not declare one of the parameters.
    """
    source = notebook_path(name)
    given = check_parameters(source, parameters)
    notebook = nbformat.read(source, as_version=4)  # type: ignore[no-untyped-call]
    for cell in notebook.cells:
        if "parameters" in cell.metadata.get("tags", []):
            cell.source = "\n".join(_set(line, given) for line in cell.source.splitlines())
    target = _free(folder, name)
    publish(folder, {target.name: nbformat.writes(notebook) + "\n"})  # type: ignore[no-untyped-call]
    return target


def _set(line: str, given: Mapping[str, Any]) -> str:
    """Return a line of the parameters cell with its value replaced, its comment kept."""
    name = line.partition("=")[0].partition(":")[0].strip()
    if name not in given:
        return line
    _, mark, comment = line.partition("#")
    value = given[name]
    text = "None" if value is None else json.dumps(value, ensure_ascii=False)
    return f"{line.partition('=')[0].rstrip()} = {text}" + (
        f"  # {comment.strip()}" if mark else ""
    )


def _free(folder: Path, name: str) -> Path:
    path, number = folder / f"{name}.ipynb", 2
    while path.exists():
        path, number = folder / f"{name}_{number}.ipynb", number + 1
    return path


def lab_command(folder: Path, notebook: Path, *further: str) -> list[str]:
    """Return the command that opens JupyterLab of this interpreter on the notebook.

    Its settings are kept in a hidden folder beside the copies, so that nobody's own are changed.
    """
    settings = folder.resolve() / SETTINGS
    publish(settings, {"overrides.json": json_text(NO_QUESTIONS)})
    return [
        sys.executable, "-m", "jupyterlab", *QUIET, f"--ServerApp.root_dir={folder.resolve()}",
        f"--LabApp.app_settings_dir={settings}", f"--LabApp.user_settings_dir={settings}",
        f"--LabApp.default_url=/lab/tree/{notebook.name}", *further,
    ]  # fmt: skip
