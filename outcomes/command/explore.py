"""`outcomes explore`: JupyterLab on a copy of the exploring notebook, pointed at a study."""

from __future__ import annotations

import argparse
import os
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from outcomes.command.endings import Ending, typed
from outcomes.errors import UsageError, WriteError


def add(verbs: Any) -> None:
    """Declare the verb."""
    verb = verbs.add_parser("explore", help="open JupyterLab on a copy of the exploring notebook")
    verb.add_argument("--study", metavar="DIR", type=Path, required=True, help="study folder")
    verb.add_argument("--plan", metavar="FILE", type=Path, help="plan.toml (default: a draft)")
    verb.add_argument("--quarter", metavar="2026-Q3", help="default: the last that had ended")
    verb.add_argument(
        "--folder", metavar="DIR", type=Path, default=Path("explore"),
        help="where the copies are kept (default: explore); an earlier copy is never replaced",
    )  # fmt: skip
    verb.add_argument("--no-browser", action="store_true", help="print the address only")
    verb.add_argument("--port", metavar="N", type=int, help="port of the server on this machine")
    verb.set_defaults(run=run)


def run(given: argparse.Namespace) -> Ending:
    """Copy the notebooks, run JupyterLab until it is stopped."""
    import subprocess

    from outcomes.plan import Quarter, read_plan
    from outcomes.report.panel import install_line
    from outcomes.report.workbench import EXPLORE, LESSON, copy_notebook, lab_command
    from outcomes.tables.study import open_study

    if not (find_spec("jupyterlab") and find_spec("ipywidgets")):
        raise UsageError(f"JupyterLab and its controls are not installed. Type: {install_line()}")
    study = open_study(given.study)
    plan = given.plan.resolve() if given.plan else _drafted(study, given.folder)
    read_plan(plan)
    quarter = str(Quarter.parse(given.quarter)) if given.quarter else ""
    parameters = {"study": given.study.resolve(), "plan": plan, "quarter": quarter}
    copy = copy_notebook(EXPLORE, parameters, given.folder)
    if not (given.folder / f"{LESSON}.ipynb").exists():
        copy_notebook(LESSON, parameters, given.folder)
    further = ["--no-browser"] if given.no_browser else []
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        further.append("--allow-root")  # in a container everybody is root
    if given.port:
        further.append(f"--ServerApp.port={given.port}")
    print(f"Opening {copy}. Stop it here with Ctrl-C, twice.", flush=True)
    status = subprocess.run(lab_command(given.folder, copy, *further), check=False).returncode
    if status not in (0, -2, 130):
        raise WriteError(f"JupyterLab ended with status {status}; its last lines say why.")
    return Ending(
        made=[
            f"{copy}  (your copy; what you change stays)",
            f"{given.folder / (LESSON + '.ipynb')}  (the toolkit in fifteen minutes)",
        ],
        findings=["Exploration is not a finding; the looks are logged beside the study."],
        following=typed("outcomes", "explore", "--study", given.study, "--folder", given.folder),
    )


def _drafted(study: Any, folder: Path) -> Path:
    """Write a draft plan into the folder unless one is there, and return it."""
    from outcomes.command.draft_plan import drafted
    from outcomes.plan import plan_text
    from outcomes.report.publish import publish

    path = folder / "plan.toml"
    if not path.exists():
        publish(folder, {path.name: plan_text(drafted(study))})
    return path.resolve()
