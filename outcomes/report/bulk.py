"""Many reports from one command: in parallel, with predictable names, each failing for itself."""

from __future__ import annotations

import multiprocessing
import os
import sys
import time
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any, Final

from tqdm import tqdm

from outcomes.cohorts.build import build_cohorts, groups
from outcomes.errors import OutcomesError, SettingsError, UsageError, WriteError, known_names
from outcomes.plan import Quarter, read_plan
from outcomes.report.make import KINDS, Report, make_report, report_folder
from outcomes.tables.study import open_study

REPORT_SECONDS: Final = 1800.0


@dataclass(frozen=True)
class Task:
    """One report to make; `kind`, `quarter` and `where` name its folder."""

    study: Path
    plan: Path
    quarter: Quarter
    out: Path
    kind: str = "quarterly"
    where: Mapping[str, str] = field(default_factory=dict)
    options: Mapping[str, Any] = field(default_factory=dict)
    audience: str | None = None

    @property
    def folder(self) -> Path:
        """Where the report will lie."""
        seen_by = self.audience or KINDS[self.kind].audience
        return report_folder(self.out, self.quarter, self.where, kind=self.kind, audience=seen_by)

    def run(self) -> Report:
        """Make the report."""
        return make_report(
            self.study, self.plan, self.quarter, self.out,
            kind=self.kind, audience=self.audience, where=self.where, options=self.options,
        )  # fmt: skip


@dataclass(frozen=True)
class Made:
    """What became of one task: a report, or the error that it failed with."""

    folder: Path
    seconds: float
    report: Report | None = None
    error: Exception | None = None

    def line(self) -> str:
        """Return one line for the terminal or the log."""
        if self.error is None:
            return f"made    {self.folder}  ({self.seconds:.1f} s)"
        return f"FAILED  {self.folder}: {self.error}"


@dataclass
class _Running:
    task: Any
    process: BaseProcess
    answers: Connection
    began: float


def tasks_by(first: Task, name: str) -> list[Task]:
    """Return one task for every group of `name` that has a patient; "cohort" gives one a kind.

    Raises
    ------
    UsageError
        The name is unknown; the message lists the known ones.
    """
    whole = build_cohorts(open_study(first.study), read_plan(first.plan), quarter=first.quarter)
    sizes = groups(whole, name)
    return [replace(first, where={**first.where, name: value}) for value, n in sizes.items() if n]


def tasks_of(first: Task, path: Path) -> list[Task]:
    """Return the tasks that a file lists: `[[report]]` tables with `quarter` and `where`.

    Raises
    ------
    SettingsError
        The file cannot be read, or holds an unknown key or a value of a wrong type.
    """
    try:
        told = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SettingsError(f"{path.name}: cannot be read ({type(error).__name__}).") from error
    for key in set(told) - {"report"}:
        raise SettingsError(f"{path.name}: {known_names('key', key, ['report'])}")
    listed = told.get("report", [])
    if not isinstance(listed, list) or not listed:
        raise SettingsError(f"{path.name}: list at least one [[report]].")
    return [_listed(first, path, number, one) for number, one in enumerate(listed, start=1)]


def _listed(first: Task, path: Path, number: int, told: Mapping[str, Any]) -> Task:
    place = f"{path.name}, report {number}"
    for key in set(told) - {"quarter", "where"}:
        raise SettingsError(f"{place}: {known_names('key', key, ['quarter', 'where'])}")
    where = told.get("where", {})
    if not isinstance(where, dict) or not all(type(value) is str for value in where.values()):
        raise SettingsError(f'{place}: write where as texts, such as {{ site = "north" }}.')
    quarter = Quarter.parse(told["quarter"]) if "quarter" in told else first.quarter
    return replace(first, quarter=quarter, where={**first.where, **where})


def cores() -> int:
    """Return how many cores this process may use."""
    usable = getattr(os, "sched_getaffinity", None)
    return len(usable(0)) if usable else os.cpu_count() or 1


def refuse_collisions(tasks: Sequence[Any]) -> None:
    """Raise `UsageError` where two tasks would write to one folder, before anything runs.

    Folders are compared without regard to upper and lower case, since some systems have none.
    """
    seen: dict[str, Any] = {}
    for task in tasks:
        name = str(task.folder).casefold()
        if name in seen:
            told = [dict(getattr(t, "where", {})) for t in (seen[name], task)]
            raise UsageError(
                f"{task.folder}: two reports would have this name ({told[0]} and {told[1]}). "
                "Nothing was run; rename one of the groups, or make one report with --where."
            )
        seen[name] = task


def make_all(
    tasks: Sequence[Any],
    *,
    jobs: int | None = None,
    seconds: float = REPORT_SECONDS,
    tell: Callable[[str], None] | None = None,
) -> list[Made]:
    """Make every report and return what became of each, in the order of `tasks`.

    Parameters
    ----------
    tasks : sequence of Task
        Anything with a `folder` and a `run()` that can be pickled.
    jobs : int, optional
        Reports at once; by default as many as this process has cores. More makes all slower.
    seconds : float
        Time limit of one report.
    tell : callable, optional
        Gets one line a report as it ends. By default a progress bar where standard error is a
        terminal, one line a report elsewhere.

    Raises
    ------
    UsageError
        Two reports would have one name; nothing was run.

    Notes
    -----
    One process a report: a killed or endless one fails alone. Where the system has it, processes
    are forked from a server that has imported this module, which saves a second each.
    """
    refuse_collisions(tasks)
    limit = max(1, min(jobs or cores(), len(tasks) or 1))
    context = _context()
    waiting = list(enumerate(tasks))[::-1]
    running: dict[int, _Running] = {}
    ended: dict[int, Made] = {}
    shown = sys.stderr.isatty() and not os.environ.get("CI") and tell is None
    say = tell or _say
    with tqdm(total=len(tasks), unit="report", disable=not shown, file=sys.stderr) as bar:
        try:
            while waiting or running:
                while waiting and len(running) < limit:
                    number, task = waiting.pop()
                    running[number] = _start(context, task)
                for number in _done(running, seconds):
                    ended[number] = _result(running.pop(number), seconds)
                    bar.update()
                    if not shown:
                        say(ended[number].line())
                    elif ended[number].error:
                        bar.write(ended[number].line(), file=sys.stderr)
        finally:
            for left in running.values():
                _stop(left.process)
    return [ended[number] for number in sorted(ended)]


def _say(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


def _context() -> Any:
    """Return how processes are made: forked from a warm server where the system can."""
    if sys.platform.startswith("linux"):
        context = multiprocessing.get_context("forkserver")
        context.set_forkserver_preload([__name__])
        return context
    return multiprocessing.get_context("spawn")


def _start(context: Any, task: Any) -> _Running:
    ours, theirs = context.Pipe(duplex=False)
    process = context.Process(target=_work, args=(task, theirs))
    process.start()
    theirs.close()
    return _Running(task, process, ours, time.monotonic())


def _work(task: Any, answers: Connection) -> None:
    """Run in the child: send the report, or an error of our own family, or what stopped it."""
    # A bar of its own would mix with the others'.
    os.environ["CI"] = "1"
    try:
        answer = task.run()
    except OutcomesError as error:
        answer = error
    except Exception as error:
        answer = WriteError(f"internal error ({type(error).__name__}).")
    answers.send(answer)
    answers.close()


def _done(running: Mapping[int, _Running], seconds: float) -> list[int]:
    """Wait until something happens; return the numbers of those that ended or ran out of time."""
    first_end = min(one.began for one in running.values()) + seconds
    ready = wait(
        [one.answers for one in running.values()], timeout=max(0.0, first_end - time.monotonic())
    )
    now = time.monotonic()
    return [n for n, one in running.items() if one.answers in ready or now - one.began >= seconds]


def _result(one: _Running, seconds: float) -> Made:
    passed = time.monotonic() - one.began
    answer: Any = None
    try:
        if one.answers.poll():
            answer = one.answers.recv()
        else:
            answer = WriteError(f"took longer than {seconds:.0f} s and was stopped.")
            _stop(one.process)
    except EOFError:
        one.process.join()
        answer = WriteError(
            f"the process ended with code {one.process.exitcode}, most often for lack of memory."
        )
    one.process.join(10)
    if one.process.is_alive():
        _stop(one.process)
    one.answers.close()
    if isinstance(answer, Exception):
        return Made(one.task.folder, passed, error=answer)
    return Made(one.task.folder, passed, report=answer)


def _stop(process: BaseProcess) -> None:
    process.terminate()
    process.join(5)
    if process.is_alive():
        process.kill()
        process.join()
