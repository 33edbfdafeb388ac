"""Every error the toolkit raises on purpose, and the exit status that each one means.

A message says where, what and how to mend it, in that order, with the value received. Messages
show identifiers and line numbers at most, never the contents of other columns.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import TYPE_CHECKING, ClassVar

if TYPE_CHECKING:
    import pandas as pd

DONE, INTERNAL, WRONG_USE, FINDINGS, NOT_WRITTEN = 0, 1, 2, 3, 4


class OutcomesError(Exception):
    """Root of the family; `exit_status` is what the command ends with."""

    exit_status: ClassVar[int] = INTERNAL


class UsageError(OutcomesError):
    """The call itself is wrong: an unknown name, option or combination."""

    exit_status = WRONG_USE


class SettingsError(OutcomesError):
    """`sources.toml` or `plan.toml` cannot be used as it stands."""

    exit_status = WRONG_USE


class TableError(OutcomesError):
    """A table breaks its declared rules; `failing_rows` holds the rows that do."""

    exit_status = FINDINGS

    def __init__(self, message: str, failing_rows: pd.DataFrame | None = None) -> None:
        super().__init__(message)
        self.failing_rows = failing_rows


class IntakeError(OutcomesError):
    """Findings in the exports that stop an intake."""

    exit_status = FINDINGS


class StudyError(OutcomesError):
    """A study folder cannot be opened or is not what it says."""

    exit_status = FINDINGS


class EstimationError(OutcomesError):
    """An estimator was called on input for which its formula has no meaning."""

    exit_status = FINDINGS


class ReportError(OutcomesError):
    """A notebook failed, or its page would break a rule; no page was written."""

    exit_status = INTERNAL


class WriteError(OutcomesError):
    """The result could not be written, or the run was killed or out of time."""

    exit_status = NOT_WRITTEN


def known_names(what: str, given: str, known: Iterable[str]) -> str:
    """Return a sentence that names the valid choices, the nearest first.

    Examples
    --------
    >>> known_names("cohort", "implnted", ["adhesive", "implanted"])
    "'implnted' is not a cohort. Did you mean 'implanted'? Known: adhesive, implanted."
    """
    names = sorted(known)
    near = difflib.get_close_matches(given, names, n=1)
    hint = f" Did you mean '{near[0]}'?" if near else ""
    return f"'{given}' is not a {what}.{hint} Known: {', '.join(names) or 'none'}."
