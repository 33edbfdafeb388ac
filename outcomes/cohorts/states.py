"""The value of a dated fact about a patient on a given day."""

from __future__ import annotations

import pandas as pd

# Values that say that a fact does not hold, for facts that are written down both ways.
DENIED = ("no", "none", "false")


def state_on(states: pd.DataFrame, *, what: str, at: pd.DataFrame, day: str) -> pd.Series:
    """Return the value of one fact for each row of `at` on its day.

    Parameters
    ----------
    states : DataFrame, one row per dated fact
        As declared; both ends of a fact belong to it, and one without `to_on` still holds.
    what : str
        Which fact.
    at : DataFrame, any grain
        `patient_id` and the column named by `day`.
    day : str
        Column of `at` with the day asked for.

    Returns
    -------
    Series of str or None, indexed like `at`
        Where several facts hold, the one that began last; of those, the last in order of value.

    Examples
    --------
    >>> states = pd.DataFrame({"patient_id": ["P1", "P1"], "what": ["site", "site"],
    ...     "value": ["north", "south"], "from_on": pd.to_datetime(["2024-01-01", "2024-03-01"]),
    ...     "to_on": pd.to_datetime([None, None])})
    >>> at = pd.DataFrame({"patient_id": ["P1", "P1", "P2"],
    ...     "day": pd.to_datetime(["2024-02-01", "2024-03-01", "2024-03-01"])})
    >>> state_on(states, what="site", at=at, day="day").tolist()
    ['north', 'south', None]
    """
    asked = pd.DataFrame(
        {"patient_id": at["patient_id"].to_numpy(), "day": at[day].to_numpy()}
    ).assign(row=range(len(at)))
    facts = states.loc[states["what"] == what, ["patient_id", "value", "from_on", "to_on"]]
    both = asked.merge(facts, on="patient_id", how="inner")
    holds = (both["from_on"] <= both["day"]) & (
        both["to_on"].isna() | (both["to_on"] >= both["day"])
    )
    found = both.loc[holds].sort_values(["row", "from_on", "value"]).groupby("row")["value"].last()
    values = found.reindex(range(len(at))).astype(object)
    return pd.Series(values.where(values.notna(), None).to_numpy(), index=at.index, dtype=object)


def holds_on(states: pd.DataFrame, *, what: str, at: pd.DataFrame, day: str) -> pd.Series:
    """Return whether a fact holds for each row of `at` on its day, as booleans.

    A fact whose value is "no", "none" or "false" does not hold.
    """
    value = state_on(states, what=what, at=at, day=day)
    denied = value.map(lambda text: text is None or str(text).strip().lower() in DENIED)
    return ~denied.astype(bool)
