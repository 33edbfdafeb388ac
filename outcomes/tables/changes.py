"""What a new version of a study says against the one it replaces: rows new, gone and altered."""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.tables.declared import DECLARED, READINGS
from outcomes.tables.study import CHANGES, Study


def changes(before: Study, now: Study) -> pd.DataFrame:
    """Compare two versions of a study, table by table.

    Rows are the same by their table's key; in a table without a key (states, contacts, draws) a
    row is the same only if all of it is, so that a correction counts as one gone and one new.
    """
    rows = []
    for name in DECLARED:
        if not before.has(name) and not now.has(name):
            continue
        if before.version == now.version:
            found = (0, 0, 0)
        elif name == READINGS.name:
            found = _readings(before, now)
        else:
            found = compared(before.table(name), now.table(name), DECLARED[name].key)
        counts = (before.counts.get(name, 0), now.counts.get(name, 0))
        rows.append((name, *counts, *found, before.version))
    frame = pd.DataFrame(rows, columns=list(CHANGES.names))
    return frame.astype({n: "Int64" for n in CHANGES.names if n.startswith("rows")})


def compared(before: pd.DataFrame, now: pd.DataFrame, key: tuple[str, ...]) -> tuple[int, int, int]:
    """Return how many rows are new, gone and altered.

    Examples
    --------
    >>> old = pd.DataFrame({"id": ["a", "b"], "x": [1, 2]})
    >>> new = pd.DataFrame({"id": ["b", "c", "d"], "x": [3, 4, 5]})
    >>> compared(old, new, ("id",))
    (2, 1, 1)
    """
    columns = [*now.columns, *(c for c in before.columns if c not in now.columns)]
    old, new = _hashes(before, columns), _hashes(now, columns)
    if not key:
        told = pd.DataFrame({"old": old.value_counts(), "new": new.value_counts()}).fillna(0)
        difference = (told["new"] - told["old"]).to_numpy()
        return int(difference.clip(min=0).sum()), int((-difference).clip(min=0).sum()), 0
    left = pd.Series(old.to_numpy(), index=_hashes(before, list(key)).to_numpy())
    right = pd.Series(new.to_numpy(), index=_hashes(now, list(key)).to_numpy())
    both = left.index.intersection(right.index)
    altered = int((left.loc[both].to_numpy() != right.loc[both].to_numpy()).sum())
    return len(right) - len(both), len(left) - len(both), altered


def _hashes(frame: pd.DataFrame, columns: list[str]) -> pd.Series:
    return pd.util.hash_pandas_object(frame.reindex(columns=columns), index=False)


def _readings(before: Study, now: Study) -> tuple[int, int, int]:
    old, new = (_digests(study) for study in (before, now))
    differing = sorted(p for p in old.keys() | new.keys() if old.get(p) != new.get(p) or not old[p])
    total = np.zeros(3, dtype=np.int64)
    for patient_id in differing:
        frames = [
            next((p.frame() for p in study.readings([patient_id])), READINGS.empty())
            for study in (before, now)
        ]
        total += compared(frames[0], frames[1], READINGS.key)
    return int(total[0]), int(total[1]), int(total[2])


def _digests(study: Study) -> dict[str, str]:
    """Return the digest of each patient's readings; "" in a version that does not have them."""
    if not study.has(READINGS.name):
        return {}
    index = study.reading_index
    if "digest" not in index:
        return dict.fromkeys(index["patient_id"], "")
    return dict(zip(index["patient_id"], index["digest"], strict=True))
