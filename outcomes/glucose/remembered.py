"""What passes over the readings gave before, kept beside the study for the next call.

The file's name is a digest of everything the numbers depend on: the study's version, what was
asked of each patient, the plan's settings, the cut-off, and the code of this room. So a remembered
pass can be absent but never out of date. A file holds plain numbers; one that cannot be read is
made again.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import stat
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any, Final
from zipfile import BadZipFile

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes import units
from outcomes.glucose.passes import Sums, no_sums, shaped_windows, spans_of
from outcomes.plan import TimeInRange
from outcomes.tables import reading_runs, reading_store
from outcomes.tables.study import Study

KEPT: Final = 40  # files; the oldest go first
_KEY_COLUMNS: Final = ("patient_id", "kind", "first_on", "last_on")


def place_of(
    study: Study,
    windows: pd.DataFrame,
    settings: TimeInRange,
    cut_off: date | None,
    shift_mg_dl: float,
) -> Path:
    """Return the file in which the sums of these windows would be remembered."""
    asked = [windows[column] for column in _KEY_COLUMNS]
    told = [str(cut_off), shift_mg_dl, asdict(settings)]
    spans = shaped_windows(windows).tobytes() + spans_of(windows).tobytes()
    return file_of("windows", study, told, asked, spans)


def file_of(
    pass_: str, study: Study, told: list[Any], asked: list[pd.Series], more: bytes = b""
) -> Path:
    """Return the file of one kind of pass that was told some settings and asked some columns."""
    key = hashlib.sha256()
    told = [study.version, study.time_zone, _code(), *told]
    key.update(json.dumps(told, default=str).encode())
    for column in asked:
        key.update(pd.util.hash_pandas_object(column, index=False).to_numpy().tobytes())
    key.update(more)
    folder = study.folder.resolve()
    return folder.parent / f".{folder.name}-remembered" / f"{pass_}-{key.hexdigest()[:32]}.npz"


def remembered(place: Path, windows: int, shapes: int) -> Sums | None:
    """Return the sums that were kept there, or None."""
    wanted = no_sums(windows, shapes)
    kept = arrays_at(place, {"windows": "float64", "shapes": "float64", "gaps": "int64"})
    if kept is None:
        return None
    fits = [kept[name].shape == getattr(wanted, name).shape for name in ("windows", "shapes")]
    return Sums(**kept) if all(fits) else None


def arrays_at(place: Path, types: Mapping[str, str]) -> dict[str, npt.NDArray[Any]] | None:
    """Return the arrays of these names and types that were kept there, or None."""
    try:
        if not _own(place.parent):
            return None
        with np.load(place, allow_pickle=False) as file:
            kept = {name: file[name] for name in types}
    except (OSError, ValueError, EOFError, KeyError, BadZipFile):
        return None
    return kept if all(str(kept[name].dtype) == types[name] for name in types) else None


def remember(place: Path, **arrays: Any) -> None:
    """Keep arrays, readable by the owner alone; where nothing can be written, keep nothing."""
    unfinished = place.with_suffix(f".{secrets.token_hex(8)}")
    with suppress(OSError):
        place.parent.mkdir(mode=0o700, exist_ok=True)
        if not _own(place.parent):
            return
        try:
            with unfinished.open("xb") as file:
                np.savez(file, **arrays)
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
    files = sorted(folder.glob("*.npz"), key=lambda file: (file.stat().st_mtime, file.name))
    for file in files[:-KEPT]:
        file.unlink(missing_ok=True)


@cache
def _code() -> str:
    """A digest of the code that makes the sums."""
    files = sorted(Path(__file__).parent.glob("*.py"))
    beside = (units, reading_store, reading_runs)
    own = [*files, *(Path(str(module.__file__)) for module in beside)]
    return hashlib.sha256(b"\0".join(file.read_bytes() for file in own)).hexdigest()
