"""Adjustment of p-values for the number of tests that were made."""

from __future__ import annotations

import pandas as pd
from statsmodels.stats.multitest import multipletests

from outcomes.errors import EstimationError

__all__ = ["holm"]


def holm(p_values: pd.Series) -> pd.DataFrame:
    """Adjust p-values by Holm's step-down method over the tests that were made.

    A missing p-value is a test that was not made: it takes no part in the adjustment.

    Parameters
    ----------
    p_values : Series
        One p-value a comparison, named by the index; missing where no test was made.

    Returns
    -------
    DataFrame, one row a comparison in the order given
        `p_value`, `p_adjusted` (missing where not tested), `n_tests` (tests made) and `note`
        ("not tested" or empty). No comparisons: an empty table with these columns.

    Raises
    ------
    EstimationError
        A p-value outside 0 to 1.

    References
    ----------
    .. [1] Holm S. A simple sequentially rejective multiple test procedure. Scand J Stat
       1979;6:65-70.

    Examples
    --------
    >>> holm(pd.Series({"a": 0.01, "b": None, "c": 0.03}))["p_adjusted"].tolist()
    [0.02, nan, 0.03]
    """
    p = pd.to_numeric(p_values, errors="raise").astype(float)
    outside = p[(p < 0) | (p > 1)]
    if len(outside):
        raise EstimationError(
            f"p-value of {outside.index[0]} = {outside.iloc[0]}: outside 0 to 1. "
            "Give probabilities, not percent."
        )
    tested = p.notna()
    table = pd.DataFrame({"p_value": p, "p_adjusted": float("nan")}, index=p.index)
    if tested.any():
        table.loc[tested, "p_adjusted"] = multipletests(p[tested].to_numpy(), method="holm")[1]
    table["n_tests"] = int(tested.sum())
    table["note"] = tested.map({True: "", False: "not tested"}).astype(object)
    return table
