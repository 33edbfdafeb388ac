"""Who was likely to be in which group, and the weights that make the groups alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, cast, get_args

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import EstimationError, known_names
from outcomes.statistics.balance import effective_sample_size
from outcomes.statistics.design import arms, check_full_rank, complete_rows, covariate_columns
from outcomes.statistics.logistic import LogisticFit, Penalty, check_converged, logistic

Floats = NDArray[np.float64]
Target = Literal["overlap", "everyone", "treated", "matching", "trimmed", "truncated"]
TARGETS: tuple[Target, ...] = get_args(Target)

# One score column per this many people of the smaller group; more are penalised.
PEOPLE_PER_COLUMN = 5


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class PropensityScore:
    """Modelled probability of the treated group, given what was known at the start.

    Attributes
    ----------
    score : Series, index of the frame
        Between 0 and 1.
    treated : ndarray of bool
        Not in the reference group.
    coefficients : Series
        Log odds per standard deviation of each column.
    penalty : {"none", "firth"}
    columns : DataFrame
        Standardised columns of the model, the constant first.
    notes : list of str
        Why a penalty was used; covariates left out.
    """

    score: pd.Series
    treated: NDArray[np.bool_]
    coefficients: pd.Series
    penalty: Penalty
    columns: pd.DataFrame
    fit: LogisticFit
    notes: list[str] = field(default_factory=list)

    def weights(self, target: Target = "overlap") -> pd.Series:
        """Weights for a target population; see `score_weights`."""
        values = score_weights(self.score.to_numpy(), self.treated, target)
        return pd.Series(values, index=self.score.index)


def propensity_score(
    frame: pd.DataFrame, *, group: str, reference: str, covariates: Sequence[str]
) -> PropensityScore:
    """Logistic model of being in the other group rather than in the reference group.

    Parameters
    ----------
    frame : DataFrame, one row per person (or person and trial)
        Complete in `group` and `covariates`; exactly two groups.
    group, reference : str
        Grouping column and the untreated group.
    covariates : sequence of str
        What was known at the start; categories become indicators.

    Returns
    -------
    PropensityScore
        Plain maximum likelihood while there is at most one column per five people of the smaller
        group and the likelihood has a maximum; otherwise with Firth's penalty, which `penalty`
        and `notes` state.

    Raises
    ------
    EstimationError
        Gaps, not two groups, repeated columns, or as many columns as people in the smaller group.
    """
    rows = complete_rows(frame, [group, *covariates])
    if len(rows.frame) < len(frame):
        raise EstimationError(f"A propensity score needs complete columns: {rows.sentence}.")
    found = arms(frame, group, reference)
    if len(found) != 2:
        raise EstimationError(f"A propensity score is of two groups; {group} has {len(found)}.")
    treated = (frame[group] == found[1]).to_numpy(dtype=bool)
    columns, notes = covariate_columns(frame, covariates)
    x = columns.to_numpy()
    columns = pd.DataFrame(
        (x - x.mean(axis=0)) / x.std(axis=0), index=columns.index, columns=columns.columns
    )
    columns.insert(0, "constant", 1.0)
    check_full_rank(columns)
    smaller = int(min(treated.sum(), (~treated).sum()))
    n_columns = columns.shape[1] - 1
    if n_columns >= smaller:
        raise EstimationError(
            f"{n_columns} score columns for {smaller} people in the smaller group. "
            "Name fewer covariates, or merge their levels."
        )
    penalty: Penalty = "none"
    if n_columns * PEOPLE_PER_COLUMN > smaller:
        penalty = "firth"
        notes.append(
            f"{n_columns} score columns for {smaller} people in the smaller group, more than one "
            f"per {PEOPLE_PER_COLUMN}: Firth's penalty was used."
        )
    fit = logistic(columns.to_numpy(), treated.astype(np.float64), penalty=penalty)
    if not fit.converged and penalty == "none":
        penalty = "firth"
        notes.append("The covariates separate the groups in part: Firth's penalty was used.")
        fit = logistic(columns.to_numpy(), treated.astype(np.float64), penalty=penalty)
    check_converged(fit, "propensity score")
    return PropensityScore(
        score=pd.Series(fit.fitted, index=frame.index),
        treated=treated,
        coefficients=pd.Series(fit.coefficients, index=columns.columns),
        penalty=penalty,
        columns=columns,
        fit=fit,
        notes=notes,
    )


def score_weights(score: Floats, treated: NDArray[np.bool_], target: Target) -> Floats:
    """Balancing weights from a score.

    Parameters
    ----------
    score : ndarray, shape (n,)
        Between 0 and 1, exclusive.
    treated : ndarray of bool, shape (n,)
    target : str
        Population for which groups are compared: "overlap", those who could have been in either
        group (1 - e, e); "everyone" (1/e, 1/(1 - e)); "treated" (1, e/(1 - e)); "matching",
        min(e, 1 - e) over the chance of the own group; "trimmed", everyone with a score of 0.1 to
        0.9; "truncated", everyone with weights cut at their own 1 % and 99 % quantiles. The last
        two are sensitivities.

    References
    ----------
    .. [1] Li F, Morgan KL, Zaslavsky AM. J Am Stat Assoc 2018;113:390-400 (overlap).
    .. [2] Li L, Greene T. Int J Biostat 2013;9:215-234 (matching weights).
    .. [3] Crump RK et al. Biometrika 2009;96:187-199 (trimming).

    Examples
    --------
    >>> score_weights(np.array([0.25, 0.25]), np.array([True, False]), "overlap")
    array([0.75, 0.25])
    """
    return cast(Floats, weights_of(score, treated, target))


def weights_of(score: Any, treated: NDArray[np.bool_], target: Target) -> Any:
    """The same for real or complex scores (derivatives are taken by a complex step)."""
    weights = tilt(score, target) / np.where(treated, score, 1 - score)
    if target == "truncated":
        low, high = np.quantile(weights.real, [0.01, 0.99])
        weights = np.where(weights.real < low, low, np.where(weights.real > high, high, weights))
    return weights


def tilt(score: Any, target: Target) -> Any:
    """How much a person of this score counts in the target population."""
    if target == "overlap":
        return score * (1 - score)
    if target == "treated":
        return score
    if target == "matching":
        return np.where(score.real < 0.5, score, 1 - score)
    if target == "trimmed":
        return ((score.real >= 0.1) & (score.real <= 0.9)).astype(np.float64)
    if target in ("everyone", "truncated"):
        return np.ones(len(score))
    raise EstimationError(known_names("target population", str(target), TARGETS))


def stabilised(weights: Floats, treated: NDArray[np.bool_]) -> Floats:
    """Weights times the size of the own group over all: a mean near 1."""
    share = treated.mean()
    return np.asarray(weights * np.where(treated, share, 1 - share))


def weight_summary(weights: pd.Series, treated: NDArray[np.bool_]) -> pd.DataFrame:
    """One row per group: n, effective n, largest weight and its share of the group's sum."""
    rows: list[tuple[str, int, float, float, float]] = []
    for name, member in (("treated", treated), ("reference", ~treated)):
        own = weights.to_numpy(dtype=np.float64)[member]
        effective = effective_sample_size(own)
        share = float(own.max() / own.sum())
        rows.append((name, len(own), effective, float(own.max()), share))
    names = ["arm", "n", "effective_n", "largest_weight", "largest_share"]
    return pd.DataFrame(rows, columns=names)
