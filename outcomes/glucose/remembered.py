"""Sums of windows that were made before, kept beside the study for the next call.

The file's name is a digest of everything the sums depend on: the study's version, the windows, the
plan's settings, the cut-off, and the code of this room. So a remembered pass can be absent but
never out of date. A file holds plain numbers; one that cannot be read is made again.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import stat
from contextlib import suppress
from dataclasses import asdict
from datetime import date
from functools import cache
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes import units
from outcomes.plan import TimeInRange
from outcomes.tables import reading_store
from outcomes.tables.study import Study

Floats = npt.NDArray[np.float64]

KEPT: Final = 40  # files; the oldest go first
_KEY_COLUMNS: Final = ("patient_id", "kind", "first_on", "last_on")


def place_of(
    study: Study, windows: pd.DataFrame, settings: TimeInRange, cut_off: date | None
) -> Path:
    """Return the file in which the sums of these windows would be remembered."""
    key = hashlib.sha256()
    told = [study.version, study.time_zone, str(cut_off), _code(), asdict(settings)]
    key.update(json.dumps(told, default=str).encode())
    for column in _KEY_COLUMNS:
        key.update(pd.util.hash_pandas_object(windows[column], index=False).to_numpy().tobytes())
    folder = study.folder.resolve()
    return folder.parent / f".{folder.name}-remembered" / f"windows-{key.hexdigest()[:32]}.npy"


def remembered(place: Path, shape: tuple[int, int]) -> Floats | None:
    """Return the sums that were kept there, or None."""
    try:
        if not _own(place.parent):
            return None
        sums = np.load(place, allow_pickle=False)
    except (OSError, ValueError, EOFError):
        return None
    return sums if sums.shape == shape and sums.dtype == np.float64 else None


def remember(place: Path, sums: Floats) -> None:
    """Keep the sums, readable by the owner alone; where nothing can be written, keep nothing."""
    unfinished = place.with_suffix(f".{secrets.token_hex(8)}")
    with suppress(OSError):
        place.parent.mkdir(mode=0o700, exist_ok=True)
        if not _own(place.parent):
            return
        try:
            with unfinished.open("xb") as file:
                np.save(file, sums, allow_pickle=False)
            unfinished.replace(place)
        finally:
            unfinished.unlink(missing_ok=True)
        _forget_the_oldest(place.parent)


def _own(folder: Path) -> bool:
    """Whether nobody but this user can have put something there."""
    facts = folder.stat()
    return not hasattr(os, "getuid") or (
        facts.st_uid == os.getuid() and not stat.S_IMODE(facts.st_mode) & 0o077
    )


def _forget_the_oldest(folder: Path) -> None:
    files = sorted(folder.glob("windows-*"), key=lambda file: (file.stat().st_mtime, file.name))
    for file in files[:-KEPT]:
        file.unlink(missing_ok=True)


@cache
def _code() -> str:
    """A digest of the code that makes the sums."""
    files = sorted(Path(__file__).parent.glob("*.py"))
    own = [*files, Path(os.fspath(units.__file__)), Path(os.fspath(reading_store.__file__))]
    return hashlib.sha256(b"\0".join(file.read_bytes() for file in own)).hexdigest()
