"""Are two groups alike in what was measured, before and after weighting?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from outcomes.errors import EstimationError
from outcomes.statistics.design import arms, complete_rows, is_numeric, levels, numeric

Floats = NDArray[np.float64]
Denominator = Literal["pooled", "treated"]


def effective_sample_size(weights: ArrayLike) -> float:
    """Kish's (sum w)^2 / sum w^2: how many equally weighted people would say as much.

    Examples
    --------
    >>> effective_sample_size([1, 1, 1, 3])
    3.0
    """
    w = np.asarray(weights, dtype=np.float64)
    if not (len(w) and np.isfinite(w).all() and (w >= 0).all() and w.sum() > 0):
        raise EstimationError("Weights must be finite, not negative and not all 0.")
    return float(w.sum() ** 2 / (w**2).sum())


def balance(
    frame: pd.DataFrame,
    *,
    group: str,
    reference: str,
    covariates: Sequence[str],
    weights: str | None = None,
    denominator: Denominator = "pooled",
) -> pd.DataFrame:
    """Standardised differences, variance ratios and largest ECDF gaps of two groups.

    Parameters
    ----------
    frame : DataFrame, one row per person
        Exactly two groups. A missing number is counted and left out of its own row only; a
        missing category is a level of its own.
    group, reference : str
        The grouping column and the group that is subtracted (the untreated).
    covariates : sequence of str
        Numbers as they are; every level of a category becomes a row.
    weights : str, optional
        Column of weights, 0 or more. Both the weighted and the unweighted figures come back.
    denominator : {"pooled", "treated"}
        Standard deviation by which differences are divided: always from unweighted data, so that
        weighting cannot change the yardstick. "pooled" = root of the mean of the two variances
        (for everybody, and for the overlap population); "treated" for an effect in the treated.

    Returns
    -------
    DataFrame, one row per number or level
        `covariate`, `level` (None for a number), `n_missing`, `mean`, `mean_reference`, `smd`,
        `variance_ratio`, `ks`, and with weights the same with `weighted_` before. The variance
        ratio and the ECDF gap are empty for two-valued rows, where they add nothing. A row
        without spread has no standardised difference and a `note`.

    Raises
    ------
    EstimationError
        Not two groups, a weight that is missing or negative, or an unknown column.

    References
    ----------
    .. [1] Austin PC. Stat Med 2009;28:3083-3107.
    .. [2] Austin PC, Stuart EA. Stat Med 2015;34:3661-3679 (weighted variances, ECDF).

    Examples
    --------
    >>> people = pd.DataFrame({"arm": ["a", "a", "b", "b"], "age": [40.0, 50.0, 50.0, 60.0],
    ...                        "sex": ["f", "m", "f", "f"]})
    >>> table = balance(people, group="arm", reference="a", covariates=["age", "sex"])
    >>> table[["covariate", "level", "mean", "mean_reference", "smd"]].round(2)
      covariate level  mean  mean_reference   smd
    0       age  None  55.0            45.0  1.41
    1       sex     f   1.0             0.5  1.41
    2       sex     m   0.0             0.5 -1.41
    """
    rows = complete_rows(frame, [group, *filter(None, [weights])]).frame
    found = arms(rows, group, reference)
    if len(found) != 2:
        raise EstimationError(
            f"Balance compares two groups; {group} has {len(found)}. Filter the rows first."
        )
    treated = (rows[group] == found[1]).to_numpy(dtype=bool)
    case = np.ones(len(rows)) if weights is None else numeric(rows, weights)
    if (case < 0).any() or not (case[treated].sum() > 0 and case[~treated].sum() > 0):
        raise EstimationError(
            f"{weights}: weights must be 0 or more, with some above 0 in each group."
        )
    table = []
    for name in dict.fromkeys(covariates):
        complete_rows(frame.head(0), [name])  # the name must exist
        for level, values in _columns(rows, name):
            row = {"covariate": name, "level": level, "n_missing": int(np.isnan(values).sum())}
            row |= _compare(values, treated, np.ones(len(values)), values, denominator, "")
            if weights is not None:
                row |= _compare(values, treated, case, values, denominator, "weighted_")
            table.append(row)
    return pd.DataFrame(table)


def _columns(rows: pd.DataFrame, name: str) -> list[tuple[object, Floats]]:
    column = rows[name]
    if is_numeric(column):
        return [(None, numeric(rows, name))]
    found = [(level, (column == level).to_numpy(dtype=np.float64)) for level in levels(column)]
    missing = column.isna().to_numpy(dtype=np.float64)
    return [*found, ("(missing)", missing)] if missing.any() else found


def _compare(
    values: Floats,
    treated: NDArray[np.bool_],
    case: Floats,
    yardstick: Floats,
    denominator: Denominator,
    prefix: str,
) -> dict[str, object]:
    known = ~np.isnan(values)
    one, base = known & treated, known & ~treated
    out: dict[str, object] = {f"{prefix}{n}": None for n in ("mean", "mean_reference", "smd")}
    if not (case[one].sum() > 0 and case[base].sum() > 0):
        return out | {"note": "No value in one group."}
    two_valued = bool(np.isin(values[known], [0.0, 1.0]).all())
    means = [float(np.average(values[arm], weights=case[arm])) for arm in (one, base)]
    out[f"{prefix}mean"], out[f"{prefix}mean_reference"] = means
    plain = [_variance(yardstick[arm], np.ones(int(arm.sum())), two_valued) for arm in (one, base)]
    square = plain[0] if denominator == "treated" else (plain[0] + plain[1]) / 2
    if not square > 0:
        return out | {"note": "No spread: no standardised difference."}
    out[f"{prefix}smd"] = (means[0] - means[1]) / np.sqrt(square)
    if not two_valued:
        spread = [_variance(values[arm], case[arm], False) for arm in (one, base)]
        out[f"{prefix}variance_ratio"] = spread[0] / spread[1] if spread[1] > 0 else None
        out[f"{prefix}ks"] = _largest_gap(values[one], case[one], values[base], case[base])
    return out


def _variance(values: Floats, case: Floats, two_valued: bool) -> float:
    """p(1 - p) for two values; otherwise the weighted variance that is n - 1 for equal weights."""
    mean = np.average(values, weights=case)
    if two_valued:
        return float(mean * (1 - mean))
    freedom = case.sum() - (case**2).sum() / case.sum()
    return float((case * (values - mean) ** 2).sum() / freedom) if freedom > 0 else 0.0


def _largest_gap(one: Floats, case_one: Floats, base: Floats, case_base: Floats) -> float:
    """Largest distance between two weighted empirical distribution functions."""
    grid = np.unique(np.concatenate([one, base]))
    steps = []
    for values, case in ((one, case_one), (base, case_base)):
        order = np.argsort(values, kind="stable")
        cumulated = np.concatenate([[0.0], np.cumsum(case[order]) / case.sum()])
        steps.append(cumulated[np.searchsorted(values[order], grid, side="right")])
    return float(np.abs(steps[0] - steps[1]).max())
