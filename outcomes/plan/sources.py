"""The description of one clinic's exports, `sources.toml`: files, columns, units, dates, codes."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from outcomes.errors import SettingsError
from outcomes.plan.strict import Document, build, setting

ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "cp1252")
SEVERITIES: Final = ("stop", "set aside", "note")
GUESS: Final = "?"  # a value that begins with it is a guess of draft-sources, not yet confirmed
CHOOSE: Final = "choose"  # stands in a draft where nothing tells the word
# A guess in a line, or a word to choose; a key such as "?" is none.
OPEN_GUESS: Final = re.compile(r"""[=\[,]\s*["'](\?|choose["'])""")
WHOLE_NUMBERS: Final = ("skip_lines", "heading_line")


@dataclass(frozen=True, kw_only=True)
class Clinic:
    """Whose exports these are, in which zone the clinic lives, and when they were made."""

    name: str = setting(..., "Name of the clinic, printed in every report.")
    time_zone: str = setting(..., "Zone of times without an offset, such as Europe/Berlin.")
    exported_on: date = setting(..., "Day of the export; nothing later can be true.", unit="date")

    def __post_init__(self) -> None:
        """Refuse a zone that is not in the zone data."""
        try:
            ZoneInfo(self.time_zone)
        except (ZoneInfoNotFoundError, ValueError) as error:
            raise ValueError(f"time_zone: '{self.time_zone}' is not a known zone.") from error


@dataclass(frozen=True, kw_only=True)
class ColumnSource:
    """Where one column of a table comes from, and how its text is read."""

    column: str | tuple[str, ...] | None = setting(
        None, "Heading in the export; of a list, the first that is there."
    )
    constant: str | None = setting(None, "One value for every row, instead of a column.")
    file_name: str | None = setting(
        None, "Regular expression with one group, read from the file's name."
    )
    preamble: str | None = setting(
        None, "Regular expression with one group, found in the lines above the headings."
    )
    dates: str | None = setting(None, "Date order of this column, where it differs.")
    decimal: str | None = setting(None, "Decimal mark of this column, where it differs.")
    missing: tuple[str, ...] = setting((), "Further words of this column that mean missing.")
    never: tuple[str, ...] = setting((), "Words or dates that mean: it has not happened.")
    codes: Mapping[str, str] | None = setting(None, "The clinic's codes and our words for them.")
    code_map: str | None = setting(
        None, "CSV file of codes and our words; written with the codes found where it is absent."
    )
    unit: str | None = setting(None, "Unit of the whole column.")
    unit_column: str | None = setting(None, "Column that holds the unit of each row.")
    units: Mapping[str, str] | None = setting(None, "The clinic's words for units, and ours.")
    below: tuple[str, ...] = setting(("LOW",), "Words that mean below the reporting limit.")
    above: tuple[str, ...] = setting(("HIGH",), "Words that mean above the reporting limit.")
    low_limit: float = setting(40.0, "Value of a word below the limit.", unit="mg/dL")
    high_limit: float = setting(400.0, "Value of a word above the limit.", unit="mg/dL")
    kind: str = setting(
        "text", "Of a further column of patients: text, number, integer, date or flag."
    )

    def __post_init__(self) -> None:
        """Refuse a kind that a further column cannot have."""
        if self.kind not in ("text", "number", "integer", "date", "flag"):
            raise ValueError(f"kind: '{self.kind}' is not text, number, integer, date or flag.")


@dataclass(frozen=True, kw_only=True)
class TableSource:
    """One kind of file and the table it feeds."""

    table: str = setting(..., "The table that these files feed.")
    files: tuple[str, ...] = setting(
        ..., "Paths or patterns, relative to the folder of sources.toml."
    )
    columns: Mapping[str, str | ColumnSource] = setting(
        ..., "Our column names, each with its heading in the export or a table of keys."
    )
    separator: str = setting(",", "Separator between fields; a tab is written \\t.")
    decimal: str = setting(".", "Decimal mark.")
    encoding: str = setting("utf-8", "Encoding of the files; it is never guessed.")
    dates: str = setting("year-month-day", "Date order, applied strictly.")
    missing: tuple[str, ...] = setting((), "Words that mean missing; an empty cell always does.")
    skip_lines: int = setting(0, "Title lines before the headings.", unit="lines")
    heading_line: int | None = setting(
        None, "Line of the headings; where absent, the first that holds all that are asked for."
    )
    footers: tuple[str, ...] = setting(
        (), "How lines begin that close a file and are no rows, such as 'Total rows'."
    )
    left_out: tuple[str, ...] = setting((), "Headings that are left unread on purpose.")
    sheet: str | None = setting(None, "Sheet of a workbook, where it shows more than one.")
    time_zone: str | None = setting(None, "Zone of these files, where it is not the clinic's.")
    dated_by: str | None = setting(
        None, "Heading of the day from which the facts and measurements of a row hold."
    )
    facts: Mapping[str, str | ColumnSource] | None = setting(
        None, "Further columns that are dated facts: name of the fact, heading."
    )
    measurements: Mapping[str, str | ColumnSource] | None = setting(
        None, "Further columns that are dated numbers: name, heading and unit."
    )

    def __post_init__(self) -> None:
        """Refuse an encoding that is not offered and a decimal mark that cannot be one."""
        if self.encoding not in ENCODINGS:
            raise ValueError(f"encoding: '{self.encoding}' is not one of {', '.join(ENCODINGS)}.")
        if self.decimal not in (".", ","):
            raise ValueError(f"decimal: '{self.decimal}' is neither a point nor a comma.")

    def column(self, name: str) -> ColumnSource:
        """Return how our column `name` is read, the short form spelt out."""
        given = self.columns[name]
        return ColumnSource(column=given) if isinstance(given, str) else given


@dataclass(frozen=True, kw_only=True)
class Pseudonyms:
    """Where the key lies that turns ids into pseudonyms; it is never written anywhere."""

    key_file: str | None = setting(None, "File that holds the key, relative to sources.toml.")
    key_environment: str | None = setting(None, "Environment variable that holds the key.")

    def __post_init__(self) -> None:
        """Refuse two places of the key, or none."""
        if (self.key_file is None) == (self.key_environment is None):
            raise ValueError("key_file: give one of key_file and key_environment.")


@dataclass(frozen=True, kw_only=True)
class Sources:
    """Everything needed to read a clinic's exports; `folder` is where the paths start."""

    format: int = setting(..., "Format of this file; 1 today.")
    clinic: Clinic = setting(..., "The clinic.")
    source: tuple[TableSource, ...] = setting(..., "One entry per kind of file.")
    left_out: tuple[str, ...] = setting((), "Files of the folder that are left unread on purpose.")
    severity: Mapping[str, str] | None = setting(
        None, "Rules by name or code, with stop, set aside or note instead."
    )
    pseudonyms: Pseudonyms | None = setting(None, "Replace ids by keyed pseudonyms.")
    folder: Path = field(default=Path(), metadata={"sentence": "", "unit": "", "source": ""})
    path: Path | None = field(default=None, metadata={"sentence": "", "unit": "", "source": ""})

    def __post_init__(self) -> None:
        """Refuse a format that this version does not read."""
        if self.format != 1:
            raise ValueError(f"format: {self.format} is not known; this version reads format 1.")


def read_sources(path: str | Path) -> Sources:
    """Read `sources.toml` strictly.

    Raises
    ------
    SettingsError
        The file is absent or not TOML, a key is unknown or missing, a value has the wrong type, or
        a guess of `draft-sources` is still open; the message names file, line, key and value.
    """
    document = Document.open(Path(path))
    _refuse_guesses(document)
    values = _unquoted(document.values)
    for key in ("folder", "path"):
        if key in values:
            raise document.error((key,), "is set by the file's own place; remove it.")
    sources = build(Sources, values, document)
    here = document.path.resolve()
    return replace(sources, folder=here.parent, path=here)


def _refuse_guesses(document: Document) -> None:
    """Raise where a guess of a draft is left, or a word is not chosen, with every such line."""
    texts = list(_texts(document.values))
    guesses = sum(text.startswith(GUESS) for text in texts)
    unchosen = sum(text == CHOOSE for text in texts)
    if not guesses and not unchosen:
        return
    found = [
        f"  line {number}: {line.split(' #')[0].strip()}"
        for number, line in enumerate(document.text.splitlines(), start=1)
        if OPEN_GUESS.search(line.split(" #")[0]) and not line.lstrip().startswith("#")
    ]
    told = f"{guesses} guesses are not confirmed" if guesses else ""
    told += " and " if guesses and unchosen else ""
    told += f"{unchosen} words are not chosen" if unchosen else ""
    raise SettingsError(
        f"{document.path.name}: {told}. Read each line, correct it where it is wrong, and take its "
        f"question mark away; write a word of ours for '{CHOOSE}', or take the code's line out:\n"
        + "\n".join(found)
    )


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for item in value.values():
            yield from _texts(item)
    elif isinstance(value, list):
        for item in value:
            yield from _texts(item)


def _unquoted(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return the values with the day and the whole numbers that a draft had to write in quotes."""
    plain = dict(values)
    clinic = plain.get("clinic")
    if isinstance(clinic, Mapping) and isinstance(clinic.get("exported_on"), str):
        try:
            day = date.fromisoformat(clinic["exported_on"])
        except ValueError:
            return plain  # the strict reader says what is wrong with it
        plain["clinic"] = {**clinic, "exported_on": day}
    if isinstance(plain.get("source"), list):
        plain["source"] = [
            {
                key: int(value)
                if key in WHOLE_NUMBERS and isinstance(value, str) and value.isdigit()
                else value
                for key, value in source.items()
            }
            if isinstance(source, Mapping)
            else source
            for source in plain["source"]
        ]
    return plain
