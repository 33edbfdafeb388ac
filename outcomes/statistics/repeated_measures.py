"""Several visits a person, some of them missing: the model of the mean at every visit.

The general library's mixed model has no unstructured covariance, reads its coefficients with a
normal quantile and can report convergence at a wrong answer; its marginal model with an
unstructured working correlation has one common variance and is not valid when visits are missing
at random. So the likelihood is maximised here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import EstimationError, known_names
from outcomes.statistics.cluster_sandwich import ClusterSandwich, cluster_sandwich
from outcomes.statistics.covariance_structures import (
    HETEROGENEOUS,
    INDEPENDENCE,
    RANDOM_INTERCEPT,
    UNSTRUCTURED,
    Structure,
    structure,
)
from outcomes.statistics.design import CompleteRows, check_full_rank, complete_rows, numeric
from outcomes.statistics.reml import Climb, WideData, climb, satterthwaite_df, wide_data
from outcomes.statistics.students_t import TInference, t_inference

Floats = NDArray[np.float64]

FALLBACKS = (UNSTRUCTURED, HETEROGENEOUS, RANDOM_INTERCEPT)

# Two visits' covariance is left to the data only where this many people had both.
_FEWEST_TOGETHER = 5
# How well two starts must agree: log-likelihood, and coefficients in standard errors.
_AGREE_VALUE, _AGREE_COEFFICIENT = 1e-6, 1e-4


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class RepeatedMeasures:
    """A fitted model; `contrast` reads any linear combination off it with a t interval.

    Attributes
    ----------
    coefficients : Series, index the design columns
    structure : str
        The covariance structure of the visits that was used.
    visit_covariance : DataFrame, visits by visits
    log_likelihood : float
        Restricted; comparable only between fits with the same columns.
    n_subjects, n_clusters : int
    n_by_visit : Series, index the visits
    rows : CompleteRows
        What was used, and what was left out for which reason.
    notes : list of str
        Structures that were given up, and why.
    """

    coefficients: pd.Series
    structure: str
    visit_covariance: pd.DataFrame
    log_likelihood: float
    n_subjects: int
    n_clusters: int
    n_by_visit: pd.Series
    rows: CompleteRows
    notes: list[str]
    _structure: Structure
    _fit: Climb
    _data: WideData
    _owners: NDArray[np.generic]
    _robust: bool
    _scale: Floats

    def contrast(self, weights: Mapping[str, float], confidence_level: float = 0.95) -> TInference:
        """Estimate and t interval of a linear combination named by design column.

        Degrees of freedom are Satterthwaite's from the observed information; with a robust
        covariance Bell and McCaffrey's.
        """
        vector = self._vector(weights)
        estimate = float(vector @ self._fit.at.coefficients)
        if self._robust:
            std_error = self.sandwich.std_error(vector)
            df = self.sandwich.degrees_of_freedom(vector)
        else:
            std_error = float(np.sqrt(vector @ self._fit.at.bread @ vector))
            df = satterthwaite_df(self._structure, self._fit, vector)
        return t_inference(estimate, std_error, df, confidence_level)

    @property
    def covariance(self) -> pd.DataFrame:
        """Of the coefficients: model-based, or robust where a cluster was given."""
        scaled = self.sandwich.covariance if self._robust else self._fit.at.bread
        names = self.coefficients.index
        return pd.DataFrame(scaled / np.outer(self._scale, self._scale), index=names, columns=names)

    def influence(self, weights: Mapping[str, float]) -> tuple[pd.Series, float]:
        """What each independent unit moves a linear combination by, and the df to read it with.

        CR2 by cluster, by subject where none was given; the squares add to a variance that holds
        also where the covariance of the visits differs between groups. Index: the units.
        """
        vector = self._vector(weights)
        moved = pd.Series(self.sandwich.influence(vector), index=self.sandwich.labels)
        return moved, self.sandwich.degrees_of_freedom(vector)

    @cached_property
    def sandwich(self) -> ClusterSandwich:
        """The robust covariance, on the scaled columns; made when first asked for."""
        return _robust(self._data, self._fit, self._owners)

    def _vector(self, weights: Mapping[str, float]) -> Floats:
        names = self.coefficients.index
        for name in weights:
            if name not in names:
                raise EstimationError(known_names("coefficient", str(name), map(str, names)))
        named = pd.Series(dict(weights), dtype=np.float64).reindex(names, fill_value=0.0)
        return np.asarray(named.to_numpy() / self._scale, dtype=np.float64)


def repeated_measures(
    frame: pd.DataFrame,
    *,
    subject: str,
    visit: str,
    outcome: str,
    design: Sequence[str],
    cluster: str | None = None,
    structures: Sequence[str] = FALLBACKS,
) -> RepeatedMeasures:
    """Linear model of a repeated outcome, with the covariance of visits left to the data.

    Valid where the chance that a visit is missing depends on what was observed (missing at
    random), unlike the mean of those who came.

    Parameters
    ----------
    frame : DataFrame, one row per subject and visit
        Rows without subject, visit, outcome, cluster or a design column are counted and left out.
        The order of the rows does not matter.
    subject, visit, outcome : str
        Columns; the outcome is numeric, a subject has each visit at most once.
    design : sequence of str
        Numeric columns of `frame` that make up the mean, the constant (or one column for every
        visit) included; see `visit_means` for the usual ones.
    cluster : str, optional
        The independent unit where subjects are not independent (a person who is a subject in two
        groups). The covariance is then robust (CR2) with Bell-McCaffrey degrees of freedom.
    structures : sequence of str
        Covariance structures in the order in which they are tried.

    Returns
    -------
    RepeatedMeasures
        Of the first structure that fits. A structure is given up when fewer than 5 subjects were
        seen at some pair of visits (unstructured only), or when the search from two starting
        values does not reach one maximum, judged by the exact score and the observed
        information. What was given up is in `notes`. Where no one has two visits, or only one
        visit exists, nothing about dependence can be estimated: "independence" is used and named.

    Raises
    ------
    EstimationError
        A visit occurs twice in a subject, columns repeat each other, too few rows, or no
        structure fits.

    Notes
    -----
    Restricted maximum likelihood; Fisher scoring, then Newton steps on the analytic observed
    information; Satterthwaite degrees of freedom from the same information [1]_.

    References
    ----------
    .. [1] Mallinckrodt CH et al. Drug Inf J 2008;42:303-319 (the model and its use).

    Examples
    --------
    >>> visits = pd.DataFrame({
    ...     "who": ["A", "A", "B", "B", "C", "C", "D", "D", "E", "E", "F", "F"],
    ...     "month": [3, 6] * 6, "m3": [1.0, 0.0] * 6, "m6": [0.0, 1.0] * 6,
    ...     "y": [7.0, 6.5, 8.0, 8.1, 7.5, 6.9, 6.8, 6.9, 9.0, 7.7, 7.1, None]})
    >>> fit = repeated_measures(visits, subject="who", visit="month", outcome="y",
    ...                         design=["m3", "m6"])
    >>> fit.structure, fit.rows.sentence
    ('unstructured', '11 of 12 rows used (1 without y)')
    >>> round(fit.contrast({"m6": 1, "m3": -1})["estimate"], 3)
    -0.399
    """
    needed = [subject, visit, outcome, *design, *filter(None, [cluster])]
    rows = complete_rows(frame, needed)
    used = rows.frame
    if used.duplicated([subject, visit]).any():
        n_twice = int(used.duplicated([subject, visit]).sum())
        raise EstimationError(
            f"{n_twice} rows repeat a {subject} and {visit}. Choose one row per visit first."
        )
    columns = pd.DataFrame({name: numeric(used, name) for name in design}, index=used.index)
    if len(used) <= len(columns.columns):
        raise EstimationError(
            f"{len(columns.columns)} coefficients cannot be estimated from {len(used)} rows. "
            "Use fewer covariates, or describe the visits instead."
        )
    check_full_rank(columns)
    people, subjects = pd.factorize(used[subject], sort=True)
    when, visits = pd.factorize(used[visit], sort=True)
    scale = np.sqrt((columns.to_numpy() ** 2).mean(axis=0))
    data = _wide(columns.to_numpy() / scale, numeric(used, outcome), people, when)
    chosen, fit, notes = _fit(data, structures)
    owners = _owners(used, subject, cluster)
    return RepeatedMeasures(
        coefficients=pd.Series(fit.at.coefficients / scale, index=columns.columns),
        structure=chosen.name,
        visit_covariance=pd.DataFrame(fit.covariance, index=visits, columns=visits),
        log_likelihood=fit.at.value - float(np.log(scale).sum()),
        n_subjects=len(subjects),
        n_clusters=len(pd.unique(owners)),
        n_by_visit=pd.Series(data.seen.sum(axis=0), index=visits),
        rows=rows,
        notes=notes,
        _structure=chosen,
        _fit=fit,
        _data=data,
        _owners=owners,
        _robust=cluster is not None,
        _scale=scale,
    )


def _owners(used: pd.DataFrame, subject: str, cluster: str | None) -> NDArray[np.generic]:
    """The independent unit of every subject, subjects in order."""
    unit = cluster or subject
    if used.groupby(subject)[unit].nunique().max() > 1:
        raise EstimationError(f"A {subject} belongs to more than one {cluster}.")
    return np.asarray(used.drop_duplicates(subject).sort_values(subject)[unit].to_numpy())


def _wide(
    columns: Floats, values: Floats, people: NDArray[np.intp], when: NDArray[np.intp]
) -> WideData:
    shape = (int(people.max()) + 1, int(when.max()) + 1)
    x, y = np.zeros((*shape, columns.shape[1])), np.zeros(shape)
    seen = np.zeros(shape, dtype=bool)
    x[people, when], y[people, when], seen[people, when] = columns, values, True
    return wide_data(x, y, seen)


def _fit(data: WideData, structures: Sequence[str]) -> tuple[Structure, Climb, list[str]]:
    """The first structure that can be fitted, and a note for every one given up."""
    notes: list[str] = []
    n_visits = data.y.shape[1]
    if n_visits == 1 or int(data.seen.sum(axis=1).max()) < 2:
        if n_visits > 1:
            notes.append(
                "No one has two visits, so dependence within a person is not estimable: "
                f"{INDEPENDENCE} (ordinary least squares) was used."
            )
        structures = [INDEPENDENCE]
    for name in structures:
        candidate = structure(name, n_visits)
        reason = _too_few_together(data) if name == UNSTRUCTURED else None
        if reason is None:
            fit, reason = _two_starts(data, candidate)
            if fit is not None:
                return candidate, fit, notes
        notes.append(f"The {name} covariance was given up: {reason}.")
    raise EstimationError(
        f"No covariance structure fits {len(data.y)} subjects at {n_visits} visits. "
        + " ".join(notes)
        + " Use fewer visits or covariates, or describe the visits instead."
    )


def _too_few_together(data: WideData) -> str | None:
    seen = data.seen.astype(np.float64)
    fewest = int((seen.T @ seen).min())
    if fewest >= _FEWEST_TOGETHER:
        return None
    return f"only {fewest} subjects were seen at some pair of visits"


def _two_starts(data: WideData, candidate: Structure) -> tuple[Climb | None, str | None]:
    """Climb from two different covariances; one maximum, or the reason why not."""
    found = []
    for start in _starts(data):
        try:
            found.append(climb(data, candidate, start))
        except (EstimationError, np.linalg.LinAlgError):
            return None, "the search left the valid covariances"
        if not found[-1].converged:
            return None, "the search found no maximum"
    first, second = found
    gap = abs(first.at.value - second.at.value)
    errors = np.sqrt(np.diag(first.at.bread))
    moved = np.abs(first.at.coefficients - second.at.coefficients) / errors
    if gap > _AGREE_VALUE * max(1.0, abs(first.at.value)) or moved.max() > _AGREE_COEFFICIENT:
        return None, "two starting values ended at different answers"
    return (first if first.decrement <= second.decrement else second), None


def _starts(data: WideData) -> tuple[Floats, Floats]:
    """Visit variances with no correlation, and with half the correlation of equal sharing."""
    n_columns = data.x.shape[2]
    flat, y = data.x.reshape(-1, n_columns), data.y.ravel()
    beta = np.linalg.lstsq(flat, y, rcond=None)[0]
    residual = ((y - flat @ beta).reshape(data.y.shape)) * data.seen
    counts = np.maximum(data.seen.sum(axis=0), 1)
    pooled = float((residual**2).sum() / data.seen.sum())
    if not pooled > 1e-20 * max(float((y**2).sum()) / max(len(y), 1), 1e-280):
        raise EstimationError(
            "The model fits every value exactly, so no error is left to estimate. "
            "Use fewer covariates, or describe the visits instead."
        )
    variances = np.maximum((residual**2).sum(axis=0) / counts, 0.05 * pooled)
    sd = np.sqrt(variances)
    return np.diag(variances), 0.5 * np.diag(variances) + 0.5 * np.outer(sd, sd)


def _robust(data: WideData, fit: Climb, owner: NDArray[np.generic]) -> ClusterSandwich:
    """CR2 on the columns and residuals whitened by each person's own covariance."""
    columns, residuals, labels = [], [], []
    for people, visits in data.patterns:
        root = np.linalg.cholesky(fit.covariance[np.ix_(visits, visits)])
        x = data.x[np.ix_(people, visits)]
        error = data.y[np.ix_(people, visits)] - x @ fit.at.coefficients
        whiten = np.linalg.inv(root)
        columns.append(np.matmul(whiten, x).reshape(-1, x.shape[2]))
        residuals.append((error @ whiten.T).ravel())
        labels.append(np.repeat(owner[people], len(visits)))
    return cluster_sandwich(
        np.concatenate(columns), np.concatenate(residuals), np.concatenate(labels)
    )
