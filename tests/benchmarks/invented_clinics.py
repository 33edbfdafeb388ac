"""`python -m tests.benchmarks.invented_clinics [--patients 60 500 5000]`: size, time and memory.

`--tables` tells instead how many clinics of analysis tables, without readings, are drawn a minute.

Each size is written by a process of its own into a temporary folder, which is removed again;
`invented_clinics.txt` keeps a run. The readings of 5,000 patients take 15 GB on disk for a while.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from synthetic.tables_only import Setting, tables

CODE = """
import resource, sys
from synthetic import write_clinic
folder, patients, implanted, adhesive = sys.argv[1], *map(int, sys.argv[2:])
write_clinic(folder, patients=patients, readings_minutes=(implanted, adhesive))
own = resource.getrusage(resource.RUSAGE_SELF)
print(own.ru_maxrss / 1024, own.ru_utime + own.ru_stime)
"""


def measured(patients: int, minutes: tuple[int, int], folder: Path) -> str:
    """Write one clinic and return its line."""
    began = time.perf_counter()
    words = [sys.executable, "-c", CODE, str(folder), str(patients), *map(str, minutes)]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    seconds = time.perf_counter() - began
    megabytes, cpu = map(float, done.stdout.split())
    known = json.loads((folder / "known_numbers.json").read_text(encoding="utf-8"))
    rows = sum(known["rows_by_file"].values())
    disk = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file()) / 1e6
    return (
        f"{patients:>8,} {rows:>13,} {disk:>10,.0f} {seconds:>9.1f} {cpu:>9.1f} {megabytes:>9,.0f}"
    )


def a_minute(patients: int, *, seconds: float = 10.0) -> str:
    """Draw all tables of clinics on one core for some seconds of its time; return the line."""
    setting, began, drawn = Setting(patients=patients), time.process_time(), 0
    while time.process_time() - began < seconds:
        tables(setting, np.random.default_rng([1, drawn]))
        drawn += 1
    return f"{patients:>8,} {60 * drawn / (time.process_time() - began):>13,.0f}"


def main() -> None:
    """Print one line a size."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--patients", type=int, nargs="+", default=[60, 500, 5000])
    parser.add_argument("--minutes", type=int, nargs=2, default=(5, 15))
    parser.add_argument("--tables", action="store_true", help="clinics without readings a minute")
    asked = parser.parse_args()
    if asked.tables:
        print("patients   clinics a minute of one core", flush=True)
        for patients in (24, 120, 500):
            print(a_minute(patients), flush=True)
        return
    print("patients          rows  MB written   seconds       CPU   peak MB", flush=True)
    for patients in asked.patients:
        with tempfile.TemporaryDirectory() as folder:
            minutes = (asked.minutes[0], asked.minutes[1])
            print(measured(patients, minutes, Path(folder) / "clinic"), flush=True)


if __name__ == "__main__":
    main()
