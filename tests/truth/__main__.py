"""`python -m tests.truth NAME|all [--replicates N]`: run the bench and keep its table.

Without `--replicates` the limits' own number is run, the tables under `results/` are replaced and
`EVIDENCE.md` is written again; with it the table is printed and nothing is kept. `page` only
writes the page again. Tables by exact sums and simulation of charts (`count_coverage`,
`watch_false_alarms`) are printed and kept as text.
"""

from __future__ import annotations

import os

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")  # a replicate is small; the processes are the parallelism

import argparse  # noqa: E402
import sys  # noqa: E402
from pathlib import Path  # noqa: E402

import pandas as pd  # noqa: E402

from tests.truth import bench, count_coverage, evidence, watch_false_alarms  # noqa: E402

PRINTED = {"count_coverage": count_coverage.lines, "watch_false_alarms": watch_false_alarms.lines}


def main(words: list[str] | None = None) -> int:
    """Run what was asked for; 1 where a row falls short without a written reason."""
    known = bench.benches()
    names = sorted({one.estimator for one in known})
    parser = argparse.ArgumentParser(prog="python -m tests.truth", description=__doc__)
    parser.add_argument(
        "name",
        choices=[*names, *PRINTED, "all", "page"],
        metavar="NAME",
        help="estimator, all, or page",
    )
    parser.add_argument("--replicates", type=int, help="so many, print, keep nothing")
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    asked = parser.parse_args(words)
    if asked.name in PRINTED:
        _keep_lines(asked.name)
        return 0
    tables = []
    for name in names if asked.name == "all" else [asked.name]:
        done = []
        for one in (each for each in known if each.estimator == name):
            print(one.key, file=sys.stderr, flush=True)
            done.append(bench.run(one, replicates=asked.replicates, processes=asked.processes))
            _print(done[-1])
        if done and asked.replicates is None:
            bench.keep(done)
            evidence.write()
        tables += done
    if asked.replicates is not None:
        return 0
    evidence.write()
    rows = pd.concat(tables) if tables else bench.kept()
    short = rows[rows["verdict"].str.startswith("falls short")]
    return int(any(evidence.reason_of(row) is None for row in short.itertuples()))


def _keep_lines(name: str) -> None:
    lines = []
    for line in PRINTED[name]():
        print(line, flush=True)
        lines.append(line)
    (Path(__file__).parent / f"{name}.txt").write_text("\n".join(lines) + "\n", "utf-8")


def _print(table: pd.DataFrame) -> None:
    for row in table.itertuples():
        print(
            f"  {row.question}: truth {row.truth:.4g}, bias {row.bias:+.2g} "
            f"({row.bias_error:.1g}), coverage {row.coverage:.4f} "
            f"({row.coverage_low:.4f} to {row.coverage_high:.4f}), {row.replicates} replicates, "
            f"{row.without_interval} without, {row.minutes} min: {row.verdict}",
            flush=True,
        )


if __name__ == "__main__":
    sys.exit(main())
