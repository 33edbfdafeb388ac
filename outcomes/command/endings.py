"""How a command ends: what it made, its largest findings, the next command; and its log."""

from __future__ import annotations

import logging
import traceback
from collections.abc import Sequence
from dataclasses import dataclass, field
from logging.handlers import RotatingFileHandler
from pathlib import Path

from outcomes.errors import DONE


@dataclass(frozen=True, kw_only=True)
class Ending:
    """What a finished command prints."""

    made: Sequence[str]
    findings: Sequence[str] = field(default=())
    following: str = ""
    status: int = DONE

    def text(self) -> str:
        """Return the lines for the terminal."""
        lines = ["Made:", *(f"  {item}" for item in self.made)]
        if self.findings:
            lines += ["Largest findings:", *(f"  - {item}" for item in self.findings[:3])]
        if self.following:
            lines += ["Next:", f"  {self.following}"]
        return "\n".join(lines)


class Log:
    """A rotating log of what the command did, without patient data; silent without a file."""

    def __init__(self, path: Path | None) -> None:
        self._logger = logging.getLogger("outcomes.command")
        self._logger.setLevel(logging.INFO)
        self._logger.propagate = False
        for handler in list(self._logger.handlers):
            self._logger.removeHandler(handler)
            handler.close()
        if path is None:
            self._logger.addHandler(logging.NullHandler())
            return
        path.parent.mkdir(parents=True, exist_ok=True)
        handler = RotatingFileHandler(path, maxBytes=1_000_000, backupCount=3, encoding="utf-8")
        handler.setFormatter(logging.Formatter("%(asctime)s %(message)s"))
        self._logger.addHandler(handler)

    def write(self, message: str) -> None:
        """Write one line."""
        self._logger.info(message)

    def trace(self, error: BaseException) -> None:
        """Write where an unexpected error arose: places and its type, never values."""
        places = [
            f"{Path(frame.filename).name}:{frame.lineno} {frame.name}"
            for frame in traceback.extract_tb(error.__traceback__)
        ]
        self.write(f"internal error {type(error).__name__} at {' > '.join(places)}")


def typed(*words: str | Path) -> str:
    """Return a command to type, with quotes where a word holds a space."""
    return " ".join(f'"{word}"' if " " in str(word) else str(word) for word in words)
