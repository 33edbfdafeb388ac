"""Regression models of event rates: Poisson with cluster-robust errors, GEE, negative binomial."""

from __future__ import annotations

import re
import warnings
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats
from statsmodels.discrete.discrete_model import NegativeBinomial
from statsmodels.genmod import families
from statsmodels.genmod.cov_struct import Exchangeable
from statsmodels.genmod.generalized_estimating_equations import GEE
from statsmodels.genmod.generalized_linear_model import GLM
from statsmodels.tools.sm_exceptions import ConvergenceWarning, HessianInversionWarning

from outcomes.errors import EstimationError
from outcomes.statistics.checks import check_columns, check_option
from outcomes.statistics.students_t import check_level

__all__ = ["RateModel", "rate_model"]

Floats = NDArray[np.float64]
Model = Literal["poisson", "gee", "negative binomial"]

METHODS = {
    "poisson": "Poisson, cluster-robust",
    "gee": "Poisson, exchangeable within clusters, robust",
    "negative binomial": "negative binomial, cluster-robust",
}
# A log rate ratio with a model error this large lies at the edge, not at a maximum: a group
# without events has no finite coefficient.
LARGEST_LOG_ERROR = 30.0


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class RateModel:
    """A fitted rate model.

    Attributes
    ----------
    table : DataFrame, one row a term
        `term`, `estimate` (rate ratio; the rate itself for the intercept), `conf_low`,
        `conf_high`, `p_value`, `log_estimate`, `log_se` (cluster-robust), `log_se_model`, `note`.
    method : str
        What was fitted in the end.
    n_rows, n_clusters, events : int
        What went into the fit.
    left_out : int
        Rows with neither exposure nor events.
    dispersion : float or None
        Alpha of the negative binomial model: variance = mean + alpha * mean^2.
    note : str
        Why another model than the one asked for was fitted; empty otherwise.
    """

    table: pd.DataFrame
    method: str
    n_rows: int
    n_clusters: int
    events: int
    left_out: int
    dispersion: float | None
    note: str
    confidence_level: float


def rate_model(
    frame: pd.DataFrame,
    *,
    formula: str,
    exposure: str,
    cluster: str,
    model: Model = "poisson",
    small_sample: bool = True,
    confidence_level: float = 0.95,
) -> RateModel:
    """Model event rates on covariates, with errors that let a cluster's events go together.

    Parameters
    ----------
    frame : DataFrame, one row a unit of observation (a patient, or a patient and period)
        The columns of the formula, `exposure` and `cluster`; none missing.
    formula : str
        For example "events ~ cohort + age"; the left side is a count.
    exposure, cluster : str
        Column names. A row without exposure and events is left out and counted.
    model : {"poisson", "gee", "negative binomial"}
        Poisson with independent working errors, the same with exchangeable ones, or negative
        binomial (dispersion by maximum likelihood). All errors are cluster-robust.
    small_sample : bool, default True
        Inflate the robust variance by G/(G-1) and read it with t on G - 1 degrees of freedom;
        otherwise no factor and the normal distribution.
    confidence_level : float, default 0.95
        Two-sided level.

    Returns
    -------
    RateModel
        A term that the events do not determine (a group without events) has no estimate, with a
        note. Where the negative binomial fit does not converge to finite values, the Poisson
        model is fitted in its place and `note` says so.

    Raises
    ------
    EstimationError
        Missing values, a left side that is no count, a row with events but no exposure, fewer
        than two clusters, or no event at all.

    Notes
    -----
    The library's negative binomial fit may report convergence with missing parameters when counts
    vary less than Poisson counts; convergence and finiteness are both checked here, and at the
    dispersion found the robust errors are those of the generalised linear model.

    References
    ----------
    .. [1] Zeger SL, Liang KY. Longitudinal data analysis for discrete and continuous outcomes.
       Biometrics 1986;42:121-130.
    .. [2] Lawless JF. Negative binomial and mixed Poisson regression. Can J Stat 1987;15:209-225.

    Examples
    --------
    >>> wear = pd.DataFrame({"harms": [2, 0, 1, 4], "years": [1.0, 2.0, 1.0, 2.0],
    ...                      "kind": list("aabb"), "patient": list("wxyz")})
    >>> fit = rate_model(wear, formula="harms ~ kind", exposure="years", cluster="patient")
    >>> fit.table["estimate"].round(3).tolist()
    [0.667, 2.5]
    """
    level = check_level(confidence_level)
    check_option("rate model", model, list(METHODS))
    used, events = _usable(frame, formula, exposure, cluster)
    clusters = int(used[cluster].nunique())
    if clusters < 2 or events == 0:
        raise EstimationError(
            f"rate model: {clusters} clusters with {events} events. Two clusters and one event "
            "are the least a model needs; report the counts instead."
        )
    fit, dispersion, note = _fit(used, formula, exposure, cluster, model)
    inflate = clusters / (clusters - 1) if small_sample else 1.0
    df = clusters - 1 if small_sample else np.inf
    return RateModel(
        table=_table(fit, inflate, df, level),
        method=METHODS["poisson" if note else model],
        n_rows=len(used),
        n_clusters=clusters,
        events=events,
        left_out=len(frame) - len(used),
        dispersion=dispersion,
        note=note,
        confidence_level=level,
    )


def _usable(
    frame: pd.DataFrame, formula: str, exposure: str, cluster: str
) -> tuple[pd.DataFrame, int]:
    outcome = formula.split("~")[0].strip()
    words = set(re.findall(r"\w+", formula))
    named = [c for c in map(str, frame.columns) if c in words]
    check_columns(frame, outcome, exposure, cluster, *named)
    counts, size = frame[outcome].astype(float), frame[exposure].astype(float)
    if ((counts < 0) | (counts != np.floor(counts))).any():
        raise EstimationError(f"column {outcome}: the left side of a rate model counts events.")
    if (size < 0).any() or not np.isfinite(size).all():
        raise EstimationError(f"column {exposure}: exposure is a finite number of 0 or more.")
    impossible = int(((size == 0) & (counts > 0)).sum())
    if impossible:
        raise EstimationError(
            f"column {exposure}: {impossible} rows have events but no exposure. "
            "Add up the rows of a cluster first, or count same-day exposure as half a day."
        )
    return frame[size > 0].reset_index(drop=True), int(counts.sum())


def _fit(
    used: pd.DataFrame, formula: str, exposure: str, cluster: str, model: Model
) -> tuple[Any, float | None, str]:
    if model == "negative binomial":
        dispersion = _dispersion(used, formula, exposure)
        if dispersion is not None:
            family = families.NegativeBinomial(alpha=dispersion)
            return _glm(used, formula, exposure, cluster, family), dispersion, ""
        note = "the negative binomial fit did not converge; the Poisson model stands in its place"
        return _glm(used, formula, exposure, cluster, families.Poisson()), None, note
    if model == "gee":
        fit = GEE.from_formula(
            formula,
            groups=cluster,
            data=used,
            exposure=used[exposure].to_numpy(float),
            family=families.Poisson(),
            cov_struct=Exchangeable(),
        ).fit()
        return fit, None, ""
    return _glm(used, formula, exposure, cluster, families.Poisson()), None, ""


def _glm(used: pd.DataFrame, formula: str, exposure: str, cluster: str, family: Any) -> Any:
    # The clusters' own factor is applied in `_table`; the library's also counts rows.
    groups = {"groups": used[cluster].astype("category").cat.codes, "use_correction": False}
    size = used[exposure].to_numpy(float)
    return GLM.from_formula(formula, used, family=family, exposure=size).fit(
        cov_type="cluster", cov_kwds=groups, scale=1.0
    )


def _dispersion(used: pd.DataFrame, formula: str, exposure: str) -> float | None:
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        # Every way this fit can go wrong is judged below, from what it returns.
        warnings.simplefilter("ignore", ConvergenceWarning)
        warnings.simplefilter("ignore", RuntimeWarning)
        warnings.simplefilter("ignore", HessianInversionWarning)
        model = NegativeBinomial.from_formula(
            formula, used, exposure=used[exposure].to_numpy(float)
        )
        try:
            fit = model.fit(disp=0, maxiter=500, gtol=1e-9)
        except (np.linalg.LinAlgError, ValueError, FloatingPointError):
            return None
    alpha = float(fit.params["alpha"])
    converged = bool(fit.mle_retvals["converged"])
    return alpha if converged and np.isfinite(fit.params).all() and alpha > 0 else None


def _table(fit: Any, inflate: float, df: float, level: float) -> pd.DataFrame:
    log, robust = np.asarray(fit.params, float), np.asarray(fit.bse, float) * np.sqrt(inflate)
    plain = _model_errors(fit)
    known = np.isfinite(robust) & (robust > 0) & (plain < LARGEST_LOG_ERROR)
    half = float(stats.t.ppf((1 + level) / 2, df)) * robust
    with np.errstate(all="ignore"):
        table = pd.DataFrame(
            {
                "term": list(fit.params.index),
                "estimate": np.exp(log),
                "conf_low": np.exp(log - half),
                "conf_high": np.exp(log + half),
                "p_value": 2 * stats.t.sf(np.abs(log) / robust, df),
                "log_estimate": log,
                "log_se": robust,
                "log_se_model": plain,
            }
        )
    table.loc[~known, table.columns != "term"] = np.nan
    table["note"] = np.where(known, "", "not estimable: the events do not determine this term")
    return table


def _model_errors(fit: Any) -> Floats:
    """Errors of the model without clusters: inverse expected information."""
    if hasattr(fit, "naive_covariance"):
        naive: Any = fit.naive_covariance
        return np.sqrt(np.diag(np.asarray(naive, float)))
    return np.sqrt(np.diag(np.asarray(fit.normalized_cov_params, float)))
