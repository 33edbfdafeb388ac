"""What the inserters' sequential charts say together, by role or for the clinic's peer review."""

from __future__ import annotations

from typing import Any

import pandas as pd

from outcomes.errors import UsageError, known_names
from outcomes.results import Record, Result, Show
from outcomes.units import counted
from outcomes.watch.attention import AUDIENCES
from outcomes.watch.inserters import InserterCurve, roles_to_hide
from outcomes.watch.programme import Programme


def learning_curves(programme: Programme, *, audience: str = "clinic") -> Result:
    """How many inserters does each role have, and what do their sequential charts say together?

    For a committee by role, without ids, and nothing at all of a role with fewer inserters than
    the plan says. For the clinic's own peer review one row per inserter in the order of ids;
    never a ranking. The charts themselves are private: `inserter_page`.

    Parameters
    ----------
    programme : Programme
    audience : {"clinic", "committee", "external"}

    Raises
    ------
    UsageError
        The audience is not one of these.
    """
    if audience not in AUDIENCES:
        raise UsageError(known_names("audience of the watch", audience, AUDIENCES))
    rules = programme.rules
    hidden = roles_to_hide(programme.inserters, rules.fewest_per_role)
    rows = _rows_for(programme.inserters, audience, hidden)
    table = pd.DataFrame(
        rows,
        columns=[
            "who",
            "role",
            "inserters",
            "procedures",
            "failures",
            "acceptable",
            "unacceptable",
            "undecided",
            "note",
        ],
    )
    shown = table.loc[table["note"] == ""]
    total = {name: int(shown[name].sum()) for name in ("procedures", "inserters")}
    if len(shown):
        finding = (
            f"Shown: {counted(total['inserters'], 'inserter')} with "
            f"{counted(total['procedures'], 'procedure')}; "
            f"charts: {int(shown['acceptable'].sum())} acceptable, "
            f"{int(shown['unacceptable'].sum())} unacceptable, "
            f"{int(shown['undecided'].sum())} undecided."
        )
    else:
        finding = (
            f"No inserters are shown: no role has {rules.fewest_per_role} or more."
            if programme.inserters
            else "No procedure names an inserter."
        )
    return Result(
        name="learning_curves",
        title="Is a newly trained inserter doing as well as expected?",
        table=table,
        private=audience == "clinic",
        entries=[_role_record(row) for row in rows],
        finding=finding,
        caption=(
            f"Failed: not completed, infection within {rules.infection_days} days, or sensor lost "
            f"within {rules.early_loss_days} days. Acceptable {100 * rules.p0:g} %, unacceptable "
            f"{100 * rules.p1:g} %, errors {rules.alpha:g} and {rules.beta:g}, charts from "
            f"procedure {rules.sequential_from} on."
        ),
        footnotes=["Cases differ in difficulty; a chart is a reason to talk, not a verdict."],
        show={name: Show(name.capitalize().replace("_", " "),
                         0 if name in ("inserters", "procedures", "failures", "acceptable",
                                       "unacceptable", "undecided") else None)
              for name in table.columns if _says(table[name], audience)},
    )  # fmt: skip


def _says(column: pd.Series, audience: str) -> bool:
    """Whether a column tells something: a clinic's row is one inserter, and notes may be absent."""
    if column.name == "inserters" and audience == "clinic":
        return False
    return column.name != "note" or bool(column.ne("").any())


def _rows_for(
    curves: tuple[InserterCurve, ...], audience: str, hidden: tuple[str, ...]
) -> list[dict[str, Any]]:
    if audience == "clinic":
        return [_row(one.inserter_id, one.role, [one]) for one in curves]
    rows = []
    for role in sorted({one.role for one in curves}):
        mine = [one for one in curves if one.role == role]
        if role in hidden:
            blank: dict[str, Any] = dict.fromkeys(
                ("inserters", "procedures", "failures", "acceptable", "unacceptable", "undecided")
            )
            note = "not shown: too few inserters in this role"
            rows.append({"who": role, "role": role, **blank, "note": note})
        else:
            rows.append(_row(role, role, mine))
    return rows


def _row(who: str, role: str, curves: list[InserterCurve]) -> dict[str, Any]:
    counts = {
        word: sum(one.decision == word for one in curves)
        for word in ("acceptable", "unacceptable", "undecided")
    }
    return {
        "who": who, "role": role, "inserters": len(curves),
        "procedures": sum(len(one.cases) for one in curves),
        "failures": sum(one.failures for one in curves), **counts, "note": "",
    }  # fmt: skip


def _role_record(row: dict[str, Any]) -> Record:
    return Record(
        outcome="watch", quantity="failed procedures", population="cumulative",
        by={"role": row["role"]}, level=None, events=row["failures"],
        estimate=None if row["failures"] is None else float(row["failures"]),
        n_units=row["procedures"], unit="procedures", method="count", note=row["note"] or None,
    )  # fmt: skip
