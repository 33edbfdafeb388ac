"""Interleaved pairs of a yardstick and ours, so that a busy moment of the machine hits both."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass

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
