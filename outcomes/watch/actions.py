"""The committee's list of actions: a small file that the clinic edits, carried along."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.plan.beside import ACTIONS, ACTIONS_FILE, read_actions
from outcomes.results import Record, Result, Show
from outcomes.units import counted
from outcomes.watch.attention import attention
from outcomes.watch.programme import Programme


def action_list(programme: Programme, *, beside: str | Path, audience: str = "clinic") -> Result:
    """Which actions are open, overdue or closed, and which findings have none yet?

    The list is the file `actions.csv` beside the plan. The table of this result, which lies
    beside the page as CSV, has the same columns and holds the new findings too: the clinic fills
    in owner and due day and saves it as `actions.csv` for the next quarter.

    Parameters
    ----------
    programme : Programme
    beside : path
        The plan, or any file or folder beside which the list lies.
    audience : {"clinic", "committee", "external"}

    Returns
    -------
    Result
        `.table`: `action`, `finding`, `quarter`, `owner`, `due`, `closed`, in the order of the
        file, new ones last. An action whose finding fired again is not repeated while it is open.

    Raises
    ------
    SettingsError
        The list cannot be used as it stands.
    """
    place = Path(beside)
    path = (place if place.is_dir() else place.parent) / ACTIONS_FILE
    old, kept_back = _for_audience(read_actions(path), audience)
    new = _new(programme, old, audience)
    table = pd.concat([old, new], ignore_index=True) if len(new) else old
    table = table.astype({"due": "datetime64[ns]", "closed": "datetime64[ns]"})
    state = _state(table, len(old), pd.Timestamp(programme.cohorts.cut_off))
    count = pd.Series(state, dtype=object).value_counts()
    parts = [f"{count.get(name, 0)} {name}" for name in ("open", "overdue", "closed", "new")]
    carried = (
        "To carry the list on, fill in owner and due in the CSV of this table and save it as "
        f"{ACTIONS_FILE} beside the plan."
        if audience == "clinic"
        else "The list that is carried on is that of the clinic's own page; on that page alone, "
        f"about single inserters: {counted(kept_back, 'action')}."
    )
    return Result(
        name="actions",
        title="What was agreed, and is it done?",
        table=table,
        entries=[_record(n, int(count.get(n, 0)), len(table)) for n in _STATES if len(table)],
        finding=(
            f"Of {counted(len(table), 'action')}, {', '.join(parts[:-1])} and {parts[-1]} "
            "(no owner yet)."
            if len(table)
            else "No action is listed, and no finding of this quarter asks for one."
        ),
        caption=(
            "The committee's list: finding, who takes it on, by when, and when it was closed. "
            f"Overdue: open past its day at the cut-off {programme.cohorts.cut_off}."
        ),
        # A row that names an inserter stays in the clinic.
        private=audience == "clinic" and bool(_of_one_inserter(table).any()),
        footnotes=[carried],
        show=_SHOW,
        summary=_shown(table, state),
    )


_STATES = ("open", "overdue", "closed", "new")
_SHOW = {name: Show(name.capitalize()) for name in ACTIONS}


def _of_one_inserter(rows: pd.DataFrame) -> pd.Series:
    return rows["action"].astype(str).str.startswith("inserter ")


def _for_audience(old: pd.DataFrame, audience: str) -> tuple[pd.DataFrame, int]:
    """Return the list without what is about one inserter, and how many rows that were."""
    single = _of_one_inserter(old)
    if audience == "clinic" or not single.any():
        return old, 0
    return old.loc[~single].reset_index(drop=True), int(single.sum())


def _new(programme: Programme, old: pd.DataFrame, audience: str) -> pd.DataFrame:
    rows = attention(programme, audience=audience).table
    quarter = str(programme.cohorts.quarter)
    known = set(old["action"]) | {
        str(action).rsplit(" @ ", 1)[0] for action in old.loc[old["closed"].isna(), "action"]
    }
    fresh = [
        {
            "action": f"{row['key']} @ {quarter}", "finding": f"{row['subject']}: {row['rules']}",
            "quarter": quarter, "owner": None, "due": pd.NaT, "closed": pd.NaT,
        }
        for row in rows.to_dict("records")
        if row["key"] not in known and f"{row['key']} @ {quarter}" not in known
    ]  # fmt: skip
    return pd.DataFrame(fresh, columns=list(ACTIONS))


def _state(table: pd.DataFrame, n_old: int, cut_off: pd.Timestamp) -> np.ndarray:
    closed = table["closed"].notna() & (table["closed"] <= cut_off)
    is_new = np.arange(len(table)) >= n_old
    return np.select(
        [closed, is_new | table["owner"].isna(), table["due"] < cut_off],
        ["closed", "new", "overdue"],
        default="open",
    )


def _shown(table: pd.DataFrame, state: np.ndarray) -> pd.DataFrame:
    rows = table.assign(State=state).rename(columns=lambda name: str(name).capitalize())
    shown = rows[["Finding", "Quarter", "Owner", "Due", "Closed", "State"]]
    if len(shown):
        return shown
    return pd.DataFrame([dict.fromkeys(shown.columns, "–") | {"Finding": "No action is listed"}])


def _record(state: str, count: int, total: int) -> Record:
    return Record(
        outcome="watch", quantity=f"actions {state}", population="quarter",
        estimate=float(count), level=None, n_units=total, unit="actions", method="count",
    )  # fmt: skip
