"""One strict reader for every TOML file: unknown keys, wrong types and bad values are errors.

An error names file, line, key and value, and lists the keys that are known.
"""

from __future__ import annotations

import re
import tomllib
import types
from collections.abc import Mapping, Sequence
from dataclasses import MISSING, dataclass, field, fields, is_dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

from outcomes.errors import SettingsError, known_names

T = TypeVar("T")
PRACTICE = "common practice, no source"  # of a default that no publication gives


def setting(default: Any, sentence: str, *, unit: str = "", source: str = "") -> Any:
    """Declare one setting: its default, a sentence for readers, its unit and where it comes from.

    A default of `...` makes the setting required.
    """
    metadata = {"sentence": sentence, "unit": unit, "source": source}
    if default is ...:
        return field(metadata=metadata)
    return field(default=default, metadata=metadata)


@dataclass(frozen=True)
class Document:
    """A TOML file as text and as values, so that an error can name a line."""

    path: Path
    text: str
    values: dict[str, Any]

    @classmethod
    def open(cls, path: Path) -> Document:
        """Read `path`; raise `SettingsError` where it is absent or not TOML."""
        try:
            text = path.read_text(encoding="utf-8-sig")
        except FileNotFoundError as error:
            raise SettingsError(f"{path.name}: no such file. Check the path given.") from error
        except (OSError, UnicodeDecodeError) as error:
            raise SettingsError(f"{path.name}: cannot be read as UTF-8 text ({error}).") from error
        try:
            return cls(path, text, tomllib.loads(text))
        except tomllib.TOMLDecodeError as error:
            raise SettingsError(f"{path.name}: {error}.{_windows_hint(text)}") from error

    def line_of(self, where: Sequence[str]) -> int | None:
        """Return the number of the line on which the last name of `where` is set, if it is found.

        `where` holds table names, array positions ("#2" for the second) and the key.
        """
        lines = self.text.splitlines()
        start = 0
        *tables, key = where
        for depth, name in enumerate(tables):
            if name.startswith("#"):
                continue
            dotted = ".".join(part for part in tables[: depth + 1] if not part.startswith("#"))
            following = tables[depth + 1] if depth + 1 < len(tables) else ""
            count = int(following[1:]) if following.startswith("#") else 1
            header = re.compile(rf"^\s*\[\[?\s*{re.escape(dotted)}\s*\]\]?\s*(#.*)?$")
            found = [i for i in range(start, len(lines)) if header.match(lines[i])]
            if len(found) >= count:
                start = found[count - 1]
        pattern = re.compile(rf'(^|[\s{{,])"?{re.escape(key)}"?\s*=')
        return next((i + 1 for i in range(start, len(lines)) if pattern.search(lines[i])), None)

    def error(self, where: Sequence[str], message: str) -> SettingsError:
        """Return the error for the key at `where`."""
        line = self.line_of(where)
        place = f"{self.path.name}, line {line}" if line else self.path.name
        dotted = ".".join(where).replace(".#", " ")
        return SettingsError(f"{place}, {dotted}: {message}")


def _windows_hint(text: str) -> str:
    if re.search(r'"[^"\n]*[A-Za-z0-9_]\\[^"\n]*"', text):
        return (
            " A Windows path in double quotes must use forward slashes, or stand in single"
            " quotes: 'exports\\\\labs.csv' is written 'exports/labs.csv'."
        )
    return ""


def build(
    cls: type[T], values: Mapping[str, Any], document: Document, where: tuple[str, ...] = ()
) -> T:
    """Return the dataclass `cls` filled from `values`, strictly."""
    hints = get_type_hints(cls)
    known = {f.name: f for f in fields(cls)}  # type: ignore[arg-type]
    for key in values:
        if key not in known:
            raise document.error((*where, key), known_names("known key here", key, known))
    absent = [
        name
        for name, f in known.items()
        if name not in values and f.default is MISSING and f.default_factory is MISSING
    ]
    if absent:
        place = ".".join(where) or "the top level"
        raise SettingsError(
            f"{document.path.name}, {place}: {', '.join(absent)} must be given. "
            f"Keys known there: {', '.join(known)}."
        )
    given = {
        key: _convert(value, hints[key], document, (*where, key)) for key, value in values.items()
    }
    try:
        return cls(**given)
    except ValueError as error:  # raised by a section's own __post_init__
        key = str(error).split(":", 1)[0]
        raise document.error((*where, key), str(error).split(":", 1)[-1].strip()) from error


def _convert(value: Any, hint: Any, document: Document, where: tuple[str, ...]) -> Any:
    origin, args = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        return _convert_union(value, args, document, where)
    if is_dataclass(hint) and isinstance(hint, type):
        if not isinstance(value, Mapping):
            raise document.error(where, f"{value!r} is not a table of keys.")
        return build(hint, value, document, where)
    if origin is tuple and isinstance(value, list):
        items = args[:1] * len(value) if args[-1] is Ellipsis else args
        if len(items) != len(value):
            raise document.error(where, f"{value!r} has {len(value)} entries, not {len(items)}.")
        return tuple(
            _convert(item, kind, document, (*where, f"#{i + 1}"))
            for i, (item, kind) in enumerate(zip(value, items, strict=True))
        )
    if origin in (dict, Mapping) or hint in (dict, Mapping):
        if not isinstance(value, Mapping):
            raise document.error(where, f"{value!r} is not a table of keys.")
        kind = args[1] if args else Any
        return {str(k): _convert(v, kind, document, (*where, str(k))) for k, v in value.items()}
    return _plain_value(value, hint, document, where)


def _convert_union(
    value: Any, args: tuple[Any, ...], document: Document, where: tuple[str, ...]
) -> Any:
    problems = []
    for kind in args:
        if kind is type(None):
            continue
        try:
            return _convert(value, kind, document, where)
        except SettingsError as error:
            problems.append(error)
    # An inline table that fits no alternative: its own error says most.
    raise problems[-1]


def _plain_value(value: Any, hint: Any, document: Document, where: tuple[str, ...]) -> Any:
    if hint is Any:
        return value
    if hint is float and isinstance(value, int) and not isinstance(value, bool):
        return float(value)
    if hint is date and isinstance(value, datetime):
        raise document.error(where, f"{value} has a time of day; a date is written 2024-01-31.")
    kind = get_origin(hint) or hint
    if isinstance(value, kind) and not (kind is int and isinstance(value, bool)):
        return value
    expected = {
        str: "text in quotes",
        int: "a whole number",
        float: "a number",
        bool: "true or false",
        date: "a date such as 2024-01-31, without quotes",
        tuple: "a list in square brackets",
    }.get(kind, str(hint))
    raise document.error(where, f"{value!r} is not {expected}.")
