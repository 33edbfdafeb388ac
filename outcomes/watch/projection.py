"""How many removals and replacements to expect in the coming weeks, from sensors in place."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from matplotlib.axes import Axes

from outcomes.cohorts.build import CohortSet
from outcomes.cohorts.follow_up import CUT_OFF
from outcomes.figures.style import FAINT, INK, SHADES
from outcomes.measures.replacements import BEFORE, DEAD, OPEN, after_the_end, timeliness
from outcomes.measures.sensor_ends import END_STATES, LOST_STATES, PLANNED, lives_in
from outcomes.measures.sensor_survival import sensor_ends_of
from outcomes.measures.words import one_sentence
from outcomes.results import Record, Result, Show, number
from outcomes.units import counted

KIND: Final = "implanted"
DUE: Final = "planned removals"
LOST: Final = "lost before the planned day"
EARLY: Final = "taken out early"
AGAIN: Final = "placed again"
QUANTITIES: Final = (DUE, LOST, EARLY, AGAIN)
LEVEL: Final = 0.95
LONGEST_DELAY: Final = 90  # days from a removal within which a placement is a replacement

Floats = npt.NDArray[np.float64]


def projection(cohorts: CohortSet) -> Result:
    """How many implanted sensors will come out, and be placed again, in the coming weeks?

    Parameters
    ----------
    cohorts : CohortSet

    Returns
    -------
    Result
        `.table` has one row per week or quarter and quantity: `over` ("week" or "quarter"),
        `number`, `first_on`, `last_on`, `quantity`, `estimate` (mean), `conf_low`, `conf_high`
        (95 % limits of prediction, whole numbers), `in_place` (sensors behind it). Planned removals
        on the day expected, losses and other early ends, replacements of those that came out.

    Notes
    -----
    From the implanted sensors in place at the cut-off, of patients not lost. Each draw takes the
    clinic's patients anew: hazards of losses and of other early ends by share of planned life,
    since the plan's start, times one factor a planned life (its ends over those expected, one
    added to both, so that a new life begins at the old one's hazard). Every sensor in place lives
    on from its age; those that reach their planned day get a delay of planned removals seen so
    far, and every end the time to the next sensor of the kind, or none, as seen so far. A
    sensor further past its planned day than any that was removed is on the overdue list and not
    projected. Patients who will have their first sensor are not in it, nor what becomes of
    sensors placed after the cut-off.
    """
    rules = cohorts.plan.sensor_survival
    place, periods = in_place(cohorts), _periods(cohorts)
    seen = _seen(cohorts)
    waiting = int((place["planned_left"] <= 0).sum())
    refusal = _refusal(place, seen)
    rng = np.random.default_rng([cohorts.plan.plan.seed, 7])
    counts = None if refusal else _counts(place, seen, periods, rules.projection_draws, rng)
    table = pd.DataFrame(list(_rows(counts, periods, len(place), refusal)))
    answer = _finding(table, len(place), refusal, cohorts)
    return Result(
        name="projection",
        title="How many removals and replacements are to come?",
        table=table,
        entries=[_record(row) for row in table.to_dict("records")],
        finding=answer,
        caption=(
            f"Implanted sensors in place on {cohorts.cut_off}: mean and 95 % limits of prediction "
            "of what happens to them in each coming week and quarter."
        ),
        footnotes=[
            f"Of {counted(len(place), 'sensor')} in place {waiting} are past their "
            "planned day already: "
            "they are expected as late as others came out, and none so late is on the overdue list "
            "instead. Patients who will have their first sensor "
            "come on top, and so do sensors placed after the cut-off.",
            "Every sensor lives on from its age by the clinic's own losses; limits hold the chance "
            "of that and what is not known of the curve. They are for planning slots: an actual "
            "count outside them is a question, no verdict.",
        ],
        settings={
            "weeks": str(rules.projected_weeks), "quarters": str(rules.projected_quarters),
            "draws of patients": str(rules.projection_draws),
        },
        show=_SHOW,
        summary=None if refusal else _summary(table),
        drawing=None if refusal else partial(_draw, rows=table),
        alt=f"Expected counts by week with limits of prediction. {answer}",
        height=2.8,
    )  # fmt: skip


_SHOW = {"quantity": Show("What"), "note": Show("Note")}


@dataclass(frozen=True, kw_only=True)
class Period:
    """One coming week or quarter, in days after the cut-off."""

    over: str
    number: int
    first: int
    last: int
    cut_off: pd.Timestamp

    @property
    def first_on(self) -> str:
        """Its first day."""
        return str((self.cut_off + pd.Timedelta(days=self.first)).date())

    @property
    def last_on(self) -> str:
        """Its last day."""
        return str((self.cut_off + pd.Timedelta(days=self.last)).date())


def _periods(cohorts: CohortSet) -> list[Period]:
    rules, cut_off = cohorts.plan.sensor_survival, pd.Timestamp(cohorts.cut_off)
    found = [
        Period(over="week", number=n + 1, first=7 * n + 1, last=7 * n + 7, cut_off=cut_off)
        for n in range(rules.projected_weeks)
    ]
    quarter, first = cohorts.quarter, 1
    for n in range(rules.projected_quarters):
        quarter = quarter.next()
        last = (pd.Timestamp(cohorts.plan.cut_off(quarter)) - cut_off).days
        found.append(Period(over="quarter", number=n + 1, first=first, last=last, cut_off=cut_off))
        first = last + 1
    return found


def in_place(cohorts: CohortSet) -> pd.DataFrame:
    """Return the implanted sensors in place at the cut-off, of patients still followed.

    Returns
    -------
    DataFrame, one row per sensor
        `sensor_id`, `patient_id`, `planned_days`, `age` (days), `planned_left` (days, 0 or less
        past the planned day).
    """
    sensors = cohorts.table("sensors")
    followed = cohorts.follow_up.set_index("patient_id")["follow_up_end"] == CUT_OFF
    still = sensors["removed_on"].isna() & sensors["stopped_on"].isna() & (
        sensors["end_reason"].isna()
    )  # fmt: skip
    known = sensors["patient_id"].map(followed).fillna(value=False).astype(bool)
    rows = sensors.loc[still & known & (sensors["kind"] == KIND)].reset_index(drop=True)
    age = (pd.Timestamp(cohorts.cut_off) - rows["placed_on"]).dt.days.astype(int)
    planned = rows["planned_days"].astype(int)
    return rows[["sensor_id", "patient_id"]].assign(
        planned_days=planned, age=age, planned_left=planned - age
    )


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Seen:
    """What the clinic's implanted sensors did so far.

    Attributes
    ----------
    grid : array of shape (steps,)
        Ages as shares of planned life.
    risk, lost, early : array of shape (patients, steps)
        Sensors at risk at each step, and ends at it.
    by_life : mapping of planned days to two such arrays
        Sensors at risk, and ends of both kinds, of one planned life.
    late : array
        Days of planned removals after (or before) the planned day.
    delay, delay_early : array
        Days to the next sensor of the kind, NaN where there was none: from a removal on or after
        the planned day, and from an end before it (an implanted sensor is removed some days after
        it failed).
    """

    grid: Floats
    risk: Floats
    lost: Floats
    early: Floats
    by_life: Mapping[float, tuple[Floats, Floats]]
    late: Floats
    delay: Floats
    delay_early: Floats


def _seen(cohorts: CohortSet) -> Seen:
    ends = sensor_ends_of(cohorts)
    ends = ends.loc[ends["kind"] == KIND]
    lives = lives_in(ends, first_on=cohorts.plan.plan.start, last_on=cohorts.cut_off)
    planned = lives["planned_days"].to_numpy(float)
    shares = [np.arange(int(d) + 1) / d for d in np.unique(planned)]
    grid = np.unique(np.round(np.concatenate([np.zeros(1), *shares]), 9))
    who, patients = pd.factorize(lives["patient_id"])
    first = np.searchsorted(grid, np.round(lives["entry"] / planned, 9), "right")
    last = np.searchsorted(grid, np.round(lives["exit"] / planned, 9), "left")
    shape = (max(len(patients), 1), len(grid))

    def at(step: Any, rows: Any) -> Floats:
        cell = np.asarray(who * shape[1] + step)[np.asarray(rows, bool)]
        return np.bincount(cell, minlength=shape[0] * shape[1]).reshape(shape).astype(float)

    def at_risk(rows: Any) -> Floats:
        ended = at(last, rows)
        return at(first, rows).cumsum(axis=1) - (ended.cumsum(axis=1) - ended)

    state = lives["state"]
    losses = state.isin(LOST_STATES)
    others = state.isin(END_STATES) & ~losses & (state != PLANNED)
    late = timeliness(cohorts.table("sensors"), cohorts.plan.sensor_survival)
    late = late.loc[(late["kind"] == KIND) & (late["when"] != BEFORE)]  # before: ended early
    delay, delay_early = _delays(cohorts)
    return Seen(
        grid=grid,
        risk=at_risk(np.ones(len(lives), bool)), lost=at(last, losses), early=at(last, others),
        by_life={
            float(life): (at_risk(planned == life), at(last, (losses | others) & (planned == life)))
            for life in np.unique(planned)
        },
        late=late["late_days"].to_numpy(float),
        delay=delay, delay_early=delay_early,
    )  # fmt: skip


def _delays(cohorts: CohortSet) -> tuple[Floats, Floats]:
    """Return the delays after removals as planned, and after earlier ends; all for both if none."""
    sensors = cohorts.table("sensors")
    died = cohorts.table("patients").set_index("patient_id")["died_on"]
    over = after_the_end(sensors, within_days=LONGEST_DELAY, cut_off=cohorts.cut_off, died=died)
    over = over.loc[(over["kind"] == KIND) & ~over["next"].isin([OPEN, DEAD])]
    stopped = over["stopped_on"].fillna(over["over_on"])
    worked = (stopped - over["placed_on"]).dt.days
    early = (over["end_reason"] != "planned") & (worked < over["planned_days"].astype(int))
    over = over.assign(end_on=over["over_on"].where(~early, stopped))
    later = sensors.loc[sensors["kind"] == KIND, ["patient_id", "placed_on"]]
    pairs = over[["sensor_id", "patient_id", "placed_on", "over_on", "end_on"]].merge(
        later, on="patient_id", suffixes=("", "_next")
    )
    after_removal = (pairs["placed_on_next"] - pairs["over_on"]).dt.days
    follows = (pairs["placed_on_next"] > pairs["placed_on"]) & (after_removal <= LONGEST_DELAY)
    days = (pairs["placed_on_next"] - pairs["end_on"]).dt.days
    first = days[follows].groupby(pairs.loc[follows, "sensor_id"]).min()
    found = over["sensor_id"].map(first).to_numpy(float)
    parts = found[~early.to_numpy(bool)], found[early.to_numpy(bool)]
    return parts if all(map(len, parts)) else (found, found)


def _refusal(place: pd.DataFrame, seen: Seen) -> str:
    if place.empty:
        return "not estimable: no implanted sensor is in place"
    if len(seen.risk) < 2 or not len(seen.late) or not len(seen.delay):
        return "not estimable: too few implanted sensors have come out to tell how it goes on"
    return ""


def _counts(
    place: pd.DataFrame, seen: Seen, periods: list[Period], draws: int, rng: np.random.Generator
) -> dict[str, Floats]:
    """Return counts of each quantity, arrays of shape (draws, periods)."""
    found = {name: np.zeros((draws, len(periods))) for name in QUANTITIES}
    patients = len(seen.risk)
    weights = rng.multinomial(patients, np.full(patients, 1 / patients), draws).astype(float)
    risk, lost, early = (weights @ part for part in (seen.risk, seen.lost, seen.early))
    with np.errstate(all="ignore"):
        hazard = np.where(risk > 0, (lost + early) / risk, 0.0)
        of_losses = np.where(lost + early > 0, lost / (lost + early), 0.0)
    forces = -np.log1p(-np.minimum(hazard, 0.999))
    total = np.concatenate([np.zeros((draws, 1)), forces.cumsum(axis=1)], axis=1)
    ratio = np.ones((draws, len(place)))
    for life, (life_risk, life_ends) in seen.by_life.items():
        expected = ((weights @ life_risk) * hazard).sum(axis=1)
        scale = (1 + (weights @ life_ends).sum(axis=1)) / (1 + expected)
        ratio[:, place["planned_days"].to_numpy(float) == life] = scale[:, None]
    planned, age = place["planned_days"].to_numpy(float), place["age"].to_numpy(float)
    start = np.searchsorted(seen.grid, np.round(age / planned, 9), "right")
    for draw in range(draws):
        target = total[draw, start] + rng.exponential(size=len(place)) / ratio[draw]
        step = np.minimum(np.searchsorted(total[draw], target, "left") - 1, len(seen.grid))
        ends = step < len(seen.grid)
        step = np.where(ends, step, 0)
        share = seen.grid[step]
        early_end = ends & (share < 1) & (age < planned)
        is_lost = early_end & (rng.random(len(place)) < of_losses[draw, step])
        removed = np.where(early_end, np.ceil(share * planned - 1e-6) - age, planned - age)
        removed = np.where(early_end, removed, removed + _lateness(planned - age, seen.late, rng))
        removed = np.maximum(removed, 1)
        again = removed + np.where(
            early_end,
            rng.choice(seen.delay_early, len(place)),
            rng.choice(seen.delay, len(place)),
        )
        when = {
            DUE: (removed, ~early_end), LOST: (removed, is_lost),
            EARLY: (removed, early_end & ~is_lost), AGAIN: (again, ~np.isnan(again)),
        }  # fmt: skip
        for name, (day, which) in when.items():
            for column, period in enumerate(periods):
                inside = (day >= period.first) & (day <= period.last) & which
                found[name][draw, column] = inside.sum()
    return found


def _lateness(left: Floats, late: Floats, rng: np.random.Generator) -> Floats:
    """Days after the planned day, more than it is past already; endless where none was so late."""
    drawn = rng.choice(late, len(left))
    for place in np.flatnonzero(left + drawn < 1):
        possible = late[left[place] + late >= 1]
        drawn[place] = rng.choice(possible) if len(possible) else np.inf
    return np.asarray(drawn, dtype=float)


# --- words and picture ---------------------------------------------------------------------------


def _rows(
    counts: dict[str, Floats] | None, periods: list[Period], in_place: int, refusal: str
) -> Iterator[dict[str, Any]]:
    for column, period in enumerate(periods):
        for name in QUANTITIES:
            row: dict[str, Any] = {
                "over": period.over, "number": period.number, "first_on": period.first_on,
                "last_on": period.last_on, "quantity": name, "estimate": None, "conf_low": None,
                "conf_high": None, "in_place": in_place, "note": refusal or None,
            }  # fmt: skip
            if counts is not None:
                drawn = counts[name][:, column]
                tail = (1 - LEVEL) / 2
                row["estimate"] = float(drawn.mean())
                row["conf_low"] = float(np.quantile(drawn, tail, method="inverted_cdf"))
                row["conf_high"] = float(np.quantile(drawn, 1 - tail, method="inverted_cdf"))
                row["conf_low"] = min(row["conf_low"], row["estimate"])
                row["conf_high"] = max(row["conf_high"], row["estimate"])
            yield row


def _record(row: dict[str, Any]) -> Record:
    return Record(
        outcome="projection", quantity=row["quantity"], population="cumulative", cohort=KIND,
        at=f"{row['over']} {row['number']}, {row['first_on']} to {row['last_on']}",
        estimate=row["estimate"], conf_low=row["conf_low"], conf_high=row["conf_high"],
        n_units=row["in_place"], unit="sensors", method="simulation, limits of prediction",
        note=row["note"],
    )  # fmt: skip


def _text(row: pd.Series) -> str:
    return (
        f"{number(row['estimate'])} ({number(row['conf_low'], 0)} to {number(row['conf_high'], 0)})"
    )


def _summary(table: pd.DataFrame) -> pd.DataFrame:
    lines = []
    for (over, count), rows in table.groupby(["over", "number"], sort=False):
        first = rows.iloc[0]
        cells = {row["quantity"]: _text(row) for _, row in rows.iterrows()}
        lines.append(
            {"When": f"{over} {count}: {first['first_on']} to {first['last_on']}", **cells}
        )
    return pd.DataFrame(lines)


def _finding(table: pd.DataFrame, in_place: int, refusal: str, cohorts: CohortSet) -> str:
    if refusal:
        return one_sentence([refusal])
    quarter = table.loc[(table["over"] == "quarter") & (table["number"] == 1)]
    told = {row["quantity"]: _text(row) for _, row in quarter.iterrows()}
    return one_sentence(
        [
            f"of {counted(in_place, 'implanted sensor')} in place on {cohorts.cut_off}, "
            f"{told[DUE]} planned removals, {told[LOST]} losses and {told[AGAIN]} replacements are "
            f"expected up to {quarter['last_on'].iloc[0]} (95 % limits of prediction)"
        ]
    )


def _draw(ax: Axes, *, rows: pd.DataFrame) -> None:
    weeks = rows.loc[rows["over"] == "week"]
    looks = {DUE: (INK, "o", -0.2), AGAIN: (FAINT, "s", 0.0), LOST: (SHADES[-1], "D", 0.2)}
    for name, (colour, marker, shift) in looks.items():
        mine = weeks.loc[weeks["quantity"] == name]
        x, y = mine["number"].to_numpy(float) + shift, mine["estimate"].to_numpy(float)
        ax.vlines(x, mine["conf_low"], mine["conf_high"], color=colour, linewidth=1.4)
        ax.plot(x, y, marker, color=colour, markersize=5, label=name)
    ax.set_xlabel(f"coming week (n = {counted(int(rows['in_place'].max()), 'sensor')} in place)")
    ax.set_ylabel("sensors")
    ax.set_ylim(bottom=0)
    ax.set_xticks(weeks["number"].unique())
    ax.legend(frameon=False, fontsize="small", loc="upper left", bbox_to_anchor=(1, 1))
