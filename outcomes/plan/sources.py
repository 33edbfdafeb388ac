"""The description of one clinic's exports, `sources.toml`: files, columns, units, dates, codes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from outcomes.plan.strict import Document, build, setting

ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "cp1252")


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
    dates: str | None = setting(None, "Date order of this column, where it differs.")
    decimal: str | None = setting(None, "Decimal mark of this column, where it differs.")
    missing: tuple[str, ...] = setting((), "Further words of this column that mean missing.")
    never: tuple[str, ...] = setting((), "Words or dates that mean: it has not happened.")
    codes: Mapping[str, str] | None = setting(None, "The clinic's codes and our words for them.")
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
    time_zone: str | None = setting(None, "Zone of these files, where it is not the clinic's.")

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
class Sources:
    """Everything needed to read a clinic's exports; `folder` is where the paths start."""

    format: int = setting(..., "Format of this file; 1 today.")
    clinic: Clinic = setting(..., "The clinic.")
    source: tuple[TableSource, ...] = setting(..., "One entry per kind of file.")
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
        The file is absent or not TOML, a key is unknown or missing, or a value has the wrong
        type; the message names file, line, key and value.
    """
    document = Document.open(Path(path))
    values = dict(document.values)
    for key in ("folder", "path"):
        if key in values:
            raise document.error((key,), "is set by the file's own place; remove it.")
    sources = build(Sources, values, document)
    return Sources(
        format=sources.format,
        clinic=sources.clinic,
        source=sources.source,
        folder=document.path.resolve().parent,
        path=document.path.resolve(),
    )
