"""Of 100 sensors placed, how many reached planned removal, and what became of the others."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from outcomes.measures.sensor_ends import (
    DIED,
    EARLY_STATES,
    END_STATES,
    LOST_STATES,
    PLANNED,
    TOO_SOON,
    UNKNOWN,
    WORKING,
    patient_days,
)
from outcomes.statistics.clustered_rates import clustered_rate
from outcomes.statistics.competing_risks import (
    CumulativeIncidence,
    cumulative_incidence,
    difference,
)
from outcomes.statistics.lives import CENSORED, EVENT_FREE
from outcomes.statistics.rates import rate
from outcomes.statistics.survival import kaplan_meier
from outcomes.units import DAYS_PER_YEAR

REACHED: Final = "reached planned removal"
LOST: Final = "lost before the planned day"
EARLY: Final = "taken out early"
DIED_FIRST: Final = "patient died"
UNKNOWN_END: Final = "end not known"
HEADS: Final = (REACHED, LOST, EARLY, DIED_FIRST, UNKNOWN_END)  # these add to 100
KM_TITLE: Final = "still working, if none had been taken out early"
CHOICE_AS_LOSS: Final = "lost, if patient choice were a loss"
UNKNOWN_ALL: Final = "lost, if all unknown ends were losses"
UNKNOWN_NONE: Final = "lost, if no unknown end was a loss"
UNDATED_ALL: Final = "lost, if all undated losses to follow-up were losses"
UNDATED_NONE: Final = "lost, if no undated loss to follow-up was a loss"
LOST_BY: Final = "lost by then"
WELL_AT: Final = "still working or removed as planned by then"
RATE: Final = "losses per patient-year of wear"
RATE_CLUSTERED: Final = "losses per patient-year of wear, clustered by patient"

_GONE: Final = "gone"
_UNDATED: Final = "lost: undated"


@dataclass(frozen=True, kw_only=True)
class Horizon:
    """Where the curves are read: on the eve of the planned day.

    With one planned life the eve is a day. Several planned lives share the clock of the share of
    planned life, where the eve is the limit from below at 1, so that each life's own eve is in.
    """

    time: float
    before: bool
    pooled: bool

    @property
    def words(self) -> str:
        """The horizon as it stands in a record."""
        day = "pooled" if self.pooled else f"day {self.time:g}"
        return f"eve of the planned day ({day})"


def horizon(lives: pd.DataFrame) -> Horizon:
    """Return the horizon for sensors at risk: a day for one planned life, else the pooled clock."""
    planned = lives["planned_days"].unique()
    if len(planned) == 1:
        return Horizon(time=float(planned[0]) - 1, before=False, pooled=False)
    return Horizon(time=1.0, before=True, pooled=True)


def on_clock(lives: pd.DataFrame, at: Horizon) -> pd.DataFrame:
    """Return `patient_id`, `entry`, `exit`, `state` on the clock of the horizon."""
    scale = lives["planned_days"].astype(float) if at.pooled else 1.0
    still = lives["state"] == WORKING
    return pd.DataFrame(
        {
            "patient_id": lives["patient_id"],
            "entry": lives["entry"] / scale,
            "exit": lives["exit"] / scale,
            "state": lives["state"].where(~still, CENSORED),
        }
    )


def refusal(lives: pd.DataFrame) -> str:
    """Return in words why no share can be given for these sensors; "" where one can.

    A share needs sensors of two patients at least, one end, and one sensor that did not share it:
    without these its interval would say that the clinic knows everything.
    """
    n, patients = len(lives), lives["patient_id"].nunique()
    if n == 0:
        return "not estimable: no sensor at risk"
    if n == 1:
        return "not estimable: one sensor"
    if patients == 1:
        return f"not estimable: one patient wore all {n} sensors"
    reached = lives["exit"] >= lives["planned_days"]
    ended = lives["state"].isin(END_STATES) & (lives["state"] != PLANNED)
    if not ended.any():
        return (
            f"not estimable: none of {n} sensors ended before its planned day "
            f"({int(reached.sum())} were watched to it)"
        )
    if ended.all():
        return f"not estimable: all {n} sensors ended before their planned day{_until(lives)}"
    return ""


def _until(lives: pd.DataFrame) -> str:
    days = lives["exit"].unique()
    return f", all on day {days[0]}" if len(days) == 1 else f", the last on day {max(days)}"


def state_curve(
    lives: pd.DataFrame, *, times: Sequence[float] | None = None, at: Horizon | None = None
) -> CumulativeIncidence:
    """Return the shares in every end state, and in `HEADS`, on the clock of the horizon.

    Parameters
    ----------
    lives : DataFrame, one row per sensor at risk
        As `lives_in` returns it.
    times : sequence of numbers, optional
        On that clock, events at a time counted; by default the eve of the planned day alone.
    at : Horizon, optional
        By default that of the sensors.
    """
    at = at or horizon(lives)
    return cumulative_incidence(
        on_clock(lives, at), times=[at.time] if times is None else times,
        before=at.before and times is None, cluster="patient_id", states=END_STATES,
        combine={
            REACHED: [PLANNED, EVENT_FREE],
            LOST: list(LOST_STATES),
            EARLY: list(EARLY_STATES),
            DIED_FIRST: [DIED],
            UNKNOWN_END: [UNKNOWN],
            UNKNOWN_ALL: [*LOST_STATES, UNKNOWN],
            CHOICE_AS_LOSS: [*LOST_STATES, EARLY_STATES[0], TOO_SOON],
        },
    )  # fmt: skip


def shares(lives: pd.DataFrame, *, smallest_at_risk: int = 10) -> pd.DataFrame:
    """Return what became of 100 sensors placed, read on the eve of the planned day.

    Parameters
    ----------
    lives : DataFrame, one row per sensor at risk
        As `lives_in` returns it.
    smallest_at_risk : int
        With fewer at risk on the eve a note says so.

    Returns
    -------
    DataFrame, one row per quantity
        `quantity`, `reason`, `at`, `estimate`, `std_error`, `conf_low`, `conf_high` (fractions),
        `n_at_risk` (on the eve), `events` (up to it), `method`, `note`. The five of `HEADS` add
        to 1; then each reason of loss and of being taken out early that occurred, bounds for
        unknown ends and undated losses, patient choice (and removals told as planned, but too
        soon) counted as losses, and the Kaplan-Meier curve. None and a note where there is no
        estimate or no limit, and everywhere where `refusal` has a word.
    """
    at = horizon(lives)
    clock = on_clock(lives, at)
    curve = state_curve(lives, at=at)
    wanted = [(name, "", name) for name in HEADS]
    wanted += [(head, state.split(": ")[1], state) for head, state in _seen(clock)]
    rows = [
        _row(quantity, reason, curve.at(state, at.time), at, "Aalen-Johansen")
        for quantity, reason, state in wanted
    ]
    if (clock["state"] == UNKNOWN).any():
        for words, state in ((UNKNOWN_ALL, UNKNOWN_ALL), (UNKNOWN_NONE, LOST)):
            rows.append(_row(words, "", curve.at(state, at.time), at, "bound"))
    rows += _undated_bounds(lives, at)
    if clock["state"].isin([EARLY_STATES[0], TOO_SOON]).any():
        as_loss = curve.at(CHOICE_AS_LOSS, at.time)
        rows.append(_row(CHOICE_AS_LOSS, "", as_loss, at, "sensitivity, Aalen-Johansen"))
    rows.append(_kaplan_meier(clock, at))
    table = pd.DataFrame(rows)
    few = table["n_at_risk"] < smallest_at_risk
    words = "fewer than " + str(smallest_at_risk) + " sensors at risk on the eve"
    table.loc[few, "note"] = [f"{words}; {note}" if note else words for note in table["note"][few]]
    return _refused(table, refusal(lives))


def _seen(clock: pd.DataFrame) -> list[tuple[str, str]]:
    heads = [(LOST, state) for state in LOST_STATES] + [(EARLY, state) for state in EARLY_STATES]
    return [(head, state) for head, state in heads if (clock["state"] == state).any()]


def _refused(table: pd.DataFrame, why: str) -> pd.DataFrame:
    """Return the table without numbers that nobody should quote, the reason in their place."""
    if not why:
        return table
    blank = dict.fromkeys(("estimate", "std_error", "conf_low", "conf_high"))
    return table.assign(**blank, note=why)


def at_horizons(
    lives: pd.DataFrame, *, shares_of_life: Sequence[float], days: Sequence[int]
) -> pd.DataFrame:
    """Return the share lost, and the share still well, at earlier horizons.

    Parameters
    ----------
    lives : DataFrame, one row per sensor at risk
    shares_of_life : sequence of float
        Shares of planned life.
    days : sequence of int
        Days since placement; only those for which every sensor is planned for longer are read,
        so that no planned removal changes what a day means.

    Returns
    -------
    DataFrame, one row per horizon and quantity
        As `shares` returns it, for `WELL_AT` and `LOST_BY`; `at` names the horizon.
    """
    why = refusal(lives)
    pooled = Horizon(time=1.0, before=True, pooled=True)
    plain = Horizon(time=0.0, before=False, pooled=False)
    shortest = int(lives["planned_days"].min())
    asked = [(pooled, share, f"{100 * share:g} % of planned life") for share in shares_of_life]
    asked += [(plain, float(day), f"by day {day}") for day in days if day < shortest - 1]
    rows = []
    for clock in (pooled, plain):
        times = [time for one, time, _ in asked if one == clock]
        if not times:
            continue
        curve = state_curve(lives, times=times, at=clock)
        for one, time, words in asked:
            if one != clock:
                continue
            for quantity, state in ((WELL_AT, REACHED), (LOST_BY, LOST)):
                row = _row(quantity, "", curve.at(state, time), one, "Aalen-Johansen")
                rows.append({**row, "at": words})
    return _refused(pd.DataFrame(rows), why)


def population_difference(quarter: pd.DataFrame, cumulative: pd.DataFrame) -> pd.DataFrame:
    """Return how far the quarter's shares lie from the cumulative ones, patients in both once.

    Parameters
    ----------
    quarter, cumulative : DataFrame, one row per sensor at risk
        As `lives_in` returns them. The quarter's wear is part of the cumulative wear, so the two
        are correlated; the influences are subtracted within the patient before they are squared.

    Returns
    -------
    DataFrame, two rows (`REACHED` and `LOST`), or none where the two cannot be compared
        `quantity`, `at`, `estimate`, `std_error`, `conf_low`, `conf_high` (fractions), `note`.
    """
    if len(quarter) == 0 or len(cumulative) == 0 or refusal(quarter) or refusal(cumulative):
        return pd.DataFrame()
    lives = {int(days) for part in (quarter, cumulative) for days in part["planned_days"]}
    one = Horizon(time=float(min(lives)) - 1, before=False, pooled=False)
    at = one if len(lives) == 1 else Horizon(time=1.0, before=True, pooled=True)
    table = difference(
        state_curve(quarter, at=at), state_curve(cumulative, at=at), states=[REACHED, LOST]
    )
    return table.assign(quantity=table["state"], at=at.words)


def _row(
    quantity: str, reason: str, value: pd.Series, at: Horizon, method: str
) -> dict[str, object]:
    numbers = {
        name: None if pd.isna(value[name]) else float(value[name])
        for name in ("estimate", "std_error", "conf_low", "conf_high")
    }
    return {
        "quantity": quantity,
        "reason": reason,
        "at": at.words,
        **numbers,
        "n_at_risk": int(value["n_at_risk"]),
        "events": int(value["events"]),
        "method": f"{method}, infinitesimal jackknife by patient, log(-log) limits",
        "note": str(value["note"] or ""),
    }


def _undated_bounds(lives: pd.DataFrame, at: Horizon) -> list[dict[str, object]]:
    """Bound what became of sensors whose patient was lost: all lost that day, or none ever."""
    undated = lives["undated"]
    if not undated.any():
        return []
    lost = lives.assign(state=lives["state"].where(~undated, _UNDATED))
    working = lives.assign(exit=lives["exit"].where(~undated, lives["limit"]))
    rows = []
    for frame, words in (
        (lost, UNDATED_ALL),
        (working, UNDATED_NONE),
    ):
        curve = cumulative_incidence(
            on_clock(frame, at), times=[at.time], before=at.before, cluster="patient_id",
            combine={LOST: [*LOST_STATES, _UNDATED]}, states=[*END_STATES, _UNDATED],
        )  # fmt: skip
        rows.append(_row(words, "", curve.at(LOST, at.time), at, "bound"))
    return rows


def _kaplan_meier(clock: pd.DataFrame, at: Horizon) -> dict[str, object]:
    lost = clock["state"].isin(LOST_STATES)
    only = clock.assign(state=clock["state"].where(lost, CENSORED))
    curve = kaplan_meier(only, times=[at.time], before=at.before, cluster="patient_id")
    return _row(KM_TITLE, "", curve.table.iloc[0], at, "Kaplan-Meier")


def loss_rates(lives: pd.DataFrame) -> pd.DataFrame:
    """Return losses per patient-year of wear: the exact interval, and its clustered twin.

    Exposure ends when the sensor stopped, at its planned day or with the window; days of a
    patient under several sensors count once; a sensor placed and lost on one day gives half a day.

    Parameters
    ----------
    lives : DataFrame, one row per sensor at risk
        As `lives_in` returns it.

    Returns
    -------
    DataFrame, two rows
        `quantity`, `estimate`, `conf_low`, `conf_high` (per patient-year), `events`,
        `exposure` (patient-years), `std_error` (of the log rate, clustered row), `method`, `note`.
    """
    lost = lives["state"].isin(LOST_STATES)
    spans = pd.DataFrame(
        {
            "patient_id": lives["patient_id"],
            "from_on": lives["placed_on"] + pd.to_timedelta(lives["entry"].clip(lower=0), "D"),
            "to_on": lives["placed_on"] + pd.to_timedelta(lives["exit"], "D"),
            "half_day": lives["same_day"],
        }
    )
    years = patient_days(spans) / DAYS_PER_YEAR
    losses = lost.groupby(lives["patient_id"]).sum().reindex(years.index, fill_value=0)
    wear = pd.DataFrame({"patient_id": years.index, "losses": losses.to_numpy(), "years": years})
    total, events = float(years.sum()), int(losses.sum())
    exact = rate(events, total)
    twin = clustered_rate(wear, events="losses", exposure="years", cluster="patient_id")
    rows = [
        {
            "quantity": name, "estimate": shown.estimate, "conf_low": shown.conf_low,
            "conf_high": shown.conf_high, "events": events, "exposure": total,
            "std_error": error, "method": shown.method, "note": shown.note,
        }
        for name, shown, error in ((RATE, exact, None), (RATE_CLUSTERED, twin, twin.se_log))
    ]  # fmt: skip
    return pd.DataFrame(rows)


def reached_curve(lives: pd.DataFrame, *, smallest_at_risk: int) -> pd.DataFrame:
    """Return the share still working or removed as planned, day by day, as far as it is shown.

    Parameters
    ----------
    lives : DataFrame, one row per sensor at risk
    smallest_at_risk : int
        The curve stops at the last step with so many at risk.

    Returns
    -------
    DataFrame, one row per step
        `time` (days, or share of planned life where several lives are pooled), `estimate`,
        `conf_low`, `conf_high` (fractions), `n_at_risk`; empty where fewer are at risk at once.
    """
    at = horizon(lives)
    clock = on_clock(lives, at)
    kept = clock["state"].isin([CENSORED, PLANNED])
    clock = clock.assign(state=clock["state"].where(kept, _GONE))
    stops = clock.loc[clock["exit"] < at.time + (0 if at.before else 1), "exit"]
    times = np.unique(np.concatenate([[0.0], stops.to_numpy(dtype=float), [at.time]]))
    curve = cumulative_incidence(
        clock, times=times, cluster="patient_id", states=[PLANNED, _GONE],
        combine={REACHED: [PLANNED, EVENT_FREE]},
    ).table  # fmt: skip
    shown = curve.loc[(curve["state"] == REACHED) & (curve["n_at_risk"] >= smallest_at_risk)]
    if at.pooled:
        shown = shown.loc[shown["time"] < 1]
    columns = ["time", "estimate", "conf_low", "conf_high", "n_at_risk"]
    return shown[columns].reset_index(drop=True)
