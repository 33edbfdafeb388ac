"""From a tidy frame to the rows and the numeric columns that a model uses, all counted.

Incomplete rows leave once, here, with their reason, so that no library drops them a second time
and every later array (outcome, weights, clusters) stays aligned.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import EstimationError, known_names

Floats = NDArray[np.float64]

# A column whose part outside the span of the columns before it is smaller than this share of its
# length adds nothing but rounding error.
_DEPENDENT = 1e-9


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class CompleteRows:
    """The rows that can be used, and how many were left out for which reason."""

    frame: pd.DataFrame
    n_given: int
    left_out: dict[str, int] = field(default_factory=dict)

    @property
    def sentence(self) -> str:
        """'10 of 12 rows used (1 without hba1c, 1 without patient_id)'."""
        reasons = ", ".join(f"{n} without {column}" for column, n in self.left_out.items())
        return f"{len(self.frame)} of {self.n_given} rows used" + (f" ({reasons})" * bool(reasons))


def complete_rows(frame: pd.DataFrame, needed: Iterable[str]) -> CompleteRows:
    """Keep the rows with a value in every needed column; count the others by the first gap.

    Parameters
    ----------
    frame : DataFrame
        Any grain; the row order is kept.
    needed : iterable of str
        Columns that must have a value; a column may be named twice.

    Raises
    ------
    EstimationError
        A column does not exist.

    Examples
    --------
    >>> visits = pd.DataFrame({"who": ["A", "B", None], "y": [1.0, None, 3.0]})
    >>> complete_rows(visits, ["who", "y"]).sentence
    '1 of 3 rows used (1 without who, 1 without y)'
    """
    columns = list(dict.fromkeys(needed))
    for column in columns:
        if column not in frame.columns:
            raise EstimationError(known_names("column", column, map(str, frame.columns)))
    keep = np.ones(len(frame), dtype=bool)
    left_out: dict[str, int] = {}
    for column in columns:
        gap = keep & frame[column].isna().to_numpy(dtype=bool)
        if gap.any():
            left_out[column] = int(gap.sum())
            keep &= ~gap
    return CompleteRows(frame=frame.loc[keep], n_given=len(frame), left_out=left_out)


def numeric(frame: pd.DataFrame, column: str) -> Floats:
    """One column as float64, whatever its storage (nullable types included); refuses infinity."""
    try:
        values = frame[column].to_numpy(dtype=np.float64, na_value=np.nan)
    except (TypeError, ValueError) as error:
        raise EstimationError(
            f"Column {column} is not numeric (type {frame[column].dtype}). Convert it first."
        ) from error
    if np.isinf(values).any():
        raise EstimationError(
            f"Column {column}: {int(np.isinf(values).sum())} infinite values. "
            "Set them aside before the analysis."
        )
    return values


def is_numeric(column: pd.Series) -> bool:
    """True for numbers and truth values, false for text and categories."""
    return bool(pd.api.types.is_numeric_dtype(column) or pd.api.types.is_bool_dtype(column))


def levels(column: pd.Series) -> list[object]:
    """The values that occur, in category order where there is one, otherwise sorted."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        present = set(column.dropna().unique())
        return [level for level in column.cat.categories if level in present]
    return sorted(column.dropna().unique())


def arms(frame: pd.DataFrame, group: str, reference: object) -> list[object]:
    """The levels of `group` with the reference first."""
    found = levels(frame[group])
    if reference not in found:
        raise EstimationError(known_names(group, str(reference), map(str, found)))
    return [reference, *(level for level in found if level != reference)]


def covariate_columns(
    frame: pd.DataFrame,
    covariates: Sequence[str],
    *,
    references: Mapping[str, object] | None = None,
    every_level: bool = False,
) -> tuple[pd.DataFrame, list[str]]:
    """Numeric columns for a model, one indicator per non-reference level of a category.

    Parameters
    ----------
    frame : DataFrame
        Complete in `covariates`.
    covariates : sequence of str
        Numeric or truth-valued columns pass as they are; text and categories become indicators
        named `column[level]`.
    references : mapping, optional
        Reference level of a category; otherwise the first in category or sorted order.
    every_level : bool, default False
        Keep the reference level's indicator too (for balance tables, never for a model).

    Returns
    -------
    columns : DataFrame
        float64, index of `frame`.
    notes : list of str
        Covariates left out because they take a single value in these rows.
    """
    parts: dict[str, Floats] = {}
    notes: list[str] = []
    for name in dict.fromkeys(covariates):
        column = frame[name]
        if pd.api.types.is_datetime64_any_dtype(column):
            raise EstimationError(
                f"Covariate {name} is a date. Give the days from a fixed day as a number instead."
            )
        if column.nunique(dropna=True) < 2:
            notes.append(f"{name} takes a single value in the rows used and was left out.")
        elif is_numeric(column):
            parts[name] = numeric(frame, name)
        else:
            found = levels(column)
            reference = (references or {}).get(name, found[0])
            if reference not in found:
                raise EstimationError(
                    known_names(f"level of {name}", str(reference), map(str, found))
                )
            for level in found:
                if every_level or level != reference:
                    parts[f"{name}[{level}]"] = (column == level).to_numpy(dtype=np.float64)
    return pd.DataFrame(parts, index=frame.index, dtype=np.float64), notes


def dependent_columns(design: pd.DataFrame) -> list[str]:
    """Names of the columns that are linear combinations of the columns before them."""
    matrix = design.to_numpy(dtype=np.float64)
    lengths = np.linalg.norm(matrix, axis=0)
    scaled = matrix / np.where(lengths > 0, lengths, 1.0)
    if len(scaled) < scaled.shape[1]:
        scaled = np.vstack([scaled, np.zeros((scaled.shape[1] - len(scaled), scaled.shape[1]))])
    diagonal = np.abs(np.diag(np.linalg.qr(scaled, mode="r")))
    return [
        str(name) for name, size in zip(design.columns, diagonal, strict=True) if size < _DEPENDENT
    ]


def check_full_rank(design: pd.DataFrame) -> None:
    """Refuse a design whose columns say the same thing twice, naming the columns to drop."""
    redundant = dependent_columns(design)
    if redundant:
        raise EstimationError(
            f"The model cannot tell {', '.join(redundant)} from the columns before it in "
            f"{len(design)} rows. Drop the covariate, or merge its sparse levels."
        )
