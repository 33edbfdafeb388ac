"""One row of every HbA1c table: its columns, the two units, and the record it becomes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import pandas as pd

from outcomes.measures.words import with_interval
from outcomes.results import DASH, Record
from outcomes.units import hba1c_difference_mmol_mol

OUTCOME: Final = "hba1c_change"
NEW: Final = "new"
POINTS: Final = "percentage points"
MMOL: Final = "mmol/mol"
CONTRAST: Final = "implanted minus adhesive"
LIMITS: Final = ("estimate", "conf_low", "conf_high")
COLUMNS: Final = [
    *("population", "cohort", "contrast", "stratum", "month", "quantity"),
    *("estimate", "conf_low", "conf_high", "unit", "n", "n_due", "events", "missing"),
    *("who", "method", "note"),
]

Row = dict[str, Any]


def row(**given: Any) -> Row:
    """Return a row with every column; what is not given is missing, the stratum *new*."""
    made: Row = dict.fromkeys(COLUMNS)
    made |= {"population": "cumulative", "stratum": NEW, "method": "", "note": "", **given}
    made["who"] = made["cohort"] or made["contrast"]
    return made


def in_mmol_mol(given: Row) -> Row:
    """Return the same difference in mmol/mol: a difference has no intercept."""
    scaled = {
        name: None if given[name] is None else float(hba1c_difference_mmol_mol(given[name]))
        for name in LIMITS
    }
    return {**given, **scaled, "unit": MMOL}


def both_units(**given: Any) -> list[Row]:
    """Return a row of a difference in percentage points, and the same in mmol/mol."""
    made = row(**{"unit": POINTS, **given})
    return [made, in_mmol_mol(made)]


def numbers(given: Mapping[str, Any]) -> Row:
    """Return estimate and limits as plain floats, None where they are missing."""
    return {name: plain(given.get(name)) for name in LIMITS}


def plain(value: Any) -> float | None:
    """Return a float, or None for what is missing."""
    return None if value is None or pd.isna(value) else float(value)


def table_of(rows: Sequence[Row]) -> pd.DataFrame:
    """Return the rows as the tidy table, counts whole where a row has none."""
    counts = dict.fromkeys(("month", "n", "n_due", "events", "missing"), "Int64")
    return pd.DataFrame(rows, columns=COLUMNS).astype(counts)


def record(given: Mapping[str, Any]) -> Record:
    """Return the entry of `results.json` that a row becomes."""
    known = {
        name: None if not isinstance(value, str) and pd.isna(value) else value
        for name, value in given.items()
    }
    return Record(
        outcome=OUTCOME,
        quantity=str(known["quantity"]),
        population=str(known["population"]),
        cohort=known["cohort"],
        contrast=known["contrast"],
        at=None if known["month"] is None else f"month {known['month']}",
        by={} if known["stratum"] == NEW else {"stratum": str(known["stratum"])},
        estimate=known["estimate"],
        conf_low=known["conf_low"],
        conf_high=known["conf_high"],
        n_patients=None if known["n"] is None else int(known["n"]),
        n_units=None if known["n_due"] is None else int(known["n_due"]),
        events=None if known["events"] is None else int(known["events"]),
        unit=str(known["unit"]),
        method=str(known["method"]),
        note=str(known["note"]) or None,
    )


def cell(rows: pd.DataFrame, decimals: int, **where: Any) -> str:
    """Return the text of the one row that meets the conditions; its note where it has no number."""
    for name, value in where.items():
        rows = rows.loc[rows[name] == value]
    if rows.empty:
        return DASH
    found = rows.iloc[0]
    estimate, low, high = (plain(found[name]) for name in LIMITS)
    return with_interval(estimate, low, high, decimals)
