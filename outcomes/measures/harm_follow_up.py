"""Contacts and metabolic events of the new patients, per time of follow-up."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any, Final

import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.measures.harm_rows import Row, harm_row
from outcomes.measures.harms import METABOLIC
from outcomes.results import interval, number
from outcomes.statistics.clustered_rates import clustered_rate
from outcomes.statistics.rates import rate
from outcomes.tables.declared import KINDS, LEFT
from outcomes.units import DAYS_PER_YEAR, counted

CONTACTS: Final = "contacts"
_METABOLIC: Final = "metabolic events"


def contact_rows(cohorts: CohortSet, population: str, first_on: date, last_on: date) -> list[Row]:
    """Return contacts of the new patients per patient-year, one row a cohort.

    They belong beside every figure that is shown for both kinds, since patients who are seen more
    often have more of their harm recorded.
    """
    told = cohorts.table("contacts")
    events = told.loc[told["what"] != LEFT, ["patient_id", "on"]]
    absent = "" if cohorts.has("contacts") else "the study has no contacts table"
    window = (population, first_on, last_on)
    return _rows(cohorts, CONTACTS, "per patient-year", 1.0, events, window, absent)


def contacts_since_start(cohorts: CohortSet) -> list[Row]:
    """Return the contacts of both cohorts since the plan's start."""
    return contact_rows(cohorts, "cumulative", cohorts.plan.plan.start, cohorts.cut_off)


def contact_words(rows: Sequence[Row]) -> str:
    """Return the sentence about contacts that stands beside figures of both kinds."""
    return f"Contacts per patient-year: {'; '.join(map(_contacts_of, rows))}."


def _contacts_of(row: Row) -> str:
    if row["estimate"] is None:
        return f"{row['cohort']} {row['note']}"
    limits = interval(row["conf_low"], row["conf_high"], 2)
    return (
        f"{row['cohort']} {number(row['estimate'], 2)} (95 % interval {limits}; "
        f"{counted(row['n_patients'], 'patient')})"
    )


def follow_up_rows(
    cohorts: CohortSet, found: pd.DataFrame, population: str, first_on: date, last_on: date
) -> list[Row]:
    """Return contacts and metabolic events of the new patients, per time of follow-up."""
    mine = found.loc[found["belongs_to"] == METABOLIC, ["patient_id", "onset_on"]]
    return [
        *contact_rows(cohorts, population, first_on, last_on),
        *_rows(
            cohorts, _METABOLIC, "per 100 patient-years of follow-up", 100.0,
            mine.rename(columns={"onset_on": "on"}), (population, first_on, last_on), "",
        ),
    ]  # fmt: skip


def _rows(
    cohorts: CohortSet, quantity: str, unit: str, per: float, events: pd.DataFrame,
    window: tuple[str, date, date], absent: str,
) -> list[Row]:  # fmt: skip
    population, first_on, last_on = window
    rows = []
    for cohort in KINDS:
        followed = _followed(cohorts.new(cohort), first_on, last_on)
        head = {
            "population": population, "cohort": cohort, "quantity": quantity, "unit": unit,
            "n_units": len(followed), "n_patients": len(followed),
        }  # fmt: skip
        why = absent
        if not why and followed.empty:
            why = f"nobody new to {cohort} sensors was followed"
        if why:
            rows.append(harm_row(**head, note=f"not estimable: {why}"))
        else:
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
