"""Cox's partial likelihood with late entry, weights, strata and ties: value, slope, residuals."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import sparse

from outcomes.statistics.lives import Codes, Times
from outcomes.statistics.probability_limits import Floats

Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class PartialLikelihood:
    """Rows laid out against the cells (stratum and event time) at which they are at risk.

    Attributes
    ----------
    x : array of shape (n, p)
        Covariates.
    weight : array of shape (n,)
    event : array of bool of shape (n,)
    cell_stratum, cell_time : arrays of shape (m,)
        The distinct event times of each stratum, by stratum and rising time.
    first, last, own : arrays of codes of shape (n,)
        A row is at risk in cells `first:last`; `own` is its event's cell (events only).
    step_cell, step_share, step_weight : arrays of shape (s,)
        Efron: one step for each of the d tied events of a cell, the l-th with share l/d of the
        tied events taken out of the risk set and the mean weight of the tied events. Breslow: one
        step a cell, share 0 and the sum of the weights.
    ties : str
    tail : Tail, optional
        Rows that stay in later risk sets with a falling weight (subdistribution hazards).
    """

    x: Floats
    weight: Floats
    event: Flags
    cell_stratum: Codes
    cell_time: Times
    first: Codes
    last: Codes
    own: Codes
    step_cell: Codes
    step_share: Floats
    step_weight: Floats
    ties: str
    _gone: sparse.csr_array
    _event_sum: sparse.csr_array
    tail: Tail | None = None

    @property
    def cells(self) -> int:
        """Number of distinct event times over all strata."""
        return len(self.cell_time)

    def moments(self, beta: Floats, *, order: int = 2) -> Moments:
        """Return the weighted moments of x in the risk set of each step at `beta`.

        Risk sets are running sums of what leaves less what enters, from the end, where they are
        small; so a cell costs nothing beyond its own row, however many rows are at risk in it.
        """
        eta = self.x @ beta
        eta = eta - eta.max(initial=-np.inf) if len(eta) else eta
        risk = self.weight * np.exp(eta)
        p = self.x.shape[1]
        columns = [risk[:, None], risk[:, None] * self.x]
        if order > 1:
            rows, cols = np.triu_indices(p)
            columns.append(risk[:, None] * self.x[:, rows] * self.x[:, cols])
        values = np.hstack(columns)
        whole = np.cumsum((self._gone @ values)[:0:-1], axis=0)[::-1]
        if self.tail is not None:
            later = np.cumsum(self.tail.entering @ values, axis=0)[: self.cells]
            whole += self.tail.factor[:, None] * later
        sums = whole[self.step_cell]
        if self.step_share.any():
            tied = self._event_sum @ values
            sums = sums - self.step_share[:, None] * tied[self.step_cell]
        return Moments(eta=eta, risk=risk, total=sums[:, 0], sums=sums[:, 1:], size=p)

    def slope(self, beta: Floats) -> tuple[float, Floats, Floats]:
        """Return log likelihood, score (p,) and information (p, p)."""
        moments = self.moments(beta)
        if not (moments.total > 0).all():
            return -np.inf, np.zeros(len(beta)), np.eye(len(beta))
        at, w = self.event, self.step_weight
        mean = moments.mean
        value = self.weight[at] @ moments.eta[at] - w @ np.log(moments.total)
        score = self.weight[at] @ self.x[at] - w @ mean
        return float(value), score, moments.weighted_covariance(w)

    def score_residuals(self, beta: Floats) -> Floats:
        """Return each row's part of the score, weights included: shape (n, p), sum = score.

        Own event: w (x - mean of xbar over the tied steps). At risk: minus w exp(x beta) times the
        sum of hazard steps times (x - xbar); at its own event a row is exposed to 1 minus the
        share of the tied events already taken out.
        """
        moments = self.moments(beta, order=1)
        hazard = self.step_weight / moments.total
        mean = moments.mean
        both = np.hstack([hazard[:, None], hazard[:, None] * mean])
        gathered = np.vstack([np.zeros(both.shape[1]), np.cumsum(self._by_cell(both), axis=0)])
        exposed = gathered[self.last] - gathered[self.first]
        at, cell = self.event, self.own[self.event]
        exposed[at] -= self._by_cell(both * self.step_share[:, None])[cell]
        if self.tail is not None:
            falling = self._by_cell(both) * self.tail.factor[:, None]
            ahead = np.vstack([np.cumsum(falling[::-1], axis=0)[::-1], np.zeros(both.shape[1])])
            exposed += self.tail.scale[:, None] * ahead[self.last]
        result = moments.risk[:, None] * (exposed[:, 1:] - self.x * exposed[:, :1])
        steps = np.bincount(self.step_cell, minlength=self.cells)[:, None]
        result[at] += self.weight[at, None] * (self.x[at] - (self._by_cell(mean) / steps)[cell])
        return result

    def _by_cell(self, values: Floats) -> Floats:
        columns = [np.bincount(self.step_cell, column, self.cells) for column in values.T]
        return np.stack(columns, axis=1)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Tail:
    """Rows kept in the risk sets after their exit, in one stratum.

    Attributes
    ----------
    factor : array of shape (m,)
        Common weight of the kept rows in each cell.
    scale : array of shape (n,)
        A kept row's own weight beside it; 0 for the others.
    entering : sparse array of shape (m + 1, n)
        `scale` at the cell from which a row is kept.
    """

    factor: Floats
    scale: Floats
    entering: sparse.csr_array


def with_tail(likelihood: PartialLikelihood, factor: Floats, scale: Floats) -> PartialLikelihood:
    """Return the likelihood with rows of `scale` above 0 kept after their exit."""
    kept = np.flatnonzero(scale)
    shape = (likelihood.cells + 1, len(scale))
    entering = sparse.csr_array((scale[kept], (likelihood.last[kept], kept)), shape=shape)
    return replace(likelihood, tail=Tail(factor=factor, scale=scale, entering=entering))


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Moments:
    """Sums over the risk set of each step: of exp(x beta), of it times x, of it times x x'."""

    eta: Floats
    risk: Floats
    total: Floats
    sums: Floats
    size: int

    @property
    def mean(self) -> Floats:
        """Weighted mean of x in the risk set of each step, shape (s, p)."""
        return self.sums[:, : self.size] / self.total[:, None]

    def weighted_covariance(self, weight: Floats) -> Floats:
        """Return the sum over steps of weight times the covariance of x in the risk set."""
        mean = self.mean
        rows, cols = np.triu_indices(self.size)
        second = (weight / self.total) @ self.sums[:, self.size :]
        result = np.zeros((self.size, self.size))
        result[rows, cols] = second
        result[cols, rows] = second
        return result - mean.T @ (weight[:, None] * mean)


def partial_likelihood(
    *,
    x: Floats,
    entry: Times,
    exit_: Times,
    event: Flags,
    weight: Floats,
    stratum: Codes,
    ties: str,
) -> PartialLikelihood:
    """Lay rows out for the partial likelihood; risk sets are (entry, exit] within a stratum."""
    times = np.unique(exit_[event])
    width = len(times) + 1
    keys = np.unique(stratum[event] * width + np.searchsorted(times, exit_[event]))
    first = np.searchsorted(keys, stratum * width + np.searchsorted(times, entry, "right"))
    last = np.searchsorted(keys, stratum * width + np.searchsorted(times, exit_, "right"))
    own = np.maximum(last - 1, 0)
    n, m = len(exit_), len(keys)
    rows = np.arange(n)
    signs = np.concatenate([-np.ones(n), np.ones(n)])
    place = (np.concatenate([first, last]), np.concatenate([rows, rows]))
    deaths = np.flatnonzero(event)
    gone = sparse.csr_array((signs, place), shape=(m + 1, n))
    event_sum = sparse.csr_array((np.ones(len(deaths)), (own[deaths], deaths)), shape=(m, n))
    step_cell, step_share, step_weight = _steps(own[deaths], weight[deaths], m, ties)
    return PartialLikelihood(
        x=x,
        weight=weight,
        event=event,
        cell_stratum=keys // width,
        cell_time=times[keys % width] if m else times,
        first=first,
        last=last,
        own=own,
        step_cell=step_cell,
        step_share=step_share,
        step_weight=step_weight,
        ties=ties,
        _gone=gone,
        _event_sum=event_sum,
    )


def _steps(cell: Codes, weight: Floats, m: int, ties: str) -> tuple[Codes, Floats, Floats]:
    count = np.bincount(cell, minlength=m)
    total = np.asarray(np.bincount(cell, weight, m), dtype=float)
    if ties == "breslow":
        return np.arange(m, dtype=np.intp), np.zeros(m), total
    step_cell: Codes = np.repeat(np.arange(m, dtype=np.intp), count)
    start = np.cumsum(count) - count
    taken_out = np.arange(len(step_cell)) - start[step_cell]
    share: Floats = taken_out / count[step_cell]
    mean: Floats = (total / count)[step_cell]
    return step_cell, share, mean
