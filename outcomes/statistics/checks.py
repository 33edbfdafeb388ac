"""What every estimator of counts asks of its arguments, with the value received and the mend.

A count, an exposure or a level that breaks its rule has no estimate, so the caller hears about it
at the door instead of finding a strange number in a table.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import EstimationError, known_names

__all__ = ["check_columns", "check_option", "count", "exposure_of", "finite"]


def count(name: str, value: float) -> int:
    """Return `value` as a whole number of 0 or more, or say why it is none.

    Raises
    ------
    EstimationError
        Negative, fractional or missing.

    Examples
    --------
    >>> count("events", 3.0)
    3
    """
    number = float(value)
    if not math.isfinite(number) or number < 0 or number != math.floor(number):
        raise EstimationError(
            f"{name} = {value}: a count is a whole number of 0 or more. "
            "Leave out rows without a count before counting, and count whole events."
        )
    return int(number)


def exposure_of(name: str, value: float) -> float:
    """Return `value` as an exposure of 0 or more, or say why it is none.

    Raises
    ------
    EstimationError
        Negative, infinite or missing.
    """
    number = float(value)
    if not math.isfinite(number) or number < 0:
        raise EstimationError(
            f"{name} = {value}: exposure is a finite time or size of 0 or more. "
            "Check that every stop lies on or after its start."
        )
    return number


def check_option(what: str, given: str, known: Sequence[str]) -> str:
    """Return `given` when it is one of the known options, else name them all."""
    if given not in known:
        raise EstimationError(known_names(what, given, known))
    return given


def check_columns(frame: pd.DataFrame, *columns: str) -> None:
    """Raise when a column is absent or holds missing values, with how many rows do.

    Raises
    ------
    EstimationError
        An estimator cannot know why a value is missing, so it does not drop rows silently.
    """
    for column in columns:
        if column not in frame.columns:
            raise EstimationError(known_names("column", column, map(str, frame.columns)))
        missing = int(frame[column].isna().sum())
        if missing:
            raise EstimationError(
                f"column {column}: {missing} of {len(frame)} rows have no value. "
                "Leave them out, with their count and reason, before estimating."
            )


def finite(
    name: str, values: Sequence[float] | NDArray[np.float64] | pd.Series
) -> NDArray[np.float64]:
    """Return `values` as a flat array of finite numbers.

    Raises
    ------
    EstimationError
        A value is missing or infinite; says how many and where the first one stands.
    """
    numbers = np.asarray(values, dtype=float).ravel()
    bad = np.flatnonzero(~np.isfinite(numbers))
    if bad.size:
        raise EstimationError(
            f"{name}: {bad.size} of {numbers.size} values are missing or infinite "
            f"(first at position {bad[0]}). Leave them out, with their count, before estimating."
        )
    return numbers
