"""Time and memory of a page: cold, warm, in bulk, and without a kernel.

    python -m tests.benchmarks report [--patients 60 500] [--jobs 2]
    python -m tests.benchmarks report --study DIR --plan FILE --quarter 2026-Q3

Each page is made by the command in a process of its own. CPU seconds are those of the command, its
kernel and all that they start; peak is the largest of these processes. Pages in bulk are made by
processes of a server of their own, whose CPU seconds and memory are not seen from here.
`report.txt` keeps a run.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.benchmarks.pairs import telling_of_others

BAR = 3.0  # a warm page against a kernel's start and its imports
PAYS = 1.5  # a second way to make a page is worth its code from here
RUN = """
import resource, subprocess, sys
ended = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(ended.returncode, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)
print(ended.stderr[-500:], file=sys.stderr)
"""
START = """
import sys, tempfile
from pathlib import Path
import nbformat
from nbformat.v4 import new_code_cell, new_notebook
from outcomes.report.run import run_notebook
parameters = new_code_cell("x = 1", metadata={"tags": ["parameters"]})
names = "[getattr(oc, name) for name in oc.__all__ if name != 'explore']"
book = new_notebook(cells=[parameters, new_code_cell("import outcomes as oc; " + names + "; 1")])
book.metadata["kernelspec"] = {"name": "python3", "display_name": "x", "language": "python"}
with tempfile.TemporaryDirectory() as work:
    path = Path(work) / "start.ipynb"
    nbformat.write(book, path)
    run_notebook(path, {}, work=Path(work))
"""
HERE = """
import sys
from pathlib import Path
from tests.notebooks.odd_clinics import page_of
page_of(Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3])
"""


@dataclass(frozen=True)
class Used:
    """What one command took: seconds, CPU seconds, peak in MB."""

    seconds: float
    cpu: float
    megabytes: float


@dataclass(frozen=True)
class Clinic:
    """A study with its plan and the quarter to report on."""

    study: Path
    plan: Path
    quarter: str

    def forget(self) -> None:
        """Remove what earlier passes over the readings left beside the study."""
        shutil.rmtree(self.study.parent / f".{self.study.name}-remembered", ignore_errors=True)


def main(arguments: list[str]) -> None:
    """Print one line a way of making a page."""
    parser = argparse.ArgumentParser(prog="tests.benchmarks report", description=__doc__)
    parser.add_argument("--patients", type=int, nargs="+", default=[60, 500])
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--study", type=Path)
    parser.add_argument("--plan", type=Path)
    parser.add_argument("--quarter", default="2026-Q3")
    asked, _ = parser.parse_known_args(arguments)
    if asked.study is not None:
        told(Clinic(asked.study, asked.plan, asked.quarter), "given study", asked.jobs)
        return
    for patients in asked.patients:
        with invented(patients) as clinic:
            told(clinic, f"{patients} patients, two years of readings", asked.jobs)


@contextmanager
def invented(patients: int) -> Iterator[Clinic]:
    """Make a clinic of some patients and its study, removed again at the end."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        command("synthesise", "--patients", patients, "--seed", 7, "--out", folder / "clinic")
        sources, study = folder / "clinic" / "sources.toml", folder / "study"
        command("intake", sources, "--study", study)
        yield Clinic(study, folder / "clinic" / "plan.toml", "2026-Q3")


def told(clinic: Clinic, title: str, jobs: int) -> None:
    """Print the lines of one clinic."""
    print(f"{title:<52} {'seconds':>9} {'CPU':>8} {'peak MB':>8}", flush=True)
    with telling_of_others():
        page = ["report", "quarterly", "--study", clinic.study, "--plan", clinic.plan]
        page += ["--quarter", clinic.quarter, "--out", clinic.study.parent / "report-timed"]
        start = line("a kernel's start and all imports", python(START))
        clinic.forget()
        line("a page, cold", command(*page))
        warm = line("a page, warm", command(*page))
        here = line(
            "the same cells without a kernel, warm",
            python(HERE, clinic.study, clinic.plan, clinic.quarter),
        )
        sites = [*page, "--by", "sex", "--jobs"]
        one = bulk_line("one page for each sex, one at a time", command(*sites, 1))
        many = bulk_line(f"one page for each sex, {jobs} at a time", command(*sites, jobs))
    verdict = "pass" if warm.cpu <= BAR * start.cpu else "FAIL"
    print(
        f"  warm page / start and imports, CPU: {warm.cpu / start.cpu:.2f} (bar {BAR:g}) {verdict}"
    )
    gain = warm.cpu / here.cpu
    pays = "would pay" if gain >= PAYS else "does not pay"
    print(f"  page with a kernel / without, CPU: {gain:.2f}; a second way {pays} (from {PAYS:g})")
    print(
        f"  in bulk, {jobs} at a time: {one.seconds / many.seconds:.2f} times as fast", flush=True
    )


def line(what: str, used: Used) -> Used:
    """Print one line and hand it on."""
    print(f"  {what:<50} {used.seconds:9.1f} {used.cpu:8.1f} {used.megabytes:8.0f}", flush=True)
    return used


def bulk_line(what: str, used: Used) -> Used:
    """Print the seconds alone, and hand all on."""
    print(f"  {what:<50} {used.seconds:9.1f} {'–':>8} {'–':>8}", flush=True)
    return used


def command(*words: object) -> Used:
    """Run `outcomes` with these words."""
    return _used([sys.executable, "-m", "outcomes", *map(str, words)])


def python(code: str, *words: object) -> Used:
    """Run some code in a process of its own."""
    return _used([sys.executable, "-W", "ignore", "-c", code, *map(str, words)])


def _used(words: list[str]) -> Used:
    began = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", RUN, *words], capture_output=True, text=True, check=True
    )
    seconds = time.perf_counter() - began
    status, cpu, megabytes = done.stdout.split()
    if status != "0":
        raise SystemExit(f"{' '.join(words[:6])} ended with {status}: {done.stderr}")
    return Used(seconds, float(cpu), float(megabytes))
