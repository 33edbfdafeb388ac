"""The rules of sensor survival in words, each with the number of sensors that it touched."""

from __future__ import annotations

from typing import Final

import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.measures.sensor_ends import LOST_STATES, SET_ASIDE, UNKNOWN, WORKING
from outcomes.measures.sensor_needs import MEAN_DAYS
from outcomes.measures.sensor_shares import HEADS, RATE
from outcomes.results import number
from outcomes.units import counted

FEW_PATIENTS: Final = 40  # measured at 24 and at 80, where the limits hold


def footnotes(
    ends: pd.DataFrame, populations: dict[str, pd.DataFrame], cohorts: CohortSet
) -> list[str]:  # fmt: skip
    """Return the rules with the number of sensors that each one touched.

    Parameters
    ----------
    ends : DataFrame, one row per sensor
        As `sensor_ends_of` returns it.
    populations : mapping of name to DataFrame
        As `populations_of` returns it.
    cohorts : CohortSet
    """
    start = pd.Timestamp(cohorts.plan.plan.start)
    since = ends.loc[ends["placed_on"] >= start]
    lives = populations["cumulative"]
    from_removal = int((since["end_from"] == "removed").sum())
    no_end = int(((since["state"] == WORKING) & since["end_on"].isna()).sum())
    beyond = since.loc[since["days_beyond"] > 0, "days_beyond"]
    choice = int(lives["state"].eq("early: patient choice").sum())
    notes = [
        "All sensors of a kind count, whoever wears them. A sensor's time ends on the day it "
        f"stopped, else was removed ({from_removal} ends taken from the removal), else with the "
        f"patient's death ({int((since['end_from'] == 'death').sum())}).",
        "Lost = sensor failure, detached, infection, skin reaction or other complication on any "
        f"day before the planned day ({int(lives['state'].isin(LOST_STATES).sum())}). Taken out "
        f"early = patient choice ({choice}), medical need, or a planned removal before the grace "
        f"({int(since['flagged'].sum())} flagged). Reached = still working on the eve of the "
        "planned day, or a planned removal within the grace "
        f"({int((lives['state'] == 'planned within grace').sum())}).",
        f"{'; '.join(HEADS)}: these five lines add to 100 (Aalen-Johansen, errors summed by "
        "patient, limits on the log(-log) scale). “If none had been taken out early” is "
        "Kaplan-Meier and answers another question; unknown ends and planned removals censor it.",
        f"Unknown ends: {int((lives['state'] == UNKNOWN).sum())}. Without a dated end, because "
        "their patient was lost or the day was not written down: "
        f"{counted(int(lives['undated'].sum()), 'sensor')}. Bounds count none or all of them as "
        "losses. The line on patient choice counts it, and removals told as planned but too soon, "
        "as losses.",
        f"Still in place at the cut-off censors ({int((lives['state'] == 'censored').sum())}). "
        f"{counted(no_end, 'sensor')} passed the planned day without a recorded end: working on "
        f"it. Time beyond the planned day is no part of the curves: {_beyond(beyond)}.",
        *_two_populations(populations, start),
        f"{RATE.capitalize()}: exact (Garwood) interval; the same clustered by patient is in the "
        "CSV. Overlapping sensors of a patient give patient-years once; a sensor placed and ended "
        f"on one day half a day ({int(lives['same_day'].sum())}).",
        f"{MEAN_DAYS.capitalize()} = area under the share still working up to the planned day; "
        "sensors = 365.25 over it; procedures = that times the placements and removals attempted "
        "per sensor, failed attempts included.",
    ]  # fmt: skip
    notes += _one_day(lives)
    notes += _few_patients(lives)
    wrong = int((since["state"] == SET_ASIDE).sum())
    if wrong:
        notes.append(f"{counted(wrong, 'sensor')} left out: ended before placed.")
    if any(len(part["planned_days"].unique()) > 1 for _, part in lives.groupby("kind")):
        notes.append(
            "Several planned lives of one kind are pooled on the share of planned life, and "
            "shown apart in days."
        )
    return notes


def _two_populations(populations: dict[str, pd.DataFrame], start: pd.Timestamp) -> list[str]:
    """Say why the quarter's figure and the cumulative one differ."""
    quarter, whole = populations["quarter"], populations["cumulative"]
    late = int((quarter["entry"] >= 0).sum())
    older = int((quarter["placed_on"] < start).sum())
    return [
        f"Two populations: cumulative follows {counted(len(whole), 'sensor')} from placement; "
        f"this quarter sees {counted(len(quarter), 'sensor')}, of which {late:,} were in place "
        f"before it and enter late ({older:,} placed before the plan's start), so that each "
        "age is judged by this quarter's wear alone. They differ by what changed since, by who is "
        "at which age, and by chance; the difference has its own interval, patients in both "
        "counted once."
    ]


def _one_day(lives: pd.DataFrame) -> list[str]:
    """A sentence where all losses of a kind fall on one day, which is rarely the sensors' doing."""
    notes = []
    for kind, part in lives.groupby("kind"):
        lost = part.loc[part["state"].isin(LOST_STATES)]
        when = lost["placed_on"] + pd.to_timedelta(lost["exit"], "D")
        for days, words in ((when, "one calendar day"), (lost["exit"], "one day of their lives")):
            if len(lost) > 2 and (days == days.iloc[0]).all():
                notes.append(
                    f"All {len(lost)} losses of {kind} sensors fall on {words}: look at how they "
                    "were recorded before believing any interval."
                )
    return notes


def _few_patients(lives: pd.DataFrame) -> list[str]:
    """What the evidence says of these limits with few patients: no more than that."""
    number_of = lives.groupby("kind")["patient_id"].nunique()
    few = [f"{kind} {n}" for kind, n in number_of.items() if n < FEW_PATIENTS]
    if not few:
        return []
    return [
        f"Under {FEW_PATIENTS} patients ({', '.join(few)}) the 95 % limits are somewhat too "
        "narrow: with 24 patients they held the truth in 93 of 100 simulated clinics."
    ]


def _beyond(days: pd.Series) -> str:
    if days.empty:
        return "no sensor has any"
    return f"{counted(len(days), 'sensor')}, median {number(float(days.median()), 0)} days"
