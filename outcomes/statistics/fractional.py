"""Shares between 0 and 1 over time: levels, differences and their intervals in points.

Fractional logit is right for the mean whatever the distribution of the shares, exact 0 and 1
included; a beta model cannot take those and, with its ends squeezed in, was three times too flat
in a reference data set.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit, logit

from outcomes.errors import EstimationError, known_names
from outcomes.statistics.cluster_sandwich import ClusterSandwich, Correction, cluster_sandwich
from outcomes.statistics.design import (
    CompleteRows,
    arms,
    check_full_rank,
    complete_rows,
    covariate_columns,
    numeric,
)
from outcomes.statistics.logistic import LogisticFit, check_converged, logistic
from outcomes.statistics.natural_spline import natural_spline
from outcomes.statistics.students_t import TInference, t_inference

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class FractionalLogit:
    """A fitted model of a mean share.

    Attributes
    ----------
    coefficients : Series, index the design columns
        Log odds.
    covariance : ndarray, shape (k, k)
        Cluster-robust.
    dispersion : float
        Pearson chi-square over n - k; 1 would be binomial.
    n, n_clusters : int
    rows : CompleteRows
    """

    coefficients: pd.Series
    covariance: Floats
    dispersion: float
    n: int
    n_clusters: int
    rows: CompleteRows
    _fit: LogisticFit
    _sandwich: ClusterSandwich

    def contrast(self, weights: Mapping[str, float], confidence_level: float = 0.95) -> TInference:
        """A linear combination of log odds with its small-sample t interval."""
        names = self.coefficients.index
        for name in weights:
            if name not in names:
                raise EstimationError(known_names("coefficient", str(name), map(str, names)))
        named = pd.Series(dict(weights), dtype=np.float64).reindex(names, fill_value=0.0)
        estimate = float(named @ self.coefficients)
        return self.of_gradient(estimate, named.to_numpy(), confidence_level)

    def standardised(self, design: Floats, weights: Floats | None = None) -> tuple[float, Floats]:
        """Mean of the predictions over some rows, and its gradient by the coefficients."""
        predicted = expit(design @ self.coefficients.to_numpy())
        slope = design * (predicted * (1 - predicted))[:, None]
        mean = float(np.average(predicted, weights=weights))
        return mean, np.asarray(np.average(slope, axis=0, weights=weights))

    def of_gradient(
        self, estimate: float, gradient: Floats, confidence_level: float = 0.95
    ) -> TInference:
        """Delta-method t interval of a smooth function of the coefficients."""
        std_error = self._sandwich.std_error(gradient)
        df = self._sandwich.degrees_of_freedom(gradient)
        return t_inference(estimate, std_error, df, confidence_level)

    def share_inference(
        self, estimate: float, gradient: Floats, confidence_level: float = 0.95
    ) -> TInference:
        """The same for a share: the interval is made on the log odds and so stays within 0 to 1."""
        slope = estimate * (1 - estimate)
        row = self.of_gradient(float(logit(estimate)), gradient / slope, confidence_level)
        row["estimate"], row["std_error"] = estimate, row["std_error"] * slope
        row["conf_low"] = float(expit(row["conf_low"]))
        row["conf_high"] = float(expit(row["conf_high"]))
        row["p_value"] = None
        return row


def fractional_logit(
    frame: pd.DataFrame,
    *,
    outcome: str,
    design: Sequence[str],
    cluster: str,
    weights: str | None = None,
    correction: Correction = "CR2",
) -> FractionalLogit:
    """Model a mean share; errors are cluster-robust with a small-sample t, always.

    Parameters
    ----------
    frame : DataFrame, one row per person and period
        Incomplete rows are counted and left out.
    outcome : str
        Share, 0 to 1 inclusive.
    design : sequence of str
        Numeric columns of the mean, the constant included.
    cluster : str
        The independent unit.
    weights : str, optional
        Case weights above 0, taken as known (observation weights). Never the number of readings:
        that would ask about readings, not people.
    correction : {"CR2", "CR1", "CR0"}
        Reports use CR2 with Bell-McCaffrey degrees of freedom; the others read G - 1.

    Raises
    ------
    EstimationError
        A share outside 0 to 1, fewer than two clusters, repeated columns, or no maximum.

    References
    ----------
    .. [1] Papke LE, Wooldridge JM. J Appl Econometrics 1996;11:619-632.

    Examples
    --------
    >>> shares = pd.DataFrame({"who": list("AABBCCDD"), "constant": 1.0, "late": [0, 1.0] * 4,
    ...                        "share": [0.4, 0.6, 0.5, 0.7, 0.6, 0.9, 0.5, 1.0]})
    >>> fit = fractional_logit(shares, outcome="share", design=["constant", "late"], cluster="who")
    >>> round(fit.contrast({"late": 1})["estimate"], 4)
    1.3863
    """
    rows = complete_rows(frame, [cluster, outcome, *design, *filter(None, [weights])])
    columns = pd.DataFrame({name: numeric(rows.frame, name) for name in design})
    y = numeric(rows.frame, outcome)
    if ((y < 0) | (y > 1)).any():
        raise EstimationError(
            f"{outcome}: {int(((y < 0) | (y > 1)).sum())} of {len(y)} values outside 0 to 1. "
            "Give shares, not percentages."
        )
    case = np.ones(len(y)) if weights is None else numeric(rows.frame, weights)
    if (case <= 0).any():
        raise EstimationError(f"{weights}: weights must be above 0. Leave such rows out.")
    if len(y) <= len(columns.columns):
        raise EstimationError(
            f"{len(columns.columns)} coefficients cannot be estimated from {len(y)} rows. "
            "Use fewer covariates, or describe the rows instead."
        )
    check_full_rank(columns)
    x = columns.to_numpy()
    fit = check_converged(logistic(x, y, weights=case), outcome)
    root = np.sqrt(fit.fitted * (1 - fit.fitted))
    pearson = (y - fit.fitted) / root
    sandwich = cluster_sandwich(
        x * root[:, None],
        pearson,
        rows.frame[cluster].to_numpy(),
        weights=case,
        correction=correction,
    )
    return FractionalLogit(
        coefficients=pd.Series(fit.coefficients, index=columns.columns),
        covariance=sandwich.covariance,
        dispersion=float((case * pearson**2).sum() / (len(y) - x.shape[1])),
        n=len(y),
        n_clusters=sandwich.n_clusters,
        rows=rows,
        _fit=fit,
        _sandwich=sandwich,
    )


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Trajectory:
    """Standardised mean shares over time and their differences between groups.

    Attributes
    ----------
    levels : DataFrame, one row per time and group
        `time`, `group`, `estimate` (share), `std_error`, `df`, `conf_low`, `conf_high`, `n`
        (observed at that time), `note`.
    differences : DataFrame, one row per time and other group
        `time`, `group`, `reference`, the same and `p_value`, `n`, `n_reference`.
    changes : DataFrame, one row per time after the first and group
        Level less the group's level at the first time asked for.
    model : FractionalLogit or None
    rows : CompleteRows
    notes : list of str
    """

    levels: pd.DataFrame
    differences: pd.DataFrame
    changes: pd.DataFrame
    model: FractionalLogit | None
    rows: CompleteRows
    notes: list[str] = field(default_factory=list)


_NUMBERS = ["estimate", "std_error", "df", "conf_low", "conf_high", "p_value"]


def trajectory(
    frame: pd.DataFrame,
    *,
    outcome: str,
    time: str,
    cluster: str,
    knots: Sequence[float],
    boundary: tuple[float, float],
    at: Sequence[float],
    group: str | None = None,
    reference: str | None = None,
    covariates: Sequence[str] = (),
    weights: str | None = None,
    target: pd.DataFrame | None = None,
    target_weights: str | None = None,
    fewest_per_arm: int = 10,
    confidence_level: float = 0.95,
) -> Trajectory:
    """Mean share at chosen times in each group, standardised to one population.

    Fits natural spline x group + covariates and averages the predictions over the target
    population with everyone's group set in turn (g-computation).

    Parameters
    ----------
    frame : DataFrame, one row per person and period
        `outcome` (share, 0 to 1), `time` (number), `cluster` (independent unit) and the rest.
    knots, boundary
        Of the spline, fixed beforehand; see `natural_spline`.
    at : sequence of float
        Times to report, inside the boundary.
    group, reference : str, optional
        Grouping column and the group that is subtracted.
    covariates : sequence of str
        Baseline columns.
    weights : str, optional
        Observation weights, above 0, taken as known.
    target : DataFrame, optional
        One row per person with the covariates; by default every cluster and group of the rows
        used, once.
    target_weights : str, optional
        Column of `target`, for example overlap weights.
    fewest_per_arm : int, default 10
        Groups with fewer clusters are described in a note and do not enter the model.

    Returns
    -------
    Trajectory
        Intervals are pointwise; covariates of the target are taken as fixed.

    Raises
    ------
    EstimationError
        A time outside the boundary (the curve would be a straight guess there), and as
        `fractional_logit`.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> people = pd.DataFrame({"who": range(40), "arm": ["a", "b"] * 20})
    >>> months = people.merge(pd.DataFrame({"month": [1, 2, 3, 4, 5, 6]}), how="cross")
    >>> chance = 0.5 + 0.1 * (months["arm"] == "b")
    >>> months["share"] = rng.binomial(100, chance) / 100
    >>> curve = trajectory(months, outcome="share", time="month", cluster="who", knots=[3],
    ...                    boundary=(1, 6), at=[1, 6], group="arm", reference="a")
    >>> curve.differences[["time", "estimate", "conf_low", "conf_high"]].round(3)
       time  estimate  conf_low  conf_high
    0     1     0.092     0.067      0.117
    1     6     0.086     0.064      0.108
    """
    if (group is None) != (reference is None):
        raise EstimationError("Give `group` and `reference` together, or neither.")
    outside = [t for t in at if not boundary[0] <= t <= boundary[1]]
    if outside:
        raise EstimationError(
            f"at: {outside} lie outside the boundary {boundary}, where the curve is not estimated."
        )
    needed = [cluster, outcome, time, *filter(None, [group, weights]), *covariates]
    rows = complete_rows(frame.reset_index(drop=True), needed)
    arm = (
        rows.frame[group].astype(object)
        if group is not None
        else pd.Series("all", rows.frame.index)
    )
    found = ["all"] if group is None else arms(rows.frame, group, reference)
    sizes = rows.frame.groupby(arm)[cluster].nunique()
    kept = [level for level in found if sizes[level] >= fewest_per_arm]
    notes = [
        f"{level}: {sizes[level]} people, fewer than {fewest_per_arm}: not estimated."
        for level in found
        if level not in kept
    ]
    used = rows.frame.loc[arm.isin(kept)]
    if not kept:
        return _words_only(found, at, reference, rows, notes)
    adjusters, more = covariate_columns(used, covariates)
    design = _design(numeric(used, time), arm.loc[used.index], kept, adjusters, knots, boundary)
    roles = {c: used[c] for c in {cluster, outcome, *filter(None, [weights])}}
    model = fractional_logit(
        design.assign(**roles),
        outcome=outcome,
        design=list(design.columns),
        cluster=cluster,
        weights=weights,
    )
    people, shares = _target(used, adjusters, arm, cluster, covariates, target, target_weights)
    predictions = {}
    for level in kept:
        for when in at:
            rows_at = _design(
                np.full(len(people), float(when)),
                pd.Series(level, people.index, dtype=object),
                kept,
                people,
                knots,
                boundary,
            )
            predictions[(level, when)] = model.standardised(rows_at.to_numpy(), shares)
    # A dict, since a Series takes a missing reference for a slice.
    seen = used.groupby([used[time], arm.loc[used.index]])[cluster].nunique().to_dict()
    tables = _tables(model, predictions, found, kept, at, reference, seen, confidence_level)
    return Trajectory(**tables, model=model, rows=rows, notes=notes + more)


def _design(
    when: Floats,
    arm: pd.Series,
    kept: Sequence[object],
    adjusters: pd.DataFrame,
    knots: Sequence[float],
    boundary: tuple[float, float],
) -> pd.DataFrame:
    """Constant, spline, group, group x spline, covariates."""
    basis = natural_spline(when, knots=knots, boundary=boundary)
    parts = {"constant": np.ones(len(when))}
    parts |= {f"spline{j + 1}": basis[:, j] for j in range(basis.shape[1])}
    for level in kept[1:]:
        member = (arm == level).to_numpy(dtype=np.float64)
        parts[f"group[{level}]"] = member
        for j in range(basis.shape[1]):
            parts[f"group[{level}]:spline{j + 1}"] = member * basis[:, j]
    return pd.concat([pd.DataFrame(parts, index=adjusters.index), adjusters], axis=1)


def _target(
    used: pd.DataFrame,
    adjusters: pd.DataFrame,
    arm: pd.Series,
    cluster: str,
    covariates: Sequence[str],
    target: pd.DataFrame | None,
    target_weights: str | None,
) -> tuple[pd.DataFrame, Floats | None]:
    """Covariate columns and weights of the people over whom predictions are averaged."""
    if target is None:
        if target_weights is not None:
            raise EstimationError("target_weights needs a target with one row per person.")
        first = ~pd.DataFrame({"c": used[cluster], "a": arm.loc[used.index]}).duplicated()
        return adjusters.loc[first], None
    full = complete_rows(target, [*covariates, *filter(None, [target_weights])]).frame
    if len(full) < len(target):
        raise EstimationError(
            f"target: {len(target) - len(full)} of {len(target)} people lack a covariate."
        )
    both = pd.concat([used[list(covariates)], full[list(covariates)]], ignore_index=True)
    columns, _ = covariate_columns(both, covariates)
    unknown = set(columns.columns) - set(adjusters.columns)
    if unknown:
        raise EstimationError(f"target: {sorted(unknown)} do not occur among the rows modelled.")
    people = columns.iloc[len(used) :].reindex(columns=adjusters.columns, fill_value=0.0)
    return people, None if target_weights is None else numeric(full, target_weights)


def _tables(
    model: FractionalLogit,
    predictions: dict[tuple[object, float], tuple[float, Floats]],
    found: Sequence[object],
    kept: Sequence[object],
    at: Sequence[float],
    reference: str | None,
    seen: dict[Any, int],
    confidence_level: float,
) -> dict[str, pd.DataFrame]:
    levels, differences, changes = [], [], []
    for when in at:
        n_reference = int(seen.get((when, reference), 0))
        for level in found:
            row = {"time": when, "group": level, "n": int(seen.get((when, level), 0))}
            if level not in kept:
                levels.append(row | {"note": "Too few people: not estimated."})
                continue
            mean, gradient = predictions[(level, when)]
            levels.append(row | {**model.share_inference(mean, gradient, confidence_level)})
            if when != at[0]:
                start, start_gradient = predictions[(level, at[0])]
                gap = model.of_gradient(mean - start, gradient - start_gradient, confidence_level)
                changes.append(row | {**gap})
            if level != reference and reference in kept:
                base, base_gradient = predictions[(reference, when)]
                gap = model.of_gradient(mean - base, gradient - base_gradient, confidence_level)
                versus = {"reference": reference, "n_reference": n_reference}
                differences.append(row | versus | {**gap})
    return _frames(levels, differences, changes)


def _frames(
    levels: list[dict[str, object]],
    differences: list[dict[str, object]],
    changes: list[dict[str, object]],
) -> dict[str, pd.DataFrame]:
    keys, last = ["time", "group"], ["n", "note"]
    return {
        "levels": pd.DataFrame(levels, columns=[*keys, *_NUMBERS[:-1], *last]),
        "differences": pd.DataFrame(
            differences, columns=[*keys, "reference", *_NUMBERS, "n", "n_reference", "note"]
        ),
        "changes": pd.DataFrame(changes, columns=[*keys, *_NUMBERS, *last]),
    }


def _words_only(
    found: Sequence[object],
    at: Sequence[float],
    reference: str | None,
    rows: CompleteRows,
    notes: list[str],
) -> Trajectory:
    levels: list[dict[str, object]] = [
        {"time": t, "group": level, "note": "Too few people: not estimated."}
        for t in at
        for level in found
    ]
    return Trajectory(**_frames(levels, [], []), model=None, rows=rows, notes=notes)
