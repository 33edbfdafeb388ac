"""The first and the second call of a question that needs every reading.

    python -m tests.benchmarks second_call [--study DIR --plan FILE --quarter 2026-Q3]

Without a study the demo is made for it. Each call runs in a process of its own, with its imports
done and the cohorts built; the second finds the sums beside the study. CPU seconds count, since
they hardly depend on what else the machine does.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import subprocess
import sys
import tempfile
from pathlib import Path

from outcomes.command import main as outcomes

BAR = 1.0
CALL = """
import sys, time
import outcomes as oc
study, plan, quarter = sys.argv[1:]
cohorts = oc.build_cohorts(oc.open_study(study), oc.read_plan(plan), quarter=quarter)
question, clock, cpu = oc.time_in_range, time.perf_counter(), time.process_time()
question(cohorts)
print(time.perf_counter() - clock, time.process_time() - cpu)
"""


def main(arguments: list[str]) -> None:
    """Print seconds and CPU seconds of both calls."""
    parser = argparse.ArgumentParser(prog="tests.benchmarks second_call", description=__doc__)
    parser.add_argument("--study", type=Path)
    parser.add_argument("--plan", type=Path)
    parser.add_argument("--quarter", default="2026-Q3")
    asked, _ = parser.parse_known_args(arguments)
    with tempfile.TemporaryDirectory() as scratch:
        study, plan = asked.study, asked.plan
        if study is None or plan is None:
            made = Path(scratch) / "demo"
            with contextlib.redirect_stdout(io.StringIO()):
                outcomes(["demo", "--out", str(made)])
            study, plan = made / "study", made / "clinic" / "plan.toml"
        for file in (study.parent / f".{study.name}-remembered").glob("*.npz"):
            file.unlink()  # made again in a moment
        print(f"{'':<10} {'seconds':>9} {'CPU':>9}")
        for name in ("first", "second"):
            words = [sys.executable, "-c", CALL, str(study), str(plan), asked.quarter]
            done = subprocess.run(words, capture_output=True, text=True, check=True)
            clock, cpu = map(float, done.stdout.split())
            verdict = "" if name == "first" else "pass" if cpu <= BAR else "FAIL"
            print(f"{name:<10} {clock:9.2f} {cpu:9.2f}  {verdict}")
