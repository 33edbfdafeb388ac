"""Mean cumulative number of recurrent events, with late entry, repeated subjects and death.

Answers "how many complications has a patient had on average by day t", where a patient can have
several, enters late, leaves early, or dies and then has no more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from outcomes.errors import EstimationError, known_names
from outcomes.statistics.checks import check_columns, finite
from outcomes.statistics.students_t import check_level

__all__ = [
    "MeanCumulativeCount",
    "MeanCumulativeDifference",
    "mean_cumulative_count",
    "mean_cumulative_difference",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class MeanCumulativeCount:
    """Mean cumulative counts at the times asked for.

    Attributes
    ----------
    table : DataFrame, one row a group and time
        `group` (when groups were asked for), `time`, `at_risk` (just before the events at the
        time), `events` (up to and at the time), `estimate`, `std_error`, `conf_low`, `conf_high`,
        `note`.
    influence : dict of DataFrame, one a group
        Influence of each independent unit (rows) on the estimate at each time (columns); their
        squares add up to the variance.
    method : str
    confidence_level : float
    """

    table: pd.DataFrame
    influence: dict[str, pd.DataFrame]
    method: str
    confidence_level: float


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class MeanCumulativeDifference:
    """Difference of mean cumulative counts between two groups.

    Attributes
    ----------
    table : DataFrame, one row a time
        `time`, `estimate` (group less reference), `std_error`, `conf_low`, `conf_high`, `p_value`,
        `note`.
    group, reference : str
    confidence_level : float
    """

    table: pd.DataFrame
    group: str
    reference: str
    confidence_level: float


def mean_cumulative_count(
    spells: pd.DataFrame,
    *,
    subject: str,
    at: list[float],
    group: str | None = None,
    cluster: str | None = None,
    origin: float = 0.0,
    confidence_level: float = 0.95,
) -> MeanCumulativeCount:
    """Estimate the mean number of events per subject by each time.

    Parameters
    ----------
    spells : DataFrame, one row a subject and interval under observation
        `entry` and `exit` (one clock; at risk when entry < t <= exit, so a subject observed from
        the start enters at -1 for an event at time 0 to count), `events` (count at `exit`), and
        optionally `died` (true where the interval ends in death). The columns named by `subject`,
        `group` and `cluster`.
    subject : str
        Column that names the subject.
    at : list of float
        Times at which to report.
    group : str, optional
        Column that splits the subjects; each group is estimated apart.
    cluster : str, optional
        Column of the independent unit, where that is wider than the subject.
    origin : float, default 0
        Time from which counting starts.
    confidence_level : float, default 0.95
        Two-sided level; intervals are normal on the log scale.

    Returns
    -------
    MeanCumulativeCount
        Beyond the last observation, before the first, and across a time when nobody is observed
        there is no estimate, with a note; without visible spread there are no limits.

    Raises
    ------
    EstimationError
        A column or value is missing, `exit` is not after `entry`, a count is negative or
        fractional, intervals of one subject overlap, or a subject is observed after its death.

    Notes
    -----
    With Y(u) subjects at risk, dN(u) events and S the Kaplan-Meier probability of being alive, the
    estimate is the sum of S(u-) dN(u) / Y(u); without deaths S is 1 and this is the Nelson-Aalen
    form. The dead stay in the denominator with no further events; they are not censored, which
    would answer the question what happened if nobody died. The variance is the infinitesimal
    jackknife summed by subject (or cluster): valid when one subject's events go together, where
    the usual Nelson-Aalen variance is too small.

    Events of one time share one risk set. Programs that break such ties one after another let the
    risk set shrink within a day and give larger values.

    References
    ----------
    .. [1] Lawless JF, Nadeau C. Some simple robust methods for the analysis of recurrent events.
       Technometrics 1995;37:158-168.
    .. [2] Ghosh D, Lin DY. Nonparametric analysis of recurrent events and death. Biometrics
       2000;56:554-562.

    Examples
    --------
    >>> spells = pd.DataFrame({"patient": ["a", "a", "b", "c"], "entry": [0, 2, 0, 0],
    ...                        "exit": [2, 9, 5, 9], "events": [1, 0, 1, 0]})
    >>> shown = mean_cumulative_count(spells, subject="patient", at=[2, 6]).table
    >>> shown["estimate"].round(4).tolist()
    [0.3333, 0.6667]
    """
    level, times = check_level(confidence_level), finite("at", at)
    _check_spells(spells, subject, group, cluster)
    unit = cluster or subject
    tables, influence = [], {}
    for name, part in _groups(spells, group):
        table, pulls = _curve(part, subject, unit, times, origin, level)
        if group is not None:
            table.insert(0, "group", name)
        tables.append(table)
        influence[name] = pulls
    return MeanCumulativeCount(
        table=pd.concat(tables, ignore_index=True),
        influence=influence,
        method="mean cumulative count, infinitesimal jackknife by " + unit,
        confidence_level=level,
    )


def _groups(spells: pd.DataFrame, group: str | None) -> list[tuple[str, pd.DataFrame]]:
    if group is None:
        return [("all", spells)]
    return [(str(k), part) for k, part in spells.groupby(group, sort=True, observed=True)]


def _check_spells(
    spells: pd.DataFrame, subject: str, group: str | None, cluster: str | None
) -> None:
    optional = [c for c in (group, cluster) if c is not None]
    died = ["died"] if "died" in spells.columns else []
    check_columns(spells, "entry", "exit", "events", subject, *optional, *died)
    if spells.empty:
        raise EstimationError("spells: no rows. Report that there was nobody under observation.")
    entry, exit_ = finite("entry", spells["entry"]), finite("exit", spells["exit"])
    events = finite("events", spells["events"])
    _refuse(spells, subject, exit_ <= entry, "do not end after they begin")
    _refuse(spells, subject, (events < 0) | (events != np.floor(events)), "count no whole events")
    keys = [subject] if group is None else [subject, group]
    ordered = spells.assign(entry=entry, exit=exit_).sort_values([*keys, "entry", "exit"])
    previous = ordered.groupby(keys, observed=True)["exit"].shift().to_numpy()
    _refuse(ordered, subject, ordered["entry"].to_numpy() < previous, "overlap the one before")
    if died:
        dead = ordered["died"].astype(bool)
        earlier = dead.groupby([ordered[k] for k in keys], observed=True).cumsum() - dead
        _refuse(ordered, subject, earlier.to_numpy() > 0, "begin after the subject's death")


def _refuse(spells: pd.DataFrame, subject: str, wrong: NDArray[np.bool_], what: str) -> None:
    if wrong.any():
        first = spells[subject].to_numpy()[wrong][0]
        raise EstimationError(
            f"spells: {int(wrong.sum())} of {len(spells)} intervals {what} (first: {first}). "
            "Correct the dates, or join the intervals of one subject."
        )


def _curve(
    spells: pd.DataFrame, subject: str, unit: str, times: Floats, origin: float, level: float
) -> tuple[pd.DataFrame, pd.DataFrame]:
    steps = _Steps.of(spells)
    codes, labels = pd.factorize(spells[unit], sort=True)
    estimates = np.array([steps.estimate(t) for t in times])
    pulls = np.zeros((len(labels), len(times)))
    for column, t in enumerate(times):
        pulls[:, column] = np.bincount(codes, steps.influence(t), len(labels))
    errors = np.sqrt((pulls**2).sum(axis=0))
    table = pd.DataFrame(
        {
            "time": times,
            "at_risk": steps.at_risk(times),
            "events": [int(steps.events[steps.exit <= t].sum()) for t in times],
            "estimate": estimates,
            "std_error": errors,
        }
    )
    table["note"] = [steps.gap(t, origin) for t in times]
    table.loc[table["note"] != "", ["estimate", "std_error"]] = np.nan
    # Errors that are rounding only: every unit had the same course, or none had an event.
    flat = (table["note"] == "") & ~(errors > 1e-12 * np.maximum(estimates, 1e-300))
    table.loc[flat, "std_error"] = np.nan
    table.loc[flat, "note"] = "no variation between subjects: limits not estimable by this method"
    z = float(stats.norm.ppf((1 + level) / 2))
    reach = np.exp(z * table["std_error"] / table["estimate"].where(table["estimate"] > 0))
    table.insert(5, "conf_low", table["estimate"] / reach)
    table.insert(6, "conf_high", table["estimate"] * reach)
    return table, pd.DataFrame(pulls, index=labels, columns=times)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Steps:
    """The jumps of one group: risk sets, event and death hazards at each distinct time."""

    entry: Floats
    exit: Floats
    events: Floats
    died: NDArray[np.bool_]
    times: Floats
    alive: Floats
    risk: Floats
    hazard: Floats
    death_hazard: Floats
    mean: Floats

    @classmethod
    def of(cls, spells: pd.DataFrame) -> _Steps:
        entry, exit_ = spells["entry"].to_numpy(float), spells["exit"].to_numpy(float)
        events = spells["events"].to_numpy(float)
        died = (
            spells["died"].to_numpy(bool)
            if "died" in spells.columns
            else np.zeros(len(spells), dtype=bool)
        )
        times = np.unique(exit_[(events > 0) | died])
        place = np.searchsorted(times, exit_)
        counted = place < len(times)
        place, here = place[counted], exit_[counted] == times[place[counted]]
        risk = _at_risk(entry, exit_, times).astype(float)
        hazard = np.bincount(place, events[counted] * here, len(times)) / risk
        death_hazard = np.bincount(place, (died[counted] & here).astype(float), len(times)) / risk
        alive = np.r_[1.0, np.cumprod(1 - death_hazard)][:-1]
        return cls(
            entry=entry,
            exit=exit_,
            events=events,
            died=died,
            times=times,
            alive=alive,
            risk=risk,
            hazard=hazard,
            death_hazard=death_hazard,
            mean=np.cumsum(alive * hazard),
        )

    def at_risk(self, times: Floats) -> NDArray[np.int64]:
        return _at_risk(self.entry, self.exit, times)

    def estimate(self, t: float) -> float:
        steps = int(np.searchsorted(self.times, t, "right"))
        return float(self.mean[steps - 1]) if steps else 0.0

    def influence(self, t: float) -> Floats:
        """Return the derivative of the estimate at t in the weight of each interval.

        An interval pulls at its own events, at every step it is at risk for, and through the
        probability of being alive at later events.
        """
        steps = int(np.searchsorted(self.times, t, "right"))
        if steps == 0:
            return np.zeros(len(self.exit))
        own = np.minimum(np.searchsorted(self.times, self.exit), steps - 1)
        jumps = (self.exit <= t) & (self.times[own] == self.exit)
        first = np.minimum(np.searchsorted(self.times, self.entry, "right"), steps)
        last = np.minimum(np.searchsorted(self.times, self.exit, "right"), steps)
        per_event = (self.alive / self.risk)[:steps]
        # Where everybody at risk dies nothing follows, so that step has no later events to change.
        survived = np.maximum(self.risk * (1 - self.death_hazard), 1e-300)[:steps]
        later = (self.mean[steps - 1] - self.mean[:steps]) / survived
        later[self.death_hazard[:steps] > 1 - 1e-12] = 0.0
        seen = np.r_[0.0, np.cumsum(per_event * self.hazard[:steps])]
        lived = np.r_[0.0, np.cumsum(later * self.death_hazard[:steps])]
        pull = jumps * (per_event[own] * self.events - later[own] * self.died)
        return pull - (seen[last] - seen[first]) + (lived[last] - lived[first])

    def gap(self, t: float, origin: float) -> str:
        """Say why there is no estimate at t; empty when there is one."""
        if t > self.exit.max():
            return f"not estimable: nobody was observed after {self.exit.max():g}"
        if self.entry.min() > origin:
            return f"not estimable: nobody was observed before {self.entry.min():g}"
        leaving = np.unique(self.exit[self.exit < t])
        still = np.searchsorted(np.sort(self.entry), leaving, "right") - np.searchsorted(
            np.sort(self.exit), leaving, "right"
        )
        empty = leaving[still == 0]
        return f"not estimable: nobody was observed just after {empty[0]:g}" if empty.size else ""


def _at_risk(entry: Floats, exit_: Floats, times: Floats) -> NDArray[np.int64]:
    entered = np.searchsorted(np.sort(entry), times, "left")
    return np.asarray(entered - np.searchsorted(np.sort(exit_), times, "left"), dtype=np.int64)


def mean_cumulative_difference(
    spells: pd.DataFrame,
    *,
    subject: str,
    group: str,
    reference: str,
    at: list[float],
    cluster: str | None = None,
    origin: float = 0.0,
    confidence_level: float = 0.95,
) -> MeanCumulativeDifference:
    """Estimate how many more events a subject of one group has had than one of the reference.

    Parameters
    ----------
    spells, subject, at, cluster, origin, confidence_level
        As in `mean_cumulative_count`.
    group : str
        Column with two groups.
    reference : str
        The group that is subtracted.

    Returns
    -------
    MeanCumulativeDifference
        Normal interval on the plain scale. A subject in both groups is one unit: its influence on
        the difference is squared as a whole.

    Raises
    ------
    EstimationError
        Not two groups, or `reference` is none of them; else as `mean_cumulative_count`.
    """
    counts = mean_cumulative_count(
        spells,
        subject=subject,
        at=at,
        group=group,
        cluster=cluster,
        origin=origin,
        confidence_level=confidence_level,
    )
    names = list(counts.influence)
    if reference not in names:
        raise EstimationError(known_names("group", reference, names))
    if len(names) != 2:
        raise EstimationError(f"column {group}: {len(names)} groups; a difference needs two.")
    other = next(name for name in names if name != reference)
    return MeanCumulativeDifference(
        table=_difference(counts, other, reference),
        group=other,
        reference=reference,
        confidence_level=counts.confidence_level,
    )


def _difference(counts: MeanCumulativeCount, other: str, reference: str) -> pd.DataFrame:
    ours, theirs = (
        counts.table[counts.table["group"] == name].reset_index(drop=True)
        for name in (other, reference)
    )
    pulls = counts.influence[other].sub(counts.influence[reference], fill_value=0.0)
    error = np.sqrt((pulls.to_numpy() ** 2).sum(axis=0))
    estimate = ours["estimate"] - theirs["estimate"]
    # Subjects with the same course in both groups cancel but for rounding.
    known = estimate.notna().to_numpy() & (error > 1e-12 * np.maximum(ours["estimate"], 1e-300))
    error = np.where(known, error, np.nan)
    half = float(stats.norm.ppf((1 + counts.confidence_level) / 2)) * error
    return pd.DataFrame(
        {
            "time": ours["time"],
            "estimate": estimate,
            "std_error": error,
            "conf_low": estimate - half,
            "conf_high": estimate + half,
            "p_value": 2 * stats.norm.sf(np.abs(estimate) / error),
            "note": np.where(known, "", "not estimable: " + ours["note"] + " " + theirs["note"]),
        }
    )
