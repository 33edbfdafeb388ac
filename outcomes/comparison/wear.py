"""How long a kind of sensor was worn without a longer gap: pure rules on frames."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd

ENDLESS = pd.Timestamp("2200-01-01")  # still worn; a day beyond every cut-off


def spells(sensors: pd.DataFrame, *, kind: str, gap_days: int, cut_off: date) -> pd.DataFrame:
    """Return the unbroken spells of wearing a kind, gaps up to `gap_days` closed.

    A sensor is worn from its placement until it stopped, else was removed. Without an end an
    adhesive sensor is taken to have been worn for its planned days; an implanted one is still worn.

    Parameters
    ----------
    sensors : DataFrame, one row per sensor
        As declared, up to the cut-off.
    kind : str
    gap_days : int
        Longest gap between two sensors that does not end the spell.
    cut_off : date

    Returns
    -------
    DataFrame, one row per patient and spell
        `patient_id`, `from_on`, `to_on` (both worn; a spell that reaches the cut-off within the gap
        ends at `ENDLESS`).

    Examples
    --------
    >>> sensors = pd.DataFrame({"patient_id": ["P1", "P1"], "kind": ["adhesive", "adhesive"],
    ...     "placed_on": pd.to_datetime(["2024-01-01", "2024-01-20"]), "planned_days": [14, 14],
    ...     "stopped_on": pd.to_datetime(["2024-01-15", None]),
    ...     "removed_on": pd.to_datetime([None, None])})
    >>> found = spells(sensors, kind="adhesive", gap_days=14, cut_off=date(2024, 12, 31))
    >>> found[["from_on", "to_on"]].astype(str).values.tolist()
    [['2024-01-01', '2024-02-03']]
    """
    worn = sensors.loc[sensors["kind"] == kind].sort_values(["patient_id", "placed_on"])
    end = worn["stopped_on"].fillna(worn["removed_on"])
    if kind == "adhesive":
        planned = pd.to_timedelta(worn["planned_days"].astype("int64"), unit="D")
        end = end.fillna(worn["placed_on"] + planned)
    end = end.fillna(ENDLESS).where(lambda to: to >= worn["placed_on"], worn["placed_on"])
    owner = worn["patient_id"]
    reached = end.groupby(owner).cummax().groupby(owner).shift()
    begins = reached.isna() | ((worn["placed_on"] - reached).dt.days > gap_days)
    number = begins.groupby(owner).cumsum()
    found = (
        pd.DataFrame(
            {"patient_id": owner, "number": number, "from_on": worn["placed_on"], "to_on": end}
        )
        .groupby(["patient_id", "number"], as_index=False)
        .agg(from_on=("from_on", "min"), to_on=("to_on", "max"))
    )
    going_on = (pd.Timestamp(cut_off) - found["to_on"]).dt.days <= gap_days
    found["to_on"] = found["to_on"].where(~going_on, ENDLESS).astype("datetime64[ns]")
    return found.drop(columns="number")


def in_body_before(
    contacts: pd.DataFrame, sensors: pd.DataFrame, *, kind: str, days: int
) -> pd.Series:
    """Return whether a sensor of the kind was worn on the day or within `days` before it.

    Parameters
    ----------
    contacts : DataFrame, any grain
        `patient_id`, `on`.
    sensors : DataFrame, one row per sensor
    kind : str
    days : int

    Returns
    -------
    Series of bool, indexed like `contacts`
        A sensor placed on the day itself was not worn before the contact.
    """
    worn = sensors.loc[sensors["kind"] == kind, ["patient_id", "placed_on"]].assign(
        to_on=sensors["stopped_on"].fillna(sensors["removed_on"]).fillna(ENDLESS)
    )
    asked = contacts[["patient_id", "on"]].assign(row=np.arange(len(contacts)))
    both = asked.merge(worn, on="patient_id", how="inner")
    since = (both["on"] - both["to_on"]).dt.days
    hits = both.loc[(both["placed_on"] < both["on"]) & (since < days), "row"].unique()
    return pd.Series(np.isin(asked["row"], hits), index=contacts.index)


def spell_on(rows: pd.DataFrame, found: pd.DataFrame, *, day: str) -> pd.DataFrame:
    """Return the spell that holds each row's day: `from_on`, `to_on`, missing where none does."""
    asked = rows[["patient_id", day]].assign(row=np.arange(len(rows)))
    both = asked.merge(found, on="patient_id", how="inner")
    holds = both.loc[(both["from_on"] <= both[day]) & (both[day] <= both["to_on"])]
    chosen = holds.drop_duplicates("row").set_index("row")[["from_on", "to_on"]]
    return chosen.reindex(range(len(rows))).set_axis(rows.index)
