"""What a patient lives through in the year after the decision: described, rarely contrasted."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.comparison.contrasts import CONTRAST
from outcomes.comparison.trial import person_trials
from outcomes.comparison.words import CAUTION, under
from outcomes.glucose import summarise
from outcomes.measures.harms import all_event_rate
from outcomes.measures.sensor_ends import LOST_STATES, end_states
from outcomes.results import Record, Result, interval, number
from outcomes.statistics.intervals import Interval, t_interval
from outcomes.statistics.students_t import t_inference
from outcomes.tables.declared import KINDS, LEFT
from outcomes.units import DAYS_PER_YEAR

YEAR_DAYS: Final = 365
PER_YEAR: Final = "per patient-year"
CONTACTS: Final = "contacts with the clinic"
WITHOUT: Final = "days without readings"
DESCRIBED: Final = "described, not contrasted: the plan does not declare equal solicitation"

Row = dict[str, Any]


def patient_year(cohorts: CohortSet) -> Result:
    """Return what happened per patient-year in each arm of the primary trial.

    Each patient's first entry into an arm counts, from the day after time zero for a year, or to
    death, loss or the cut-off; whatever was worn later counts in the arm of the decision.

    Returns
    -------
    Result
        `.table` has one row per `quantity` and arm (losses of sensors, procedures, complications,
        serious ones, days without readings, contacts), and, where the plan declares equal
        solicitation, one with the difference.
    """
    trial = cohorts.plan.comparison.primary_trial
    lived = _followed(cohorts, trial)
    rows: list[Row] = []
    for quantity, (events, has_table) in _events(cohorts).items():
        counted = _inside(lived, events)
        rows += [_arm_row(quantity, arm, lived, counted, has_table) for arm in KINDS]
        rows.append(_difference_row(quantity, lived, counted, cohorts, has_table))
    rows += _without_readings(lived, cohorts)
    table = pd.DataFrame(rows, columns=_COLUMNS)
    return Result(
        name="comparison_year",
        title="What a patient lives through in a year",
        table=table,
        entries=[_record(row, trial) for row in rows],
        finding=_finding(table, lived),
        caption=(
            f"“{trial}”: events {PER_YEAR} in the year from time zero, by the arm of the decision; "
            f"cluster-robust 95 % intervals by patient. Data to {cohorts.cut_off}."
        ),
        footnotes=[
            CAUTION,
            "Who is seen more often has more of what happens written down: read every line with "
            "the contacts per patient-year. An adhesive sensor is changed every 10 to 14 days, so "
            "its losses are many and small; a loss of an implanted sensor is rare and brings a "
            "procedure.",
            "Days without readings: a year's days times the share of time that no reading owns.",
        ],
        summary=_summary(table),
    )


_COLUMNS: Final = [
    *("quantity", "cohort", "estimate", "conf_low", "conf_high", "unit", "events", "n_patients"),
    *("exposure", "method", "note"),
]


def _followed(cohorts: CohortSet, trial: str) -> pd.DataFrame:
    """Return one row per patient and arm: from the first entry for at most a year."""
    rows = person_trials(cohorts).of(trial).sort_values(["patient_id", "time_zero"])
    first = rows.drop_duplicates(["patient_id", "arm"]).reset_index(drop=True)
    to = np.minimum(first["follow_up_to"], first["time_zero"] + pd.Timedelta(days=YEAR_DAYS))
    later = first.assign(to_on=to.clip(upper=pd.Timestamp(cohorts.cut_off)))
    later["patient_years"] = (later["to_on"] - later["time_zero"]).dt.days / DAYS_PER_YEAR
    return later.loc[later["patient_years"] > 0].reset_index(drop=True)


def _events(cohorts: CohortSet) -> dict[str, tuple[pd.DataFrame, bool]]:
    """Return the events of each quantity (`patient_id`, `on`), and whether its table exists."""
    contacts, harm = cohorts.table("contacts"), cohorts.table("complications")
    ends = end_states(
        cohorts.table("sensors"), cut_off=cohorts.cut_off, rules=cohorts.plan.sensor_survival,
        died=cohorts.table("patients").set_index("patient_id")["died_on"],
        follow_up=cohorts.follow_up,
    )  # fmt: skip
    lost = ends.loc[ends["ended"] & ends["state"].isin(LOST_STATES)]
    lost = lost.assign(on=lost["placed_on"] + pd.to_timedelta(lost["day"], unit="D"))
    harm = harm.loc[~harm["deficiency_only"].fillna(False).astype(bool)]
    harm = harm.rename(columns={"onset_on": "on"})
    serious = harm.loc[harm["serious"].fillna(False).astype(bool)]
    return {
        "sensors lost before the planned day": (lost, True),
        "procedures (placements and removals)": (
            cohorts.table("procedures"), cohorts.has("procedures"),
        ),
        "complications": (harm, cohorts.has("complications")),
        "serious complications": (serious, cohorts.has("complications")),
        CONTACTS: (contacts.loc[contacts["what"] != LEFT], cohorts.has("contacts")),
    }  # fmt: skip


def _inside(lived: pd.DataFrame, events: pd.DataFrame) -> pd.Series:
    """Return how many events each row of `lived` had after time zero and up to its end."""
    asked = lived[["patient_id", "time_zero", "to_on"]].assign(row=lived.index)
    both = asked.merge(events[["patient_id", "on"]], on="patient_id", how="inner")
    inside = both.loc[(both["on"] > both["time_zero"]) & (both["on"] <= both["to_on"])]
    return inside.groupby("row").size().reindex(lived.index, fill_value=0)


def _arm_row(
    quantity: str, arm: str, lived: pd.DataFrame, counted: pd.Series, has_table: bool
) -> Row:
    mine = lived["arm"] == arm
    base: Row = {
        "quantity": quantity, "cohort": arm, "unit": PER_YEAR, "n_patients": int(mine.sum()),
        "events": int(counted[mine].sum()),
        "exposure": float(lived.loc[mine, "patient_years"].sum()),
    }  # fmt: skip
    if not mine.any() or not has_table:
        why = "the study lacks its table" if not has_table else f"nobody is in the arm {arm}"
        return base | {"events": None, "method": "", "note": f"not estimable: {why}"}
    owners = lived.loc[mine, "patient_id"].repeat(counted[mine])
    exposure = lived.loc[mine, ["patient_id", "patient_years"]]
    got, _, _ = all_event_rate(exposure, owners.tolist(), unit="patient_years", per=1.0)
    return base | _numbers(got)


def _numbers(got: Interval | Any) -> Row:
    return {
        "estimate": got.estimate, "conf_low": got.conf_low, "conf_high": got.conf_high,
        "method": got.method, "note": got.note or None,
    }  # fmt: skip


def _difference_row(
    quantity: str, lived: pd.DataFrame, counted: pd.Series, cohorts: CohortSet, has_table: bool
) -> Row:
    """Return the difference of the rates where the plan declares equal solicitation."""
    sizes = {arm: int((lived["arm"] == arm).sum()) for arm in KINDS}
    base: Row = {
        "quantity": quantity, "cohort": None, "unit": PER_YEAR, "n_patients": sum(sizes.values()),
        "method": "difference of rates, adjusted for nothing, by patient, t",
    }  # fmt: skip
    why = under(cohorts.plan.comparison.fewest_per_arm, sizes)
    if not cohorts.plan.complications.equal_solicitation:
        why = DESCRIBED
    elif not has_table:
        why = "not estimable: the study lacks its table"
    if why is not None:
        return base | {"note": why}
    influence = pd.Series(0.0, index=lived["patient_id"].unique())
    rates = {}
    for arm, sign in zip(KINDS, (1, -1), strict=True):
        mine = lived["arm"] == arm
        years, events = lived.loc[mine, "patient_years"], counted[mine]
        rates[arm] = float(events.sum() / years.sum())
        own = (events - rates[arm] * years) / years.sum()
        influence = influence.add(
            pd.Series(sign * own.to_numpy(), index=lived.loc[mine, "patient_id"]), fill_value=0.0
        )
    n = len(influence)
    error = float(np.sqrt((influence**2).sum() * n / (n - 1)))
    got = t_inference(rates["implanted"] - rates["adhesive"], error, n - 1)
    return base | {
        "estimate": got["estimate"], "conf_low": got["conf_low"], "conf_high": got["conf_high"],
        "note": "exploratory; adjusted for nothing",
    }  # fmt: skip


def _without_readings(lived: pd.DataFrame, cohorts: CohortSet) -> list[Row]:
    if not cohorts.study.has("readings") or lived.empty:
        return [
            {"quantity": WITHOUT, "cohort": arm, "unit": PER_YEAR, "method": "",
             "note": "not estimable: no sensor readings"}
            for arm in KINDS
        ]  # fmt: skip
    n = len(lived)
    windows = pd.DataFrame(
        {
            "window_id": pd.array(np.arange(n), dtype="Int64"),
            "patient_id": lived["patient_id"].to_numpy(dtype=object),
            "kind": lived["arm"].to_numpy(dtype=object),
            "first_on": (lived["time_zero"] + pd.Timedelta(days=1)).to_numpy(),
            "last_on": lived["to_on"].to_numpy().astype("datetime64[ns]"),
            "closed": pd.array(np.full(n, True), dtype="boolean"),
            "needed_days": pd.array(np.full(n, 1), dtype="Int64"),
        }
    )
    got = summarise(
        cohorts.study, windows, settings=cohorts.plan.time_in_range, cut_off=cohorts.cut_off,
        remembering=True,
    )  # fmt: skip
    days = DAYS_PER_YEAR * (1 - got["active_share"].fillna(0.0))
    rows = []
    for arm in KINDS:
        mine = (lived["arm"] == arm).to_numpy()
        numbers = _numbers(t_interval(days[mine]))
        for limit in ("conf_low", "conf_high"):  # no mean of days of a year lies beyond them
            if numbers[limit] is not None:
                numbers[limit] = min(max(numbers[limit], 0.0), DAYS_PER_YEAR)
        rows.append(
            {"quantity": WITHOUT, "cohort": arm, "unit": PER_YEAR, "n_patients": int(mine.sum()),
             "exposure": float(lived.loc[mine, "patient_years"].sum()), **numbers}
        )  # fmt: skip
    return rows


# --- words ---------------------------------------------------------------------------------------


def _cell(table: pd.DataFrame, quantity: str, arm: str) -> str:
    row = table.loc[(table["quantity"] == quantity) & (table["cohort"] == arm)].iloc[0]
    if pd.isna(row["estimate"]):
        return str(row["note"])
    decimals = 1 if quantity == WITHOUT else 2
    limits = interval(_plain(row["conf_low"]), _plain(row["conf_high"]), decimals)
    return f"{number(row['estimate'], decimals)} ({limits})"


def _finding(table: pd.DataFrame, lived: pd.DataFrame) -> str:
    sizes = {arm: int((lived["arm"] == arm).sum()) for arm in KINDS}
    if not all(sizes.values()):
        empty = " and ".join(arm for arm, n in sizes.items() if not n)
        return f"A year cannot be set side by side: nobody is followed in the arm {empty}."
    shown = []
    for quantity in ("procedures (placements and removals)", "complications", CONTACTS):
        cells = [_cell(table, quantity, arm) for arm in ("implanted", "adhesive")]
        both = f"{cells[0]} implanted and {cells[1]} adhesive"
        shown.append(f"{quantity} {both if cells[0] != cells[1] else cells[0]}")
    n = f"n = {sizes['implanted']} implanted, {sizes['adhesive']} adhesive patients"
    return f"Per patient-year, described: {'; '.join(shown)} ({n})."


def _summary(table: pd.DataFrame) -> pd.DataFrame:
    lines = []
    for quantity in table["quantity"].unique():
        part = table.loc[(table["quantity"] == quantity) & table["cohort"].isna()]
        row = None if part.empty else part.iloc[0]
        told = "–" if row is None else str(row["note"])
        if row is not None and pd.notna(row["estimate"]):
            told = (
                f"{number(row['estimate'], 2)} ({interval(row['conf_low'], row['conf_high'], 2)})"
            )
        lines.append(
            {
                f"{PER_YEAR.capitalize()} (95 %)": quantity,
                **{arm.capitalize(): _cell(table, quantity, arm) for arm in KINDS},
                "Difference": told,
            }
        )
    return pd.DataFrame(lines)


def _plain(value: Any) -> float | None:
    return None if value is None or pd.isna(value) else float(value)


def _record(row: Row, trial: str) -> Record:
    return Record(
        outcome="comparison_year", quantity=str(row["quantity"]), population="cumulative",
        cohort=row["cohort"], contrast=None if row["cohort"] else CONTRAST, at="year 1",
        by={"trial": trial}, estimate=row.get("estimate"), conf_low=row.get("conf_low"),
        conf_high=row.get("conf_high"), n_patients=row.get("n_patients"),
        events=row.get("events"), exposure=row.get("exposure"), unit=str(row["unit"]),
        method=str(row.get("method") or ""), note=row.get("note"),
    )  # fmt: skip
