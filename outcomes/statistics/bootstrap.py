"""Resampling people, by counts on matrices that are built once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from outcomes.errors import EstimationError
from outcomes.statistics.students_t import check_level

Floats = NDArray[np.float64]

# Above this share of failed draws the rest is no longer a sample of what could have happened.
_MOST_FAILED = 0.1
_CELLS = 1_000_000  # of a table of draws by rows made at once


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Bootstrap:
    """Draws of one or more statistics, and how many could not be computed.

    Attributes
    ----------
    draws : ndarray, shape (draws that worked, number of statistics)
    n_draws, n_failed : int
    note : str or None
        Why no interval is given, or how many draws failed.
    """

    draws: Floats
    n_draws: int
    n_failed: int
    note: str | None

    def interval(
        self, which: int = 0, confidence_level: float = 0.95
    ) -> tuple[float, float] | tuple[None, None]:
        """Percentile interval, or (None, None) where too many draws failed."""
        check_level(confidence_level)
        if self.n_failed > _MOST_FAILED * self.n_draws:
            return None, None
        tail = (1 - confidence_level) / 2
        low, high = np.quantile(self.draws[:, which], [tail, 1 - tail])
        return float(low), float(high)

    def std_error(self, which: int = 0) -> float | None:
        """Standard deviation of the draws, or None where too many failed."""
        if self.n_failed > _MOST_FAILED * self.n_draws:
            return None
        return float(self.draws[:, which].std(ddof=1))


def patient_bootstrap(
    statistic: Callable[[Floats], Floats],
    *,
    units: NDArray[np.intp],
    n_draws: int = 1000,
    rng: np.random.Generator,
) -> Bootstrap:
    """Refit everything on multinomial counts of the independent units.

    Parameters
    ----------
    statistic : callable
        Row counts (draws, n) to statistics (draws, q), NaN where they do not exist in a draw. It
        must refit every model the estimate rests on, started at the full-sample answer.
    units : ndarray of int, shape (n,)
        Number of the independent unit (person) of each row, 0 to G - 1.
    n_draws : int, default 1000
    rng : numpy Generator

    Raises
    ------
    EstimationError
        Fewer than two units or draws.

    References
    ----------
    .. [1] Efron B, Tibshirani RJ. An Introduction to the Bootstrap, 1993, chapters 6 and 13.

    Examples
    --------
    >>> values = np.arange(10.0)
    >>> done = patient_bootstrap(lambda c: (c @ values / c.sum(axis=1))[:, None],
    ...                          units=np.arange(10), n_draws=200, rng=np.random.default_rng(1))
    >>> done.n_failed, bool(done.interval()[0] < 4.5 < done.interval()[1])
    (0, True)
    """
    n_units = int(units.max()) + 1
    if n_units < 2 or n_draws < 2:
        raise EstimationError(f"A bootstrap needs two units and draws; got {n_units}, {n_draws}.")
    even = np.full(n_units, 1 / n_units)
    at_once = max(1, _CELLS // len(units))
    found = []
    for begin in range(0, n_draws, at_once):
        drawn = rng.multinomial(n_units, even, size=min(at_once, n_draws - begin))
        found.append(statistic(drawn[:, units].astype(np.float64)))
    draws = np.concatenate(found)
    draws = draws[np.isfinite(draws).all(axis=1)]
    n_failed = n_draws - len(draws)
    note = None
    if n_failed > _MOST_FAILED * n_draws:
        note = f"{n_failed} of {n_draws} draws could not be fitted: no interval."
    elif n_failed:
        note = f"{n_failed} of {n_draws} draws could not be fitted and were left out."
    return Bootstrap(draws=draws, n_draws=n_draws, n_failed=n_failed, note=note)
