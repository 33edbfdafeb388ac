"""The bench: seeded replicates of a named estimator on invented tables, against limits set before.

A module of this folder offers what it can prove as a list `BENCHES`. A bench draws one clinic,
asks the estimator, and says what is true; this module runs the replicates in parallel processes,
judges every question by `limits.toml` and keeps the table under `results/`.
"""

from __future__ import annotations

import importlib
import multiprocessing
import pkgutil
import time
import tomllib
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

FOLDER = Path(__file__).parent
RESULTS = FOLDER / "results"
PART = 50  # replicates that a process does at once, at most

COLUMNS = (
    "outcome", "estimator", "scenario", "question", "patients", "scale", "truth", "truth_error",
    "bias", "bias_error", "standard_error", "coverage", "coverage_low", "coverage_high",
    "replicates", "without_interval", "minutes", "bar", "verdict",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Answer:
    """What the estimator said in one replicate; None where it gave no estimate or no interval."""

    estimate: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What is true, with the Monte Carlo error of it (0 for a closed form).

    `scale` is "plain" or "log": where the estimate is about normal, and its bias judged.
    """

    value: float
    error: float = 0.0
    scale: str = "plain"


@dataclass(frozen=True, kw_only=True)
class Bench:
    """One estimator in one scenario.

    Attributes
    ----------
    outcome : str
        Heading of the page of evidence.
    estimator : str
        What is typed after `python -m tests.truth`; several benches may share it.
    scenario : str
        What is drawn, in words.
    patients : int
    replicate : callable
        Random numbers in, one `Answer` a question out.
    truths : callable
        One `Truth` a question, the same names.
    replicates : int, optional
        Where an estimator is too slow for the usual number.
    """

    outcome: str
    estimator: str
    scenario: str
    patients: int
    replicate: Callable[[np.random.Generator], Mapping[str, Answer]]
    truths: Callable[[], Mapping[str, Truth]]
    replicates: int | None = None

    @property
    def key(self) -> str:
        """What tells this bench from every other, and seeds it."""
        return f"{self.estimator} | {self.scenario} | {self.patients}"


@cache
def limits() -> dict[str, Any]:
    """Return the committed limits."""
    return tomllib.loads((FOLDER / "limits.toml").read_text(encoding="utf-8"))


def benches() -> list[Bench]:
    """Return every bench that a module of this folder offers, in order of module."""
    found: list[Bench] = []
    for module in sorted(info.name for info in pkgutil.iter_modules([str(FOLDER)])):
        if not module.startswith(("test_", "__")) and module != "bench":
            found += getattr(importlib.import_module(f"tests.truth.{module}"), "BENCHES", [])
    keys = [bench.key for bench in found]
    twice = sorted({key for key in keys if keys.count(key) > 1})
    if twice:
        raise ValueError(f"these benches stand twice: {'; '.join(twice)}")
    return found


# --- running -------------------------------------------------------------------------------------


def one(bench: Bench, number: int) -> Mapping[str, Answer]:
    """Return the answers of replicate `number`, the same in whatever process or order."""
    seed = [limits()["seed"], zlib.crc32(bench.key.encode()), number]
    return bench.replicate(np.random.default_rng(seed))


def part(key: str, first: int, last: int) -> list[Mapping[str, Answer]]:
    """Return the answers of replicates `first` to `last` (excluded) of the bench of that key."""
    return [one(_by_key()[key], number) for number in range(first, last)]


@cache
def _by_key() -> dict[str, Bench]:
    return {bench.key: bench for bench in benches()}


def answers(
    bench: Bench, first: int, last: int, *, processes: int = 1
) -> Iterator[Mapping[str, Answer]]:
    """Yield the answers of replicates `first` to `last` (excluded), in order."""
    if processes == 1:
        yield from (one(bench, number) for number in range(first, last))
        return
    size = max(1, min(PART, (last - first) // (4 * processes)))
    starts = range(first, last, size)
    ends = [min(start + size, last) for start in starts]
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(processes, mp_context=context) as pool:
        for done in pool.map(part, [bench.key] * len(ends), starts, ends):
            yield from done


def run(bench: Bench, *, replicates: int | None = None, processes: int = 1) -> pd.DataFrame:
    """Run a bench, once more with `rerun` replicates where a row falls short; one row a question.

    With `replicates` given, just these are run and there is no second run.
    """
    began = time.perf_counter()
    wanted = replicates or bench.replicates or limits()["replicates"]
    given = list(answers(bench, 0, wanted, processes=processes))
    table = judged(bench, given)
    short = table["verdict"].str.startswith("falls short").any()
    if short and replicates is None and bench.replicates is None:
        given += answers(bench, wanted, limits()["rerun"], processes=processes)
        table = judged(bench, given)
    return table.assign(minutes=round((time.perf_counter() - began) / 60, 2))[list(COLUMNS)]


# --- judging -------------------------------------------------------------------------------------


def judged(bench: Bench, given: Sequence[Mapping[str, Answer]]) -> pd.DataFrame:
    """Return one row a question: bias, coverage and verdict."""
    truths = bench.truths()
    rows = [_row(bench, name, truths[name], [a[name] for a in given]) for name in truths]
    return pd.DataFrame(rows)


def _row(bench: Bench, question: str, truth: Truth, given: Sequence[Answer]) -> dict[str, Any]:
    with np.errstate(divide="ignore"):  # a rate of 0 is minus infinity on the log scale
        change = np.log if truth.scale == "log" else np.asarray
        numbers = np.array(
            [[np.nan if x is None else x for x in (a.estimate, a.low, a.high)] for a in given],
            dtype=float,
        )
        estimates = change(numbers[:, 0])
        target = float(change(truth.value))
    usable = np.isfinite(estimates)
    n = int(usable.sum())
    error = float(estimates[usable].std(ddof=1)) if n > 1 else np.nan
    bias = float(estimates[usable].mean() - target) if n else np.nan
    truth_error = truth.error / truth.value if truth.scale == "log" else truth.error
    bias_error = float(np.hypot(error / np.sqrt(n), truth_error)) if n else np.nan
    stated = np.isfinite(numbers[:, 1]) & np.isfinite(numbers[:, 2])
    holds = (numbers[:, 1] <= truth.value) & (truth.value <= numbers[:, 2])
    hits, tries = int((holds & stated).sum()), int(stated.sum())
    low, high = interval(hits, tries)
    bar = bar_of(bench.estimator, question, bench.patients)
    return {
        "outcome": bench.outcome, "estimator": bench.estimator, "scenario": bench.scenario,
        "question": question, "patients": bench.patients, "scale": truth.scale,
        "truth": truth.value, "truth_error": truth.error, "bias": bias, "bias_error": bias_error,
        "standard_error": error, "coverage": hits / tries if tries else np.nan,
        "coverage_low": low, "coverage_high": high, "replicates": len(given),
        "without_interval": len(given) - tries, "bar": bar,
        "verdict": verdict(bar, bias, bias_error, error, (low, high)),
    }  # fmt: skip


def interval(hits: int, tries: int) -> tuple[float, float]:
    """Return the Monte Carlo interval of a coverage."""
    if tries == 0:
        return 0.0, 1.0
    band = stats.binomtest(hits, tries).proportion_ci(limits()["monte_carlo"])
    return float(band.low), float(band.high)


def bar_of(estimator: str, question: str, patients: int) -> str:
    """Return which bar the limits set for a row: "two-sided", "at least" or "none"."""

    def named(kind: str) -> bool:
        return any(
            entry["estimator"] == estimator and entry["question"] in ("*", question)
            for entry in limits().get(kind, [])
        )

    if named("shown") or patients < limits()["bar_from_patients"]:
        return "none"
    return "at least" if named("at_least") else "two-sided"


def verdict(
    bar: str, bias: float, bias_error: float, error: float, coverage: tuple[float, float]
) -> str:
    """Return what the limits say of a row."""
    rules = limits()
    if bar == "none":
        return "shown, no bar"
    low, high = coverage
    short = []
    if high < rules["coverage"] - rules["margin"]:
        short.append("holds too seldom")
    if bar == "two-sided" and low > rules["coverage"] + rules["margin"]:
        short.append("wider than stated")
    allowed = max(
        rules["bias_in_standard_errors"] * error,
        rules["bias_in_monte_carlo_errors"] * bias_error,
    )
    if not abs(bias) <= allowed:
        short.append("biased")
    return f"falls short: {', '.join(short)}" if short else "holds"


# --- kept ----------------------------------------------------------------------------------------


def keep(tables: Sequence[pd.DataFrame]) -> list[Path]:
    """Write the tables of the estimators that were run, one file an estimator."""
    RESULTS.mkdir(exist_ok=True)
    whole = pd.concat(tables, ignore_index=True)
    paths = []
    for estimator, table in whole.groupby("estimator", sort=False):
        path = RESULTS / f"{estimator}.csv"
        table.to_csv(path, index=False, float_format="%.6g", lineterminator="\n")
        paths.append(path)
    return paths


def kept() -> pd.DataFrame:
    """Return every committed table, one below the other."""
    tables = [pd.read_csv(path, dtype={"question": str}) for path in sorted(RESULTS.glob("*.csv"))]
    return pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=list(COLUMNS))
