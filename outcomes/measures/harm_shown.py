"""How the rows of harm are told: the short table, the sentence, the records and the figure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from outcomes.figures.scales import HARM_PER_100_YEARS, Scale, drawn_values, fix_scale
from outcomes.figures.style import look
from outcomes.measures.harm_rows import (
    ALL,
    ALL_EVENTS,
    FIRST_EVENTS,
    FIRST_MID_P,
    NO_TABLE,
    RELATED,
    UNITS,
    Row,
)
from outcomes.measures.words import one_sentence
from outcomes.results import Record, Show, interval, number
from outcomes.statistics.rates import zero_rate_bound
from outcomes.tables.declared import KINDS
from outcomes.units import counted

SHOW = {
    "population": Show("Population"),
    "cohort": Show("Cohort or kind"),
    "quantity": Show("Quantity"),
    "relation": Show("Counted"),
    "category": Show("Category"),
    "events": Show("Events", 0),
    "estimate": Show("Estimate", 2),
    "conf_low": Show("95 % low", 2),
    "conf_high": Show("95 % high", 2),
    "unit": Show("Unit"),
    "n_units": Show("n", 0),
    "n_patients": Show("Patients (n)", 0),
    "exposure": Show("Exposure", 1),
    "note": Show("Note"),
}


def summary(table: pd.DataFrame, per: str) -> pd.DataFrame:
    """One line a quantity: since the start and this quarter, all reported and related.

    Rates stand in the unit asked for; the other unit and the mid-P twin lie in the CSV.
    """
    other = {f"per {unit}" for unit in UNITS if unit != per}
    rows = table.loc[(table["quantity"] != FIRST_MID_P) & ~table["unit"].isin(other)]
    lines: dict[tuple[str, str, str], dict[str, str]] = {}
    for row in rows.to_dict("records"):
        what = row["quantity"] if row["category"] == "all" else f"… {row['category']}"
        what = what if row["unit"] == "deficiencies" else f"{what}, {row['unit']}"
        after = row["quantity"] if row["category"] != "all" else ""
        column = f"{_WHEN[row['population']]}, {_WHICH[row['relation']]}"
        lines.setdefault((row["cohort"], after, what), {})[column] = _cell(row)
    columns = [f"{when}, {which}" for when in _WHEN.values() for which in _WHICH.values()]
    shown: list[dict[str, str | None]] = []
    for (kind, after, what), cells in lines.items():
        # A category stands in the table because it occurred: an empty cell is no event.
        empty = "none" if after else None
        line: dict[str, str | None] = {"What": what, "Kind": kind}
        shown.append(line | {name: cells.get(name, empty) for name in columns})
    return pd.DataFrame(shown)


_WHEN: Final = {"cumulative": "Since the start", "quarter": "This quarter"}
_WHICH: Final = {ALL: "all reported", RELATED: "related"}


def _cell(row: Row) -> str:
    """Estimate with interval, events and n of one line."""
    if pd.isna(row["estimate"]):
        return str(row["note"]) or "not estimable"
    if row["method"] == "count":
        return f"{row['events']} in {counted(row['n_patients'], 'patient')}"
    limits = interval(
        None if pd.isna(row["conf_low"]) else row["conf_low"],
        None if pd.isna(row["conf_high"]) else row["conf_high"],
        1,
    )
    size = f"{row['events']} of {row['n_units']}"
    if not row["unit"].startswith("%"):
        size = f"{row['events']} in {counted(row['n_patients'], 'patient')}"
    return f"{number(row['estimate'])} ({limits}; {size})"


def record(row: Mapping[str, Any]) -> Record:
    """Return the record of one row."""
    plain = {name: None if pd.isna(value) else value for name, value in row.items()}
    by = {"counted": str(plain["relation"])}
    if plain["category"] != "all":
        by["category"] = str(plain["category"])
    return Record(
        outcome="complications",
        quantity=str(plain["quantity"]),
        population=str(plain["population"]),
        cohort=plain["cohort"],
        by=by,
        estimate=plain["estimate"],
        conf_low=plain["conf_low"],
        conf_high=plain["conf_high"],
        n_patients=plain["n_patients"],
        n_units=plain["n_units"],
        events=plain["events"],
        exposure=plain["exposure"],
        unit=str(plain["unit"]),
        method=str(plain["method"]),
        note=str(plain["note"]) or None,
    )


def bounds(table: pd.DataFrame, per: str) -> list[Record]:
    """The one-sided bounds that the sentence names where no harm was reported."""
    silent = table.loc[
        (table["quantity"] == FIRST_EVENTS)
        & (table["relation"] == ALL)
        & (table["population"] == "cumulative")
        & (table["unit"] == f"per {per}")
        & (table["estimate"] == 0)
    ]
    entries = []
    for row in silent.to_dict("records"):
        bound = zero_rate_bound(float(row["exposure"]), per=UNITS[per][1])
        plain = record(row)
        entries.append(
            replace(
                plain, quantity=f"{FIRST_EVENTS}, one-sided bound", estimate=None, conf_low=None,
                conf_high=bound.conf_high, method=bound.method,
                note="no event; one-sided, named in the sentence and in no table",
            )
        )  # fmt: skip
    return entries


def finding(table: pd.DataFrame, per: str, *, has_table: bool) -> str:
    """Return the one sentence that answers the question."""
    if not has_table:
        return f"Harm cannot be reported, because {NO_TABLE}; that is not the same as no harm."
    mine = table.loc[
        (table["population"] == "cumulative")
        & (table["relation"] == ALL)
        & (table["category"] == "all")
    ]
    parts = [_wear_words(mine, kind, per) for kind in KINDS]
    return one_sentence([_procedure_words(mine), *parts])


def _procedure_words(mine: pd.DataFrame) -> str:
    of = mine.loc[mine["quantity"].str.endswith("attempted placements")].iloc[0]
    if not of["n_units"]:
        return "no placement is recorded"
    placements = counted(of["n_units"], "attempted placement")
    return (
        f"harm of the procedure was reported after {of['events']} of {placements} "
        f"({number(of['estimate'])} %, 95 % interval "
        f"{interval(of['conf_low'], of['conf_high'])} %)"
    )


def _size(exposure: float, unit: str) -> str:
    return counted(round(exposure), unit) if exposure >= 1 else f"under 1 {unit}"


def _wear_words(mine: pd.DataFrame, kind: str, per: str) -> str:
    row = mine.loc[
        (mine["cohort"] == kind) & (mine["quantity"] == FIRST_EVENTS)
        & (mine["unit"] == f"per {per}")
    ].iloc[0]  # fmt: skip
    if not row["n_units"]:
        return f"no {kind} sensor was worn"
    exposure = _size(row["exposure"], per.split()[-1].removesuffix("s"))
    size = f"{counted(row['n_patients'], 'patient')}, {exposure}"
    if not row["events"]:
        bound = zero_rate_bound(float(row["exposure"]), per=UNITS[per][1]).conf_high
        words = "" if bound is None else (
            f", the one-sided 95 % upper bound being {number(bound, 2)} per {per}"
        )  # fmt: skip
        return f"no harm of wearing {kind} sensors was reported ({size}){words}"
    return (
        f"wearing {kind} sensors, {counted(row['events'], 'patient')} had a first harm: "
        f"{number(row['estimate'], 2)} per {per} (95 % interval "
        f"{interval(row['conf_low'], row['conf_high'], 2)}; {size})"
    )


SCALES: Final = {
    "100 patient-years": HARM_PER_100_YEARS,
    "1,000 sensor-days": Scale(0, 3, 1, lowest=0),
}


def drawn(table: pd.DataFrame, per: str) -> pd.DataFrame:
    """Return the rates that the figure shows."""
    return table.loc[
        (table["population"] == "cumulative")
        & table["quantity"].isin([FIRST_EVENTS, ALL_EVENTS])
        & (table["category"] == "all")
        & (table["unit"] == f"per {per}")
        & table["estimate"].notna()
    ].reset_index(drop=True)


def draw(ax: Axes, *, rates: pd.DataFrame, per: str) -> None:
    """One line a rate on a common scale, the count written beside it."""
    order = rates.iloc[::-1].reset_index(drop=True)
    for place, row in enumerate(order.to_dict("records")):
        style = look(str(row["cohort"]))
        known = pd.notna(row["conf_low"]) and pd.notna(row["conf_high"])
        if known:
            ax.plot([row["conf_low"], row["conf_high"]], [place, place], color=style.colour)
        ax.plot(row["estimate"], place, style.marker, color=style.colour)
        right = row["conf_high"] if known else row["estimate"]
        ax.annotate(
            counted(row["events"], "event"), (float(right), float(place)),
            xytext=(5, 0), textcoords="offset points", va="center", fontsize="small",
        )  # fmt: skip
    labels = [
        f"{row['cohort']}: {str(row['quantity']).removeprefix('harm of wear, ')},\n"
        f"{'all reported' if row['relation'] == ALL else 'related'}"
        for row in order.to_dict("records")
    ]
    ax.set_yticks(np.arange(len(order)), labels)
    ax.set_ylim(-0.6, len(order) - 0.4)
    ax.set_xlabel(f"harm of wear per {per}")
    fix_scale(ax, "x", SCALES[per], drawn_values(order), room=(0.0, 0.16))
