"""The folder of a study on disk: numbered versions, a pointer to the current one, one writer.

A version is written aside and renamed when it is complete; the pointer is a small file replaced in
one step. So a reader sees the old version or the new one, never a mixture, and an intake that was
killed leaves only a folder that the next intake sweeps.
"""

from __future__ import annotations

import os
import secrets
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Final

from outcomes.errors import StudyError, WriteError

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

POINTER: Final = "current"
VERSIONS: Final = "versions"
LOCK: Final = ".lock"
UNFINISHED: Final = ".unfinished-"


@contextmanager
def sole_writer(folder: Path) -> Iterator[Path]:
    """Hold the study's lock, sweep what a killed intake left, and give a folder to write into.

    Raises
    ------
    WriteError
        Another intake holds the lock, or the folder cannot be written.
    """
    made = not folder.exists()
    try:
        (folder / VERSIONS).mkdir(parents=True, exist_ok=True)
        lock = (folder / LOCK).open("a+b")
    except OSError as error:
        raise WriteError(
            f"{folder.name}: cannot be written ({error.strerror}). Give a folder of your own."
        ) from error
    with lock:
        _take(lock, folder)
        for left in (folder / VERSIONS).glob(UNFINISHED + "*"):
            shutil.rmtree(left, ignore_errors=True)
        for pointer in folder.glob(f".{POINTER}-*"):
            pointer.unlink(missing_ok=True)
        unfinished = folder / VERSIONS / (UNFINISHED + secrets.token_hex(8))
        unfinished.mkdir()
        try:
            yield unfinished
        except OSError as error:
            raise WriteError(
                f"{folder.name}: the study could not be written ({error.strerror}). "
                "Free some space and run intake again; the version before is untouched."
            ) from error
        finally:
            shutil.rmtree(unfinished, ignore_errors=True)
            if made and not (folder / POINTER).exists():
                shutil.rmtree(folder, ignore_errors=True)  # nothing came of it


def _take(lock: IO[bytes], folder: Path) -> None:
    # The operating system lets go of the lock when the process ends, however it ends.
    try:
        if sys.platform == "win32":
            msvcrt.locking(lock.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            fcntl.flock(lock.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        raise WriteError(
            f"{folder.name}: another intake is writing this study. Wait until it has ended."
        ) from error


def finish(unfinished: Path, version: str, *, refreshed: tuple[str, ...]) -> Path:
    """Move a complete version to its place and point to it; return its folder.

    Where the same version is there already, only the `refreshed` files, which tell of the intake
    and not of the tables, are replaced one by one.
    """
    folder = unfinished.parent.parent
    place = folder / VERSIONS / version
    if place.is_dir():
        for name in refreshed:
            os.replace(unfinished / name, place / name)
    else:
        _flush(unfinished)
        os.replace(unfinished, place)
    write_in_one_step(folder / POINTER, version + "\n")
    return place


def _flush(folder: Path) -> None:
    for path in folder.rglob("*"):
        if path.is_file():
            with path.open("rb") as file:
                os.fsync(file.fileno())


def write_in_one_step(path: Path, text: str) -> None:
    """Write a small text file beside `path` and move it there, so that it is old or new."""
    aside = path.with_name(f".{path.name}-{secrets.token_hex(8)}")
    with aside.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    os.replace(aside, path)


def version_folder(folder: Path, version: str | None = None) -> Path:
    """Return the folder of `version`, or of the current one.

    Raises
    ------
    StudyError
        There is no study here, or not that version.
    """
    if version is None:
        try:
            version = (folder / POINTER).read_text(encoding="utf-8").strip()
        except (OSError, UnicodeDecodeError) as error:
            raise StudyError(
                f"{folder.name}: no study here (no readable file '{POINTER}'). "
                "Give the folder that intake wrote, or run intake first."
            ) from error
    place = folder / VERSIONS / version
    if not version or Path(version).name != version or not place.is_dir():
        raise StudyError(
            f"{folder.name}: version '{version}' is not there. "
            "Run intake again, or restore the folder from a backup."
        )
    return place
