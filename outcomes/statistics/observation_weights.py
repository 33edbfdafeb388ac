"""Weights that let those who were seen stand for those who were not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

from outcomes.errors import EstimationError
from outcomes.statistics.balance import effective_sample_size
from outcomes.statistics.design import (
    check_full_rank,
    complete_rows,
    covariate_columns,
    numeric,
)
from outcomes.statistics.logistic import check_converged, logistic
from outcomes.statistics.stacked_sandwich import stacked_sandwich

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class ObservationWeights:
    """Stabilised inverse-probability-of-observation weights.

    Attributes
    ----------
    weights : Series, index of the frame
        Above 0 for observed rows, missing for the others.
    probability : Series, index of the frame
        Modelled probability of being observed, given the past.
    n_rows, n_observed : int
    smallest, largest, mean, largest_share : float
        Of the weights; the share is the largest weight over their sum.
    effective_n : float
        Kish's effective number of observed rows.
    notes : list of str
    """

    weights: pd.Series
    probability: pd.Series
    n_rows: int
    n_observed: int
    smallest: float
    largest: float
    mean: float
    largest_share: float
    effective_n: float
    notes: list[str] = field(default_factory=list)


def observation_weights(
    frame: pd.DataFrame,
    *,
    subject: str,
    visit: str,
    outcome: str,
    numerator: Sequence[str],
    denominator: Sequence[str] = (),
    before: str | None = None,
) -> ObservationWeights:
    """Weights for visits that are missing because of what was last observed.

    Two models are multiplied: that a person still takes part (cumulated over the visits so far),
    and that a person who does was seen at this visit. Each has the last observed outcome among
    its columns: weights on group and time alone do nothing against a selection by the outcome.

    Parameters
    ----------
    frame : DataFrame, one row per subject and visit that is due
        Also the visits that did not take place (no outcome).
    subject, visit, outcome : str
        Columns; visits are ordered by value; a row is observed where it has an outcome.
    numerator : sequence of str
        Columns that the analysis adjusts for or shows (group, time): they stabilise the weights
        and enter both models. The visit itself is entered where it is named here.
    denominator : sequence of str
        Further baseline columns.
    before : str, optional
        Value of the outcome before the first visit; it may have gaps.

    Returns
    -------
    ObservationWeights
        Not truncated: truncation would bring the selection back. Where no earlier value exists
        an indicator says so in the model.

    Raises
    ------
    EstimationError
        A repeated visit, gaps in the columns, or no observed row.

    Notes
    -----
    A person takes part up to the last observed visit. At a person's last due visit nobody can tell
    a visit missed by chance from leaving, so that everybody not seen there seems to have left:
    both models are fitted to the visits before it, and applied to all. Where a model has no
    maximum (a pattern that always or never is observed) Firth's penalty is used and noted.

    References
    ----------
    .. [1] Robins JM, Rotnitzky A, Zhao LP. J Am Stat Assoc 1995;90:106-121.
    .. [2] Seaman SR, White IR. Stat Methods Med Res 2013;22:278-295.
    """
    needed = [subject, visit, *numerator, *denominator]
    index, frame = frame.index, frame.reset_index(drop=True)
    rows = complete_rows(frame, needed)
    if len(rows.frame) < len(frame):
        raise EstimationError(f"Observation weights need complete columns: {rows.sentence}.")
    complete_rows(frame.head(0), [outcome, *filter(None, [before])])
    if frame.duplicated([subject, visit]).any():
        raise EstimationError("A subject has a visit twice. Choose one row per visit first.")
    ordered = frame.sort_values([subject, visit], kind="stable")
    seen = ordered[outcome].notna().to_numpy(dtype=bool)
    if not seen.any():
        raise EstimationError(f"{outcome}: no row is observed, so no weight can be made.")
    history = _history(ordered, subject, outcome, before)
    takes_part = _takes_part(ordered, subject, seen)
    last_due = ~ordered.duplicated(subject, keep="last").to_numpy()
    present = pd.Series(takes_part, index=ordered.index)
    prior = present.groupby(ordered[subject]).shift(1, fill_value=True).to_numpy(dtype=bool)
    short, short_notes = _model_columns(ordered, numerator)
    more, more_notes = _model_columns(ordered, [*numerator, *denominator])
    full = pd.concat([more, history], axis=1)
    notes = list(dict.fromkeys(short_notes + more_notes))
    stay, stay_stable = _two_models(short, full, takes_part, prior, last_due, "taking part", notes)
    come, come_stable = _two_models(short, full, seen, takes_part, last_due, "being seen", notes)
    by_subject = ordered[subject].to_numpy()
    kept = pd.Series(stay, index=ordered.index).groupby(by_subject).cumprod().to_numpy()
    kept_stable = pd.Series(stay_stable, index=ordered.index).groupby(by_subject).cumprod()
    probability = pd.Series(kept * come, index=ordered.index)
    ratio = kept_stable.to_numpy() * come_stable / probability
    weights = ratio.where(seen)
    used = weights.dropna().to_numpy(dtype=np.float64)
    return ObservationWeights(
        weights=weights.sort_index().set_axis(index),
        probability=probability.sort_index().set_axis(index),
        n_rows=len(frame),
        n_observed=len(used),
        smallest=float(used.min()),
        largest=float(used.max()),
        mean=float(used.mean()),
        largest_share=float(used.max() / used.sum()),
        effective_n=effective_sample_size(used),
        notes=notes,
    )


def _history(ordered: pd.DataFrame, subject: str, outcome: str, before: str | None) -> pd.DataFrame:
    """The last value observed before each visit, centred; and whether there is none."""
    carried = ordered.groupby(subject)[outcome].ffill()
    last = carried.groupby(ordered[subject]).shift(1)
    if before is not None:
        last = last.fillna(ordered[before])
    values = last.to_numpy(dtype=np.float64, na_value=np.nan)
    none = np.isnan(values)
    if none.all():
        return pd.DataFrame(index=ordered.index)
    parts = {"last value": np.where(none, 0.0, values - np.nanmean(values))}
    if none.any():
        parts["no earlier value"] = none.astype(np.float64)
    return pd.DataFrame(parts, index=ordered.index)


def _takes_part(ordered: pd.DataFrame, subject: str, seen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """True up to and including a person's last observed visit."""
    later = pd.Series(seen[::-1], index=ordered.index[::-1])
    subjects = ordered[subject].to_numpy()[::-1]
    return later.groupby(subjects).cummax().to_numpy(dtype=bool)[::-1]


def _model_columns(ordered: pd.DataFrame, names: Sequence[str]) -> tuple[pd.DataFrame, list[str]]:
    columns, notes = covariate_columns(ordered, names)
    columns.insert(0, "constant", 1.0)
    return columns, notes


def _two_models(
    short: pd.DataFrame,
    full: pd.DataFrame,
    happened: NDArray[np.bool_],
    at_risk: NDArray[np.bool_],
    last_due: NDArray[np.bool_],
    what: str,
    notes: list[str],
) -> tuple[Floats, Floats]:
    """Probabilities by the long and by the short model; 1 where a row is not at risk."""
    told = at_risk & ~last_due
    if happened[told].all() or not happened[told].any():
        told = at_risk  # nothing to learn from the earlier visits
    out = []
    for columns in (full, short):
        probability = np.ones(len(columns))
        y = happened[told].astype(np.float64)
        if 0 < y.sum() < len(y):
            x = _varying(columns, told)
            fit = logistic(x[told], y)
            if not fit.converged:
                fit = check_converged(logistic(x[told], y, penalty="firth"), what)
                notes.append(f"The model of {what} has no maximum; Firth's penalty was used.")
            probability[at_risk] = expit(x[at_risk] @ fit.coefficients)
        out.append(probability)
    return out[0], out[1]


def _varying(columns: pd.DataFrame, used: NDArray[np.bool_]) -> Floats:
    """Columns standardised over the rows used; those that do not vary among them are dropped."""
    x = columns.to_numpy()
    inside = x[used]
    keep = np.ptp(inside, axis=0) > 0
    centre, spread = inside[:, keep].mean(axis=0), inside[:, keep].std(axis=0)
    scaled = (x[:, keep] - centre) / spread
    check_full_rank(pd.DataFrame(scaled[used], columns=columns.columns[keep]))
    return np.column_stack([np.ones(len(x)), scaled])


@dataclass(frozen=True, kw_only=True)
class ObservedMean:
    """A mean over all rows, from the rows that were observed.

    Attributes
    ----------
    estimate : float
        Weighted by 1 / probability and divided by the sum of the weights (Hajek).
    horvitz_thompson : float
        The same sum divided by the number of all rows.
    std_error : float
        With the probabilities estimated (stacked equations).
    std_error_fixed : float
        With the probabilities taken as known; for comparison.
    complete_case : float
        Plain mean of what was observed.
    n, n_observed : int
    largest_stabilised_weight : float
    """

    estimate: float
    horvitz_thompson: float
    std_error: float
    std_error_fixed: float
    complete_case: float
    n: int
    n_observed: int
    largest_stabilised_weight: float


def observed_mean(
    frame: pd.DataFrame, *, outcome: str, columns: Sequence[str], cluster: str | None = None
) -> ObservedMean:
    """Mean of an outcome with gaps, by one model of being observed.

    Parameters
    ----------
    frame : DataFrame, one row per person
        `columns` complete; categories become indicators.
    outcome : str
        Numeric, with gaps.
    cluster : str, optional
        The independent unit; the standard error then sums by it.

    Raises
    ------
    EstimationError
        Gaps in a column, nothing or everything observed, or a model without maximum.

    References
    ----------
    .. [1] Lunceford JK, Davidian M. Stat Med 2004;23:2937-2960 (stacked equations).
    """
    rows = complete_rows(frame, columns)
    if len(rows.frame) < len(frame):
        raise EstimationError(f"Observation weights need complete columns: {rows.sentence}.")
    y = numeric(frame, outcome)
    seen = ~np.isnan(y)
    if not 0 < seen.sum() < len(y):
        raise EstimationError(
            f"{outcome}: {int(seen.sum())} of {len(y)} observed; no model needed."
        )
    adjusters, _ = covariate_columns(frame, columns)
    x = _varying(adjusters, np.ones(len(adjusters), dtype=bool))
    fit = check_converged(logistic(x, seen.astype(np.float64)), outcome)
    weight, value = seen / fit.fitted, np.where(seen, y, 0.0)
    mean = float(weight @ value / weight.sum())

    def score(theta: NDArray[np.complex128]) -> NDArray[np.complex128]:
        probability = 1 / (1 + np.exp(-(x @ theta[:-1])))
        model = x * (seen - probability)[:, None]
        return np.column_stack([model, seen / probability * (value - theta[-1])])

    labels = None if cluster is None else frame[cluster].to_numpy()
    covariance = stacked_sandwich(score, np.append(fit.coefficients, mean), clusters=labels)
    fixed = np.sqrt((weight**2 * (value - mean) ** 2).sum()) / weight.sum()
    return ObservedMean(
        estimate=mean,
        horvitz_thompson=float(weight @ value / len(y)),
        std_error=float(np.sqrt(covariance[-1, -1])),
        std_error_fixed=float(fixed),
        complete_case=float(y[seen].mean()),
        n=len(y),
        n_observed=int(seen.sum()),
        largest_stabilised_weight=float(weight.max() * seen.mean()),
    )
