"""Observed against expected events of units, by the hazard of the others of their class.

The hazard is that of the class at each age, with the unit left out of it: a bad unit must not set
the standard that it is held against. Ages are whole steps of a grid, so that ties are no matter.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.statistics.probability_limits import normal_quantile
from outcomes.statistics.reference_tails import tail_beside

__all__ = ["UnitLives", "clustered_ratio", "drawn_events", "frailty_variance", "left_out",
           "left_out_each"]  # fmt: skip

Floats = npt.NDArray[np.float64]
Codes = npt.NDArray[np.intp]


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class UnitLives:
    """Lives of devices on a grid of ages, each of a unit, a stratum of the class and a cluster.

    Attributes
    ----------
    first, last : array of codes of shape (n,)
        At risk at the steps `first` to `last`, both within 0 to `steps` - 1.
    until : array of codes of shape (n,)
        Last step at which the device could have been watched; at least `last`.
    event : array of bool of shape (n,)
        Whether the event came at `last`.
    unit, stratum, cluster : array of codes of shape (n,)
    steps, units, strata, clusters : int
    """

    first: Codes
    last: Codes
    until: Codes
    event: npt.NDArray[np.bool_]
    unit: Codes
    stratum: Codes
    cluster: Codes
    steps: int
    units: int
    strata: int
    clusters: int

    def counted(self, *, last: Codes | None = None,
                event: npt.NDArray[np.bool_] | None = None) -> tuple[Floats, Floats]:  # fmt: skip
        """Return events and devices at risk, arrays of shape (..., units, strata, steps).

        `last` and `event` of shape (..., n) take the place of the devices' own: one drawing, or
        many at once.
        """
        end = self.last if last is None else last
        hit = self.event if event is None else event
        draws = end.shape[:-1]
        shape = (*draws, self.units, self.strata, self.steps)
        drawing = np.arange(int(np.prod(draws))).reshape(*draws, 1) * int(np.prod(shape[-3:]))
        cell = (self.unit * self.strata + self.stratum) * self.steps + drawing
        return _counted(cell + self.first, cell + end, hit, shape)

    def of_some(
        self, which: npt.NDArray[np.bool_], *, last: Codes, event: npt.NDArray[np.bool_]
    ) -> tuple[Floats, Floats]:
        """Return what `counted` does for some devices together, arrays of shape (strata, steps)."""
        cell = self.stratum[which] * self.steps
        places = cell + self.first[which], cell + last[which]
        return _counted(*places, event[which], (self.strata, self.steps))

    @cached_property
    def clusters_seen(self) -> int:
        """How many clusters have a device."""
        return len(np.unique(self.cluster))

    @cached_property
    def hazard(self) -> Floats:
        """Events per device at risk of all units together, an array of shape (strata, steps)."""
        events, at_risk = (a.sum(axis=0) for a in self.counted())
        return np.where(at_risk > 0, events / np.where(at_risk > 0, at_risk, 1.0), 0.0)

    @cached_property
    def log_survival(self) -> Floats:
        """Minus the log of survival to each step, an array of shape (strata, steps + 1)."""
        return _summed(-np.log1p(-np.minimum(self.hazard, 0.999)))


def _counted(
    first: Codes, last: Codes, event: npt.NDArray[np.bool_], shape: tuple[int, ...]
) -> tuple[Floats, Floats]:
    """Return events and devices at risk, from the places in `shape` where each begins and ends."""
    begins, ends, events = (
        np.bincount(places.ravel(), minlength=int(np.prod(shape))).reshape(shape)
        for places in (first, last, last[event])
    )
    gone = ends.cumsum(axis=-1) - ends
    return events.astype(float), (begins.cumsum(axis=-1) - gone).astype(float)


def _summed(hazard: Floats) -> Floats:
    """Return the hazard summed over the steps before each, from 0."""
    return np.concatenate([np.zeros((len(hazard), 1)), hazard.cumsum(axis=1)], axis=1)


def left_out(events: Floats, at_risk: Floats) -> pd.DataFrame:
    """Return observed and expected events of each unit, the unit left out of its class.

    Parameters
    ----------
    events, at_risk : array of shape (units, strata, steps)
        As `UnitLives.counted` returns them.

    Returns
    -------
    DataFrame, one row per unit
        `observed`, `expected` (both at ages at which others of the class were watched), `others`
        (events of the class that carry the expectation: squared expectation over its variance),
        `unwatched` (events at ages without a class), `tail`: probability of so many or more if
        the unit is like its class, given what is known of the class.

    Notes
    -----
    Expected = sum over steps of the unit's devices at risk times the hazard of the others
    (Nelson-Aalen). Given the sum of both, the unit's events are binomial with E / (E + m) for m
    events of the class: exact up to the rounding of m. Where the class had no event, the shares of
    the time at risk take the place of E and m.

    Examples
    --------
    Two units of 4 devices watched for two steps; one loses 2, the other 1:

    >>> events = np.array([[[1.0, 1.0]], [[0.0, 1.0]]])
    >>> at_risk = np.array([[[4.0, 3.0]], [[4.0, 4.0]]])
    >>> left_out(events, at_risk)[["observed", "expected"]].round(3).to_numpy().tolist()
    [[2.0, 0.75], [1.0, 2.333]]
    """
    return pd.DataFrame(left_out_each(events, at_risk))


def left_out_each(events: Floats, at_risk: Floats) -> dict[str, Floats]:
    """Return what `left_out` tells, for many drawings at once.

    Parameters
    ----------
    events, at_risk : array of shape (..., units, strata, steps)

    Returns
    -------
    dict of column to array of shape (..., units)
    """
    others = events.sum(axis=-3, keepdims=True) - events
    watched = at_risk.sum(axis=-3, keepdims=True) - at_risk
    known = watched > 0
    with np.errstate(all="ignore"):
        hazard = np.where(known, others / watched, 0.0)
        spread = np.where(known, at_risk**2 * others / watched**2, 0.0)
    axes = (-2, -1)
    observed = np.where(known, events, 0.0).sum(axis=axes)
    expected = (at_risk * hazard).sum(axis=axes)
    variance = spread.sum(axis=axes)
    carried = np.floor(expected**2 / np.where(variance > 0, variance, 1.0) + 1e-9)
    exposure = np.where(known, at_risk, 0.0).sum(axis=axes)
    beside = watched.sum(axis=axes)
    some = carried > 0
    tail = tail_beside(
        observed, np.where(some, expected, exposure), carried, np.where(some, carried, beside),
        kind="rate",
    )  # fmt: skip
    return {
        "observed": observed, "expected": expected, "others": carried,
        "unwatched": events.sum(axis=axes) - observed,
        "tail": np.where(known.any(axis=axes), tail, 1.0),
    }  # fmt: skip


def clustered_ratio(
    lives: UnitLives, unit: int, *, level: float = 0.95, last: Codes | None = None,
    event: npt.NDArray[np.bool_] | None = None,
) -> tuple[float | None, float | None, float | None]:  # fmt: skip
    """Return observed over expected of one unit with limits by cluster, on the log scale.

    Returns
    -------
    (ratio, low, high)
        All None where the unit or its class had no event; limits None with one cluster.

    Notes
    -----
    The influence of a cluster on the log of the ratio is its observed less fitted events over the
    unit's events, less the same in the class: who wears devices of both is counted once. Times
    G / (G - 1).
    """
    end = lives.last if last is None else last
    hit = lives.event if event is None else event
    mine = lives.unit == unit
    others, watched = lives.of_some(~mine, last=end, event=hit)
    hazard = np.where(watched > 0, others / np.where(watched > 0, watched, 1.0), 0.0)
    total = _summed(hazard)
    expected = total[lives.stratum, end + 1] - total[lives.stratum, lives.first]
    counted = hit & (watched[lives.stratum, end] > 0)
    observed, fitted = float(counted[mine].sum()), float(expected[mine].sum())
    beside = float(counted[~mine].sum())
    if observed == 0 or fitted == 0 or beside == 0:
        return None, None, None
    ratio = observed / fitted
    scale = np.where(mine, ratio, 1.0)
    influence = (counted - scale * expected) / np.where(mine, observed, -beside)
    by_cluster = np.bincount(lives.cluster, influence, minlength=lives.clusters)
    seen = lives.clusters_seen
    if seen < 2:
        return ratio, None, None
    error = float(np.sqrt((by_cluster**2).sum() * seen / (seen - 1)))
    reach = normal_quantile(level) * error
    return ratio, ratio * float(np.exp(-reach)), ratio * float(np.exp(reach))


def frailty_variance(lives: UnitLives) -> float:
    """Return the variance of the clusters' own factors on the hazard, by moments; 0 or more.

    Of clusters with expectation e and n events under one hazard for all, E (n - e)^2 is
    e + v e^2 when the factors have mean 1 and variance v. Where an event ends the device and many
    have one, this is too small.
    """
    total = _summed(lives.hazard)
    expected = total[lives.stratum, lives.last + 1] - total[lives.stratum, lives.first]
    e = np.bincount(lives.cluster, expected, minlength=lives.clusters)
    n = np.bincount(lives.cluster, lives.event, minlength=lives.clusters)
    squared = float((e**2).sum())
    return max(0.0, float(((n - e) ** 2 - e).sum()) / squared) if squared > 0 else 0.0


def drawn_events(
    lives: UnitLives, *, variance: float, rng: np.random.Generator
) -> tuple[Codes, npt.NDArray[np.bool_]]:
    """Draw when every device has its event if all units are like their class.

    One hazard for each stratum, a gamma factor of mean 1 for each cluster, everything watched as
    it was: devices that ended for another reason are censored there, devices with an event could
    have been watched until `until`.

    Returns
    -------
    (last, event) : arrays of shape (n,)
    """
    factor = np.ones(lives.clusters)
    if variance > 0:
        factor = rng.gamma(1 / variance, variance, lives.clusters)
    wait = rng.exponential(size=len(lives.last)) / np.maximum(factor[lives.cluster], 1e-12)
    longest = np.where(lives.event, lives.until, lives.last)
    last, event = longest.copy(), np.zeros(len(longest), bool)
    for stratum in range(lives.strata):
        mine = np.flatnonzero(lives.stratum == stratum)
        total = lives.log_survival[stratum]
        step = np.searchsorted(total, total[lives.first[mine]] + wait[mine], "left") - 1
        hit = step <= longest[mine]
        event[mine] = hit
        last[mine] = np.where(hit, step, longest[mine])
    return last, event
