"""What followed an offer and an end: re-placed, on time, overdue. Pure rules on frames."""

from __future__ import annotations

from datetime import date
from typing import Final

import numpy as np
import pandas as pd

from outcomes.cohorts.follow_up import DIED, LOST
from outcomes.plan import SensorSurvival

SAME: Final = "same kind placed again"
OTHER: Final = "other kind"
NONE: Final = "no sensor"
DEAD: Final = "died before"
OPEN: Final = "window not closed"
BEFORE: Final = "before the grace"
WITHIN: Final = "within the grace"
AFTER: Final = "after the grace"
OVERDUE: Final = "overdue"
IN_BODY: Final = "stopped, still in the body"
LOST_WITH: Final = "past its planned day, patient lost"
NO_REASON: Final = "not recorded"


def ended(sensors: pd.DataFrame) -> pd.DataFrame:
    """Return the sensors that are over, with `over_on` (removed, else stopped) and `reason`."""
    over = sensors["removed_on"].fillna(sensors["stopped_on"])
    rows = sensors.assign(over_on=over, reason=sensors["end_reason"].fillna(NO_REASON))
    return rows.loc[over.notna() & (over >= rows["placed_on"])].reset_index(drop=True)


def after_the_end(
    sensors: pd.DataFrame, *, within_days: int, cut_off: date, died: pd.Series
) -> pd.DataFrame:
    """Return what each ended sensor's patient wore next, within some days of the removal.

    Parameters
    ----------
    sensors : DataFrame, one row per sensor
        As declared, up to the cut-off; all of a patient, of either kind.
    within_days : int
        The last of these days is within.
    cut_off : date
    died : Series of dates
        Indexed by `patient_id`.

    Returns
    -------
    DataFrame, one row per ended sensor
        The sensor's columns, `over_on`, `closes_on` and `next`: `SAME`, `OTHER`, `NONE`, `DEAD`
        (before a re-placement, so that it leaves the denominator) or `OPEN` (the window had not
        closed by the cut-off; whoever was re-placed early waits like the others).

    Notes
    -----
    Counted from the removal, else the stop. A sensor that was placed before the other came out,
    and is still worn, followed it too.
    """
    rows = ended(sensors)
    rows["closes_on"] = rows["over_on"] + pd.Timedelta(days=within_days)
    pairs = rows[["sensor_id", "patient_id", "kind", "placed_on", "over_on", "closes_on"]].merge(
        sensors.assign(until=sensors["removed_on"].fillna(sensors["stopped_on"]))[
            ["sensor_id", "patient_id", "kind", "placed_on", "until"]
        ],
        on="patient_id", suffixes=("", "_next"),
    )  # fmt: skip
    follows = (
        (pairs["sensor_id"] != pairs["sensor_id_next"])
        & (pairs["placed_on_next"] > pairs["placed_on"])
        & (pairs["placed_on_next"] <= pairs["closes_on"])
        & ~(pairs["until"] < pairs["over_on"])
    )
    next_one = pairs.loc[follows]
    same = set(next_one.loc[next_one["kind_next"] == next_one["kind"], "sensor_id"])
    other = set(next_one.loc[next_one["kind_next"] != next_one["kind"], "sensor_id"])
    death = pd.to_datetime(rows["patient_id"].map(died))
    rows["next"] = np.select(
        [
            rows["closes_on"] > pd.Timestamp(cut_off),
            rows["sensor_id"].isin(same),
            death <= rows["closes_on"],
            rows["sensor_id"].isin(other),
        ],
        [OPEN, SAME, DEAD, OTHER],
        default=NONE,
    )
    return rows


def timeliness(sensors: pd.DataFrame, rules: SensorSurvival) -> pd.DataFrame:
    """Return the planned removals, and whether each lay before, within or after the grace.

    Judged on the removal, whenever the sensor stopped; a removal for any other reason is none of
    them, on whatever day.

    Returns
    -------
    DataFrame, one row per removal with reason *planned*
        The sensor's columns, `late_days` (after the planned day; negative: before) and `when`.
    """
    planned = (sensors["end_reason"] == "planned") & sensors["removed_on"].notna()
    rows = sensors.loc[planned & sensors["kind"].notna()].reset_index(drop=True)
    worn = (rows["removed_on"] - rows["placed_on"]).dt.days
    late = worn - rows["planned_days"].astype("int64")
    before = rows["kind"].map(lambda kind: -rules.grace_before_days(str(kind)))
    after = rows["kind"].map(lambda kind: rules.grace_after_days(str(kind)))
    when = np.select([late < before, late > after], [BEFORE, AFTER], default=WITHIN)
    return rows.assign(late_days=late, when=when)


def past_planned_day(
    sensors: pd.DataFrame, *, cut_off: date, follow_up: pd.DataFrame
) -> pd.DataFrame:
    """Return the sensors without a recorded removal that somebody has to ask about.

    Parameters
    ----------
    sensors : DataFrame, one row per sensor
    cut_off : date
    follow_up : DataFrame, one row per patient
        `patient_id`, `follow_up_end`.

    Returns
    -------
    DataFrame, one row per sensor
        `sensor_id`, `patient_id`, `kind`, `placed_on`, `planned_on`, `days_past`, `why`:
        `OVERDUE` (past the planned day, no end, patient neither lost nor dead; the grace does not
        matter), `LOST_WITH`, or `IN_BODY` (an implanted sensor that stopped and was not removed).
    """
    planned = sensors["placed_on"] + pd.to_timedelta(sensors["planned_days"].astype(float), "D")
    rows = sensors.assign(planned_on=planned, days_past=(pd.Timestamp(cut_off) - planned).dt.days)
    end = rows["patient_id"].map(follow_up.set_index("patient_id")["follow_up_end"])
    no_end = rows["stopped_on"].isna() & rows["removed_on"].isna() & rows["end_reason"].isna()
    past = no_end & (rows["days_past"] > 0)
    stopped = rows["stopped_on"].notna() & rows["removed_on"].isna() & (rows["kind"] == "implanted")
    rows["why"] = np.select(
        [end == DIED, stopped, past & (end == LOST), past], ["", IN_BODY, LOST_WITH, OVERDUE], ""
    )
    columns = ["sensor_id", "patient_id", "kind", "placed_on", "planned_on", "days_past", "why"]
    found = rows.loc[rows["why"] != "", columns]
    return found.sort_values(["why", "days_past"], ascending=[True, False], ignore_index=True)


def after_offers(
    offers: pd.DataFrame, sensors: pd.DataFrame, *, within_days: int, cut_off: date
) -> pd.DataFrame:
    """Return whether an implanted sensor was placed within some days of each offer.

    Parameters
    ----------
    offers : DataFrame, one row per offer
        `patient_id`, `on`. Further offers within the window of an earlier one are the same offer.
    sensors : DataFrame, one row per sensor
    within_days : int
    cut_off : date

    Returns
    -------
    DataFrame, one row per offer
        `patient_id`, `on`, `closes_on`, `placed`, `open` (window not closed by the cut-off).
    """
    rows = _apart(offers, within_days)
    rows["closes_on"] = rows["on"] + pd.Timedelta(days=within_days)
    mine = sensors.loc[sensors["kind"] == "implanted", ["patient_id", "placed_on"]]
    pairs = rows.reset_index(names="offer").merge(mine, on="patient_id")
    hit = (pairs["placed_on"] >= pairs["on"]) & (pairs["placed_on"] <= pairs["closes_on"])
    rows["placed"] = rows.index.isin(pairs.loc[hit, "offer"])
    rows["open"] = rows["closes_on"] > pd.Timestamp(cut_off)
    return rows


def _apart(offers: pd.DataFrame, within_days: int) -> pd.DataFrame:
    rows = offers[["patient_id", "on"]].drop_duplicates().sort_values(["patient_id", "on"])
    kept: list[bool] = []
    who, last = None, pd.NaT
    for patient, day in rows.itertuples(index=False):
        new = patient != who or (day - last).days > within_days
        who, last = patient, day if new else last
        kept.append(new)
    return rows.loc[kept].reset_index(drop=True)


def staying(
    members: pd.DataFrame, sensors: pd.DataFrame, *, day: int, gap_days: int, cut_off: date
) -> pd.DataFrame:
    """Return what each member of a cohort wore on a day after the index date.

    Parameters
    ----------
    members : DataFrame, one row per patient of one cohort
        `patient_id`, `cohort`, `index_date`, `follow_up_to`, `follow_up_end`.
    sensors : DataFrame, one row per sensor
    day : int
        Days after the index date; those whose day lies after the cut-off are left out.
    gap_days : int
        A kind that was worn so many days before still counts, since it may be replaced.
    cut_off : date

    Returns
    -------
    DataFrame, one row per member whose day has come
        The members' columns, `then`: `SAME`, `OTHER`, `NONE`, "died" or "lost"; `reason`: why the
        last sensor of the kind ended, where it is no longer worn.
    """
    rows = members.assign(at=members["index_date"] + pd.Timedelta(days=day))
    rows = rows.loc[rows["at"] <= pd.Timestamp(cut_off)].reset_index(drop=True)
    until = sensors["stopped_on"].fillna(sensors["removed_on"])
    worn = sensors.assign(until=until, reason=sensors["end_reason"].fillna(NO_REASON))
    pairs = rows[["patient_id", "cohort", "at"]].merge(
        worn[["patient_id", "kind", "placed_on", "until", "reason"]], on="patient_id"
    )
    pairs = pairs.loc[pairs["placed_on"] <= pairs["at"]]
    gap = pd.Timedelta(days=gap_days)
    on = pairs["until"].isna() | (pairs["until"] + gap >= pairs["at"])
    own = pairs["kind"] == pairs["cohort"]
    same, other = set(pairs.loc[on & own, "patient_id"]), set(pairs.loc[on & ~own, "patient_id"])
    last = pairs.loc[own].sort_values("placed_on").groupby("patient_id")["reason"].last()
    gone = rows["follow_up_to"] < rows["at"]
    rows["then"] = np.select(
        [
            gone & (rows["follow_up_end"] == DIED),
            gone & (rows["follow_up_end"] == LOST),
            rows["patient_id"].isin(same),
            rows["patient_id"].isin(other),
        ],
        [DIED, LOST, SAME, OTHER],
        default=NONE,
    )
    ended_for = rows["patient_id"].map(last).fillna(NO_REASON)
    return rows.assign(reason=ended_for.where(rows["then"].isin([OTHER, NONE]), ""))
