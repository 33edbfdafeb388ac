"""Level and slope before and after a change: in one series, and within people who changed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from statsmodels.regression.linear_model import OLS

from outcomes.errors import EstimationError
from outcomes.statistics.cluster_sandwich import cluster_sandwich
from outcomes.statistics.design import (
    CompleteRows,
    check_full_rank,
    complete_rows,
    covariate_columns,
    numeric,
)
from outcomes.statistics.students_t import t_inference

Floats = NDArray[np.float64]

LEVEL, SLOPE, TREND = "change of level", "change of slope", "trend before"


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Segments:
    """Trend before, and changes of level and slope at the change.

    Attributes
    ----------
    table : DataFrame, one row per quantity
        `quantity` (trend before, change of level, change of slope), `estimate`, `std_error`,
        `df`, `conf_low`, `conf_high`, `p_value`. Slopes per unit of time.
    n, n_units : int
        Rows, and independent units (1 for a single series).
    rows : CompleteRows
    notes : list of str
        People left out, and covariates that do not vary.
    """

    table: pd.DataFrame
    n: int
    n_units: int
    rows: CompleteRows
    notes: list[str]


def interrupted_series(
    frame: pd.DataFrame,
    *,
    time: str,
    outcome: str,
    change_at: float,
    seasons: str | None = None,
    lags: int = 12,
    confidence_level: float = 0.95,
) -> Segments:
    """Segmented regression of one series with errors that allow for autocorrelation.

    Parameters
    ----------
    frame : DataFrame, one row per time
        In any order; each time once.
    time, outcome : str
        Equally spaced times, and a number.
    change_at : float
        First time after the change; at least three times before, and three from it on.
    seasons : str, optional
        Category (month of the year) held constant.
    lags : int, default 12
        Autocorrelation is allowed for up to this distance (Bartlett weights).

    Raises
    ------
    EstimationError
        A repeated time, too few times on a side, or fewer rows than coefficients plus lags allow.

    Notes
    -----
    Change of slope counts time from `change_at`, so change of level is the step at that time.
    Newey-West errors without small-sample factor, read with residual degrees of freedom.

    References
    ----------
    .. [1] Wagner AK et al. J Clin Pharm Ther 2002;27:299-309.
    .. [2] Newey WK, West KD. Econometrica 1987;55:703-708.
    """
    rows = complete_rows(frame, [time, outcome, *filter(None, [seasons])])
    used = rows.frame.sort_values(time, kind="stable", ignore_index=True)
    if used[time].duplicated().any():
        raise EstimationError(f"{time}: a time occurs twice. Aggregate to one row per time first.")
    when = numeric(used, time)
    after = (when >= change_at).astype(np.float64)
    _check_sides(int((1 - after).sum()), int(after.sum()))
    adjusters, notes = covariate_columns(used, [seasons] if seasons else [])
    design = pd.DataFrame(
        {"constant": 1.0, TREND: when, LEVEL: after, SLOPE: after * (when - change_at)}
    )
    design = pd.concat([design, adjusters], axis=1)
    if len(used) <= design.shape[1] + 2 or lags >= len(used) or lags < 0:
        raise EstimationError(
            f"{len(used)} times cannot carry {design.shape[1]} coefficients and {lags} lags."
        )
    check_full_rank(design)
    fit = OLS(numeric(used, outcome), design.to_numpy()).fit(
        cov_type="HAC", cov_kwds={"maxlags": lags, "use_correction": False}, use_t=True
    )
    table = _table(
        np.asarray(fit.params)[1:4],
        np.asarray(fit.bse)[1:4],
        [float(fit.df_resid)] * 3,
        confidence_level,
    )
    return Segments(table=table, n=len(used), n_units=1, rows=rows, notes=notes)


def switch_within_people(
    frame: pd.DataFrame,
    *,
    subject: str,
    time: str,
    outcome: str,
    covariates: Sequence[str] = (),
    level: bool = True,
    slope: bool = True,
    fewest_each_side: int = 2,
    confidence_level: float = 0.95,
) -> Segments:
    """Change of level and slope at a person's own change, each person the own control.

    Parameters
    ----------
    frame : DataFrame, one row per person and period
        Without the period in which the change took place.
    subject, time, outcome : str
        Time in periods from the change: negative before, 0 or more after.
    covariates : sequence of str
        Columns that vary within a person (season).
    level, slope : bool
        Which changes to estimate.
    fewest_each_side : int, default 2
        People with fewer periods before or after are left out and counted.

    Raises
    ------
    EstimationError
        Fewer than two people left, a repeated time, or nothing to estimate.

    Notes
    -----
    Patient fixed effects by centring; errors clustered by person, CR0 times sqrt(G/(G - 1)), t
    with G - 1 df. The usual small-sample factor would count every person's constant as a
    coefficient and inflate the error (5.56 against 5.11 in a reference data set).

    References
    ----------
    .. [1] Cameron AC, Miller DL. J Human Resources 2015;50:317-372, section III.B.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> rows = pd.MultiIndex.from_product([range(20), range(-3, 3)], names=["who", "period"])
    >>> rows = rows.to_frame(index=False)
    >>> rows["value"] = rows["who"] + 2.0 * (rows["period"] >= 0) + rng.normal(0, 1, 120)
    >>> change = switch_within_people(rows, subject="who", time="period", outcome="value",
    ...                               slope=False)
    >>> change.table[["quantity", "estimate", "conf_low", "conf_high"]].round(2)
              quantity  estimate  conf_low  conf_high
    0     trend before     -0.12     -0.31       0.07
    1  change of level      2.38      1.77       2.99
    """
    if not (level or slope):
        raise EstimationError("Nothing to estimate: ask for a change of level, of slope, or both.")
    rows = complete_rows(frame, [subject, time, outcome, *covariates])
    used = rows.frame.reset_index(drop=True)
    if used.duplicated([subject, time]).any():
        raise EstimationError(f"A {subject} has a {time} twice. Choose one row first.")
    sides = used.groupby(subject)[time].agg(
        before=lambda t: int((t < 0).sum()), after=lambda t: int((t >= 0).sum())
    )
    enough = sides.index[sides.min(axis=1) >= fewest_each_side]
    notes = []
    if len(enough) < len(sides):
        notes.append(
            f"{len(sides) - len(enough)} of {len(sides)} people have fewer than "
            f"{fewest_each_side} periods before or after and were left out."
        )
    used = used.loc[used[subject].isin(enough)].reset_index(drop=True)
    if len(enough) < 2:
        raise EstimationError(
            f"{len(enough)} people have {fewest_each_side} periods on both sides of the change; "
            "at least 2 are needed. Describe them instead."
        )
    when = numeric(used, time)
    parts = {TREND: when}
    if level:
        parts[LEVEL] = (when >= 0).astype(np.float64)
    if slope:
        parts[SLOPE] = np.maximum(when, 0.0)
    adjusters, more = covariate_columns(used, covariates)
    design = pd.concat([pd.DataFrame(parts), adjusters], axis=1)
    own = used[subject].to_numpy()
    centred = design - design.groupby(own).transform("mean")
    check_full_rank(centred)
    y = pd.Series(numeric(used, outcome))
    y = y - y.groupby(own).transform("mean")
    x = centred.to_numpy()
    beta = np.linalg.lstsq(x, y.to_numpy(), rcond=None)[0]
    sandwich = cluster_sandwich(x, y.to_numpy() - x @ beta, own, correction="CR0")
    n_people = sandwich.n_clusters
    errors = np.sqrt(np.diag(sandwich.covariance) * n_people / (n_people - 1))
    kept = len(parts)
    table = _table(
        beta[:kept], errors[:kept], [float(n_people - 1)] * kept, confidence_level, list(parts)
    )
    return Segments(table=table, n=len(used), n_units=n_people, rows=rows, notes=notes + more)


def _check_sides(before: int, after: int) -> None:
    if min(before, after) < 3:
        raise EstimationError(
            f"{before} times before and {after} from the change on: at least 3 on each side are "
            "needed for a level and a slope. Wait, or describe the series."
        )


def _table(
    estimates: Floats,
    errors: Floats,
    dfs: Sequence[float],
    confidence_level: float,
    names: Sequence[str] = (TREND, LEVEL, SLOPE),
) -> pd.DataFrame:
    rows = [
        {"quantity": name, **t_inference(float(b), float(s), df, confidence_level)}
        for name, b, s, df in zip(names, estimates, errors, dfs, strict=True)
    ]
    return pd.DataFrame(rows)
