"""Two groups that were not drawn by lot, compared in a stated population.

The usual library's treatment-effect class has standard errors that change with the unit of a
covariate, two estimators that fail unless the score has exactly six columns, and no clusters or
overlap weights; the estimators are therefore written out here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import EstimationError, known_names
from outcomes.statistics.bootstrap import Bootstrap, patient_bootstrap
from outcomes.statistics.change import FEWEST_PER_ARM
from outcomes.statistics.design import arms, check_full_rank, complete_rows, covariate_columns
from outcomes.statistics.design import numeric as numeric_column
from outcomes.statistics.logistic import LogisticFit, Penalty, check_converged, logistic
from outcomes.statistics.propensity import (
    PEOPLE_PER_COLUMN,
    PropensityScore,
    Target,
    propensity_score,
    tilt,
    weight_summary,
    weights_of,
)
from outcomes.statistics.stacked_sandwich import stacked_sandwich
from outcomes.statistics.students_t import TInference, t_inference

Floats = NDArray[np.float64]
Estimator = Literal["weighted", "augmented", "outcome model"]
OutcomeModel = Literal["linear", "share"]

_SINGULAR = 1e-12
# Newton decrement per row at which a search ends: to rounding for the answer; in a draw, where the
# last step still squares it, to some 1e-5 standard errors.
_FULL, _DRAW = 1e-16, 1e-8


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class WeightedEffect:
    """Difference of two groups' means in a target population.

    Attributes
    ----------
    estimate, mean_treated, mean_reference : float or None
        In the unit of the outcome.
    conf_low, conf_high, std_error : float or None
        From the bootstrap where draws were asked for, otherwise from the stacked equations.
    p_value : float or None
        From the stacked equations.
    method : str
        Estimator, target, penalty and interval in words.
    sandwich : TInference or None
        The stacked-equations twin of the bootstrap.
    bootstrap : Bootstrap or None
    target : str
    n, n_treated, n_reference, n_observed, n_clusters : int
        Rows used, by group; rows with an outcome; independent units.
    weights : DataFrame or None
        One row per group: n, effective n, largest weight and share.
    score : PropensityScore or None
    note : str or None
        Why there is no estimate or interval.
    notes : list of str
    """

    estimate: float | None = None
    mean_treated: float | None = None
    mean_reference: float | None = None
    std_error: float | None = None
    conf_low: float | None = None
    conf_high: float | None = None
    p_value: float | None = None
    method: str
    sandwich: TInference | None = None
    bootstrap: Bootstrap | None = None
    target: str
    n: int
    n_treated: int
    n_reference: int
    n_observed: int
    n_clusters: int
    weights: pd.DataFrame | None = None
    score: PropensityScore | None = None
    note: str | None = None
    notes: list[str] = field(default_factory=list)


def weighted_effect(
    frame: pd.DataFrame,
    *,
    outcome: str,
    group: str,
    reference: str,
    covariates: Sequence[str],
    target: Target = "overlap",
    estimator: Estimator = "augmented",
    outcome_model: OutcomeModel = "linear",
    outcome_covariates: Sequence[str] | None = None,
    observation: Sequence[str] | None = None,
    normalised: bool = True,
    cluster: str | None = None,
    n_draws: int = 0,
    rng: np.random.Generator | None = None,
    fewest_per_arm: int = FEWEST_PER_ARM,
    confidence_level: float = 0.95,
) -> WeightedEffect:
    """Compare the other group with the reference group, balanced on what was measured.

    Associational unless every reason for the choice of group is among the covariates.

    Parameters
    ----------
    frame : DataFrame, one row per person (or person and trial)
        Incomplete rows are counted and left out.
    outcome, group, reference : str
        Exactly two groups; the reference is subtracted.
    covariates : sequence of str
        Of the propensity score.
    target : str
        Population; see `score_weights`.
    estimator : {"augmented", "weighted", "outcome model"}
        Weighted means; the same corrected by a model of the outcome (right if either model is);
        or that model alone.
    outcome_model : {"linear", "share"}
        "share" for outcomes of 0 to 1 (fractional logit).
    outcome_covariates : sequence of str, optional
        By default `covariates`.
    observation : sequence of str, optional
        Columns, beside the group, that say who has an outcome (the last observed value among
        them). People without one then stay in the target, and the others are weighted by the
        inverse of their modelled chance to be seen. By default rows without outcome are left out
        and counted.
    normalised : bool, default True
        Divide weighted residuals by the sum of the weights; False by the size of the target.
    cluster : str, optional
        The independent unit where a person has several rows.
    n_draws : int, default 0
        Bootstrap draws of clusters that refit the score and the outcome model (1,000 in reports).
    rng : numpy Generator, optional
        Needed with draws.

    Returns
    -------
    WeightedEffect
        With fewer than `fewest_per_arm` in a group nothing is estimated and `note` says so.

    Raises
    ------
    EstimationError
        Unknown names, not two groups, or a model that cannot be fitted.

    Notes
    -----
    Slopes of the outcome model differ by group while each group has five people per column, and
    are common to both otherwise. Errors from the stacked equations of score, outcome model and
    means; taking the score as known was 3 to 5 % too wide in a reference data set, and the
    influence function alone a fifth too narrow.

    References
    ----------
    .. [1] Li F, Morgan KL, Zaslavsky AM. J Am Stat Assoc 2018;113:390-400.
    .. [2] Mao H, Li L, Greene T. Stat Methods Med Res 2019;28:2439-2454 (augmented).
    .. [3] Robins JM, Rotnitzky A, Zhao LP. J Am Stat Assoc 1994;89:846-866.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> x = rng.normal(0, 1, 200)
    >>> people = pd.DataFrame({"x": x, "arm": np.where(x + rng.normal(0, 1, 200) > 0, "b", "a")})
    >>> people["y"] = x + 0.5 * (people["arm"] == "b") + rng.normal(0, 1, 200)
    >>> effect = weighted_effect(people, outcome="y", group="arm", reference="a", covariates=["x"])
    >>> effect.method
    'augmented, target overlap; stacked sandwich, t'
    >>> round(effect.estimate, 2), round(effect.conf_low, 2), round(effect.conf_high, 2)
    (0.25, -0.13, 0.64)
    """
    for given, known, what in (
        (estimator, ("augmented", "weighted", "outcome model"), "estimator"),
        (outcome_model, ("linear", "share"), "outcome model"),
    ):
        if given not in known:
            raise EstimationError(known_names(what, str(given), known))
    if n_draws and rng is None:
        raise EstimationError("A bootstrap needs `rng`, for example numpy.random.default_rng(1).")
    more = list(covariates if outcome_covariates is None else outcome_covariates)
    seeing = list(observation or [])
    needed = [group, *covariates, *more, *seeing, *filter(None, [cluster])]
    needed += [] if observation is not None else [outcome]
    rows = complete_rows(frame.reset_index(drop=True), needed)
    used = rows.frame
    treated = (used[group] != reference).to_numpy(dtype=bool)
    if len(arms(used, group, reference)) > 2:
        raise EstimationError(f"{group} has more than two groups. Filter the rows first.")
    seen = used[outcome].notna().to_numpy(dtype=bool)
    labels = used[cluster] if cluster is not None else pd.Series(used.index)
    units, names = pd.factorize(labels)
    method = f"{estimator}, target {target}"
    counts: dict[str, Any] = {
        "n": len(used),
        "n_treated": int(treated.sum()),
        "n_reference": int((~treated).sum()),
        "n_observed": int(seen.sum()),
        "n_clusters": len(names),
    }
    smaller = int(min((treated & seen).sum(), (~treated & seen).sum()))
    if smaller < fewest_per_arm:
        note = f"Fewer than {fewest_per_arm} in a group: described, not estimated."
        return WeightedEffect(method=method, target=target, note=note, **counts)
    score = propensity_score(used, group=group, reference=reference, covariates=covariates)
    own, at_treated, at_reference, notes = _outcome_designs(used, more, treated, seen)
    v, see_penalty, see_notes = _observation_design(used, seeing, treated, seen)
    problem = _Problem(
        x=score.columns.to_numpy(),
        z=treated,
        y=np.where(seen, numeric_column(used, outcome), 0.0),
        seen=seen,
        v=v,
        see_penalty=see_penalty,
        own=own,
        at_treated=at_treated,
        at_reference=at_reference,
        score=score,
        target=target,
        estimator=estimator,
        link=outcome_model,
        normalised=normalised,
    )
    theta = problem.solve()
    means = problem.means(theta)
    covariance = stacked_sandwich(
        problem.scores, theta, clusters=None if cluster is None else labels.to_numpy()
    )
    gradient = problem.gradient(len(theta))
    std_error = float(np.sqrt(gradient @ covariance @ gradient))
    sandwich = t_inference(means[0], std_error, len(names) - 1, confidence_level)
    bootstrap = None
    shown: dict[str, Any] = {
        "std_error": std_error,
        "conf_low": sandwich["conf_low"],
        "conf_high": sandwich["conf_high"],
    }
    interval = "stacked sandwich, t"
    if n_draws and rng is not None:
        bootstrap = patient_bootstrap(
            problem.redraw(theta), units=units.astype(np.intp), n_draws=n_draws, rng=rng
        )
        low, high = bootstrap.interval(0, confidence_level)
        shown = {"std_error": bootstrap.std_error(), "conf_low": low, "conf_high": high}
        interval = f"percentiles of {n_draws} bootstrap draws"
    score_word = "" if score.penalty == "none" else ", Firth's penalty"
    return WeightedEffect(
        estimate=means[0],
        mean_treated=means[1],
        mean_reference=means[2],
        p_value=sandwich["p_value"],
        method=f"{method}{score_word}; {interval}",
        sandwich=sandwich,
        bootstrap=bootstrap,
        target=target,
        weights=weight_summary(score.weights(target), treated),
        score=score,
        note=None if bootstrap is None else bootstrap.note,
        notes=[*score.notes, *notes, *see_notes],
        **shown,
        **counts,
    )


def _outcome_designs(
    used: pd.DataFrame,
    covariates: Sequence[str],
    treated: NDArray[np.bool_],
    seen: NDArray[np.bool_],
) -> tuple[Floats, Floats, Floats, list[str]]:
    """Columns of the outcome model for each row as it is, if treated, and if not."""
    columns, _ = covariate_columns(used, covariates)
    x = columns.to_numpy()
    x = (x - x.mean(axis=0)) / x.std(axis=0)
    smaller = int(min((treated & seen).sum(), (~treated & seen).sum()))
    z = treated.astype(np.float64)[:, None]
    one, nil = np.ones_like(z), np.zeros_like(z)
    if x.shape[1] * PEOPLE_PER_COLUMN <= smaller:

        def design(arm: Floats) -> Floats:
            return np.hstack([arm, arm * x, 1 - arm, (1 - arm) * x])

        notes: list[str] = []
    else:

        def design(arm: Floats) -> Floats:
            return np.hstack([arm, 1 - arm, x])

        notes = [
            f"{x.shape[1]} outcome columns for {smaller} people in the smaller group: slopes of "
            "the outcome model are common to both groups."
        ]
    own = [f"{name} ({arm})" for arm in ("treated", "reference") for name in ["mean", *columns]]
    common = ["mean (treated)", "mean (reference)", *columns]
    names = own if len(own) == design(z).shape[1] and not notes else common
    check_full_rank(pd.DataFrame(design(z)[seen], columns=names))
    return design(z), design(one), design(nil), notes


def _observation_design(
    used: pd.DataFrame,
    covariates: Sequence[str],
    treated: NDArray[np.bool_],
    seen: NDArray[np.bool_],
) -> tuple[Floats, Penalty, list[str]]:
    """Columns of the model of having an outcome (none where all have one), and its penalty."""
    if seen.all():
        return np.empty((len(used), 0)), "none", []
    columns, _ = covariate_columns(used, covariates)
    x = columns.to_numpy()
    columns = pd.DataFrame((x - x.mean(axis=0)) / x.std(axis=0), columns=columns.columns)
    columns.insert(0, "constant", 1.0)
    columns.insert(1, "group", treated.astype(np.float64))
    check_full_rank(columns)
    v = columns.to_numpy()
    if logistic(v, seen.astype(np.float64)).converged:
        return v, "none", []
    return v, "firth", ["The model of having an outcome has no maximum: Firth's penalty was used."]


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class _Problem:
    """The stacked equations of one estimate: score, being seen, outcome model, means.

    Parameters are in the order score coefficients, coefficients of being seen, outcome
    coefficients, then the mean of the predictions and of the weighted residuals, for the treated
    and for the reference group.
    """

    x: Floats
    z: NDArray[np.bool_]
    y: Floats
    seen: NDArray[np.bool_]
    v: Floats
    see_penalty: Penalty
    own: Floats
    at_treated: Floats
    at_reference: Floats
    score: PropensityScore
    target: Target
    estimator: Estimator
    link: OutcomeModel
    normalised: bool

    def solve(self) -> Floats:
        """The full-sample answer."""
        every = np.ones(len(self.y))
        delta: Floats = np.zeros(self.v.shape[1])
        if self.v.shape[1]:
            delta = check_converged(self._seen_fit(every, None), "having an outcome").coefficients
        beta: Floats = np.zeros(self.own.shape[1])
        if self.estimator != "weighted":
            found = self._outcome_fit(every, None)
            if found is None:
                raise EstimationError(
                    "The outcome model cannot be fitted. Use fewer outcome covariates."
                )
            beta = found
        gamma = self.score.fit.coefficients
        return np.concatenate([gamma, delta, beta, self._means(gamma, delta, beta, every)])

    def _split(self, theta: Any) -> tuple[Any, Any, Any]:
        k, q = self.x.shape[1], self.v.shape[1]
        return theta[:k], theta[k : k + q], theta[k + q : -4]

    def _seen_fit(self, counts: Floats, start: Floats | None) -> LogisticFit:
        seen, tolerance = self.seen.astype(np.float64), _FULL if start is None else _DRAW
        return logistic(
            self.v,
            seen,
            weights=counts,
            penalty=self.see_penalty,
            start=start,
            tolerance=tolerance,
        )

    def means(self, theta: Floats) -> tuple[float, float, float]:
        """Difference, mean of the treated, mean of the reference."""
        a1, a0, b1, b0 = theta[-4:]
        return float(a1 + b1 - a0 - b0), float(a1 + b1), float(a0 + b0)

    def gradient(self, size: int) -> Floats:
        """Of the difference by the parameters."""
        out = np.zeros(size)
        out[-4:] = [1.0, -1.0, 1.0, -1.0]
        return out

    def redraw(self, theta: Floats) -> Any:
        """Bootstrap statistic: everything refitted with row counts, started at the answer."""
        gamma, delta, beta = self._split(theta)
        z = self.z.astype(np.float64)

        def statistic(counts: Floats) -> Floats | None:
            known = counts * self.seen
            if not (known[self.z].any() and known[~self.z].any()):
                return None
            fit = logistic(
                self.x, z, weights=counts, penalty=self.score.penalty, start=gamma, tolerance=_DRAW
            )
            see = self._seen_fit(counts, delta) if self.v.shape[1] else fit
            if not (fit.converged and see.converged):
                return None
            drawn = beta if self.estimator == "weighted" else self._outcome_fit(counts, beta)
            if drawn is None:
                return None
            chance = see.coefficients if self.v.shape[1] else delta
            return np.array(self.means(self._means(fit.coefficients, chance, drawn, counts)))

        return statistic

    def _outcome_fit(self, counts: Floats, start: Floats | None) -> Floats | None:
        counts = counts * self.seen
        if self.link == "share":
            tolerance = _FULL if start is None else _DRAW
            fit = logistic(self.own, self.y, weights=counts, start=start, tolerance=tolerance)
            if start is None:
                check_converged(fit, "outcome model")
            return fit.coefficients if fit.converged else None
        weighted = self.own * counts[:, None]
        normal = self.own.T @ weighted
        size = np.sqrt(np.diag(normal))
        if not (size > 0).all():
            return None
        scaled = normal / np.outer(size, size)
        if np.linalg.eigvalsh(scaled)[0] < _SINGULAR:
            return None
        return np.asarray(np.linalg.solve(scaled, weighted.T @ self.y / size) / size)

    def _predict(self, design: Floats, beta: Any) -> Any:
        if self.estimator == "weighted":
            return np.zeros(len(design))
        linear = design @ beta
        return 1 / (1 + np.exp(-linear)) if self.link == "share" else linear

    def _parts(self, gamma: Any, delta: Any, beta: Any) -> tuple[Any, ...]:
        """Tilt, the two sets of weights and residuals, and the predictions of every row."""
        e = 1 / (1 + np.exp(-(self.x @ gamma)))
        m1, m0 = self._predict(self.at_treated, beta), self._predict(self.at_reference, beta)
        weights = weights_of(e, self.z, self.target)
        if self.v.shape[1]:
            weights = weights * self.seen * (1 + np.exp(-(self.v @ delta)))
        if self.estimator == "outcome model":
            weights = weights * 0
        h = tilt(e, self.target)
        if self.target == "treated":
            # The treated themselves are the target, so they stand for it.
            h = self.z.astype(np.float64)
        return h, weights * self.z, weights * ~self.z, m1, m0

    def _means(self, gamma: Floats, delta: Floats, beta: Floats, counts: Floats) -> Floats:
        h, w1, w0, m1, m0 = self._parts(gamma, delta, beta)
        h, w1, w0 = h * counts, w1 * counts, w0 * counts
        out = np.zeros(4)
        if self.estimator != "weighted":
            out[:2] = h @ m1 / h.sum(), h @ m0 / h.sum()
        if self.estimator != "outcome model":
            below = (w1.sum(), w0.sum()) if self.normalised else (h.sum(), h.sum())
            out[2:] = w1 @ (self.y - m1) / below[0], w0 @ (self.y - m0) / below[1]
        return out

    def scores(self, theta: Any) -> Any:
        """Contribution of every row to every equation."""
        gamma, delta, beta = self._split(theta)
        a1, a0, b1, b0 = theta[-4:]
        e = 1 / (1 + np.exp(-(self.x @ gamma)))
        h, w1, w0, m1, m0 = self._parts(gamma, delta, beta)
        chance = 1 / (1 + np.exp(-(self.v @ delta)))
        parts = [self.x * (self.z - e)[:, None], self.v * (self.seen - chance)[:, None]]
        if self.estimator == "weighted":
            parts.append(np.tile(beta / len(self.y), (len(self.y), 1)))
            means = [np.full(len(self.y), a) / len(self.y) for a in (a1, a0)]
        else:
            error = self.seen * (self.y - self._predict(self.own, beta))
            parts.append(self.own * error[:, None])
            means = [h * (m1 - a1), h * (m0 - a0)]
        if self.estimator == "outcome model":
            residuals = [np.full(len(self.y), b) / len(self.y) for b in (b1, b0)]
        else:
            below = (w1, w0) if self.normalised else (h, h)
            residuals = [w1 * (self.y - m1) - below[0] * b1, w0 * (self.y - m0) - below[1] * b0]
        return np.column_stack([*parts, *means, *residuals])
