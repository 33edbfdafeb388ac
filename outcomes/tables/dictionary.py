"""The data dictionary, printed from the declarations: every table and column, with its meaning."""

from __future__ import annotations

from typing import Final

import pandas as pd

from outcomes.schema import Column
from outcomes.tables.declared import DECLARED, NEEDED
from outcomes.tables.feeding import FOUND

KIND_WORDS: Final = {
    "id": "id, as text",
    "text": "text",
    "category": "one of",
    "date": "calendar date of the clinic",
    "instant": "time",
    "number": "number",
    "integer": "whole number",
    "flag": "true or false",
}


def data_dictionary() -> pd.DataFrame:
    """Return every declared column, one row each, in the order of the declarations.

    Returns
    -------
    DataFrame, one row per table and column
        `table`, `column`, `needed` (yes; no; or `found`, where the toolkit can tell it from other
        cells), `holds` (kind, range and unit in words), `meaning`.

    Examples
    --------
    >>> told = data_dictionary()
    >>> told.loc[(told.table == "hba1c") & (told.column == "unit"), "holds"].item()
    'one of: %, mmol/mol'
    """
    rows = [
        (name, column.name, _needed(name, column), _holds(column), column.meaning)
        for name, schema in DECLARED.items()
        for column in schema.columns
        if not column.derived
    ]
    return pd.DataFrame(rows, columns=["table", "column", "needed", "holds", "meaning"])


def _needed(table: str, column: Column) -> str:
    if column.name in FOUND.get(table, ()):
        return "found"
    return "yes" if column.required else "no"


def _holds(column: Column) -> str:
    if column.categories:
        return f"{KIND_WORDS['category']}: {', '.join(column.categories)}"
    words = KIND_WORDS[column.kind]
    if column.low is not None and column.high is not None:
        words += f", {column.low:g} to {column.high:g}"
    return f"{words} ({column.unit})" if column.unit else words


def data_dictionary_text() -> str:
    """Return the data dictionary as Markdown, one section a table."""
    told = data_dictionary()
    sections = []
    for name, schema in DECLARED.items():
        need = "needed" if name in NEEDED else "may be absent"
        lines = [f"## `{name}`", "", f"{schema.grain[0].upper()}{schema.grain[1:]}; {need}."]
        if schema.key:
            lines[-1] += f" Unique: {', '.join(schema.key)}."
        if schema.extra:
            lines[-1] += " Further columns may be declared."
        lines += ["", "| column | needed | holds | meaning |", "| --- | --- | --- | --- |"]
        for row in told[told["table"] == name].itertuples():
            lines.append(f"| `{row.column}` | {row.needed} | {row.holds} | {row.meaning} |")
        sections.append("\n".join(lines))
    return "\n\n".join(sections) + "\n"
