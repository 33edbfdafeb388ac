"""The files that a source names: looked for once, each read once, in order of name."""

from __future__ import annotations

import re
import stat
from collections.abc import Callable, Iterator, Mapping
from fnmatch import translate
from pathlib import Path
from typing import Final

from outcomes.tables.export_files import NO_EXPORTS, ExportFile
from outcomes.tables.feeding import Feed, FoundFile
from outcomes.tables.parquet_files import ParquetFile
from outcomes.tables.text_files import TextFile
from outcomes.tables.workbooks import WorkbookFile

READERS: Final[Mapping[str, Callable[..., ExportFile]]] = {
    ".xlsx": WorkbookFile,
    ".xlsm": WorkbookFile,
    ".parquet": ParquetFile,
}
NOT_READ: Final = {
    ".xls": "an old workbook; save it as .xlsx, or export CSV",
    ".xlsb": "a binary workbook; save it as .xlsx, or export CSV",
    ".ods": "no .xlsx; save it as .xlsx, or export CSV",
    ".pdf": "a picture of a table; export the table itself as CSV",
    ".zip": "a folder in one file; unpack it first",
}


def files_of(feed: Feed) -> Iterator[ExportFile]:
    """Yield the export files of a source, each once, in order of name.

    Raises
    ------
    SettingsError
        As `found_files` does.
    """
    for path, name, size in found_files(feed):
        reader = READERS.get(path.suffix.casefold(), TextFile)
        yield reader(path=path, name=name, size=size, source=feed.source, wanted=feed.wanted)


def found_files(feed: Feed) -> list[FoundFile]:
    """Return the files of a source, each once, in order of name; they are looked for once.

    Raises
    ------
    SettingsError
        A path or pattern finds no file, or one of a kind that is not read; the message tells what
        is there.
    """
    if not feed.found:
        files: dict[Path, FoundFile] = {}
        for pattern in feed.source.files:
            for path, size in _found(feed, pattern):
                name = _name(path, feed.sources.folder)
                kind = path.suffix.casefold()
                if kind in NOT_READ:
                    raise feed.error(("files",), f"{name} is {NOT_READ[kind]}.")
                files.setdefault(path, FoundFile(path, name, size))
        feed.found.extend(files.values())
    return feed.found


def is_no_export(path: Path) -> bool:
    """Return whether a file was left by the system or by a program that has another file open."""
    return bool(no_export_pattern(path.name))


_NO_EXPORTS: Final = tuple((p, re.compile(translate(p))) for p in NO_EXPORTS)


def no_export_pattern(name: str) -> str:
    """Return the pattern of files that are no exports which a name fits, "" where it fits none."""
    return next((p for p, fits in _NO_EXPORTS if fits.match(name.casefold())), "")


def _found(feed: Feed, pattern: str) -> list[tuple[Path, int]]:
    folder = feed.sources.folder
    path = folder / pattern
    size = _size(path)
    if size is not None:
        return [(path, size)]
    # A pattern is relative to the folder; an absolute path must name one file.
    patterned = [] if Path(pattern).is_absolute() else sorted(folder.glob(pattern))
    found = []
    for file in patterned:
        size = _size(file)
        if size is None:
            continue
        if not is_no_export(file):
            found.append((file, size))
        elif file.name not in feed.skipped:
            feed.skipped.append(file.name)
    if not found:
        around = path.parent if path.parent.is_dir() else folder
        there = sorted(p.name for p in around.iterdir())[:10] if around.is_dir() else []
        raise feed.error(
            ("files",),
            f"'{pattern}' finds no file. In {around.name or '.'} there is: "
            f"{', '.join(there) or 'nothing'}.",
        )
    return found


def _size(path: Path) -> int | None:
    """Return how many bytes a file has; None where there is no file."""
    try:
        told = path.stat()
    except (OSError, ValueError):
        return None
    return told.st_size if stat.S_ISREG(told.st_mode) else None


def _name(path: Path, folder: Path) -> str:
    try:
        return path.relative_to(folder).as_posix()
    except ValueError:
        return path.name
