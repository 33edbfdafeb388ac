"""The rows of harm: per procedure, per time worn, and device deficiencies without harm."""

from __future__ import annotations

from datetime import date
from typing import Any, Final

import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.measures.harms import (
    DEFICIENCY,
    PROCEDURE,
    WEAR,
    all_event_rate,
    first_event_rate,
    in_window,
    procedure_rates,
    until_first,
    wear_exposure,
)
from outcomes.statistics.intervals import proportion
from outcomes.statistics.rates import rate
from outcomes.tables.declared import KINDS

# How a rate of wear is printed: name, column of exposure, size of the unit.
UNITS: Final = {
    "100 patient-years": ("patient_years", 100.0),
    "1,000 sensor-days": ("sensor_days", 1000.0),
}
ALL: Final = "all reported"
RELATED: Final = "related to device or procedure"
FIRST_EVENTS: Final = "harm of wear, first events"
ALL_EVENTS: Final = "harm of wear, all events"
FIRST_MID_P: Final = "harm of wear, first events (mid-P interval)"
HARMED: Final = "patients with a harm of wear"
NO_TABLE: Final = "the study has no complications table"

Row = dict[str, Any]

COLUMNS = [
    *("population", "cohort", "quantity", "relation", "category", "estimate", "conf_low"),
    *("conf_high", "unit", "events", "n_units", "n_patients", "exposure", "method", "note"),
]


def harm_row(**given: Any) -> Row:
    """Return one row with every column; what is not given is missing."""
    row: Row = dict.fromkeys(COLUMNS)
    return row | {"relation": ALL, "category": "all", "method": "", "note": "", **given}


def between(days: pd.Series, first_on: date, last_on: date) -> pd.Series:
    """Return which days lie in a window, both ends included."""
    return days.between(pd.Timestamp(first_on), pd.Timestamp(last_on))


def _relations(harms: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    return [(ALL, harms), (RELATED, harms.loc[harms["related"]])]


def procedure_rows(
    cohorts: CohortSet, found: pd.DataFrame, spans: pd.DataFrame,
    population: str, first_on: date, last_on: date,
) -> list[Row]:  # fmt: skip
    """Harm per procedure; the procedures of adhesive sensors, if any are recorded, are no part."""
    procedures = of_implanted(cohorts.table("procedures"), spans)
    procedures = procedures.loc[between(procedures["on"], first_on, last_on)]
    harms = found.loc[found["belongs_to"] == PROCEDURE]
    rows = []
    for relation, part in _relations(harms):
        for row in procedure_rates(procedures, part).to_dict("records"):
            scaled = {
                name: None if pd.isna(row[name]) else 100 * float(row[name])
                for name in ("estimate", "conf_low", "conf_high")
            }
            note = row["note"]
            if not cohorts.has("procedures"):
                note = "not estimable: the study has no procedures table"
            rows.append(
                harm_row(
                    population=population, cohort="implanted", relation=relation,
                    quantity=f"harm within {cohorts.plan.complications.procedure_days} days, "
                    f"{row['of']} {row['what']}s",
                    **scaled, unit="% of procedures", events=row["events"], n_units=row["n"],
                    n_patients=row["n_patients"], method=row["method"], note=note,
                )
            )  # fmt: skip
    return rows


def of_implanted(procedures: pd.DataFrame, spans: pd.DataFrame) -> pd.DataFrame:
    """Return the procedures that do not name an adhesive sensor."""
    kind = procedures["sensor_id"].map(spans.set_index("sensor_id")["kind"])
    return procedures.loc[kind.ne("adhesive")]


def wear_rows(
    cohorts: CohortSet, found: pd.DataFrame, spans: pd.DataFrame, population: str, kind: str,
    per: str, first_on: date, last_on: date,
) -> list[Row]:  # fmt: skip
    """Rates of harm of wear of one kind: first and all events, in both units, by category."""
    mine = spans.loc[spans["kind"] == kind]
    if population == "cumulative":
        mine = mine.loc[mine["placed_on"] >= pd.Timestamp(first_on)]
    window = in_window(mine, first_on=first_on, last_on=last_on)
    since = pd.Timestamp(cohorts.plan.plan.start)
    named = found["sensor_id"].isin(mine["sensor_id"]) & (found["onset_on"] >= since)
    harms = found.loc[(found["belongs_to"] == WEAR) & named]
    head = {
        "population": population, "cohort": kind, "n_units": len(window),
    }  # fmt: skip
    if window.empty:
        note = f"not estimable: no {kind} sensor was worn"
        return [
            harm_row(**head, quantity=quantity, unit=f"per {unit}", events=0, n_patients=0,
                 exposure=0.0, note=note)
            for quantity in (FIRST_EVENTS, ALL_EVENTS)
            for unit in UNITS
        ]  # fmt: skip
    worn = wear_exposure(window)
    rows = []
    for relation, part in _relations(harms):
        here = part.loc[between(part["onset_on"], first_on, last_on)]
        # A patient's first event since the plan's start, so that quarters add to the year.
        first = part.groupby("patient_id")["onset_on"].min()
        n_first = int(between(first, first_on, last_on).sum())
        before = wear_exposure(until_first(window, first))
        for unit, (column, size) in UNITS.items():
            of_first = first_event_rate(before, events=n_first, unit=column, per=size)
            rows.append(_rate_row(head, FIRST_EVENTS, relation, unit, n_first, *of_first))
            if unit == per and of_first[1] > 0:
                twin = rate(n_first, of_first[1], method="mid-p", per=size)
                rows.append(
                    _rate_row(head, FIRST_MID_P, relation, unit, n_first, twin, *of_first[1:])
                )
            of_all = all_event_rate(worn, here["patient_id"].tolist(), unit=column, per=size)
            rows.append(_rate_row(head, ALL_EVENTS, relation, unit, len(here), *of_all))
        rows.append(_share_row(head, relation, here, worn))
        column, size = UNITS[per]
        for category, events in here.groupby("category"):
            of_all = all_event_rate(worn, events["patient_id"].tolist(), unit=column, per=size)
            row = _rate_row(head, ALL_EVENTS, relation, per, len(events), *of_all)
            rows.append(row | {"category": str(category)})
    return rows


def _share_row(head: Row, relation: str, here: pd.DataFrame, worn: pd.DataFrame) -> Row:
    """Share of the patients who wore the kind that had a harm of it: people, so Wilson."""
    harmed = int(worn["patient_id"].isin(here["patient_id"]).sum())
    share = proportion(harmed, len(worn))
    limits = {
        name: None if value is None else 100 * value
        for name, value in (
            ("estimate", share.estimate), ("conf_low", share.conf_low),
            ("conf_high", share.conf_high),
        )
    }  # fmt: skip
    return harm_row(
        **(head | {"n_units": len(worn)}),
        quantity=HARMED,
        relation=relation,
        **limits,
        unit="% of patients who wore one",
        events=harmed,
        n_patients=len(worn),
        method=share.method,
        note=share.note,
    )


def _rate_row(
    head: Row, quantity: str, relation: str, unit: str, events: int, shown: Any,
    exposure: float, n_patients: int,
) -> Row:  # fmt: skip
    return harm_row(
        **head, quantity=quantity, relation=relation, unit=f"per {unit}", estimate=shown.estimate,
        conf_low=shown.conf_low, conf_high=shown.conf_high, events=events, n_patients=n_patients,
        exposure=exposure, method=shown.method, note=shown.note,
    )  # fmt: skip


def deficiency_rows(
    cohorts: CohortSet, found: pd.DataFrame, population: str, first_on: date, last_on: date
) -> list[Row]:
    """Return device deficiencies without harm, counted by kind."""
    apart = found.loc[found["belongs_to"] == DEFICIENCY]
    apart = apart.loc[between(apart["onset_on"], first_on, last_on)]
    rows = []
    for kind in KINDS:
        mine = apart.loc[apart["kind"] == kind]
        rows.append(
            harm_row(
                population=population, cohort=kind, quantity="device deficiencies without harm",
                estimate=float(len(mine)), unit="deficiencies", events=len(mine),
                n_patients=int(mine["patient_id"].nunique()), method="count",
            )
        )  # fmt: skip
    return rows
