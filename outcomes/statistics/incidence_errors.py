"""Standard errors of cumulative incidences: by influences of clusters, or by the delta method."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from outcomes.statistics.lives import ClusterIntegrals, Codes, Lives, RiskTable, Times, searched
from outcomes.statistics.probability_limits import Floats

# For each name: the codes of the states it adds up, and whether "event free" is one of them.
Sums = Mapping[str, tuple[tuple[int, ...], bool]]

# A block of the clusters x times table holds at most this many numbers (32 MB).
_BLOCK = 4_000_000


def events_until(risk: RiskTable, times: Times, before: bool) -> Codes:
    """Return how many event times lie at or before each time, or short of it (`before`)."""
    return searched(risk.times, times, left=before)


def read_steps(curve: Floats, reach: Codes, start: float) -> Floats:
    """Read a step curve after the first `reach` event times."""
    return np.concatenate([[start], curve])[reach]


class InfluenceBlock:
    """Influences of every cluster at a block of times, for single and combined states."""

    def __init__(self, lives: Lives, risk: RiskTable, times: Times, *, before: bool) -> None:
        self._risk = risk
        self._integrals = ClusterIntegrals(lives, risk, times, before=before)
        self._reach = events_until(risk, times, before)
        self._any_event = self._integrals.of(risk.inverse, risk.inverse * risk.total)

    def influence(self, codes: tuple[int, ...], free: bool) -> Floats:
        """Return clusters x times influences of the summed states.

        The term (F(t) - F(v)) is split: its F(t) part is one integral for all states, and its F(v)
        part joins the state's own integral, so that a state costs one pass.
        """
        risk, picked = self._risk, list(codes)
        incidence = risk.incidence[picked].sum(axis=0)
        level = read_steps(incidence, self._reach, 0.0)
        if free:
            level = level + read_steps(risk.survival, self._reach, 1.0)
        result = -level * self._any_event
        if picked:
            ahead = risk.survival_before / risk.at_risk
            passed = incidence * risk.inverse
            jump = np.tile(passed, (len(risk.hazard), 1))
            jump[picked] += ahead
            drift = ahead * risk.hazard[picked].sum(axis=0) + passed * risk.total
            result += self._integrals.of(jump, drift)
        return result


def jackknife_errors(
    lives: Lives,
    risk: RiskTable,
    times: Times,
    sums: Sums,
    before: bool,
) -> dict[str, Floats]:
    """Return the infinitesimal jackknife's standard errors, block by block of times."""
    clusters = len(lives.clusters)
    width = max(1, _BLOCK // max(clusters, 1))
    variances: dict[str, list[Floats]] = {name: [] for name in sums}
    for start in range(0, len(times), width):
        block = InfluenceBlock(lives, risk, times[start : start + width], before=before)
        for name, (codes, free) in sums.items():
            influence = block.influence(codes, free)
            variances[name].append(np.einsum("ij,ij->j", influence, influence))
    lone = len(np.unique(lives.cluster)) < 2
    return {
        name: np.full(len(times), np.nan) if lone else np.sqrt(np.concatenate(parts))
        for name, parts in variances.items()
    }


def delta_method_errors(
    risk: RiskTable,
    times: Times,
    sums: Sums,
    before: bool,
    variance: str,
) -> dict[str, Floats]:
    """Return standard errors from the variances of the hazards, for independent rows.

    The gradient of P(t) at v is S(v-) 1[state is of the sum] - (P(t) - F(v)) / (1 - dL), with
    S part of P(t) where "event free" is in the sum. Its square is a polynomial in P(t), so three
    running sums serve all times.
    """
    reach = events_until(risk, times, before)
    rate = risk.inverse * risk.at_risk
    result = {}
    for name, (codes, free) in sums.items():
        own = risk.hazard[list(codes)].sum(axis=0)
        incidence = risk.incidence[list(codes)].sum(axis=0)
        level = read_steps(incidence, reach, 0.0)
        level = level + read_steps(risk.survival, reach, 1.0) if free else level
        inside = (risk.survival_before + incidence * rate, incidence * rate)
        both = (rate, rate)
        pieces = (
            _moment(risk, own, inside, inside, variance),
            _moment(risk, own, inside, both, variance),
            _moment(risk, own, both, both, variance),
        )
        a, b, c = (read_steps(np.cumsum(piece), reach, 0.0) for piece in pieces)
        result[name] = np.sqrt(np.maximum(a - 2 * level * b + level**2 * c, 0))
    return result


def _moment(
    risk: RiskTable,
    own: Floats,
    x: tuple[Floats, Floats],
    y: tuple[Floats, Floats],
    variance: str,
) -> Floats:
    """Return the covariance of two sums over the own and the other states' hazards.

    "greenwood" takes the events of one time as multinomial, "gray" the own and the other events
    as two independent hypergeometric counts.
    """
    other, n = risk.total - own, risk.at_risk
    if variance == "greenwood":
        mean_x, mean_y = x[0] * own + x[1] * other, y[0] * own + y[1] * other
        return (x[0] * y[0] * own + x[1] * y[1] * other - mean_x * mean_y) / n
    spread = [h * (1 - h) / np.maximum(n - 1, 1) for h in (own, other)]
    return x[0] * y[0] * spread[0] + x[1] * y[1] * spread[1]
