"""Code maps in files of their own: written with the codes found, filled in by the clinic.

`code_map = "codes.csv"` in a column names a file with the headings code, word and rows. Where it is
absent, it is written with every code of the export and how often it stands there, and the intake
asks for the words. Codes that appear later are added to it without a word.
"""

from __future__ import annotations

import csv
import io
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from outcomes.errors import SettingsError, WriteError, known_names
from outcomes.plan.sources import ColumnSource
from outcomes.tables.feeding import Feed
from outcomes.tables.source_files import files_of
from outcomes.tables.values import FLAGS, Texts
from outcomes.tables.versions import write_in_one_step

HEADINGS: Final = ("code", "word", "rows")
MISSING: Final = "(missing)"  # the word for a code that means that nothing is known


def with_code_maps(feeds: list[Feed]) -> list[Feed]:
    """Return the sources with the code maps of their files read in.

    Raises
    ------
    SettingsError
        A map was absent, and has been written; or codes in it have no word, or a word that the
        column does not know.
    WriteError
        The map cannot be written.
    """
    return [_with_maps(feed) for feed in feeds]


def _with_maps(feed: Feed) -> Feed:
    columns = dict(feed.source.columns)
    for name, (_, spec) in feed.columns.items():
        if spec.code_map is not None:
            codes = _codes_of(feed, name, feed.sources.folder / spec.code_map)
            columns[name] = replace(spec, codes=codes, code_map=None)
    if all(columns[name] is feed.source.columns[name] for name in columns):
        return feed
    return replace(feed, source=replace(feed.source, columns=columns))


def _codes_of(feed: Feed, name: str, path: Path) -> dict[str, str]:
    known = _read(feed, name, path) if path.is_file() else {}
    found = _codes_in(feed, name)
    new = [code for code in found if code not in known]
    if new or not path.is_file():
        words = {**known, **dict.fromkeys(new, "")}
        _write(path, words, found)
        known = words
    column, _ = feed.columns[name]
    allowed = column.categories or (tuple(FLAGS) if column.kind == "flag" else ())
    fitting = f"Words that fit: {', '.join((*allowed, MISSING))}." if allowed else ""
    open_codes = [code for code in found if not known[code]]
    if open_codes:
        told = ", ".join(f"'{code}' ({found[code]} rows)" for code in open_codes[:10])
        more = f" and {len(open_codes) - 10} more" if len(open_codes) > 10 else ""
        raise feed.error(
            ("columns", name),
            f"{path.name} has no word for {told}{more}. Fill its column 'word'. {fitting}".rstrip(),
        )
    for code, word in known.items():
        if allowed and word and word not in (*allowed, MISSING):
            hint = known_names("word for it", word, (*allowed, MISSING))
            raise feed.error(("columns", name), f"{path.name}, code '{code}': {hint}")
    return {code: "" if word == MISSING else word for code, word in known.items() if word}


def _read(feed: Feed, name: str, path: Path) -> dict[str, str]:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        text = path.read_text(encoding="cp1252")  # saved again by a spreadsheet program
    except OSError as error:
        raise SettingsError(f"{path.name}: cannot be read ({error.strerror}).") from error
    separator = ";" if ";" in text.partition("\n")[0] else ","
    rows = csv.DictReader(io.StringIO(text, newline=""), delimiter=separator)
    if not {"code", "word"} <= set(rows.fieldnames or ()):
        raise feed.error(
            ("columns", name), f"{path.name} must have the headings {', '.join(HEADINGS)}."
        )
    return {(row["code"] or "").strip(): (row["word"] or "").strip() for row in rows}


def _codes_in(feed: Feed, name: str) -> Counter[str]:
    """Count the different texts of a column over all files, words for missing left out."""
    spec = feed.columns[name][1]
    missing = {"", *feed.source.missing, *spec.missing}
    counts: Counter[str] = Counter()
    for file in files_of(feed):
        for rows in file.rows():
            cells = feed.cells(name, _without_map(spec), file, rows)
            texts = Texts.same(cells, len(rows)) if isinstance(cells, str) else Texts.of(cells)
            told = np.bincount(texts.codes, minlength=len(texts.different)).tolist()
            for text, count in zip(texts.different, told, strict=True):
                counts[text] += count
    return Counter({code: n for code, n in counts.most_common() if code not in missing and n})


def _without_map(spec: ColumnSource) -> ColumnSource:
    return replace(spec, code_map=None)


def _write(path: Path, words: dict[str, str], found: Counter[str]) -> None:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(HEADINGS)
    writer.writerows((code, word, found.get(code, 0)) for code, word in words.items())
    try:
        write_in_one_step(path, text.getvalue())
    except OSError as error:
        raise WriteError(f"{path.name}: cannot be written ({error.strerror}).") from error
