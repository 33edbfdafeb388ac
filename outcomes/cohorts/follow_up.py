"""Until when each patient was followed, and why it ended there."""

from __future__ import annotations

from datetime import date
from typing import Final

import numpy as np
import pandas as pd

from outcomes.tables.declared import LEFT

CUT_OFF: Final = "cut-off"
LOST: Final = "lost"
DIED: Final = "died"


def follow_up(
    patients: pd.DataFrame,
    *,
    contacts: pd.DataFrame,
    draws: pd.DataFrame,
    procedures: pd.DataFrame,
    cut_off: date,
    lost_after_days: int = 120,
) -> pd.DataFrame:
    """Return the end of follow-up of every patient.

    The last contact comes from contacts, draws and procedures, never from readings: a sensor can
    send on while nobody has seen the patient. A recorded death is a known end, never a loss. A
    patient recorded as having left is lost from that day, unless something later is recorded.

    Parameters
    ----------
    patients : DataFrame, one row per patient
        `patient_id`, `died_on`.
    contacts, draws, procedures : DataFrame, one row each
        As declared, up to the cut-off. Where all three are empty nobody can be told lost, and
        everybody living is followed to the cut-off.
    cut_off : date
    lost_after_days : int, default 120
        Lost when the last of these days lies more than this before the cut-off.

    Returns
    -------
    DataFrame, one row per patient, in the order of `patients`
        `patient_id`, `last_seen_on`, `follow_up_to` (missing for a lost patient who was never
        seen), `follow_up_end` ("cut-off", "lost" or "died").

    Examples
    --------
    >>> patients = pd.DataFrame({"patient_id": ["B"], "died_on": pd.to_datetime([None])})
    >>> contacts = pd.DataFrame({"patient_id": ["B"], "on": pd.to_datetime(["2024-11-30"]),
    ...                          "what": ["visit"]})
    >>> none = pd.DataFrame({"patient_id": [], "on": pd.to_datetime([]),
    ...                      "drawn_on": pd.to_datetime([])})
    >>> follow_up(patients, contacts=contacts, draws=none, procedures=none,
    ...           cut_off=date(2025, 3, 31))["follow_up_end"].tolist()
    ['lost']
    """
    last = pd.Timestamp(cut_off)
    left = contacts["what"] == LEFT if len(contacts) else pd.Series(dtype=bool)
    seen = pd.concat(
        [
            contacts.loc[~left, ["patient_id", "on"]] if len(contacts) else _no_days(),
            procedures[["patient_id", "on"]] if len(procedures) else _no_days(),
            draws.rename(columns={"drawn_on": "on"})[["patient_id", "on"]]
            if len(draws)
            else _no_days(),
        ]
    )
    last_seen = _latest(seen, patients)
    last_left = _latest(contacts.loc[left] if len(contacts) else _no_days(), patients)
    known_days = bool(len(contacts) or len(draws) or len(procedures))
    # Recorded as left, with nothing after it: a later contact, draw or procedure cancels it.
    has_left = last_left.notna() & ~(last_seen > last_left)
    last_day = last_seen.where(last_seen >= last_left, last_left).fillna(last_seen)
    silent = ~((last - last_day).dt.days <= lost_after_days)
    died_on = patients["died_on"].where(patients["died_on"] <= last)
    lost = (has_left | silent) & known_days
    end = np.select([died_on.notna(), lost], [DIED, LOST], default=CUT_OFF)
    to = last_day.where(lost, last)
    return pd.DataFrame(
        {
            "patient_id": patients["patient_id"].to_numpy(),
            "last_seen_on": last_day.to_numpy(),
            "follow_up_to": died_on.fillna(to).to_numpy(),
            "follow_up_end": end,
        }
    )


def _no_days() -> pd.DataFrame:
    return pd.DataFrame(
        {"patient_id": pd.Series(dtype=object), "on": pd.Series(dtype="datetime64[ns]")}
    )


def _latest(days: pd.DataFrame, patients: pd.DataFrame) -> pd.Series:
    latest = days.groupby("patient_id")["on"].max()
    found = patients["patient_id"].map(latest)
    return pd.Series(pd.to_datetime(found), index=patients.index)


def from_index(
    cohort: pd.DataFrame, ends: pd.DataFrame, *, cut_off: date, lost_after_days: int = 120
) -> pd.DataFrame:
    """Return cohort rows with their end of follow-up, counting the index placement as seen.

    Parameters
    ----------
    cohort : DataFrame, one row per patient and cohort
        `patient_id`, `index_date`.
    ends : DataFrame, one row per patient
        As `follow_up` returns it.
    cut_off : date
    lost_after_days : int, default 120

    Returns
    -------
    DataFrame
        `cohort` with `follow_up_to` (never before the index date) and `follow_up_end`. Somebody
        whose index placement lies within `lost_after_days` is not lost for want of a contact.
    """
    rows = cohort.merge(ends, on="patient_id", how="left", validate="many_to_one")
    last = pd.Timestamp(cut_off)
    before = ~(rows["follow_up_to"] >= rows["index_date"])
    silent = (last - rows["index_date"]).dt.days > lost_after_days
    recent = before & ~silent & (rows["follow_up_end"] == LOST)
    to = rows["follow_up_to"].where(~before, rows["index_date"]).where(~recent, last)
    end = rows["follow_up_end"].where(~recent, CUT_OFF)
    return rows.drop(columns="last_seen_on").assign(follow_up_to=to, follow_up_end=end)
