"""Readings to all period metrics with episodes: against reading them, grouping them, and SQL.

    python -m tests.benchmarks readings --rows 50000000 --memory --cluster 200000000

The yardstick of the first line is `pandas.read_parquet` of the same readings in the file that
pandas writes by default, every column a number or an instant (text columns make pandas slower).
"""

from __future__ import annotations

import argparse
import importlib
import importlib.util
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.glucose import Workers, summarise, write_daily
from outcomes.plan import TimeInRange
from outcomes.tables.study import Study, open_study
from tests.benchmarks.invented_readings import START, windows_of, write_invented_study
from tests.benchmarks.pairs import HEADING, line, measured, telling_of_others
from tests.two_workers import two_workers

# An in-process SQL engine is no dependency of the toolkit; where there is one, it is measured.
SQL_ENGINE = importlib.import_module("duckdb") if importlib.util.find_spec("duckdb") else None
BAR_READING, BAR_GROUPING, BAR_SQL = 1.0, 10.0, 5.0
MEMORY_RATIO, MEMORY_MB = 1.1, 1000
GROUPED_ROWS = 10_000_000  # more only makes the yardsticks wait


def main(arguments: list[str]) -> None:
    """Print yardstick, ours, ratio, bar and pass of each line."""
    parser = argparse.ArgumentParser(prog="tests.benchmarks readings", description=__doc__)
    parser.add_argument("--rows", type=int, default=5_000_000)
    parser.add_argument("--threads", type=int, default=2)
    parser.add_argument(
        "--memory", action="store_true", help="also the peak at --rows and four times"
    )
    parser.add_argument(
        "--cluster", type=int, default=0, metavar="ROWS",
        help="also a scheduler and two workers against the serial loop, on so many readings",
    )  # fmt: skip
    parser.add_argument("--folder", type=Path, help="keep the studies here, and use them again")
    asked, _ = parser.parse_known_args(arguments)
    with tempfile.TemporaryDirectory() as scratch:
        folder = asked.folder or Path(scratch)
        with telling_of_others():
            _against_reading(folder, asked.rows, asked.threads)
        with telling_of_others():
            _against_grouping(folder, min(asked.rows, GROUPED_ROWS), asked.threads)
        if asked.memory:
            _memory(folder, asked.rows, asked.threads)
        if asked.cluster:
            study_of(folder, asked.cluster)
            with telling_of_others():
                _against_serial(folder, asked.cluster)


def study_of(folder: Path, rows: int) -> Study:
    place = folder / f"study-{rows}"
    return open_study(place) if place.exists() else write_invented_study(place, rows)


def pandas_file(folder: Path, study: Study, rows: int) -> Path:
    """The same readings as one frame, as `to_parquet` writes it without options."""
    place = folder / f"readings-{rows}.parquet"
    if not place.exists():
        parts = [
            pd.DataFrame(
                {
                    "patient": np.full(len(p), i, dtype=np.int32),
                    "time": p.time.astype("datetime64[us]"),
                    "local_offset": p.local_offset,
                    "value": p.value,
                    "unit": p.unit,
                    "capped": p.capped,
                    "sensor": np.full(len(p), i, dtype=np.int32),
                }
            )
            for i, p in enumerate(study.readings())
        ]
        pd.concat(parts, ignore_index=True).to_parquet(place)
    return place


def _against_reading(folder: Path, rows: int, threads: int) -> None:
    study = study_of(folder, rows)
    file, windows = pandas_file(folder, study, rows), windows_of(study)
    n = study.counts["readings"]
    print(f"{n:,} readings, {len(windows):,} windows; nanoseconds a reading\n{HEADING}")
    for number in sorted({1, threads}):
        got = measured(
            lambda: pd.read_parquet(file),
            lambda number=number: ours(study, windows, number),
        )
        what = f"all metrics with episodes, {number} thread(s), against read_parquet"
        print(line(what, got, BAR_READING, unit="ns", scale=1e9 / n))
    size = sum(part.stat().st_size for part in study.reading_files())
    print(
        f"  on disk: {size / n:.2f} bytes a reading, {file.stat().st_size / n:.2f} in pandas' file"
    )


def ours(study: Study, windows: pd.DataFrame, threads: int) -> pd.DataFrame:
    return summarise(study, windows, settings=TimeInRange(), workers=Workers(threads=threads))


def grouped(frame: pd.DataFrame) -> pd.DataFrame:
    """What we give by period, but for episodes and overlaps, in plain pandas."""
    minutes = -frame.groupby("patient")["time"].diff(-1).dt.total_seconds() / 60
    owned = minutes.clip(upper=5).fillna(5)
    local = frame["time"] + pd.to_timedelta(frame["local_offset"], unit="min")
    night = local.dt.hour < 6
    value = frame["value"]
    scaled = 1.509 * (np.log(value) ** 1.084 - 5.381)
    bands = {
        "below_54": value < 54,
        "from_54_to_62": (value >= 54) & (value < 63),
        "from_63_to_69": (value >= 63) & (value < 70),
        "from_70_to_140": (value >= 70) & (value <= 140),
        "from_141_to_180": (value > 140) & (value <= 180),
        "from_181_to_250": (value > 180) & (value <= 250),
        "above_250": value > 250,
    }
    columns = {
        "patient": frame["patient"],
        "period": (local - START.normalize()).dt.days // 28,
        "value": value,
        "owned": owned,
        "low_risk": 10 * scaled.clip(upper=0) ** 2,
        "high_risk": 10 * scaled.clip(lower=0) ** 2,
        "capped": frame["capped"] != 0,
    }
    for name, inside in bands.items():
        columns[name] = owned.where(inside, 0)
        columns[f"night_{name}"] = owned.where(inside & night, 0)
    by = pd.DataFrame(columns).groupby(["patient", "period"])
    sums = by[["owned", "capped", *(c for c in columns if c.removeprefix("night_") in bands)]].sum()
    shares = sums.div(sums["owned"], axis=0)
    return shares.assign(
        from_70_to_180=shares["from_70_to_140"] + shares["from_141_to_180"],
        mean=by["value"].mean(),
        sd=by["value"].std(),
        n=by["value"].size(),
        low_index=by["low_risk"].mean(),
        high_index=by["high_risk"].mean(),
    )


SQL = """
with readings as (
  select patient, time, value, value < 70 as low,
    cast(floor(date_diff('day', date '{start}',
      cast(time + to_minutes(cast(local_offset as bigint)) as date)) / 28.0) as integer) as period,
    lead(time) over (partition by patient order by time) as next,
    lag(time) over (partition by patient order by time) as before
  from '{file}'),
owned as (
  select *, least(5.0, coalesce(date_diff('second', time, next) / 60.0, 5.0)) as own,
    coalesce(date_diff('second', before, time) > 1830, true) as gap from readings),
marked as (
  select *, case when gap or low <> lag(low) over (partition by patient order by time)
    then 1 else 0 end as turn from owned),
runs as (
  select *, sum(turn) over (partition by patient order by time rows unbounded preceding) as run
  from marked),
stretches as (
  select patient, run, bool_or(low) as low, bool_or(gap) as gap, sum(own) as own,
    arg_min(period, time) as period from runs group by patient, run),
parted as (
  select *, sum(case when gap or (not low and own >= 14.5) then 1 else 0 end)
    over (partition by patient order by run rows unbounded preceding) as part from stretches),
episodes as (
  select patient, part, arg_min(period, run) as period from parted
  where low and own >= 14.5 group by patient, part),
counted as (select patient, period, count(*) as episodes from episodes group by patient, period),
shares as (
  select patient, period, count(*) as n, avg(value) as mean, stddev_samp(value) as sd,
    sum(own) as owned,
    sum(case when value < 54 then own else 0 end) / sum(own) as below_54,
    sum(case when value < 70 then own else 0 end) / sum(own) as below_70,
    sum(case when value between 70 and 180 then own else 0 end) / sum(own) as from_70_to_180,
    sum(case when value > 180 then own else 0 end) / sum(own) as above_180,
    sum(case when value > 250 then own else 0 end) / sum(own) as above_250
  from owned group by patient, period)
select shares.*, coalesce(episodes, 0) as episodes
from shares left join counted using (patient, period) order by patient, period
"""


def _against_grouping(folder: Path, rows: int, threads: int) -> None:
    study = study_of(folder, rows)
    file, windows = pandas_file(folder, study, rows), windows_of(study)
    n = study.counts["readings"]
    frame = pd.read_parquet(file)
    print(f"\n{n:,} readings; nanoseconds a reading\n{HEADING}")
    got = measured(lambda: grouped(frame), lambda: ours(study, windows, threads), pairs=3)
    print(
        line(
            "all metrics, against pandas group-by without episodes",
            got,
            BAR_GROUPING,
            unit="ns",
            scale=1e9 / n,
        )
    )
    _say_same(ours(study, windows, 1), grouped(frame).reset_index(), "pandas")
    if SQL_ENGINE is None:
        print("No in-process SQL engine is installed (pip install duckdb): not measured.")
        return
    database = SQL_ENGINE.connect(config={"threads": threads})
    database.execute("set enable_progress_bar = false")
    text = SQL.format(start=START.date(), file=file)
    got = measured(
        lambda: database.execute(text).fetch_df(), lambda: ours(study, windows, threads), pairs=3
    )
    print(
        line(
            "all metrics, against SQL with low episodes only",
            got,
            BAR_SQL,
            unit="ns",
            scale=1e9 / n,
        )
    )
    _say_same(ours(study, windows, 1), database.execute(text).fetch_df(), "SQL")


def _say_same(mine: pd.DataFrame, other: pd.DataFrame, name: str) -> None:
    """Print whether both have the same numbers, window by window."""
    mine = mine.assign(
        patient=mine["patient_id"].str[1:].astype(int), period=mine["window_id"].astype(int) % 26
    )
    both = mine.merge(other, on=["patient", "period"], suffixes=("", "_other"))
    gaps = {
        "readings": (both["readings"] - both["n"]).abs().max(),
        "mean": (both["mean_mg_dl"] - both["mean"]).abs().max(),
        "SD": (both["sd_mg_dl"] - both["sd"]).abs().max(),
        "share 70-180": (both["share_from_70_to_180"] - both["from_70_to_180"]).abs().max(),
    }
    if "low_index_other" in both:
        gaps["low index"] = (both["low_index"] - both["low_index_other"]).abs().max()
    if "episodes" in other:
        gaps["low episodes"] = (both["low_1_episodes"] - both["episodes"]).abs().max()
    told = ", ".join(f"{what} {float(gap):.2g}" for what, gap in gaps.items())
    print(f"  largest difference from {name} over {len(both):,} windows: {told}")


PEAK = """
import sys
from pathlib import Path
from outcomes.tables.study import open_study
from tests.benchmarks import readings
study, place, number = open_study(Path(sys.argv[1])), Path(sys.argv[2]), int(sys.argv[3])
readings.{what}(study, place, number)
peak = next(s for s in Path("/proc/self/status").read_text().splitlines() if s.startswith("VmHWM"))
print(int(peak.split()[1]) / 1024)
"""


def all_windows(study: Study, place: Path, threads: int) -> None:
    ours(study, windows_of(study), threads)


def all_days(study: Study, place: Path, threads: int) -> None:
    write_daily(study, place, settings=TimeInRange(), workers=Workers(threads=threads))


def _memory(folder: Path, rows: int, threads: int) -> None:
    print()
    for what, told in (("all_windows", "periods"), ("all_days", "local days, streamed to disk")):
        peaks = [_peak(folder, number, threads, what) for number in (rows, 4 * rows)]
        ratio = peaks[1] / peaks[0]
        verdict = "pass" if ratio <= MEMORY_RATIO and peaks[1] < MEMORY_MB else "FAIL"
        print(
            f"Peak memory, {told}: {peaks[0]:.0f} MB at {rows:,} readings, {peaks[1]:.0f} MB at "
            f"{4 * rows:,}: ratio {ratio:.3f}, bar {MEMORY_RATIO} and {MEMORY_MB} MB, {verdict}"
        )


def _peak(folder: Path, rows: int, threads: int, what: str) -> float:
    study = study_of(folder, rows)
    with tempfile.TemporaryDirectory() as scratch:
        run = [sys.executable, "-c", PEAK.format(what=what), str(study.folder),
               str(Path(scratch) / "days.parquet"), str(threads)]  # fmt: skip
        return float(subprocess.run(run, check=True, capture_output=True, text=True).stdout)


BAR_CLUSTER = 1.5
# The engine tells the allocator to give memory back at once, which halves its speed on arrays.
ALLOCATOR = {"MALLOC_TRIM_THRESHOLD_": str(512 * 2**20), "MALLOC_MMAP_THRESHOLD_": str(32 * 2**20)}


def _against_serial(folder: Path, rows: int) -> None:
    if importlib.util.find_spec("distributed") is None:
        print("\nThe extra 'scale' is not installed: two workers are not measured.")
        return
    study = study_of(folder, rows)
    windows, n = windows_of(study), study.counts["readings"]
    with tempfile.TemporaryDirectory() as scratch:
        begin = time.perf_counter()
        with two_workers(Path(scratch), "--memory-limit", "4GiB", environment=ALLOCATOR) as (
            address,
            _,
        ):
            print(
                f"\n{n:,} readings in {len(study.reading_files())} files; start-up of the cluster "
                f"{time.perf_counter() - begin:.1f} s, not counted below\n{HEADING}"
            )
            there = Workers(scheduler=address)
            got = measured(
                lambda: ours(study, windows, 1),
                lambda: summarise(study, windows, settings=TimeInRange(), workers=there),
                pairs=3,
            )
            print(line("two workers of a cluster against the serial loop", got, BAR_CLUSTER,
                       unit="ns", scale=1e9 / n))  # fmt: skip
            _say_processor_time(study, windows, there, address)
            print(f"  per billion readings: {got.yardstick / n * 1e9:.0f} s serially, "
                  f"{got.ours / n * 1e9:.0f} s with two workers (extrapolated)")  # fmt: skip


def _say_processor_time(study: Study, windows: pd.DataFrame, there: Workers, address: str) -> None:
    """Print whether the numbers are the same, and the processor time each took.

    Time on the clock says nothing of two workers while others hold a processor; this does.
    """
    with importlib.import_module("distributed").Client(address, timeout=60) as client:
        begun, before = time.process_time(), client.run(time.process_time)
        here = ours(study, windows, 1)
        serial = time.process_time() - begun
        same = here.equals(summarise(study, windows, settings=TimeInRange(), workers=there))
        after = client.run(time.process_time)
    each = sorted(after[worker] - before[worker] for worker in after)
    print(f"  the same numbers: {same}")
    told = " and ".join(f"{seconds:.1f}" for seconds in each)
    print(
        f"  processor time: serial {serial:.1f} s; workers {told} s: "
        f"{serial / each[-1]:.2f} times, if each has a processor of its own"
    )
