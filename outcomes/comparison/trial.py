"""The trials that the clinic's records emulate: who entered, when, and in which arm."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.cohorts.draws import BASELINE_MONTH, one_draw_a_day, visit_draws
from outcomes.cohorts.eligibility import NAIVE
from outcomes.cohorts.follow_up import DIED, LOST
from outcomes.cohorts.once import once
from outcomes.cohorts.states import state_on
from outcomes.comparison.wear import ENDLESS, in_body_before, spell_on, spells
from outcomes.plan import Comparison, Quarter
from outcomes.tables.declared import KINDS, STATE_UNRELIABLE
from outcomes.units import DAYS_PER_YEAR

SWITCH: Final = "switch or stay"
FIRST: Final = "first sensor"
TRIALS: Final = (SWITCH, FIRST)
ARM: Final = {
    SWITCH: {"implanted": "switch to implanted", "adhesive": "stay on adhesive"},
    FIRST: {"implanted": "begin with implanted", "adhesive": "begin with adhesive"},
}
EARLIER: Final = "earlier_hba1c"
EARLIER_DAYS: Final = (-365, -91)  # of the draw that the choice of sensor cannot have changed

# Why a patient is in no trial of "switch or stay", by how far the best of the contacts came.
SWITCH_STEPS: Final = (
    "no contact at which either kind was possible, since the plan's start",
    "coverage before the contact shorter or unknown",
    "prevalent: wore an implanted sensor at or shortly before every such contact",
    "not on adhesive sensors for long enough at any such contact",
    "the time to carry out the decision was not over at the cut-off",
)
FIRST_STEPS: Final = (
    "no first sensor since the plan's start (none placed, worn before, or coverage unknown)",
    "both kinds placed first on one day",
    "no contact at which either kind was possible shortly before the first placement",
)
KEPT: Final = "in a trial"

_COLUMNS = [
    *("person_trial", "patient_id", "trial", "quarter", "time_zero", "arm", "started_on"),
    *("on_kind_until", "follow_up_to", "follow_up_end"),
]


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class PersonTrials:
    """Everybody's entries into the trials, with what was known at time zero and what followed.

    Attributes
    ----------
    rows : DataFrame, one row per patient and trial entered
        `person_trial` (patient and time zero), `patient_id`, `trial`, `quarter`, `time_zero`,
        `arm` (a kind of sensor), `started_on` (the placement that carried the decision out; missing
        in those who stay), `on_kind_until` (last day on the arm's kind without a longer gap),
        `follow_up_to`, `follow_up_end`, and the covariates at time zero.
    draws : DataFrame, one row per entry and visit
        As `visit_draws` returns it, `cohort` being the entry; month 0 is the baseline, drawn at
        time zero or before.
    steps : DataFrame, one row per trial and patient of the study
        `trial`, `patient_id`, `step` (why in no trial, or "in a trial").
    """

    rows: pd.DataFrame
    draws: pd.DataFrame
    steps: pd.DataFrame

    def of(self, trial: str) -> pd.DataFrame:
        """Return the entries of one trial."""
        return self.rows.loc[self.rows["trial"] == trial].reset_index(drop=True)


@once
def person_trials(cohorts: CohortSet) -> PersonTrials:
    """Find the entries of every patient into the trials of the plan.

    *Switch or stay.* In every quarter since the plan's start a patient may enter once, at the first
    contact of the quarter at which either kind was possible: on adhesive sensors for
    `adhesive_days`, no implanted sensor in the body for `coverage_days` covered days. Who has an
    implanted sensor placed within `decision_days` of that contact, and before the next one that
    would be an entry, switched; everybody else stayed. Time zero is the contact in both arms, so
    no arm is given time during which it could not have had the outcome; a death or a loss before
    the placement counts with those who stayed.

    *First sensor.* Patients who never wore one enter once, at the last such contact within
    `decision_days` before the first placement, in both arms.

    Parameters
    ----------
    cohorts : CohortSet

    Returns
    -------
    PersonTrials
    """
    contacts = _contacts(cohorts)
    switch, switch_steps = _switch_or_stay(cohorts, contacts)
    first, first_steps = _first_sensor(cohorts, contacts)
    rows = pd.concat([switch, first], ignore_index=True)
    rows["person_trial"] = rows["patient_id"] + " @ " + rows["time_zero"].dt.strftime("%Y-%m-%d")
    rows["person_trial"] = rows["person_trial"].astype(object)
    rows["quarter"] = [str(Quarter.of(day.date())) for day in rows["time_zero"]]
    ends = cohorts.follow_up[["patient_id", "follow_up_to", "follow_up_end"]]
    rows = rows.merge(ends, on="patient_id", how="left", validate="many_to_one")[_COLUMNS]
    draws = _draws(rows, cohorts)
    steps = pd.concat([switch_steps, first_steps], ignore_index=True)
    return PersonTrials(rows=_with_covariates(rows, draws, cohorts), draws=draws, steps=steps)


def _contacts(cohorts: CohortSet) -> pd.DataFrame:
    """Return one row per patient and day of a contact at which either kind was possible."""
    rows = cohorts.table("contacts")
    wanted = rows["what"].isin(cohorts.plan.comparison.time_zero_contacts)
    since = rows["on"] >= pd.Timestamp(cohorts.plan.plan.start)
    days = rows.loc[wanted & since, ["patient_id", "on"]].drop_duplicates()
    return days.sort_values(["patient_id", "on"], ignore_index=True)


def _switch_or_stay(
    cohorts: CohortSet, contacts: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    rules, sensors = cohorts.plan.comparison, cohorts.table("sensors")
    patients = cohorts.table("patients")
    coverage = cohorts.plan.cohorts.coverage_days
    worn = spells(sensors, kind="adhesive", gap_days=rules.wear_gap_days, cut_off=cohorts.cut_off)
    spell = spell_on(contacts, worn, day="on")
    covered_from = contacts["patient_id"].map(patients.set_index("patient_id")["covered_from"])
    covered = (contacts["on"] - pd.to_datetime(covered_from)).dt.days >= coverage
    implanted = in_body_before(contacts, sensors, kind="implanted", days=coverage)
    long_enough = (contacts["on"] - spell["from_on"]).dt.days >= rules.adhesive_days
    decided_by = contacts["on"] + pd.Timedelta(days=rules.decision_days)
    over = decided_by <= pd.Timestamp(cohorts.cut_off)
    passed = [covered, ~implanted, long_enough.fillna(False), over]
    # How many of the rules a contact keeps, in their order: 1 for a contact that keeps none.
    reach = 1 + np.cumprod(np.column_stack(passed).astype(int), axis=1).sum(axis=1)
    far = len(SWITCH_STEPS)
    entries = contacts.loc[reach == far].copy()
    entries["quarter"] = entries["on"].dt.to_period("Q")
    entries = entries.drop_duplicates(["patient_id", "quarter"]).reset_index(drop=True)
    rows = _arms_of_switch(entries, sensors, rules.decision_days)
    rows["on_kind_until"] = _on_kind_until(rows, cohorts)
    best = pd.Series(reach, index=contacts["patient_id"]).groupby(level=0).max()
    number = patients["patient_id"].map(best).fillna(0).astype(int)
    words = np.array([*SWITCH_STEPS, KEPT], dtype=object)[number.to_numpy()]
    return rows.assign(trial=SWITCH), _steps(patients, words, SWITCH)


def _steps(patients: pd.DataFrame, words: np.ndarray, trial: str) -> pd.DataFrame:
    return pd.DataFrame(
        {"trial": trial, "patient_id": patients["patient_id"].to_numpy(), "step": words}
    )


def _arms_of_switch(
    entries: pd.DataFrame, sensors: pd.DataFrame, decision_days: int
) -> pd.DataFrame:
    """Return the entries with their arm; one placement carries out one decision, the latest."""
    following = entries.groupby("patient_id")["on"].shift(-1).fillna(ENDLESS)
    last = np.minimum(
        (entries["on"] + pd.Timedelta(days=decision_days)).to_numpy(),
        (following - pd.Timedelta(days=1)).to_numpy(),
    )
    placed = sensors.loc[sensors["kind"] == "implanted", ["patient_id", "placed_on"]]
    asked = entries[["patient_id", "on"]].assign(row=np.arange(len(entries)), last=last)
    both = asked.merge(placed, on="patient_id", how="inner")
    inside = both.loc[both["placed_on"].between(both["on"], both["last"])]
    started = inside.groupby("row")["placed_on"].min().reindex(range(len(entries)))
    return pd.DataFrame(
        {
            "patient_id": entries["patient_id"],
            "time_zero": entries["on"],
            "started_on": pd.to_datetime(started.to_numpy()),
            "arm": pd.Series(
                np.where(started.notna(), "implanted", "adhesive"), dtype=object
            ).to_numpy(),
        }
    )


def _first_sensor(cohorts: CohortSet, contacts: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    patients, rules = cohorts.table("patients"), cohorts.plan.comparison
    members = cohorts.patients
    naive = members.loc[members["new"] & (members["stratum"] == NAIVE)]
    naive = naive.sort_values(["patient_id", "index_date", "cohort"])
    tied = naive.duplicated(["patient_id", "index_date"], keep=False)
    once = naive.loc[~tied].drop_duplicates("patient_id")
    both = once[["patient_id", "cohort", "index_date"]].merge(contacts, on="patient_id")
    ago = (both["index_date"] - both["on"]).dt.days
    chosen = both.loc[ago.between(0, rules.decision_days)].drop_duplicates(
        "patient_id", keep="last"
    )
    rows = pd.DataFrame(
        {
            "patient_id": chosen["patient_id"].astype(object),
            "time_zero": chosen["on"],
            "started_on": chosen["index_date"],
            "arm": chosen["cohort"].astype(object),
        }
    ).reset_index(drop=True)
    rows["on_kind_until"] = _on_kind_until(rows, cohorts)
    known = patients["patient_id"]
    words = np.select(
        [known.isin(rows["patient_id"]), known.isin(once["patient_id"]),
         known.isin(naive.loc[tied, "patient_id"])],
        [KEPT, FIRST_STEPS[2], FIRST_STEPS[1]],
        default=FIRST_STEPS[0],
    )  # fmt: skip
    return rows.assign(trial=FIRST), _steps(patients, words.astype(object), FIRST)


def _on_kind_until(rows: pd.DataFrame, cohorts: CohortSet) -> pd.Series:
    """Return the last day on the arm's kind; who stayed also leaves it with an implanted sensor."""
    rules, sensors = cohorts.plan.comparison, cohorts.table("sensors")
    until = pd.Series(pd.NaT, index=rows.index, dtype="datetime64[ns]")
    asked = rows.assign(day=rows["started_on"].fillna(rows["time_zero"]))
    for kind in KINDS:
        worn = spells(sensors, kind=kind, gap_days=_gap(kind, rules), cut_off=cohorts.cut_off)
        mine = rows["arm"] == kind
        until[mine] = spell_on(asked.loc[mine], worn, day="day")["to_on"].astype("datetime64[ns]")
    implants = sensors.loc[sensors["kind"] == "implanted", ["patient_id", "placed_on"]]
    both = asked[["patient_id", "day", "arm"]].assign(row=rows.index).merge(implants)
    later = both.loc[(both["arm"] == "adhesive") & (both["placed_on"] > both["day"])]
    changed = later.groupby("row")["placed_on"].min().reindex(rows.index)
    return until.where(~(changed <= until), changed).fillna(asked["day"])


REPLACED_DAYS: Final = 30  # an implanted sensor re-placed within this is worn on


def _gap(kind: str, rules: Comparison) -> int:
    return REPLACED_DAYS if kind == "implanted" else rules.wear_gap_days


def _draws(rows: pd.DataFrame, cohorts: CohortSet) -> pd.DataFrame:
    """Return baseline and visits of every entry; nothing after time zero is a baseline."""
    entries = rows.rename(columns={"time_zero": "index_date"}).assign(cohort=rows["person_trial"])
    entries["cohort"] = entries["cohort"] + " " + entries["trial"]
    return visit_draws(
        entries,
        draws=cohorts.table("hba1c"),
        states=cohorts.table("states"),
        patients=cohorts.table("patients"),
        cut_off=cohorts.cut_off,
        rules=replace(cohorts.plan.hba1c, baseline_to_day=0),
    ).rename(columns={"cohort": "entry"})


def entry_of(rows: pd.DataFrame) -> pd.Series:
    """Return the key by which `draws` names an entry."""
    return rows["person_trial"] + " " + rows["trial"]


def _with_covariates(rows: pd.DataFrame, draws: pd.DataFrame, cohorts: CohortSet) -> pd.DataFrame:
    """Add what was known at time zero: fixed facts, states that held, the baseline draw."""
    about = cohorts.table("patients").drop(columns=["died_on"])
    known = rows.merge(about, on="patient_id", how="left", validate="many_to_one")
    year = known["time_zero"].dt.year.astype("Int64")
    known["age_years"] = (year - known["birth_year"]).astype("Float64").astype("float64")
    known["diabetes_years"] = (year - known["diagnosis_year"]).astype("Float64").astype("float64")
    start = pd.Timestamp(cohorts.plan.plan.start)
    known["calendar_years"] = (known["time_zero"] - start).dt.days / DAYS_PER_YEAR
    first = draws.loc[draws["month"] == BASELINE_MONTH].set_index("entry")["percent"]
    known["baseline_hba1c"] = entry_of(known).map(first).astype("float64")
    known[EARLIER] = _earlier(known, cohorts)
    states = cohorts.table("states")
    for what in sorted(set(states["what"]) - {STATE_UNRELIABLE}):
        known[what.replace(" ", "_")] = state_on(states, what=what, at=known, day="time_zero")
    return known


def _earlier(rows: pd.DataFrame, cohorts: CohortSet) -> pd.Series:
    """Return the latest draw of 91 to 365 days before time zero, in %."""
    daily = one_draw_a_day(cohorts.table("hba1c"))[["patient_id", "drawn_on", "percent"]]
    asked = rows[["patient_id", "time_zero"]].assign(row=np.arange(len(rows)))
    both = asked.merge(daily, on="patient_id", how="inner").sort_values("drawn_on")
    day = (both["drawn_on"] - both["time_zero"]).dt.days
    latest = both.loc[day.between(*EARLIER_DAYS)].groupby("row")["percent"].last()
    return latest.reindex(range(len(rows))).set_axis(rows.index).astype("float64")


def ended_before_placement(rows: pd.DataFrame, decision_days: int) -> int:
    """Return how many who count as having stayed died or were lost before it could be carried out.

    They may have decided to switch; the count bounds what that can do.
    """
    by = rows["time_zero"] + pd.Timedelta(days=decision_days)
    ended = rows["follow_up_end"].isin([DIED, LOST]) & (rows["follow_up_to"] < by)
    return int((ended & rows["started_on"].isna() & (rows["trial"] == SWITCH)).sum())
