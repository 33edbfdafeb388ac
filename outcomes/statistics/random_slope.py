"""Each person's own line: a random intercept and slope, accepted only on evidence.

The general library's mixed model can be wrong, and can be wrong while it says that it converged
(with uncentred time a standard error of half its size was seen). So time is centred and scaled,
and a fit is used only if the library raised no warning, an independent Newton search on the exact
score reached the same likelihood, and the covariance of the lines is positive definite.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from statsmodels.regression.mixed_linear_model import MixedLM

from outcomes.errors import EstimationError, known_names
from outcomes.statistics.covariance_structures import (
    RANDOM_INTERCEPT,
    Structure,
    random_coefficients,
)
from outcomes.statistics.design import CompleteRows, check_full_rank, complete_rows, numeric
from outcomes.statistics.reml import Climb, WideData, climb, satterthwaite_df, wide_data
from outcomes.statistics.students_t import TInference, t_inference

Floats = NDArray[np.float64]

RANDOM_SLOPE = "random intercept and slope"
# Tried in this order; the second only where the first warns or fails.
_OPTIMISERS = ("lbfgs", "powell")
_SAME_VALUE = 1e-3
# The library calls any variance below 0.01 a boundary, whatever the unit: the outcome is put on a
# scale where its standard deviation is this, so that only slopes that hardly vary are refused.
_SPREAD = 30.0


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class PersonalLines:
    """A fitted model of personal lines.

    Attributes
    ----------
    coefficients : Series, index the design columns
        Of the average person.
    model : str
        "random intercept and slope", or the fallback "random intercept".
    line_covariance : DataFrame
        Covariance of the personal intercepts (at time 0) and slopes (per unit of time).
    residual_variance, log_likelihood : float
    n_subjects : int
    fitted : DataFrame, one row per row used
        Subject, time, `average_person` (no personal part) and `this_person` (with it).
    lines : DataFrame, one row per subject
        Personal departures from the average line, shrunk.
    rows : CompleteRows
    notes : list of str
        Why a model was given up.
    """

    coefficients: pd.Series
    model: str
    line_covariance: pd.DataFrame
    residual_variance: float
    log_likelihood: float
    n_subjects: int
    fitted: pd.DataFrame
    lines: pd.DataFrame
    rows: CompleteRows
    notes: list[str]
    _structure: Structure
    _fit: Climb
    _scale: Floats
    _unit: float

    def contrast(self, weights: Mapping[str, float], confidence_level: float = 0.95) -> TInference:
        """Estimate and t interval of a linear combination, with Satterthwaite df."""
        names = self.coefficients.index
        for name in weights:
            if name not in names:
                raise EstimationError(known_names("coefficient", str(name), map(str, names)))
        named = pd.Series(dict(weights), dtype=np.float64).reindex(names, fill_value=0.0)
        vector = named.to_numpy() / self._scale
        estimate = float(vector @ self._fit.at.coefficients) * self._unit
        std_error = float(np.sqrt(vector @ self._fit.at.bread @ vector)) * self._unit
        df = satterthwaite_df(self._structure, self._fit, vector)
        return t_inference(estimate, std_error, df, confidence_level)


def personal_lines(
    frame: pd.DataFrame,
    *,
    subject: str,
    time: str,
    outcome: str,
    design: Sequence[str],
    slope: bool = True,
    restricted: bool = True,
) -> PersonalLines:
    """Linear mixed model with a line for each person, valid when visits are missing at random.

    Parameters
    ----------
    frame : DataFrame, one row per subject and time
        Incomplete rows are counted and left out; the order of rows does not matter.
    subject, time, outcome : str
        Time is a number.
    design : sequence of str
        Numeric columns of the average, the constant included.
    slope : bool, default True
        Try a random slope first; False goes straight to a random intercept.
    restricted : bool, default True
        Restricted likelihood; False for maximum likelihood.

    Returns
    -------
    PersonalLines
        Of the random slope if it is accepted; otherwise of the random intercept, with the reason
        in `notes`.

    Raises
    ------
    EstimationError
        Neither is accepted (no one has two rows; no spread between people), a repeated time, or
        columns that repeat each other.

    References
    ----------
    .. [1] Laird NM, Ware JH. Biometrics 1982;38:963-974.
    """
    rows = complete_rows(frame, [subject, time, outcome, *design])
    used = rows.frame.sort_values([subject, time], kind="stable", ignore_index=True)
    if used.duplicated([subject, time]).any():
        raise EstimationError(f"A {subject} has a {time} twice. Choose one row first.")
    columns = pd.DataFrame({name: numeric(used, name) for name in design})
    if not used[subject].duplicated().any():
        raise EstimationError(
            "No one has two rows, so what differs between people is not estimable. "
            "Use least squares on the single rows."
        )
    if len(used) <= len(columns.columns) + 2:
        raise EstimationError(
            f"{len(used)} rows cannot carry {len(columns.columns)} columns and personal lines. "
            "Use fewer columns, or describe the rows instead."
        )
    check_full_rank(columns)
    y = numeric(used, outcome)
    unit = float(y.std()) / _SPREAD
    if not unit > 0:
        raise EstimationError(f"{outcome} takes a single value: nothing to model.")
    scale = np.sqrt((columns.to_numpy() ** 2).mean(axis=0))
    people, labels = pd.factorize(used[subject], sort=True)
    times, when = np.unique(numeric(used, time), return_inverse=True)
    data = _wide(columns.to_numpy() / scale, y / unit, people, when)
    centre, width = float(times.mean()), float(times.std()) or 1.0
    notes: list[str] = []
    for name in [RANDOM_SLOPE, RANDOM_INTERCEPT] if slope else [RANDOM_INTERCEPT]:
        scaled = (times - centre) / width
        loadings = np.column_stack([np.ones(len(times)), scaled])
        if name == RANDOM_INTERCEPT:
            loadings = loadings[:, :1]
        candidate = random_coefficients(loadings)
        fit, reason = _accepted(data, candidate, loadings, people, when, restricted)
        if fit is not None:
            break
        notes.append(f"The {name} was given up: {reason}.")
    else:
        raise EstimationError(
            f"No model of personal lines is accepted for {len(labels)} people. " + " ".join(notes)
        )
    spread, _ = _unpacked(fit.theta, loadings.shape[1])
    departures = _departures(data, fit, loadings, spread) * unit
    average = columns.to_numpy() @ (fit.at.coefficients * unit / scale)
    personal = np.einsum("nq,nq->n", loadings[when], departures[people])
    turn = np.array([[1.0, -centre / width], [0.0, 1.0 / width]])
    turn = turn[: loadings.shape[1], : loadings.shape[1]]
    parts = ["intercept", "slope"][: loadings.shape[1]]
    n_free = len(used) - restricted * len(scale)
    return PersonalLines(
        coefficients=pd.Series(fit.at.coefficients * unit / scale, index=columns.columns),
        model=name,
        line_covariance=pd.DataFrame(turn @ spread @ turn.T * unit**2, index=parts, columns=parts),
        residual_variance=float(fit.theta[-1] * unit**2),
        log_likelihood=fit.at.value
        - n_free * float(np.log(unit))
        - restricted * float(np.log(scale).sum()),
        n_subjects=len(labels),
        fitted=used[[subject, time]].assign(average_person=average, this_person=average + personal),
        lines=pd.DataFrame(departures @ turn.T, index=labels, columns=parts),
        rows=rows,
        notes=notes,
        _structure=candidate,
        _fit=fit,
        _scale=scale,
        _unit=unit,
    )


def _wide(
    columns: Floats, values: Floats, people: NDArray[np.intp], when: NDArray[np.intp]
) -> WideData:
    shape = (int(people.max()) + 1, int(when.max()) + 1)
    x, y = np.zeros((*shape, columns.shape[1])), np.zeros(shape)
    seen = np.zeros(shape, dtype=bool)
    x[people, when], y[people, when], seen[people, when] = columns, values, True
    return wide_data(x, y, seen)


def _unpacked(theta: Floats, size: int) -> tuple[Floats, float]:
    """Covariance of the lines, and the residual variance."""
    spread = np.zeros((size, size))
    spread[np.tril_indices(size)] = theta[:-1]
    return np.asarray(spread + np.tril(spread, -1).T), float(theta[-1])


def _accepted(
    data: WideData,
    candidate: Structure,
    loadings: Floats,
    people: NDArray[np.intp],
    when: NDArray[np.intp],
    restricted: bool,
) -> tuple[Climb | None, str]:
    """The fit, if library and Newton search agree; otherwise why not."""
    variance = float((data.y[data.seen] ** 2).mean())
    start = np.full((loadings.shape[0],) * 2, 0.3 * variance) + 0.7 * variance * np.eye(
        loadings.shape[0]
    )
    try:
        fit = climb(data, candidate, start, restricted=restricted)
    except (EstimationError, np.linalg.LinAlgError):
        return None, "the search left the valid covariances"
    if not fit.converged:
        return None, "the search found no maximum"
    spread, residual = _unpacked(fit.theta, loadings.shape[1])
    if residual <= 0 or np.linalg.eigvalsh(spread).min() <= 1e-8 * np.trace(spread):
        return None, "the covariance of the lines is not positive definite"
    reason = ""
    for optimiser in _OPTIMISERS:
        value, reason = _library_value(data, loadings, people, when, restricted, optimiser)
        if value is not None and abs(value - fit.at.value) <= _SAME_VALUE:
            return fit, ""
        if value is not None:
            reason = "two optimisers ended at different likelihoods"
    return None, reason


def _library_value(
    data: WideData,
    loadings: Floats,
    people: NDArray[np.intp],
    when: NDArray[np.intp],
    restricted: bool,
    optimiser: str,
) -> tuple[float | None, str]:
    """Log-likelihood of the general library's mixed model; None where it warns or fails."""
    with warnings.catch_warnings(record=True) as raised:
        warnings.simplefilter("always")
        try:
            model = MixedLM(
                data.y[people, when], data.x[people, when], people, exog_re=loadings[when]
            )
            result = model.fit(reml=restricted, method=[optimiser], disp=False)
            value, converged = float(result.llf), bool(result.converged)
        except (np.linalg.LinAlgError, ValueError, ZeroDivisionError):
            return None, "the general library failed"
    if raised or not converged or not np.isfinite(value):
        return None, "the general library warned or did not converge"
    return value, ""


def _departures(data: WideData, fit: Climb, loadings: Floats, spread: Floats) -> Floats:
    """Best linear prediction G Z' V^-1 (y - X b) of each person's departures."""
    out = np.zeros((len(data.y), loadings.shape[1]))
    for group, visits in data.patterns:
        inverse = np.linalg.inv(fit.covariance[np.ix_(visits, visits)])
        x = data.x[np.ix_(group, visits)]
        residual = data.y[np.ix_(group, visits)] - x @ fit.at.coefficients
        out[group] = residual @ inverse @ loadings[visits] @ spread
    return out
