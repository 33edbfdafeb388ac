"""What else was begun after the index date: drugs and ways of giving insulin, by their dates."""

from __future__ import annotations

from datetime import date
from typing import Final

import pandas as pd

from outcomes.cohorts.states import DENIED, state_on
from outcomes.tables.declared import STATE_DRUG, STATE_INSULIN

WATCHED: Final = (STATE_INSULIN, STATE_DRUG)


def other_starts(members: pd.DataFrame, states: pd.DataFrame, *, cut_off: date) -> pd.DataFrame:
    """Return the first start of each watched treatment after the index date.

    A start is a dated fact that begins after the index date and up to the cut-off with a value
    that did not hold on the index date. A recorded "none" or "no" ends something and starts
    nothing.

    Parameters
    ----------
    members : DataFrame, one row per patient and cohort
        `patient_id`, `cohort`, `index_date`.
    states : DataFrame, one row per dated fact
        As declared.
    cut_off : date

    Returns
    -------
    DataFrame, one row per patient, cohort and treatment begun
        `patient_id`, `cohort`, `what` ("insulin delivery" or "other glucose-lowering drug"),
        `value`, `started_on`, `day` (from the index date).

    Examples
    --------
    >>> members = pd.DataFrame({"patient_id": ["A"], "cohort": "implanted",
    ...                         "index_date": pd.to_datetime(["2024-03-01"])})
    >>> states = pd.DataFrame({"patient_id": "A", "what": "insulin delivery",
    ...     "value": ["injections", "pump"], "to_on": pd.to_datetime([None, None]),
    ...     "from_on": pd.to_datetime(["2020-01-01", "2024-05-01"])})
    >>> other_starts(members, states, cut_off=date(2024, 12, 31))[["value", "day"]].values.tolist()
    [['pump', 61]]
    """
    key = ["patient_id", "cohort"]
    facts = states.loc[states["what"].isin(WATCHED), ["patient_id", "what", "value", "from_on"]]
    denied = facts["value"].astype(str).str.strip().str.lower().isin(DENIED)
    begun = members[[*key, "index_date"]].merge(facts.loc[~denied], on="patient_id", how="inner")
    after = (begun["from_on"] > begun["index_date"]) & (begun["from_on"] <= pd.Timestamp(cut_off))
    begun = begun.loc[after].reset_index(drop=True)
    held = pd.Series("", index=begun.index, dtype=object)
    for what in WATCHED:
        asked = begun["what"] == what
        at_index = state_on(states, what=what, at=begun.loc[asked], day="index_date")
        held.loc[asked] = at_index.where(at_index.notna(), "")
    begun = begun.loc[begun["value"].astype(str) != held.astype(str)]
    begun = begun.sort_values([*key, "from_on", "what", "value"], kind="stable")
    first = begun.drop_duplicates([*key, "what"]).rename(columns={"from_on": "started_on"})
    first = first.assign(day=(first["started_on"] - first["index_date"]).dt.days)
    return first[[*key, "what", "value", "started_on", "day"]].reset_index(drop=True)


def first_start(starts: pd.DataFrame) -> pd.DataFrame:
    """Return one row per patient and cohort with `started_on`, the first start of any treatment."""
    return starts.groupby(["patient_id", "cohort"], as_index=False)["started_on"].min()
