"""Reference values of the survival methods, and how close an answer must come.

`data/survival.csv` holds one value a row: its id, topic, data set with source, the call in R that
made it, and a tolerance; `data/README.md` names the source of each data file.
"""

from __future__ import annotations

import functools
from pathlib import Path

import numpy as np
import pandas as pd

DATA = Path(__file__).parent / "data"


@functools.cache
def reference_rows() -> pd.DataFrame:
    return pd.read_csv(DATA / "survival.csv").set_index("check_id", verify_integrity=True)


def ids_of(*topics: str) -> list[str]:
    rows = reference_rows()
    return list(rows.index[rows["topic"].isin(topics)])


@functools.cache
def data(name: str) -> pd.DataFrame:
    return pd.read_csv(DATA / f"{name}.csv")


def lives_of(
    frame: pd.DataFrame,
    exit_: str,
    event: str,
    *,
    entry: str | float = -1.0,
    words: dict[object, str] | None = None,
) -> pd.DataFrame:
    """Lives from a data set: its columns, and entry, exit and state beside them."""
    names = words or {0: "censored", 1: "event"}  # also for False and True
    start = frame[entry] if isinstance(entry, str) else entry
    return frame.assign(entry=start, exit=frame[exit_], state=frame[event].map(names))


def expect(check_id: str, got: float) -> None:
    """Fail unless `got` is within the row's own tolerance."""
    row = reference_rows().loc[check_id]
    want = float(row["value"])
    kind, size = str(row["suggested_tolerance"]).split()
    allowed = float(size) if kind == "abs" else max(float(size) * abs(want), 1e-12)
    difference = abs(float(got) - want)
    assert np.isfinite(float(got)), f"{check_id}: {got!r}"
    assert difference <= allowed, (
        f"{check_id} ({row['quantity']}): {got!r}, reference {want!r} by {row['call']}"
    )
