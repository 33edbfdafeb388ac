"""The account of an intake: every row read is kept, set aside, a repeat, or has nothing to give."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.errors import IntakeError, OutcomesError
from outcomes.tables.rules import JOINT_RULES, RULES, STOP, severities
from outcomes.tables.study import FINDINGS, SET_ASIDE

Array = npt.NDArray[Any]


@dataclass(kw_only=True)
class Entry:
    """The account of one file for one table."""

    file: str
    table: str
    read: int = 0
    kept: int = 0
    aside: int = 0
    repeats: int = 0
    nothing: int = 0
    lines: int = 0  # of the file, by a count of their own
    titles: int = 0
    footers: int = 0
    empty: int = 0

    @property
    def balanced(self) -> bool:
        """Whether every row read has one place."""
        return self.read == self.kept + self.aside + self.repeats + self.nothing


@dataclass(kw_only=True, eq=False, repr=False)
class Ledger:
    """Collects the account, the rows set aside and the notes; entries are numbered from 0."""

    severity_of: dict[str, str] = field(default_factory=lambda: severities(None))
    entries: list[Entry] = field(default_factory=list)
    _aside: dict[str, list[pd.DataFrame]] = field(default_factory=dict)
    _notes: list[dict[str, Any]] = field(default_factory=list)

    def severity(self, rule: str) -> str:
        """Return whether a rule stops, sets aside or notes."""
        return self.severity_of[rule]

    def open(self, file: str, table: str) -> int:
        """Begin the account of a file for a table; return its number."""
        self.entries.append(Entry(file=file, table=table))
        return len(self.entries) - 1

    def set_aside(
        self, entry: Array, line: Array, rule: Any, reason: Any, texts: pd.DataFrame
    ) -> None:
        """Keep rows out: their entry numbers, lines, rules, reasons, and fed columns as text."""
        if not len(line):
            return
        table = self.entries[int(entry[0])].table
        about = pd.DataFrame(
            {"entry": entry, "line": line, "rule": rule, "reason": reason}
        ).reset_index(drop=True)
        self._aside.setdefault(table, []).append(
            pd.concat([about, texts.reset_index(drop=True)], axis=1)
        )

    def repeat(self, entry: Array) -> None:
        """Count exact repeats by the entry number of each."""
        for number, count in counted(entry):
            self.entries[number].repeats += count

    def keep(self, entry: Array) -> None:
        """Count rows kept by the entry number of each."""
        for number, count in counted(entry):
            self.entries[number].kept += count

    def note(
        self, rule: str, table: str, file: str | None, rows: int, sentence: str, mend: str
    ) -> None:
        """Add a note; rows of the same rule, table and file are added up by the caller."""
        self._notes.append(
            {
                "rule": rule, "severity": self.severity(rule), "table": table, "file": file,
                "rows": rows, "sentence": sentence, "mend": mend or RULES[rule].mend,
                "code": RULES[rule].code,
            }
        )  # fmt: skip

    def note_rows(self, rule: str, table: str, entry: Array, line: Array) -> None:
        """Add a note about rows that are kept, one for each file, with the first lines."""
        for number in dict.fromkeys(entry.tolist()):
            file, lines = self.entries[number].file, sorted(line[entry == number].tolist())
            told = ", ".join(map(str, lines[:5])) + (" ..." if len(lines) > 5 else "")
            self.note(
                rule, table, file, len(lines),
                f"{file}: {len(lines)} rows of {table} {RULES[rule].what} (lines {told}); kept.",
                "",
            )  # fmt: skip

    def refuse_stopping(self) -> None:
        """Raise where a rule that stops has found something.

        Raises
        ------
        IntakeError
            Names every such rule with file, lines and the mend.
        """
        found = self.findings()
        found = found[found["severity"] == STOP]
        if not len(found):
            return
        aside = self.all_set_aside()
        told = []
        for row in found.itertuples():
            of_rule = aside[(aside["rule"] == row.rule) & (aside["file"] == row.file)]
            lines = ", ".join(map(str, of_rule["line"].head(5)))
            where = f" (lines {lines})" if lines else ""
            told.append(f"{row.code}, {row.sentence}{where} {row.mend}")
        raise IntakeError("Findings that stop the intake:\n" + "\n".join(told))

    def close_table(self, table: str) -> None:
        """Take repeats out of the rows set aside for `table`, and count what is left.

        Rows that repeat another one in every fed column are repeats first: they are told once.
        Rows that could not be cut into fields have no columns to compare and all stay.
        """
        parts = self._aside.pop(table, [])
        if not parts:
            return
        rows = pd.concat(parts, ignore_index=True)
        rows = rows.sort_values(["entry", "line"], kind="stable", ignore_index=True)
        fed = [c for c in rows.columns if c not in ("entry", "line", "rule", "reason")]
        # Judged by the whole table (two values, same id), a row has lost its repeats already.
        alone = ~rows["rule"].isin(JOINT_RULES).to_numpy()
        repeated = np.zeros(len(rows), dtype=bool)
        if fed and alone.any():
            repeated[alone] = rows.loc[alone, fed].duplicated().to_numpy()
        self.repeat(rows.loc[repeated, "entry"].to_numpy())
        rows = rows.loc[~repeated]
        for number, count in rows["entry"].value_counts().items():
            self.entries[int(str(number))].aside += int(count)
        self._aside[table] = [rows]

    def accounting(self) -> pd.DataFrame:
        """Return the account, one row per entry.

        Raises
        ------
        OutcomesError
            A row has no place or two: a mistake in the toolkit, never in the data.
        """
        wrong = [entry for entry in self.entries if not entry.balanced]
        if wrong:
            raise OutcomesError(
                f"intake: {wrong[0].file}, {wrong[0].table}: rows do not add up ({wrong[0]}). "
                "Please report this."
            )
        rows = {
            "file": [e.file for e in self.entries],
            "table": [e.table for e in self.entries],
            "rows_read": [e.read for e in self.entries],
            "rows_kept": [e.kept for e in self.entries],
            "rows_set_aside": [e.aside for e in self.entries],
            "exact_repeats": [e.repeats for e in self.entries],
            "rows_without_value": [e.nothing for e in self.entries],
        }
        rows |= {
            "lines": [e.lines for e in self.entries],
            "title_lines": [e.titles for e in self.entries],
            "footer_lines": [e.footers for e in self.entries],
            "empty_lines": [e.empty for e in self.entries],
        }
        kinds = {name: "object" if name in ("file", "table") else "Int64" for name in rows}
        return pd.DataFrame(rows).astype(kinds)

    def all_set_aside(self) -> pd.DataFrame:
        """Return every row kept out, with the declared columns of all tables as text."""
        parts = [rows for kept in self._aside.values() for rows in kept if len(rows)]
        if not parts:
            return SET_ASIDE.empty()
        rows = pd.concat(parts, ignore_index=True)
        entries = [self.entries[i] for i in rows["entry"]]
        told = pd.DataFrame(
            {
                "file": np.array([e.file for e in entries], dtype=object),
                "line": pd.array(rows["line"].to_numpy(), dtype="Int64"),
                "table": np.array([e.table for e in entries], dtype=object),
                "rule": rows["rule"].astype(object),
                "reason": rows["reason"].astype(object),
            }
        )
        further = rows.drop(columns=["entry", "line", "rule", "reason"]).astype(object)
        # A fed column may carry a name of ours (`table` has none today); ours go first.
        further = further.rename(columns={c: f"{c}_" for c in further.columns if c in told})
        return pd.concat([told, further.where(further.notna(), None)], axis=1)

    def findings(self) -> pd.DataFrame:
        """Return what was set aside by rule and file, the most rows first, then the notes."""
        rows = self.all_set_aside()
        found: list[dict[str, Any]] = []
        read = {(e.table, e.file): 0 for e in self.entries}
        for entry in self.entries:
            read[entry.table, entry.file] += entry.read
        for (table, file, rule), count in _counts(rows):
            known = RULES[rule]
            told = _codes_told(rows, table, file) if rule == "unknown code" else ""
            found.append(
                {
                    "rule": rule, "severity": self.severity(rule), "table": table, "file": file,
                    "rows": count, "mend": known.mend, "code": known.code,
                    "sentence": f"{file}: {count} of {read[table, file]} rows {known.what}{told}; "
                    "set aside.",
                }
            )  # fmt: skip
        columns = [*FINDINGS.names, "code"]
        frame = pd.DataFrame([*found, *self._notes], columns=columns)
        return frame.astype({n: "Int64" if n == "rows" else "object" for n in columns})


def counted(entry: Array) -> Iterable[tuple[int, int]]:
    """Return how often each entry number stands in `entry`."""
    counts = np.bincount(entry)
    return [(int(number), int(counts[number])) for number in np.flatnonzero(counts)]


def _codes_told(rows: pd.DataFrame, table: str, file: str) -> str:
    """Return which codes were not known, the commonest first."""
    own = rows[(rows["table"] == table) & (rows["file"] == file) & (rows["rule"] == "unknown code")]
    reasons = own["reason"].value_counts(sort=True).head(3)
    return " (" + "; ".join(f"{reason}, {n} rows" for reason, n in reasons.items()) + ")"


def _counts(rows: pd.DataFrame) -> Iterable[tuple[tuple[str, str, str], int]]:
    counts = rows.groupby(["table", "file", "rule"], sort=True).size()
    ordered = counts.sort_values(ascending=False, kind="stable")
    return [((str(t), str(f), str(r)), int(n)) for (t, f, r), n in ordered.items()]
