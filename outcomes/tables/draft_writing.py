"""A draft as the text of `sources.toml`: values that are guesses begin with a question mark."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from typing import Any, Final

from outcomes.plan.sources import GUESS
from outcomes.tables.draft_guesses import ColumnGuess, Guess, TableGuess

HEAD: Final = """\
# A draft of how to read these exports. A value that begins with a question mark is a guess, and the
# words behind it say what speaks for it. Read each line; correct what is wrong; then take its
# question mark away. Intake lists the guesses that are left, with their lines, and reads nothing
# until each is confirmed. "choose" stands where nothing tells the word; a code whose line is taken
# out sets its rows aside.
#
# Paths are relative to the folder of this file. In `columns` the name on the left is the toolkit's,
# the text on the right is the heading in your export. README.md tells every key.
"""
BARE: Final = re.compile(r"[A-Za-z0-9_-]+")


class _Lines:
    """Lines of the draft, and how many guesses they hold."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.guesses = 0

    def add(self, line: str, because: str = "") -> None:
        self.lines.append(f"{line} # {_one_line(because)}" if because else line)

    def value(self, value: Any) -> str:
        """Return a guessed value as TOML."""
        if isinstance(value, (list, tuple)):
            return "[" + ", ".join(self.value(item) for item in value) + "]"
        if isinstance(value, Mapping):
            return "{ " + ", ".join(f"{_key(k)} = {self.value(v)}" for k, v in value.items()) + " }"
        self.guesses += 1
        return _text(f"{GUESS}{value}")


def draft_text(
    clinic: Mapping[str, tuple[str, str | None]],
    tables: Sequence[TableGuess],
    left_out: Mapping[str, str],
    *,
    absent: Sequence[str],
    needed: Sequence[str],
) -> tuple[str, int]:
    """Return the text of a draft, and how many guesses it holds.

    Parameters
    ----------
    clinic : mapping of key to value and evidence
        Without evidence the value was given, and is no guess.
    tables : sequence of TableGuess
    left_out : mapping of file name to the reason
    absent, needed : sequences of table names
        Tables that no file feeds, and those of them that a study needs.
    """
    out = _Lines()
    out.add(HEAD)
    out.add("format = 1")
    if left_out:
        for name, why in left_out.items():
            out.add(f"# {name}: {_one_line(why)}.")
        out.add(f"left_out = {out.value(list(left_out))}", "files that are not read")
    out.add("\n[clinic]")
    for key, (value, because) in clinic.items():
        plain = value if key == "exported_on" else _text(value)
        out.add(f"{key} = {plain if because is None else out.value(value)}", because or "")
    if absent:
        told = ", ".join(absent)
        out.add(f"\n# No file feeds {told}." + _needed(needed))
    for table in tables:
        _add_table(out, table)
    return "\n".join(out.lines) + "\n", out.guesses


def _needed(needed: Sequence[str]) -> str:
    return f" A study needs {' and '.join(needed)}: add a [[source]] for it." if needed else ""


def _add_table(out: _Lines, table: TableGuess) -> None:
    out.add("\n[[source]]")
    out.add(f"table = {out.value(table.table.value)}", table.table.because)
    out.add(f"files = {out.value([one.value for one in table.files])}")
    for key, one in table.keys.items():
        out.add(f"{key} = {out.value(one.value)}", one.because)
    if table.left_out:
        out.add(f"left_out = {out.value(table.left_out)}", "headings that are not read")
    out.add("\n[source.columns]")
    _add_columns(out, table.columns, "source.columns")
    for name, columns in (("facts", table.facts), ("measurements", table.measurements)):
        if columns:
            out.add(f"\n[source.{name}]")
            _add_columns(out, columns, f"source.{name}")


def _add_columns(out: _Lines, columns: Mapping[str, ColumnGuess], where: str) -> None:
    for name, column in columns.items():
        if not column.codes:
            out.add(f"{_key(name)} = {_short(out, column.keys)}", _because(column.keys))
    for name, column in columns.items():
        if column.codes:
            out.add(f"\n[{where}.{_key(name)}]")
            for key, one in column.keys.items():
                out.add(f"{key} = {out.value(one.value)}", one.because)
            out.add(f"[{where}.{_key(name)}.codes]")
            for code, one in column.codes.items():
                out.add(f"{_key(code)} = {out.value(one.value)}", one.because)
            codes, rows = column.codes_left
            if codes:
                out.add(f"# {codes} further texts in {rows} rows are not listed: set aside.")


def _short(out: _Lines, keys: Mapping[str, Guess]) -> str:
    if set(keys) == {"column"}:
        return out.value(keys["column"].value)
    return "{ " + ", ".join(f"{key} = {out.value(one.value)}" for key, one in keys.items()) + " }"


def _because(keys: Mapping[str, Guess]) -> str:
    told = [(key, one.because) for key, one in keys.items() if one.because]
    if len(told) == 1:
        return told[0][1]
    return "; ".join(because if key == "column" else f"{key}: {because}" for key, because in told)


def _key(key: str) -> str:
    return key if BARE.fullmatch(key) else _text(key)


def _text(value: str) -> str:
    """Return a text as TOML."""
    # Literal strings keep the backslashes of regular expressions readable.
    if "\\" in value and "'" not in value and value.isprintable() and value[-2:] != "\\t":
        return f"'{value}'"
    if value in (f"{GUESS}\\t", "\\t"):
        return f'"{value}"'  # a tab, written as sources.toml writes it
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _one_line(text: str) -> str:
    """Return a text fit for a comment."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())
