"""How each sensor's time ended, and the days it gave to a window: pure rules on frames."""

from __future__ import annotations

from datetime import date
from typing import Final

import numpy as np
import pandas as pd

from outcomes.cohorts.follow_up import LOST as PATIENT_LOST
from outcomes.plan import SensorSurvival
from outcomes.tables.declared import LOSS_REASONS

WORKING: Final = "working at planned day"
PLANNED: Final = "planned within grace"
DIED: Final = "died"
UNKNOWN: Final = "unknown"
CENSORED: Final = "censored"
SET_ASIDE: Final = "set aside: ended before placement"
TOO_SOON: Final = "early: planned too soon"
LOST_STATES: Final = tuple(f"lost: {reason}" for reason in LOSS_REASONS)
EARLY_STATES: Final = ("early: patient choice", "early: medical need", TOO_SOON)
WORN: Final = ("from_on", "to_on")
EVER: Final = 10_000_000  # days, more than any date is old
END_STATES: Final = (*LOST_STATES, *EARLY_STATES, PLANNED, DIED, UNKNOWN)

_STATE_OF_REASON: Final = {
    **dict(zip(LOSS_REASONS, LOST_STATES, strict=True)),
    "patient choice": EARLY_STATES[0],
    "medical need": EARLY_STATES[1],
    "death": DIED,
}


def end_states(
    sensors: pd.DataFrame,
    *,
    cut_off: date,
    rules: SensorSurvival,
    died: pd.Series | None = None,
    follow_up: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Return how each sensor's time ended, up to its planned day.

    A sensor's time ends on the day it stopped, else the day it was removed, else with its
    patient's death. The reason decides, not the date: losses count on any day before the planned
    day; a removal as planned counts as planned from the grace before that day, and as taken out
    early (flagged) before it. What happens on or after the planned day is no loss any more.

    Parameters
    ----------
    sensors : DataFrame, one row per sensor
        As declared, up to the cut-off.
    cut_off : date
    rules : SensorSurvival
        The plan's section.
    died : Series of dates, optional
        Indexed by `patient_id`, up to the cut-off.
    follow_up : DataFrame, one row per patient, optional
        `patient_id`, `follow_up_to`, `follow_up_end`. A sensor without an end whose patient is
        lost is followed until the patient was (`undated`): nobody knows what became of it.

    Returns
    -------
    DataFrame, one row per sensor, in the order given
        The sensor's own columns and `day` (days since placement, at most the planned day),
        `state`, `ended` (before the planned day), `flagged` (planned, but too soon), `undated`,
        `end_from` ("stopped", "removed", "death" or None), `days_beyond` (after the planned day).
        A sensor that ended before it was placed has the state "set aside: ended before
        placement" and belongs in no figure.
    """
    ends = sensors.reset_index(drop=True).copy()
    ends["end_on"], ends["end_from"] = _end_day(ends, died)
    planned = ends["planned_days"].astype("int64")
    at_cut_off = (pd.Timestamp(cut_off) - ends["placed_on"]).dt.days
    end_day = (ends["end_on"] - ends["placed_on"]).dt.days
    last, undated = _last_day_watched(ends, at_cut_off, follow_up)
    reached = end_day.fillna(last)
    ends["state"] = _state(ends, end_day, last, planned, rules)
    ends["day"] = np.minimum(reached, planned).astype("int64")
    ends["ended"] = end_day.notna() & ends["state"].isin(END_STATES)
    ends["flagged"] = ends["state"] == TOO_SOON
    ends["undated"] = undated & end_day.isna() & (ends["state"] == CENSORED)
    ends["days_beyond"] = np.maximum(reached - planned, 0).astype("int64")
    return ends


def _end_day(ends: pd.DataFrame, died: pd.Series | None) -> tuple[pd.Series, pd.Series]:
    """Return the day each sensor's time ended and where that day comes from."""
    end = ends["stopped_on"].fillna(ends["removed_on"])
    source = np.select(
        [ends["stopped_on"].notna(), ends["removed_on"].notna()], ["stopped", "removed"], default=""
    )
    origin = pd.Series(source, index=ends.index, dtype=object)
    if died is not None:
        death = pd.to_datetime(ends["patient_id"].map(died))
        # Nobody wears a sensor after death, so a later removal is not its end.
        by_death = death.notna() & (end.isna() | (end > death)) & (death >= ends["placed_on"])
        end = end.where(~by_death, death)
        origin = origin.where(~by_death, "death")
    return end, origin.where(origin != "", None)


def _last_day_watched(
    ends: pd.DataFrame, at_cut_off: pd.Series, follow_up: pd.DataFrame | None
) -> tuple[pd.Series, pd.Series]:
    """Return the last day on which a sensor without an end was watched, and whether it is undated.

    A reason without a day leaves only the placement as a day on which the sensor surely worked.
    """
    no_day = ends["end_reason"].notna()
    last = at_cut_off.where(~no_day, 0)
    if follow_up is None:
        return last, no_day
    lost = follow_up.loc[follow_up["follow_up_end"] == PATIENT_LOST].set_index("patient_id")
    is_lost = ends["patient_id"].isin(lost.index)
    seen_to = pd.to_datetime(ends["patient_id"].map(lost["follow_up_to"]))
    watched = (seen_to - ends["placed_on"]).dt.days.fillna(0).clip(lower=0)
    return last.where(~is_lost | no_day, np.minimum(watched, at_cut_off)), no_day | is_lost


def _state(
    ends: pd.DataFrame,
    end_day: pd.Series,
    last: pd.Series,
    planned: pd.Series,
    rules: SensorSurvival,
) -> pd.Series:
    reason = ends["end_reason"].where(ends["end_from"] != "death", "death")
    grace = ends["kind"].map(lambda kind: _grace_before(kind, rules))
    is_planned = reason == "planned"
    mapped = reason.map(_STATE_OF_REASON).fillna(UNKNOWN)
    state = np.select(
        [
            end_day < 0,
            end_day.isna() & (last >= planned),
            end_day.isna(),
            end_day >= planned,
            is_planned & (end_day >= planned - grace),
            is_planned,
        ],
        [SET_ASIDE, WORKING, CENSORED, WORKING, PLANNED, TOO_SOON],
        default=mapped.to_numpy(dtype=object),
    )
    return pd.Series(state, index=ends.index, dtype=object)


def _grace_before(kind: object, rules: SensorSurvival) -> int:
    return 0 if pd.isna(kind) else rules.grace_before_days(str(kind))


def lives_in(ends: pd.DataFrame, *, first_on: date, last_on: date) -> pd.DataFrame:
    """Return what each sensor gave to a window of days: at risk from when, until when, how ended.

    Parameters
    ----------
    ends : DataFrame, one row per sensor
        As `end_states` returns it.
    first_on, last_on : date
        Both days belong to the window.

    Returns
    -------
    DataFrame, one row per sensor at risk in the window
        The columns of `ends`, and `entry`, `exit` (days since placement; at risk in (entry,
        exit]), `limit` (until when it could have been watched), `same_day`, `exposure_days`. A
        sensor placed inside the window enters at -1, so that day 0 counts; one in place before
        it enters on the day before it, so that quarters add to the year. The -1 is the clock of
        the risk set alone: exposure begins at placement. A sensor placed and ended on one day
        gives half a day.
    """
    first, last = pd.Timestamp(first_on), pd.Timestamp(last_on)
    usable = (ends["state"] != SET_ASIDE) & (ends["placed_on"] <= last)
    rows = ends.loc[usable].copy()
    inside = rows["placed_on"] >= first
    before = (first - rows["placed_on"]).dt.days - 1
    limit = (last - rows["placed_on"]).dt.days
    rows["entry"] = before.where(~inside, -1).astype("int64")
    rows["exit"] = np.minimum(rows["day"], limit).astype("int64")
    rows["limit"] = np.minimum(rows["planned_days"].astype("int64"), limit).astype("int64")
    cut = rows["day"] > limit
    rows["state"] = rows["state"].where(~cut, CENSORED)
    rows["ended"] = rows["ended"] & ~cut
    rows["undated"] = rows["undated"] & ~cut
    rows = rows.loc[rows["exit"] > rows["entry"]].reset_index(drop=True)
    rows["same_day"] = rows["ended"] & (rows["exit"] == 0)
    half = 0.5 * rows["same_day"]
    rows["exposure_days"] = (rows["exit"] - rows["entry"].clip(lower=0) + half).astype(float)
    return rows


def patient_days(spans: pd.DataFrame) -> pd.Series:
    """Return the days of each patient, days under several sensors counted once.

    Parameters
    ----------
    spans : DataFrame, one row per sensor
        `patient_id`, `from_on` (its day does not count), `to_on` (its day counts), `half_day`
        (placed and ended on that one day, which then counts as half a day).

    Returns
    -------
    Series of float, indexed by patient_id, in days

    Examples
    --------
    >>> spans = pd.DataFrame({"patient_id": ["P1", "P1"], "half_day": [False, False],
    ...     "from_on": pd.to_datetime(["2024-01-01", "2024-01-06"]),
    ...     "to_on": pd.to_datetime(["2024-01-11", "2024-01-16"])})
    >>> patient_days(spans).tolist()
    [15.0]
    """
    rows = spans.sort_values(["patient_id", "from_on", "to_on"], ignore_index=True)
    patient, ids = pd.factorize(rows["patient_id"])
    start, end = (rows[name].to_numpy("datetime64[D]").astype(np.int64) for name in WORN)
    # The latest end so far of the same patient: one running maximum, a step up at each patient.
    step = patient * EVER
    reached = np.r_[0, (np.maximum.accumulate(end + step) - step)[:-1]]
    first = np.r_[True, patient[1:] != patient[:-1]][: len(patient)]
    start = np.where(first, start, np.maximum(start, reached))
    whole = np.bincount(patient, np.maximum(end - start, 0), minlength=len(ids))
    days = pd.Series(whole, index=pd.Index(ids, name="patient_id"), dtype=float)
    if not rows["half_day"].any():
        return days
    return days.add(_half_days(rows), fill_value=0.0)


def _half_days(rows: pd.DataFrame) -> pd.Series:
    """Half a day for each single day on which no other sensor of the patient was worn.

    By patient, of those who had such a day.
    """
    single = rows.loc[rows["half_day"], ["patient_id", "to_on"]].drop_duplicates()
    both = single.merge(rows, on="patient_id", suffixes=("", "_other"))
    covered = (both["from_on"] < both["to_on"]) & (both["to_on_other"] >= both["to_on"])
    alone = ~covered.groupby([both["patient_id"], both["to_on"]]).any()
    return 0.5 * alone.groupby(level=0).sum()
