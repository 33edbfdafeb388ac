"""Filling missing visits many times over, pooling, and asking how wrong the filling may be.

The general library's chained equations pool with a normal quantile and no complete-data degrees
of freedom; the rules are therefore written out here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from outcomes.errors import EstimationError
from outcomes.statistics.change import ancova
from outcomes.statistics.design import complete_rows, covariate_columns, numeric
from outcomes.statistics.students_t import t_inference

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Pooled:
    """One estimate from several completed data sets.

    Attributes
    ----------
    estimate, std_error, df, conf_low, conf_high, p_value
        With Barnard and Rubin's degrees of freedom.
    fraction_missing : float
        Share of the information about the estimate that the missing values took, 0 to 1.
    large_sample_df : float
        Rubin's degrees of freedom, without regard to the size of the complete data.
    n_imputations : int
    """

    estimate: float
    std_error: float
    df: float
    conf_low: float
    conf_high: float
    p_value: float | None
    fraction_missing: float
    large_sample_df: float
    n_imputations: int


def pool(
    estimates: ArrayLike,
    variances: ArrayLike,
    *,
    complete_df: float = np.inf,
    confidence_level: float = 0.95,
) -> Pooled:
    """Rubin's rules with small-sample degrees of freedom.

    Parameters
    ----------
    estimates, variances : array-like, shape (m,)
        Estimate and squared standard error from each completed data set; at least two.
    complete_df : float, default infinity
        Degrees of freedom the analysis would have had with nothing missing.

    Raises
    ------
    EstimationError
        Fewer than two data sets, or a variance that is not positive and finite.

    References
    ----------
    .. [1] Rubin DB. Multiple Imputation for Nonresponse in Surveys, 1987, chapter 3.
    .. [2] Barnard J, Rubin DB. Biometrika 1999;86:948-955.

    Examples
    --------
    >>> pooled = pool([1.0, 1.2, 1.4], [0.04, 0.05, 0.06], complete_df=30)
    >>> round(pooled.estimate, 3), round(pooled.std_error, 4), round(pooled.df, 2)
    (1.2, 0.3215, 4.84)
    """
    q, u = np.asarray(estimates, dtype=np.float64), np.asarray(variances, dtype=np.float64)
    m = len(q)
    if m < 2 or len(u) != m:
        raise EstimationError(f"Pooling needs two or more completed data sets; got {m}.")
    if not (np.isfinite(q).all() and np.isfinite(u).all() and (u > 0).all()):
        raise EstimationError("Pooling needs finite estimates and variances above 0.")
    within, between = float(u.mean()), float(q.var(ddof=1))
    total = within + (1 + 1 / m) * between
    share = (1 + 1 / m) * between / total
    large = (m - 1) / share**2 if share > 0 else np.inf
    observed = (
        (complete_df + 1) / (complete_df + 3) * complete_df * (1 - share)
        if np.isfinite(complete_df)
        else np.inf
    )
    df = 1 / (1 / large + 1 / observed) if np.isfinite(large) or np.isfinite(observed) else np.inf
    ratio = share / (1 - share)
    missing = (ratio + 2 / (df + 3)) / (1 + ratio)
    inference = t_inference(float(q.mean()), float(np.sqrt(total)), df, confidence_level)
    return Pooled(
        **inference,
        fraction_missing=float(missing),
        large_sample_df=float(large),
        n_imputations=m,
    )


def impute(
    frame: pd.DataFrame,
    *,
    columns: Sequence[str],
    predictors: Sequence[str],
    rng: np.random.Generator,
    n_imputations: int = 20,
    n_cycles: int = 10,
) -> list[pd.DataFrame]:
    """Complete a wide table of visits by Bayesian linear draws.

    Parameters
    ----------
    frame : DataFrame, one row per person
        `columns` may have gaps, `predictors` may not.
    columns : sequence of str
        Numeric, in the order of the visits.
    predictors : sequence of str
        Baseline columns, the group among them; categories become indicators.
    rng : numpy Generator
        Source of all randomness.
    n_imputations : int, default 20
    n_cycles : int, default 10
        Rounds through the columns, where a single round does not do.

    Returns
    -------
    list of DataFrame
        Completed copies of `frame[columns]`, with its index.

    Raises
    ------
    EstimationError
        A predictor has gaps, or a column has too few observed values for its regression.

    Notes
    -----
    Where gaps are monotone (a person who misses a visit misses all later ones) every column is
    drawn once from its regression on the predictors and the earlier visits, which is a draw from
    the exact predictive distribution. Otherwise each column is regressed on the predictors and
    all other visits in turn, from a start at random observed values. Residual variance, then
    coefficients, then values are drawn from their posterior under the usual flat prior.

    References
    ----------
    .. [1] Rubin DB. Multiple Imputation for Nonresponse in Surveys, 1987, example 5.1.
    .. [2] van Buuren S. Flexible Imputation of Missing Data, 2nd ed., 2018, section 3.2.
    """
    if n_imputations < 2:
        raise EstimationError(f"n_imputations: {n_imputations}; at least 2 are needed to pool.")
    gaps = {name: n for name, n in frame[list(predictors)].isna().sum().items() if n}
    if gaps:
        raise EstimationError(f"Predictors must be complete; missing: {gaps}.")
    complete_rows(frame.head(0), columns)
    base, _ = covariate_columns(frame, predictors)
    fixed = np.column_stack([np.ones(len(frame)), base.to_numpy()])
    values = np.column_stack([numeric(frame, name) for name in columns])
    missing = np.isnan(values)
    monotone = bool((missing[:, 1:] >= missing[:, :-1]).all())
    _check_enough(missing, fixed.shape[1], monotone, columns)
    incomplete = [j for j in range(values.shape[1]) if missing[:, j].any()]
    completed = []
    for _ in range(n_imputations):
        filled = values.copy()
        if monotone:
            for j in incomplete:
                _draw(filled, missing[:, j], np.column_stack([fixed, filled[:, :j]]), j, rng)
        else:
            _start(filled, missing, rng)
            for _ in range(n_cycles):
                for j in incomplete:
                    others = np.delete(filled, j, axis=1)
                    _draw(filled, missing[:, j], np.column_stack([fixed, others]), j, rng)
        completed.append(pd.DataFrame(filled, index=frame.index, columns=list(columns)))
    return completed


def _check_enough(
    missing: NDArray[np.bool_], n_fixed: int, monotone: bool, columns: Sequence[str]
) -> None:
    for j, name in enumerate(columns):
        n_columns = n_fixed + (j if monotone else len(columns) - 1)
        n_seen = int((~missing[:, j]).sum())
        if missing[:, j].any() and n_seen <= n_columns + 1:
            raise EstimationError(
                f"{name}: {n_seen} observed values cannot carry an imputation model with "
                f"{n_columns} columns. Use fewer predictors or visits."
            )


def _start(filled: Floats, missing: NDArray[np.bool_], rng: np.random.Generator) -> None:
    for j in range(filled.shape[1]):
        gaps = missing[:, j]
        filled[gaps, j] = rng.choice(filled[~gaps, j], int(gaps.sum()))


def _draw(
    filled: Floats, gaps: NDArray[np.bool_], x: Floats, j: int, rng: np.random.Generator
) -> None:
    """Replace the gaps of column j by one posterior predictive draw, in place."""
    seen, y = x[~gaps], filled[~gaps, j]
    q, r = np.linalg.qr(seen)
    size = np.abs(np.diag(r))
    if size.min() < 1e-10 * size.max():
        raise EstimationError(
            "An imputation model's columns repeat each other. Drop a predictor, or merge levels."
        )
    beta = np.linalg.solve(r, q.T @ y)
    freedom = len(y) - seen.shape[1]
    sigma = np.sqrt(((y - seen @ beta) ** 2).sum() / rng.chisquare(freedom))
    drawn = beta + sigma * np.linalg.solve(r, rng.standard_normal(len(beta)))
    noise = sigma * rng.standard_normal(int(gaps.sum()))
    filled[gaps, j] = x[gaps] @ drawn + noise


def tipping_point(
    frame: pd.DataFrame,
    *,
    visits: Sequence[str],
    outcome: str,
    baseline: str,
    group: str,
    reference: str,
    deltas: Sequence[float],
    rng: np.random.Generator,
    covariates: Sequence[str] = (),
    cluster: str | None = None,
    shifted: str | None = None,
    n_imputations: int = 20,
    fewest_per_arm: int = 10,
    confidence_level: float = 0.95,
) -> pd.DataFrame:
    """Adjusted group difference when the missing values are worse than imputed, by delta.

    The imputation assumes that those who were not seen went like those who were, given what is
    known. Delta is how much that is taken to be wrong; the table shows from which delta on the
    conclusion changes.

    Parameters
    ----------
    frame : DataFrame, one row per person
    visits : sequence of str
        Outcome columns of the visits, in order, with gaps.
    outcome : str
        The one of `visits` that is compared.
    baseline, covariates, group, reference, cluster
        As in `ancova`; complete. All but the cluster also predict the missing values.
    deltas : sequence of float
        In the unit of the outcome; added to imputed outcomes. 0 is the plain imputation.
    shifted : str, optional
        Group whose imputed values are shifted; by default every group but the reference.

    Returns
    -------
    DataFrame, one row per delta and other group
        `delta`, `group`, `reference`, `estimate`, `std_error`, `df`, `conf_low`, `conf_high`,
        `p_value`, `fraction_missing`, `n`, `n_reference`, `n_imputed`, `excludes_zero`, `note`.
        The same completed data serve every delta, so rows differ by delta alone.
    """
    if outcome not in visits:
        raise EstimationError(f"outcome: '{outcome}' is not among the visits {list(visits)}.")
    needed = [group, baseline, *covariates, *filter(None, [cluster])]
    people = complete_rows(frame, needed).frame
    counts = people[group].value_counts()
    if counts.min() < fewest_per_arm:
        note = f"Fewer than {fewest_per_arm} in a group: described, not estimated."
        others = [level for level in sorted(counts.index) if level != reference]
        rows = [{"delta": d, "group": g, "reference": reference} for d in deltas for g in others]
        return pd.DataFrame(rows, columns=_TIPPING_COLUMNS).assign(note=note)
    completed = impute(
        people,
        columns=visits,
        predictors=[baseline, group, *covariates],
        rng=rng,
        n_imputations=n_imputations,
    )
    gaps = people[outcome].isna()
    moved = gaps & ((people[group] == shifted) if shifted else (people[group] != reference))
    fit = ancova(
        people.assign(**{outcome: completed[0][outcome]}),
        outcome=outcome,
        covariates=covariates,
        cluster=cluster,
        fewest_per_arm=fewest_per_arm,
        baseline=baseline,
        group=group,
        reference=reference,
        confidence_level=confidence_level,
    )
    rows = []
    for delta in deltas:
        shift = delta * moved.to_numpy(dtype=np.float64)
        tables = [
            fit.differences_of(numeric(filled, outcome) + shift).set_index("group")
            for filled in completed
        ]
        for level in tables[0].index:
            pooled = _pool_level(tables, level, confidence_level)
            counted = tables[0].loc[level]
            rows.append(
                {"delta": delta, "group": level, "reference": reference, **pooled}
                | {"n": counted["n"], "n_reference": counted["n_reference"]}
                | {"n_imputed": int(gaps.sum())}
            )
    return pd.DataFrame(rows, columns=_TIPPING_COLUMNS)


_TIPPING_COLUMNS = [
    *("delta", "group", "reference", "estimate", "std_error", "df", "conf_low", "conf_high"),
    *("p_value", "fraction_missing", "n", "n_reference", "n_imputed", "excludes_zero", "note"),
]


def _pool_level(
    tables: list[pd.DataFrame], level: object, confidence_level: float
) -> dict[str, object]:
    rows = pd.DataFrame([table.loc[level] for table in tables])
    pooled = pool(
        rows["estimate"].to_numpy(dtype=np.float64),
        rows["std_error"].to_numpy(dtype=np.float64) ** 2,
        complete_df=float(rows["df"].mean()),
        confidence_level=confidence_level,
    )
    keep = ["estimate", "std_error", "df", "conf_low", "conf_high", "p_value", "fraction_missing"]
    out: dict[str, object] = {name: getattr(pooled, name) for name in keep}
    return out | {"excludes_zero": pooled.conf_low > 0 or pooled.conf_high < 0}
