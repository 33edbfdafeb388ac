"""Contacts and metabolic events of the new patients, per time of follow-up."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any, Final

import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.measures.harm_rows import Row, harm_row
from outcomes.measures.harms import METABOLIC
from outcomes.statistics.rates import clustered_rate, rate
from outcomes.tables.declared import KINDS, LEFT
from outcomes.units import DAYS_PER_YEAR

CONTACTS: Final = "contacts"
_METABOLIC: Final = "metabolic events"


def follow_up_rows(
    cohorts: CohortSet, found: pd.DataFrame, population: str, first_on: date, last_on: date
) -> list[Row]:
    """Contacts and metabolic events of the new patients, per patient-year of follow-up."""
    contacts = cohorts.table("contacts")
    contacts = contacts.loc[contacts["what"] != LEFT, ["patient_id", "on"]]
    metabolic = found.loc[found["belongs_to"] == METABOLIC, ["patient_id", "onset_on"]]
    sources = {
        CONTACTS: (contacts, cohorts.has("contacts"), "the study has no contacts table"),
        _METABOLIC: (metabolic.rename(columns={"onset_on": "on"}), True, ""),
    }
    rows = []
    for cohort in KINDS:
        followed = _followed(cohorts.new(cohort), first_on, last_on)
        for quantity, (events, has_table, absent) in sources.items():
            unit, per = (
                ("per patient-year", 1.0)
                if quantity == CONTACTS
                else ("per 100 patient-years of follow-up", 100.0)
            )
            head = {
                "population": population, "cohort": cohort, "quantity": quantity, "unit": unit,
                "n_units": len(followed), "n_patients": len(followed),
            }  # fmt: skip
            if not has_table or followed.empty:
                why = absent if not has_table else f"nobody new to {cohort} sensors was followed"
                rows.append(harm_row(**head, note=f"not estimable: {why}"))
                continue
            rows.append(_follow_up_rate(head, followed, events, per))
    return rows


def _followed(members: pd.DataFrame, first_on: date, last_on: date) -> pd.DataFrame:
    """Return each member's days of follow-up in a window: after `from_on`, up to `to_on`."""
    start = pd.Timestamp(first_on - timedelta(days=1))
    begins = members["index_date"].where(members["index_date"] > start, start)
    last = pd.Timestamp(last_on)
    ends = members["follow_up_to"].where(members["follow_up_to"] < last, last)
    rows = pd.DataFrame(
        {
            "patient_id": members["patient_id"], "from_on": begins, "to_on": ends,
            "years": (ends - begins).dt.days / DAYS_PER_YEAR,
        }
    )  # fmt: skip
    return rows.loc[rows["years"] > 0].reset_index(drop=True)


def _follow_up_rate(head: Row, followed: pd.DataFrame, events: pd.DataFrame, per: float) -> Row:
    both = events.merge(followed, on="patient_id", how="inner")
    inside = both.loc[(both["on"] > both["from_on"]) & (both["on"] <= both["to_on"])]
    counts = inside["patient_id"].value_counts()
    frame = followed.assign(events=followed["patient_id"].map(counts).fillna(0).astype(int))
    total, n = float(frame["years"].sum()), int(frame["events"].sum())
    shown: Any = rate(0, total, per=per)
    if n:
        shown = clustered_rate(
            frame, events="events", exposure="years", cluster="patient_id", per=per
        )
    return harm_row(
        **head, estimate=shown.estimate, conf_low=shown.conf_low, conf_high=shown.conf_high,
        events=n, exposure=total, method=shown.method, note=shown.note,
    )  # fmt: skip
