"""The short table and the two sentences of sensor survival, made from its long table."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import pandas as pd

from outcomes.measures.sensor_groups import WHOLE
from outcomes.measures.sensor_needs import MEAN_DAYS, PROCEDURES, SENSORS
from outcomes.measures.sensor_shares import (
    CHOICE_AS_LOSS,
    EARLY,
    HEADS,
    KM_TITLE,
    LOST,
    RATE,
    REACHED,
    UNDATED_ALL,
    UNDATED_NONE,
    UNKNOWN_ALL,
    UNKNOWN_NONE,
)
from outcomes.measures.words import one_sentence
from outcomes.results import DASH, interval, number
from outcomes.units import counted

LESS: Final = ", this quarter less cumulative"
NOT_SHOWN: Final = "not estimable"
COLUMN_OF: Final = {"cumulative": "", "quarter": ", this quarter"}


def of_kinds(table: pd.DataFrame, kinds: Sequence[str]) -> pd.DataFrame:
    """Return one line a state, one column a kind and population: estimate (low to high).

    Parameters
    ----------
    table : DataFrame
        As `sensor_survival` returns it.
    kinds : sequence of str
    """
    columns = {
        f"{kind}{words}": _whole(table, population, kind)
        for kind in kinds
        for population, words in COLUMN_OF.items()
    }
    lines: list[tuple[str, dict[str, str]]] = [
        ("sensors of patients", {name: _n(rows) for name, rows in columns.items()})
    ]
    lines += _state_lines(columns)
    lines += _other_lines(columns)
    lines += _life_lines(table, kinds)
    head = "Of 100 placed, on the eve of the planned day"
    return pd.DataFrame([{head: what, **cells} for what, cells in lines]).fillna(DASH)


def of_groups(table: pd.DataFrame, *, heading: str) -> pd.DataFrame:
    """Return one line a kind and group of the cumulative population, a column a head."""
    shown = []
    mine = table.loc[table["population"] == "cumulative"]
    for (kind, group), rows in mine.groupby(["kind", "group"], sort=False):
        whole = rows.loc[rows["reason"] == ""]
        shown.append(
            {
                heading: kind if group == WHOLE else f"{kind}, {group}",
                "sensors of patients": _n(rows),
                REACHED: _eve(whole, REACHED),
                LOST: _eve(whole, LOST),
                EARLY: _eve(whole, EARLY),
                RATE: _of(whole, RATE, decimals=2),
                "read at": str(rows["at"].dropna().iloc[0]) if rows["at"].notna().any() else DASH,
            }
        )
    return pd.DataFrame(shown)


def _whole(table: pd.DataFrame, population: str, kind: str) -> pd.DataFrame:
    return table.loc[
        (table["population"] == population) & (table["kind"] == kind) & (table["group"] == WHOLE)
    ]


def _n(rows: pd.DataFrame) -> str:
    return f"{int(rows['n_units'].iloc[0]):,} of {int(rows['n_patients'].iloc[0]):,}"


def _state_lines(columns: dict[str, pd.DataFrame]) -> list[tuple[str, dict[str, str]]]:
    lines = []
    for head in HEADS:
        lines.append((head, {name: _eve(rows, head) for name, rows in columns.items()}))
        if head not in (LOST, EARLY):
            continue
        reasons = dict.fromkeys(
            reason for rows in columns.values()
            for reason in rows.loc[(rows["quantity"] == head) & (rows["reason"] != ""), "reason"]
        )  # fmt: skip
        lines += [
            (f"– {reason}", {name: _eve(rows, head, reason) for name, rows in columns.items()})
            for reason in reasons
        ]
    return lines


def _other_lines(columns: dict[str, pd.DataFrame]) -> list[tuple[str, dict[str, str]]]:
    bounds = {
        "lost, with none or all of the unknown ends": (UNKNOWN_NONE, UNKNOWN_ALL),
        "lost, with none or all of the undated losses to follow-up": (UNDATED_NONE, UNDATED_ALL),
    }
    lines = [
        (words, {name: _bounds(rows, *pair) for name, rows in columns.items()})
        for words, pair in bounds.items()
    ]
    lines.append((CHOICE_AS_LOSS, {n: _eve(rows, CHOICE_AS_LOSS) for n, rows in columns.items()}))
    lines.append((KM_TITLE, {n: _eve(rows, KM_TITLE) for n, rows in columns.items()}))
    for quantity, decimals in ((RATE, 2), (MEAN_DAYS, 1), (SENSORS, 2), (PROCEDURES, 2)):
        cells = {n: _of(rows, quantity, decimals=decimals) for n, rows in columns.items()}
        lines.append((quantity, cells))
    less = {n: _of(rows, f"{REACHED}{LESS}") for n, rows in columns.items() if "quarter" in n}
    lines.append(("points reached more than cumulative", less))
    return [line for line in lines if any(text != DASH for text in line[1].values())]


def _life_lines(table: pd.DataFrame, kinds: Sequence[str]) -> list[tuple[str, dict[str, str]]]:
    """Several planned lives of one kind stand apart in days."""
    lines = []
    apart = table.loc[(table["group"] != WHOLE) & (table["reason"] == "")]
    for (kind, group), rows in apart.groupby(["kind", "group"], sort=False):
        cells = {
            f"{kind}{words}": _eve(rows.loc[rows["population"] == population], REACHED)
            for population, words in COLUMN_OF.items()
        }
        if kind in kinds:
            lines.append((f"{REACHED}, {group}", cells))
    return lines


def _eve(rows: pd.DataFrame, quantity: str, reason: str = "") -> str:
    mine = rows.loc[(rows["quantity"] == quantity) & (rows["reason"] == reason)]
    at_eve = mine["at"].astype(str).str.startswith("eve")
    return _text(mine.loc[at_eve], 1)


def _of(rows: pd.DataFrame, quantity: str, *, decimals: int = 1) -> str:
    return _text(rows.loc[rows["quantity"] == quantity], decimals)


def _text(rows: pd.DataFrame, decimals: int) -> str:
    if rows.empty:
        return DASH
    row = rows.iloc[0]
    if pd.isna(row["estimate"]):
        return NOT_SHOWN
    estimate = number(float(row["estimate"]), decimals)
    if pd.isna(row["conf_low"]) and pd.isna(row["conf_high"]):
        return f"{estimate} (no interval)"
    return f"{estimate} ({interval(row['conf_low'], row['conf_high'], decimals)})"


def _bounds(rows: pd.DataFrame, none: str, everyone: str) -> str:
    pair = [rows.loc[rows["quantity"] == name, "estimate"] for name in (none, everyone)]
    if any(values.empty or pd.isna(values.iloc[0]) for values in pair):
        return DASH
    low, high = (number(float(values.iloc[0])) for values in pair)
    return f"{low} to {high}"


def finding(table: pd.DataFrame, kinds: Sequence[str], start: str) -> str:
    """Return the answer in one sentence, one part a kind; the second part takes the words over."""
    parts: list[str] = []
    for kind in kinds:
        told = any(part.startswith("of 100") for part in parts)
        parts.append(_part(_whole(table, "cumulative", kind), kind, start, again=told))
    return one_sentence(parts)


def _part(rows: pd.DataFrame, kind: str, start: str, *, again: bool) -> str:
    whole = rows.loc[rows["reason"] == ""]
    at_eve = whole["at"].astype(str).str.startswith("eve")
    eve = whole.loc[at_eve].set_index("quantity")
    n, patients = int(rows["n_units"].iloc[0]), int(rows["n_patients"].iloc[0])
    if not n:
        return f"no {kind} sensor was placed since {start}"
    who = f"{counted(n, 'sensor')} of {counted(patients, 'patient')}"
    reached = eve.loc[REACHED]
    if pd.isna(reached["estimate"]):
        rate = whole.loc[whole["quantity"] == RATE].iloc[0]
        limits = interval(rate["conf_low"], rate["conf_high"], 2)
        return (
            f"whether {kind} sensors last is {reached['note']} (n = {who}); "
            f"{int(rate['events'])} lost, {number(rate['estimate'], 2)} per patient-year of wear "
            f"(95 % interval {limits})"
        )
    placed = "" if again else f" sensors placed since {start}"
    return (
        f"of 100 {kind}{placed}, {_with(reached)} reached planned removal and "
        f"{_with(eve.loc[LOST])} were lost before it (n = {who})"
    )


def _with(row: pd.Series) -> str:
    if pd.isna(row["conf_low"]):
        return f"{number(float(row['estimate']))} (no interval: {row['note']})"
    return (
        f"{number(float(row['estimate']))} (95 % interval "
        f"{interval(row['conf_low'], row['conf_high'])})"
    )
