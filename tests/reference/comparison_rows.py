"""Reference values of the comparison methods, and how close an answer must come.

`data/comparison.csv` holds one value a row: its id, topic, data set with source, the call in
another program that made it, and a tolerance. `data/README.md` names the source of each data file.
"""

from __future__ import annotations

import functools
import re
from pathlib import Path

import pandas as pd

DATA = Path(__file__).parent / "data"


@functools.cache
def reference_rows() -> pd.DataFrame:
    return pd.read_csv(DATA / "comparison.csv").set_index("check_id", verify_integrity=True)


def ids_of(*topics: str, but: dict[str, str] | None = None) -> list[str]:
    """Row ids of some topics, less those in `but` (id -> why it is not offered)."""
    rows = reference_rows()
    return [i for i in rows.index[rows["topic"].isin(topics)] if i not in (but or {})]


def data(name: str) -> pd.DataFrame:
    return pd.read_csv(DATA / f"{name}.csv")


def expect(check_id: str, got: float) -> None:
    """Fail unless `got` is within the row's own tolerance."""
    row = reference_rows().loc[check_id]
    want, tolerance = float(row["value"]), str(row["suggested_tolerance"])
    limits = {kind: float(size) for kind, size in re.findall(r"(rel|abs) ([0-9.e+-]+)", tolerance)}
    assert limits or tolerance == "exact", tolerance
    allowed = max(limits.get("rel", 0.0) * abs(want), limits.get("abs", 0.0))
    message = f"{check_id} ({row['quantity']}): {got!r}, reference {want!r}, {tolerance}"
    assert abs(float(got) - want) <= allowed, message
