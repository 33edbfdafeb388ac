"""A second count of the rows of a text file, character by character, apart from the toolkit."""

from __future__ import annotations


def records(text: str, separator: str) -> list[list[str]]:
    """Return the rows of a text: a quoted cell may hold separators and line ends."""
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    rows: list[list[str]] = []
    row: list[str] = []
    cell, quoted, opened = "", False, False
    at = 0
    while at < len(text):
        c = text[at]
        if quoted:
            if c == '"' and text[at + 1 : at + 2] == '"':
                cell, at = cell + c, at + 1
            elif c == '"':
                quoted = False
            else:
                cell += c
        elif c == '"' and not cell and not opened:
            quoted = opened = True
        elif c == separator:
            row.append(cell)
            cell, opened = "", False
        elif c == "\n":
            rows.append([*row, cell])
            row, cell, opened = [], "", False
        else:
            cell += c
        at += 1
    if row or cell or opened:
        rows.append([*row, cell])
    return rows
