"""CSV readings into a study: one large mixed file, thousands of small ones, and months of people.

Yardstick: `pyarrow.csv.open_csv` with declared types, streaming the same files and keeping nothing.
Beside it, `pandas.read_csv` merely reading them. Ours is the whole intake: decoding, every rule,
the zone of bare times, repeats, sorting by patient, the study on disk and its fingerprint.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import BinaryIO

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pa_csv

from outcomes.plan.sources import read_sources
from outcomes.tables.intake import intake
from tests.benchmarks.invented_readings import START, block
from tests.benchmarks.pairs import HEADING, Measured, line, measured, telling_of_others

BAR = 3.0  # times pyarrow's reading with declared types
TYPES = {"time": pa.timestamp("s"), "value": pa.int16()}
SMALL_ROWS = 2_000  # of a small file
MONTH_ROWS = 8_640  # of a file of one person's month
EACH = 20_000  # readings of a patient in the mixed file
TOML = """format = 1
[clinic]
name = "Invented"
time_zone = "Europe/Berlin"
exported_on = 2025-12-31
[[source]]
table = "patients"
files = ["patients.csv"]
columns = {{ patient_id = "patient", birth_year = {{ constant = "1970" }} }}
[[source]]
table = "sensors"
files = ["sensors.csv"]
[source.columns]
sensor_id = "sensor"
patient_id = "patient"
kind = {{ constant = "adhesive" }}
placed_on = "placed"
planned_days = {{ constant = "14" }}
[[source]]
table = "readings"
files = ["{files}"]
[source.columns]
patient_id = {patient}
time = "time"
value = {{ column = "value", unit = "mg/dL" }}
"""


def _readings(patient: int, rows: int) -> pa.Table:
    """One patient's readings with the clinic's clock, as they stand in an export."""
    found = block(patient, rows)
    clock = (found.time + found.local_offset.astype(np.int64) * 60_000_000) // 1_000_000
    return pa.table(
        {
            "patient": pa.repeat(found.patient_ids[0], rows),
            "time": pa.array(clock, type=pa.timestamp("s")),
            "value": found.value.astype(np.int64),
        }
    )


def _write(file: BinaryIO, table: pa.Table) -> None:
    options = pa_csv.WriteOptions(include_header=False, quoting_style="none")
    pa_csv.write_csv(table, file, options)


def _clinic(folder: Path, patients: int, files: str, patient: str) -> None:
    folder.mkdir()
    ids = [f"P{i:05d}" for i in range(patients)]
    pd.DataFrame({"patient": ids}).to_csv(folder / "patients.csv", index=False)
    worn = pd.DataFrame({"sensor": [f"S{i}" for i in ids], "patient": ids, "placed": START.date()})
    worn.to_csv(folder / "sensors.csv", index=False)
    text = TOML.format(files=files, patient=patient)
    (folder / "sources.toml").write_text(text, encoding="utf-8")


def mixed_file(folder: Path, rows: int) -> list[Path]:
    """Write one file in which the patients take turns, some weeks each."""
    patients = max(1, rows // EACH)
    _clinic(folder, patients, "readings.csv", '"patient"')
    path = folder / "readings.csv"
    with path.open("wb") as file:
        file.write(b"patient,time,value\n")
        for first in range(0, patients, 50):
            group = [_readings(i, EACH) for i in range(first, min(first + 50, patients))]
            for turn in range(0, EACH, 5_000):
                for table in group:
                    _write(file, table.slice(turn, 5_000))
    return [path]


def small_files(folder: Path, rows: int, *, each: int = SMALL_ROWS) -> list[Path]:
    """Write one file a patient, whose id stands in its name."""
    patients = max(1, rows // each)
    _clinic(folder, patients, "r_*.csv", '{ file_name = "r_(.*)\\\\.csv" }')
    paths = [folder / f"r_P{i:05d}.csv" for i in range(patients)]
    for i, path in enumerate(paths):
        with path.open("wb") as file:
            file.write(b"time,value\n")
            _write(file, _readings(i, each).select(["time", "value"]))
    return paths


KINDS: dict[str, Callable[[Path, int], list[Path]]] = {
    "one mixed file": mixed_file,
    "small files": small_files,
    "files of a month": partial(small_files, each=MONTH_ROWS),
}


def _pyarrow(paths: list[Path]) -> int:
    rows = 0
    options = pa_csv.ConvertOptions(column_types={"patient": pa.string(), **TYPES})
    for path in paths:
        for batch in pa_csv.open_csv(path, convert_options=options):
            rows += batch.num_rows
    return rows


def _pandas(paths: list[Path]) -> int:
    form = "%Y-%m-%d %H:%M:%S"  # told, since it is not guessed in every file
    return sum(len(pd.read_csv(path, parse_dates=["time"], date_format=form)) for path in paths)


def _ours(folder: Path) -> Callable[[], object]:
    numbers: Iterator[int] = iter(range(1000))
    sources = read_sources(folder / "sources.toml")
    return lambda: intake(sources, folder / f"study-{next(numbers)}")


def _processor(run: Callable[[], object]) -> float:
    """Processor seconds of all threads, which other processes hardly lengthen."""
    begun = time.process_time()
    run()
    return time.process_time() - begun


def _told(what: str, got: Measured, rows: int, bar: float) -> None:
    print(line(what, got, 1 / bar, unit="ns", scale=1e9 / rows))


def _memory(rows: int) -> None:
    """Print the memory of one intake at its peak; no yardstick runs in the same process."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "mixed"
        mixed_file(folder, rows)
        before, begun = _peak(), time.perf_counter()
        _ours(folder)()
        seconds = time.perf_counter() - begun
    print(f"one mixed file of {rows:,} rows: {seconds:.0f} s, {seconds * 1e9 / rows:.0f} ns "
          f"a reading; memory at its peak {_peak():,} MB, {before:,} MB before")  # fmt: skip


def _peak() -> int:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024


def main(arguments: list[str]) -> None:
    """Print nanoseconds a reading of the yardsticks and of the whole intake."""
    parser = argparse.ArgumentParser(prog="intake")
    parser.add_argument("--rows", type=int, default=4_000_000)
    parser.add_argument("--pairs", type=int, default=5)
    parser.add_argument("--memory", action="store_true", help="ours alone, once, on the mixed file")
    given = parser.parse_args(arguments)
    if given.memory:
        _memory(given.rows)
        return
    print(HEADING)
    with tempfile.TemporaryDirectory() as name, telling_of_others():
        for what, write in KINDS.items():
            folder = Path(name) / what.replace(" ", "-")
            paths = write(folder, given.rows)
            rows = _pyarrow(paths)
            ours = _ours(folder)
            for yardstick, bar in ((_pyarrow, BAR), (_pandas, 1.0)):
                got = measured(lambda run=yardstick, p=paths: run(p), ours, pairs=given.pairs)
                _told(f"{what} of {rows:,} rows against {yardstick.__name__[1:]}", got, rows, bar)
            theirs, own = _processor(lambda p=paths: _pyarrow(p)), _processor(ours)
            print(f"  processor time: pyarrow {theirs * 1e9 / rows:.0f} ns, ours "
                  f"{own * 1e9 / rows:.0f} ns a reading, {own / theirs:.1f} times")  # fmt: skip
