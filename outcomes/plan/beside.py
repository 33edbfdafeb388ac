"""Small files that a clinic keeps beside its plan: the list of actions and an audit of charts."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import pandas as pd

from outcomes.errors import SettingsError
from outcomes.plan.listed import Cell, read_listed

ACTIONS_FILE: Final = "actions.csv"
ACTIONS: Final[dict[str, Cell]] = {
    "action": "text", "finding": "text", "quarter": "text", "owner": "text?", "due": "date?",
    "closed": "date?",
}  # fmt: skip
AUDIT_FILE: Final = "chart_audit.csv"
AUDIT: Final[dict[str, Cell]] = {
    "patient_id": "text", "from_on": "date", "to_on": "date", "harms": "count",
}  # fmt: skip


def read_actions(path: Path) -> pd.DataFrame:
    """Return the list of actions, strictly read; an absent file is an empty list.

    Columns: `action` (unique), `finding`, `quarter` (in which it arose), `owner`, `due`,
    `closed` (empty while it is open).

    Raises
    ------
    SettingsError
        A column or cell does not fit; the message names line and column.
    """
    if not path.exists():
        return pd.DataFrame({name: pd.Series(dtype=object) for name in ACTIONS}).astype(
            {"due": "datetime64[ns]", "closed": "datetime64[ns]"}
        )
    rows = read_listed(path, ACTIONS, key="action")
    wrong = rows.loc[rows["closed"].isna() & rows["owner"].notna() & rows["due"].isna()]
    if len(wrong):
        raise SettingsError(
            f"{path.name}, line {wrong['line'].iloc[0]}, due: an open action with an owner needs "
            "a day by which it is due."
        )
    return rows.drop(columns="line")


def read_audit(path: Path) -> pd.DataFrame:
    """Return the charts of an audit, strictly read.

    Raises
    ------
    SettingsError
        A column or cell does not fit; the message names line and column.
    """
    return read_listed(path, AUDIT)
