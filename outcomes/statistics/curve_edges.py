"""Where a curve has no estimate, standard error or limits, and the words for it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from outcomes.errors import EstimationError
from outcomes.statistics.lives import Lives, RiskTable, Times
from outcomes.statistics.probability_limits import Floats

# Below this a standard error is rounding around 0.
NO_SPREAD = 1e-13


def checked_times(times: npt.ArrayLike) -> Times:
    """Return times as a rising array without repeats; refuse none and non-finite ones."""
    asked = np.unique(np.atleast_1d(np.asarray(times, dtype=float)))
    if not len(asked) or not np.isfinite(asked).all():
        raise EstimationError(f"times {asked.tolist()}: one finite time or more is needed.")
    return asked


def unseen(lives: Lives, times: Times, survival: Floats) -> npt.NDArray[np.bool_]:
    """Whether nobody is under observation any more while the curve is not finished."""
    if not len(lives.exit):
        return np.ones(len(times), dtype=bool)
    return (times > lives.exit.max()) & (survival > 0)


def shown_error(estimate: Floats, error: Floats) -> Floats:
    """Return the standard errors that mean something: NaN at 0, at 1 and without any spread."""
    inside = (estimate > 0) & (estimate < 1)
    return np.where(inside & (error > NO_SPREAD), error, np.nan)


def row_notes(lives: Lives, estimate: Floats, std_error: Floats, clusters: int) -> list[str]:
    """Return for each value of a curve why it has no estimate, standard error or limits, or ""."""
    if not len(lives.exit):
        return ["not estimable: nobody at risk"] * len(estimate)
    last = f"{lives.exit.max():g}"
    notes = []
    for value, error in zip(estimate, std_error, strict=True):
        if np.isnan(value):
            notes.append(f"not estimable: nobody under observation after {last}")
        elif value in (0.0, 1.0):
            notes.append(f"no limits: the estimate is exactly {value:.0f}")
        elif np.isnan(error):
            unit = "cluster" if lives.clustered else "row"
            notes.append(
                f"no standard error from one {unit}"
                if clusters < 2
                else "no standard error: all clusters run the same course and show no spread"
            )
        else:
            notes.append("")
    return notes


def snapped(estimate: Floats) -> Floats:
    """Return probabilities with what is 0 or 1 but for rounding made exactly so."""
    near_one = np.where(estimate > 1 - NO_SPREAD, 1.0, estimate)
    return np.where(near_one < NO_SPREAD, 0.0, near_one)


def curve_note(lives: Lives, risk: RiskTable) -> str:
    """Say what holds for a whole curve under late entry: where nobody was at risk, or it ended."""
    parts = [_late_start(lives), _emptied(lives, risk), _gap(lives)]
    return "; ".join(part for part in parts if part)


def _late_start(lives: Lives) -> str:
    if not len(lives.entry) or lives.entry.min() <= 0:
        return ""
    return (
        f"nobody under observation up to {lives.entry.min():g}: the curve takes everybody as "
        "event free until then"
    )


def _gap(lives: Lives) -> str:
    order = np.argsort(lives.entry, kind="stable")
    entry, reached = lives.entry[order], np.maximum.accumulate(lives.exit[order])
    gaps = np.flatnonzero(entry[1:] > reached[:-1])
    if not len(gaps):
        return ""
    return (
        f"nobody under observation from {reached[gaps[0]]:g} to {entry[gaps[0] + 1]:g}: the curve "
        "is flat there for want of subjects"
    )


def _emptied(lives: Lives, risk: RiskTable) -> str:
    whole = np.flatnonzero(risk.total >= 1)
    if not len(whole):
        return ""
    when = risk.times[whole[0]]
    later = int((lives.exit > when).sum())
    if not later:
        return ""
    count = int(lives.number_at_risk(np.array([when]))[0])
    return (
        f"everybody at risk at {when:g} ({count}) had an event while {later} came under "
        "observation later: the curve ends there and says nothing of the later ones"
    )
