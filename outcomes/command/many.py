"""`outcomes report ... --where`, `--by`, `--each`: reports on parts of a clinic, many at once."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from outcomes.command.endings import Ending, typed
from outcomes.errors import DONE, OutcomesError, UsageError


def add_options(kind: Any) -> None:
    """Declare the options on one kind of report."""
    kind.add_argument(
        "--where", metavar="NAME=VALUE", action="append", default=[],
        help="only these patients, such as site=north; may be given several times",
    )  # fmt: skip
    several = kind.add_mutually_exclusive_group()
    several.add_argument(
        "--by",
        metavar="NAME",
        help="one report a group: site, cohort, sex, ... (a column or state)",
    )
    several.add_argument(
        "--each", metavar="FILE", type=Path, help="one report for each [[report]] of a TOML file"
    )
    kind.add_argument(
        "--jobs", metavar="N", type=int, help="reports at once (default: as many as cores)"
    )


def asked(given: argparse.Namespace) -> bool:
    """Return whether one of the options was given."""
    return bool(given.where or given.by or given.each)


def run(given: argparse.Namespace) -> Ending:
    """Make every report asked for; each fails for itself."""
    from outcomes.plan import Quarter
    from outcomes.report.bulk import Task, make_all, tasks_by, tasks_of

    if given.jobs is not None and given.jobs < 1:
        raise UsageError(f"--jobs {given.jobs}: give a number of 1 or more.")
    first = Task(
        given.study, given.plan, Quarter.parse(given.quarter), given.out, given.report,
        where=conditions(given.where), audience=given.audience,
        options={"scheduler": given.scheduler} if given.scheduler else {},
    )  # fmt: skip
    tasks = [first]
    if given.by:
        tasks = tasks_by(first, given.by)
    elif given.each:
        tasks = tasks_of(first, given.each)
    tasks = [_with_previous(task, getattr(given, "previous", None)) for task in tasks]
    ended = make_all(tasks, jobs=given.jobs)
    failed = [one for one in ended if one.error is not None]
    made = [str(one.report.page) for one in ended if one.report is not None]
    return Ending(
        made=made or ["nothing; earlier reports are as they were"],
        findings=[
            f"{len(made)} of {len(ended)} reports were made.",
            *(f"{one.folder}: {one.error}" for one in failed),
        ],
        following=typed("outcomes", "report", given.report, "--help"),
        status=_status(failed[0].error) if failed else DONE,
    )


def conditions(told: list[str]) -> dict[str, str]:
    """Return what `--where` was given, name to value."""
    pairs = [text.partition("=") for text in told]
    for name, sign, value in pairs:
        if not (name and sign and value):
            raise UsageError(f"--where {name}{sign}{value}: write it as NAME=VALUE, site=north.")
    return {name: value for name, _, value in pairs}


def _with_previous(task: Any, previous: Path | None) -> Any:
    """Give a task the earlier report on its own group, where there is one."""
    from dataclasses import replace

    from outcomes.report.make import group_folder

    if previous is None:
        return task
    earlier = previous.resolve() / group_folder(task.where)
    return (
        replace(task, options={**task.options, "previous": earlier}) if earlier.is_dir() else task
    )


def _status(error: Exception | None) -> int:
    return error.exit_status if isinstance(error, OutcomesError) else DONE
