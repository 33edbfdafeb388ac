"""Interleaved pairs of a yardstick and ours, so that a busy moment of the machine hits both."""

from __future__ import annotations

import os
import resource
import statistics
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

PAIRS = 5


@dataclass(frozen=True)
class Measured:
    """Medians over the pairs, in seconds, and the median of the pairs' own ratios."""

    yardstick: float
    ours: float
    ratio: float  # yardstick over ours: how many times faster we are


def measured(
    yardstick: Callable[[], object], ours: Callable[[], object], *, pairs: int = PAIRS
) -> Measured:
    """Run both in turn, after one warm-up of ours (the yardstick has nothing to compile)."""
    ours()
    seconds = [(_seconds(yardstick), _seconds(ours)) for _ in range(pairs)]
    return Measured(
        yardstick=statistics.median(a for a, _ in seconds),
        ours=statistics.median(b for _, b in seconds),
        ratio=statistics.median(a / b for a, b in seconds),
    )


def _seconds(run: Callable[[], object]) -> float:
    start = time.perf_counter()
    run()
    return time.perf_counter() - start


def line(what: str, got: Measured, bar: float, *, unit: str = "s", scale: float = 1.0) -> str:
    """Return yardstick, ours, ratio, bar and pass as one line; the bar is the least ratio."""
    verdict = "pass" if got.ratio >= bar else "FAIL"
    return (
        f"{what:<58} {got.yardstick * scale:10.2f} {got.ours * scale:10.2f} {unit:<3} "
        f"{got.ratio:7.2f}  {bar:5.2f}  {verdict}"
    )


HEADING = f"{'':<58} {'yardstick':>10} {'ours':>10} {'':<3} {'ratio':>7}  {'bar':>5}"


@contextmanager
def telling_of_others() -> Iterator[None]:
    """Print afterwards how many processors other processes kept busy meanwhile.

    What runs on two processors cannot be judged while somebody else holds one of them.
    """
    if not Path("/proc/stat").exists():
        yield
        return
    begun, all_before, own_before = time.perf_counter(), _busy_seconds(), _own_seconds()
    yield
    others = (_busy_seconds() - all_before) - (_own_seconds() - own_before)
    share = max(0.0, others / (time.perf_counter() - begun))
    print(f"  other processes held {share:.2f} of {os.cpu_count()} processors meanwhile")


def _busy_seconds() -> float:
    ticks = Path("/proc/stat").read_text().split(maxsplit=9)[1:9]
    idle = {3, 4}  # idle, and waiting for disks
    return sum(int(t) for i, t in enumerate(ticks) if i not in idle) / os.sysconf("SC_CLK_TCK")


def _own_seconds() -> float:
    """CPU time of this process and of those it has started and seen end."""
    used = [resource.getrusage(w) for w in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(u.ru_utime + u.ru_stime for u in used)
