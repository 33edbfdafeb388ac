"""What became of 100 sensors, day by day: every end state, stacked over the planned life."""

from __future__ import annotations

from functools import partial
from typing import Any, Final

import numpy as np
import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.figures.sensor_curves import draw_stacks
from outcomes.measures.sensor_ends import LOST_STATES
from outcomes.measures.sensor_shares import (
    DIED_FIRST,
    EARLY,
    REACHED,
    UNKNOWN_END,
    Horizon,
    refusal,
    state_curve,
)
from outcomes.measures.sensor_survival import PER_100, kinds_of, populations_of, sensor_ends_of
from outcomes.measures.words import one_sentence
from outcomes.results import Record, Result, number
from outcomes.statistics.competing_risks import CumulativeIncidence
from outcomes.units import counted

ORDER: Final = (REACHED, *LOST_STATES, EARLY, DIED_FIRST, UNKNOWN_END)
RARE: Final = "lost: other reasons"
RARE_BELOW: Final = 1.0  # of 100; reasons of loss that stay below are drawn as one
GRID: Final = tuple(np.round(np.arange(0, 1, 0.01), 2))
SHOWN: Final = (0.25, 0.5, 0.75, 1.0)
POOLED: Final = Horizon(time=1.0, before=True, pooled=True)

Row = dict[str, Any]


def sensor_states(cohorts: CohortSet) -> Result:
    """Of 100 sensors placed, what became of them as their planned life went by?

    Parameters
    ----------
    cohorts : CohortSet

    Returns
    -------
    Result
        `.table` has one row per kind, hundredth of the planned life (the last is its eve, 1) and
        state: `kind`, `share_of_planned`, `state`, `estimate`, `conf_low`, `conf_high` (of 100
        placed), `n_at_risk`, `events` (up to then), `note`. At each time the states of a kind add
        to 100. Cumulative population; a kind stops where fewer are at risk than the plan says.

    Notes
    -----
    Aalen-Johansen on the clock of the share of planned life, infinitesimal jackknife by patient;
    see `sensor_survival`, whose headline is the last column of this.
    """
    ends = sensor_ends_of(cohorts)
    lives = populations_of(ends, cohorts)["cumulative"]
    fewest = cohorts.plan.sensor_survival.smallest_at_risk
    rows: list[Row] = []
    said = []
    for kind in kinds_of(ends):
        mine = lives.loc[lives["kind"] == kind]
        why = refusal(mine)
        if why:
            said.append(f"{kind}: {why}")
            continue
        rows += _rows(kind, mine, fewest)
        said.append(_said(kind, [row for row in rows if row["kind"] == kind], mine))
    table = pd.DataFrame(rows, columns=list(_COLUMNS))
    occurring = [state for state in ORDER if (table["state"] == state).any()]
    drawn = _drawn(table)
    answer = one_sentence(said)
    return Result(
        name="sensor_states",
        title="What became of 100 sensors, as their planned life went by?",
        table=table,
        entries=[_record(row, lives) for row in rows if row["share_of_planned"] in SHOWN],
        finding=answer,
        caption=(
            "Of 100 sensors placed, by share of their planned life gone (the last column is the "
            f"eve of the planned day); the lines add to 100. Placed {cohorts.plan.plan.start} to "
            f"{cohorts.cut_off}."
        ),
        footnotes=[
            "Aalen-Johansen: a sensor in place at the cut-off counts for as long as it was "
            "watched. In the picture, reasons of loss that stay below 1 of 100 are drawn as one. "
            "Intervals by patient, and every hundredth of the planned life, are in the CSV.",
        ],
        settings={"curves stop below": f"{fewest} sensors at risk"},
        summary=_summary(table, occurring),
        drawing=partial(
            draw_stacks,
            states=drawn,
            order=_stacked(drawn),
            sizes=lives["kind"].value_counts().to_dict(),
        )
        if len(drawn)
        else None,
        alt=f"Stacked shares of the end states over the planned life, one panel a kind. {answer}",
        height=0.6 + 2.3 * max(drawn["kind"].nunique(), 1),
    )


_COLUMNS: Final = (
    "kind", "share_of_planned", "state", "estimate", "conf_low", "conf_high", "n_at_risk",
    "events", "note",
)  # fmt: skip


def _drawn(table: pd.DataFrame) -> pd.DataFrame:
    """The picture's states: reasons of loss that are rare in every kind are drawn as one."""
    largest = table.groupby("state")["estimate"].max()
    rare = [state for state in LOST_STATES if largest.get(state, 0.0) < RARE_BELOW]
    told = table.assign(
        state=table["state"].where(~table["state"].isin(rare), RARE),
        estimate=table["estimate"].fillna(0.0) / 100,
    )
    keys = ["kind", "share_of_planned", "state"]
    return told.groupby(keys, sort=False, as_index=False)["estimate"].sum()


def _stacked(drawn: pd.DataFrame) -> list[str]:
    order = [*LOST_STATES, RARE, EARLY, DIED_FIRST, UNKNOWN_END, REACHED]
    return [state for state in order if (drawn["state"] == state).any()]


def _rows(kind: str, lives: pd.DataFrame, fewest: int) -> list[Row]:
    """Every state at every hundredth of the planned life, as far as enough are at risk."""
    curves = [(state_curve(lives, times=GRID, at=POOLED), list(GRID)),
              (state_curve(lives, at=POOLED), [1.0])]  # fmt: skip
    seen = set(lives["state"])
    states = [state for state in ORDER if state not in LOST_STATES or state in seen]
    rows: list[Row] = []
    for curve, times in curves:
        for time in times:
            at = [_row(kind, time, state, curve) for state in states]
            if at[0]["n_at_risk"] < fewest:
                return rows
            rows += at
    return rows


def _row(kind: str, time: float, state: str, curve: CumulativeIncidence) -> Row:
    value = curve.at(state, time)
    numbers = {
        name: None if pd.isna(value[name]) else 100 * float(value[name])
        for name in ("estimate", "conf_low", "conf_high")
    }
    return {
        "kind": kind, "share_of_planned": float(time), "state": state, **numbers,
        "n_at_risk": int(value["n_at_risk"]), "events": int(value["events"]),
        "note": str(value["note"] or ""),
    }  # fmt: skip


def _said(kind: str, rows: list[Row], lives: pd.DataFrame) -> str:
    people = counted(lives["patient_id"].nunique(), "patient")
    who = f"n = {counted(len(lives), 'sensor')} of {people}"
    if not rows:
        return f"{kind}: too few sensors at risk for a curve ({who})"
    last = rows[-1]["share_of_planned"]
    half = [
        row for row in rows if row["share_of_planned"] in (0.5, last) and row["state"] == REACHED
    ]
    parts = [
        f"{number(row['estimate'])} (95 % interval {number(row['conf_low'])} to "
        f"{number(row['conf_high'])}) {_when(row['share_of_planned'])}"
        for row in half
    ]
    return f"still working or removed as planned, of 100 {kind}: {', '.join(parts)} ({who})"


def _when(share: float) -> str:
    return "on the eve of the planned day" if share == 1 else f"at {100 * share:g} % of it"


def _summary(table: pd.DataFrame, occurring: list[str]) -> pd.DataFrame:
    lines = []
    for state in occurring:
        cells = {
            f"{kind}, {_short(share)}": _cell(table, kind, share, state)
            for kind in dict.fromkeys(table["kind"])
            for share in SHOWN
        }
        lines.append({"Of 100 placed": state, **cells})
    return pd.DataFrame(lines)


def _short(share: float) -> str:
    return "eve" if share == 1 else f"{100 * share:g} %"


def _cell(table: pd.DataFrame, kind: str, share: float, state: str) -> str | None:
    mine = table.loc[
        (table["kind"] == kind) & (table["share_of_planned"] == share) & (table["state"] == state)
    ]
    return None if mine.empty else number(float(mine["estimate"].iloc[0]))


def _record(row: Row, lives: pd.DataFrame) -> Record:
    mine = lives.loc[lives["kind"] == row["kind"]]
    return Record(
        outcome="sensor_states", quantity=row["state"], population="cumulative",
        cohort=row["kind"], at=f"{100 * row['share_of_planned']:g} % of planned life",
        estimate=row["estimate"], conf_low=row["conf_low"], conf_high=row["conf_high"],
        n_patients=int(mine["patient_id"].nunique()), n_units=len(mine), events=row["events"],
        unit=PER_100, method="Aalen-Johansen, infinitesimal jackknife by patient, log(-log) limits",
        note=row["note"] or None,
    )  # fmt: skip
