"""Of 100 sensors placed, how many reached planned removal, and what became of the others."""

from __future__ import annotations

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
    UNKNOWN,
    WORKING,
    patient_days,
)
from outcomes.statistics.competing_risks import cumulative_incidence
from outcomes.statistics.lives import CENSORED, EVENT_FREE
from outcomes.statistics.rates import clustered_rate, rate
from outcomes.statistics.survival import kaplan_meier
from outcomes.units import DAYS_PER_YEAR

REACHED: Final = "reached planned removal"
LOST: Final = "lost before the planned day"
EARLY: Final = "taken out early"
DIED_FIRST: Final = "patient died"
UNKNOWN_END: Final = "end not known"
HEADS: Final = (REACHED, LOST, EARLY, DIED_FIRST, UNKNOWN_END)  # these add to 100
KM_TITLE: Final = "still working, if none had been taken out early"
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
        return "eve of the planned day (pooled)" if self.pooled else f"day {self.time:g}"


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
        to 1; then each reason of loss that occurred, bounds for unknown ends and undated losses,
        and the Kaplan-Meier curve. None and a note where there is no estimate or no limit.
    """
    at = horizon(lives)
    clock = on_clock(lives, at)
    seen = [state for state in LOST_STATES if (clock["state"] == state).any()]
    combine = {
        REACHED: [PLANNED, EVENT_FREE],
        LOST: list(LOST_STATES),
        EARLY: list(EARLY_STATES),
        DIED_FIRST: [DIED],
        UNKNOWN_END: [UNKNOWN],
        "lost or unknown": [*LOST_STATES, UNKNOWN],
    }
    curve = cumulative_incidence(
        clock, times=[at.time], before=at.before, cluster="patient_id",
        combine=combine, states=END_STATES,
    )  # fmt: skip
    wanted = [(name, "", name) for name in HEADS]
    wanted += [(LOST, state.removeprefix("lost: "), state) for state in seen]
    rows = [
        _row(quantity, reason, curve.at(state, at.time), at, "Aalen-Johansen")
        for quantity, reason, state in wanted
    ]
    if (clock["state"] == UNKNOWN).any():
        all_lost = curve.at("lost or unknown", at.time)
        rows.append(_row("lost, if all unknown ends were losses", "", all_lost, at, "bound"))
        none_lost = curve.at(LOST, at.time)
        rows.append(_row("lost, if no unknown end was a loss", "", none_lost, at, "bound"))
    rows += _undated_bounds(lives, at)
    rows.append(_kaplan_meier(clock, at))
    table = pd.DataFrame(rows)
    few = table["n_at_risk"] < smallest_at_risk
    words = "fewer than " + str(smallest_at_risk) + " sensors at risk on the eve"
    table.loc[few, "note"] = [f"{words}; {note}" if note else words for note in table["note"][few]]
    return table


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
        (lost, "lost, if all undated losses to follow-up were losses"),
        (working, "lost, if no undated loss to follow-up was a loss"),
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
