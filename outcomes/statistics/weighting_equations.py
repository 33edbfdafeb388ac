"""The equations behind a weighted comparison: columns, solution, contributions of every row."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import EstimationError
from outcomes.statistics.design import check_full_rank, covariate_columns
from outcomes.statistics.logistic import Penalty, check_converged, logistic, logistic_draws
from outcomes.statistics.propensity import (
    PEOPLE_PER_COLUMN,
    PropensityScore,
    Target,
    tilt,
    weights_of,
)

Floats = NDArray[np.float64]
Estimator = Literal["weighted", "augmented", "outcome model"]
OutcomeModel = Literal["linear", "share"]

_SINGULAR = 1e-12
# Newton decrement per row at which a search ends: to rounding for the answer; in a draw, where the
# last step still squares it, to some 1e-5 standard errors.
_FULL, _DRAW = 1e-16, 1e-8


def outcome_designs(
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


def observation_design(
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


def late_design(
    used: pd.DataFrame,
    covariates: Sequence[str],
    treated: NDArray[np.bool_],
    seen: NDArray[np.bool_],
    own: Floats,
) -> Floats:
    """Columns that the outcome is expected from, with all that was known before the visit.

    As rich as those seen can carry; the columns of the outcome model itself where none is.
    """
    columns, _ = covariate_columns(used, list(dict.fromkeys(covariates)))
    x = columns.to_numpy()
    x = (x - x.mean(axis=0)) / x.std(axis=0)
    z = treated.astype(np.float64)[:, None]
    smaller = int(min((treated & seen).sum(), (~treated & seen).sum()))
    common = np.hstack([z, 1 - z, x])
    by_group = np.hstack([z, z * x, 1 - z, (1 - z) * x])
    enough = x.shape[1] * PEOPLE_PER_COLUMN <= smaller
    for design in (by_group, common) if enough else (common,):
        if np.linalg.matrix_rank(design[seen]) == design.shape[1]:
            return design
    return own


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class StackedEquations:
    """The stacked equations of one estimate: score, being seen, outcome models, means.

    Parameters are in the order score coefficients, coefficients of being seen, coefficients of the
    outcome expected before the visit (as the one before, none where all are seen), outcome
    coefficients, then for the treated and for the reference group the mean of the predictions, of
    the weighted errors of the outcome model and of the weighted errors of the expectation.
    """

    x: Floats
    z: NDArray[np.bool_]
    y: Floats
    seen: NDArray[np.bool_]
    v: Floats
    see_penalty: Penalty
    late: Floats
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
            seen = logistic(
                self.v, self.seen.astype(np.float64), penalty=self.see_penalty, tolerance=_FULL
            )
            delta = check_converged(seen, "having an outcome").coefficients
        fitted = self._outcome_fits(every, None)
        if fitted is None:
            raise EstimationError(
                "The outcome model cannot be fitted. Use fewer outcome covariates."
            )
        gamma, (eta, beta) = self.score.fit.coefficients, fitted
        means = self._means(gamma, delta, eta, beta, every)
        return np.concatenate([gamma, delta, eta, beta, means])

    def _split(self, theta: Any) -> tuple[Any, Any, Any, Any]:
        ends = np.cumsum([self.x.shape[1], self.v.shape[1], self.late.shape[1]])
        gamma, delta, eta, beta = np.split(theta[:-6], ends)
        return gamma, delta, eta, beta

    def means(self, theta: Floats) -> tuple[float, float, float]:
        """Difference, mean of the treated, mean of the reference."""
        treated, reference = theta[-6::2].sum(), theta[-5::2].sum()
        return float(treated - reference), float(treated), float(reference)

    def gradient(self, size: int) -> Floats:
        """Of the difference by the parameters."""
        out = np.zeros(size)
        out[-6:] = [1.0, -1.0] * 3
        return out

    def redraw(self, theta: Floats) -> Callable[[Floats], Floats]:
        """Bootstrap statistic: everything refitted with row counts, started at the answer."""
        gamma, delta, eta, beta = self._split(theta)
        z, seen = self.z.astype(np.float64), self.seen.astype(np.float64)

        def statistic(counts: Floats) -> Floats:
            known = counts * seen
            both = [known[:, arm].any(axis=1) for arm in (self.z, ~self.z)]
            scores, converged = logistic_draws(
                self.x, z, counts, penalty=self.score.penalty, start=gamma, tolerance=_DRAW
            )
            fitted = np.logical_and.reduce([*both, converged])
            # In a drawing without anybody unseen the chance of being seen is 1: no model is needed.
            some_unseen = np.asarray(counts[:, ~self.seen].any(axis=1))
            chances = np.empty((len(counts), self.v.shape[1]))
            chances[some_unseen], converged = logistic_draws(
                self.v, seen, counts[some_unseen],
                penalty=self.see_penalty, start=delta, tolerance=_DRAW,
            )  # fmt: skip
            fitted[some_unseen] &= converged
            found = np.full((len(counts), 3), np.nan)
            for draw in np.flatnonzero(fitted):
                drawn = self._outcome_fits(counts[draw], (eta, beta))
                if drawn is not None:
                    chance = chances[draw] if some_unseen[draw] else None
                    means = self._means(scores[draw], chance, *drawn, counts[draw])
                    found[draw] = self.means(means)
            return found

        return statistic

    def _outcome_fits(
        self, counts: Floats, starts: tuple[Floats, Floats] | None
    ) -> tuple[Floats, Floats] | None:
        """Coefficients of the expectation before the visit and of the outcome model."""
        eta, beta = starts or (None, None)
        if self.estimator == "weighted":
            return np.zeros(self.late.shape[1]), np.zeros(self.own.shape[1])
        late: Floats | None = np.empty(0)
        if self.late.shape[1]:
            late = self._outcome_fit(self.late, self.y, counts * self.seen, eta)
        if late is None:
            return None
        own = self._outcome_fit(self.own, self._expected(late), counts, beta)
        return None if own is None else (late, own)

    def _outcome_fit(
        self, design: Floats, y: Floats, counts: Floats, start: Floats | None
    ) -> Floats | None:
        if self.link == "share":
            tolerance = _FULL if start is None else _DRAW
            fit = logistic(design, y, weights=counts, start=start, tolerance=tolerance)
            if start is None:
                check_converged(fit, "outcome model")
            return fit.coefficients if fit.converged else None
        weighted = design * counts[:, None]
        normal = design.T @ weighted
        size = np.sqrt(np.diag(normal))
        if not (size > 0).all():
            return None
        scaled = normal / np.outer(size, size)
        if np.linalg.eigvalsh(scaled)[0] < _SINGULAR:
            return None
        return np.asarray(np.linalg.solve(scaled, weighted.T @ y / size) / size)

    def _predict(self, design: Floats, beta: Any) -> Any:
        if self.estimator == "weighted":
            return np.zeros(len(design))
        linear = design @ beta
        return 1 / (1 + np.exp(-linear)) if self.link == "share" else linear

    def _expected(self, eta: Any) -> Any:
        """Outcome expected before the visit; the outcome itself where everybody was seen."""
        return self._predict(self.late, eta) if self.late.shape[1] else self.y

    def _parts(self, gamma: Any, delta: Any, beta: Any) -> tuple[Any, ...]:
        """Tilt, weights of both groups, inverse chances of being seen, predictions of all rows.

        `delta` is None where everybody was seen.
        """
        e = 1 / (1 + np.exp(-(self.x @ gamma)))
        m1, m0 = self._predict(self.at_treated, beta), self._predict(self.at_reference, beta)
        weights = weights_of(e, self.z, self.target)
        if self.estimator == "outcome model":
            weights = weights * 0
        stands_for = self.seen
        if delta is not None and self.v.shape[1]:
            stands_for = self.seen * (1 + np.exp(-(self.v @ delta)))
        h = tilt(e, self.target)
        if self.target == "treated":
            # The treated themselves are the target, so they stand for it.
            h = self.z.astype(np.float64)
        return h, weights * self.z, weights * ~self.z, stands_for, m1, m0

    def _means(
        self, gamma: Floats, delta: Floats | None, eta: Floats, beta: Floats, counts: Floats
    ) -> Floats:
        h, w1, w0, stands_for, m1, m0 = self._parts(gamma, delta, beta)
        h, w1, w0 = h * counts, w1 * counts, w0 * counts
        expected, out = self._expected(eta), np.zeros(6)
        if self.estimator != "weighted":
            out[:2] = h @ m1 / h.sum(), h @ m0 / h.sum()
        if self.estimator == "outcome model":
            return out
        for at, w, m in ((2, w1, m1), (3, w0, m0)):
            seen = w * stands_for
            below = (w.sum(), seen.sum()) if self.normalised else (h.sum(), h.sum())
            out[at] = w @ (expected - m) / below[0]
            out[at + 2] = seen @ (self.y - expected) / below[1]
        return out

    def scores(self, theta: Any) -> Any:
        """Contribution of every row to every equation."""
        gamma, delta, eta, beta = self._split(theta)
        n, expected = len(self.y), self._expected(eta)
        e = 1 / (1 + np.exp(-(self.x @ gamma)))
        h, w1, w0, stands_for, m1, m0 = self._parts(gamma, delta, beta)
        chance = 1 / (1 + np.exp(-(self.v @ delta)))
        parts = [self.x * (self.z - e)[:, None], self.v * (self.seen - chance)[:, None]]
        if self.estimator == "weighted":
            parts += [np.tile(each / n, (n, 1)) for each in (eta, beta)]
            means = [np.full(n, a) / n for a in theta[-6:-4]]
        else:
            parts.append(self.late * (self.seen * (self.y - expected))[:, None])
            parts.append(self.own * (expected - self._predict(self.own, beta))[:, None])
            means = [h * (m - a) for m, a in ((m1, theta[-6]), (m0, theta[-5]))]
        if self.estimator == "outcome model":
            return np.column_stack([*parts, *means, *(np.full(n, b) / n for b in theta[-4:])])
        weights = (w1, w0, w1 * stands_for, w0 * stands_for)
        errors = (expected - m1, expected - m0, self.y - expected, self.y - expected)
        for w, error, mean in zip(weights, errors, theta[-4:], strict=True):
            means.append(w * error - (w if self.normalised else h) * mean)
        return np.column_stack([*parts, *means])
