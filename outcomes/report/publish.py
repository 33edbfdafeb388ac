"""Put a finished report in its place, whole or not at all."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
import time
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from outcomes.errors import WriteError

LEFT_OVER_SECONDS = 3600  # writing takes seconds: what is older was left by a killed run


def json_text(value: Any) -> str:
    """Return `value` as JSON text; a NaN is an error, since what does not exist is null."""
    return json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def publish(folder: Path, files: Mapping[str, str | bytes]) -> None:
    """Write every file of `files` (path within `folder` to content), the last one last.

    All files are first written beside their place and flushed to disk; only then do they replace
    the earlier ones, each in one step. A failure before that leaves the earlier report untouched.
    What an earlier report left in a folder of these files, under the same ending, is removed: an
    old table beside a new page would be taken for a part of it.

    Raises
    ------
    WriteError
        The folder cannot be written, or the disk is full.
    """
    staging: Path | None = None
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _sweep(folder)
        staging = Path(tempfile.mkdtemp(prefix=".new-", dir=folder))
        for name, content in files.items():
            _write(staging / name, content)
        for name in files:
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            os.replace(staging / name, folder / name)
        _remove_others(folder, files)
    except OSError as error:
        raise WriteError(
            f"{folder.name}: the report cannot be written ({error.strerror}). "
            "Free the disk or choose another folder with --out."
        ) from error
    finally:
        if staging is not None:
            shutil.rmtree(staging, ignore_errors=True)


def _remove_others(folder: Path, files: Iterable[str]) -> None:
    """Remove the files of an earlier report that this one did not make, in subfolders alone."""
    made = {folder / name for name in files}
    for parent in {path.parent for path in made} - {folder}:
        endings = {path.suffix for path in made if path.parent == parent}
        for path in parent.iterdir():
            if path.suffix in endings and path not in made and path.is_file():
                path.unlink()


def _sweep(folder: Path) -> None:
    for left in folder.glob(".new-*"):
        if time.time() - left.stat().st_mtime > LEFT_OVER_SECONDS:
            shutil.rmtree(left, ignore_errors=True)


def _write(path: Path, content: str | bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as file:
        file.write(content.encode("utf-8") if isinstance(content, str) else content)
        file.flush()
        os.fsync(file.fileno())
