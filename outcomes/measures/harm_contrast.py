"""Harm of implanted against adhesive sensors, only where both were asked about alike."""

from __future__ import annotations

from typing import Any, Final

import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.measures.harm_follow_up import CONTACTS, contact_words, contacts_since_start
from outcomes.measures.harm_rows import Row
from outcomes.measures.harm_shown import record as contact_record
from outcomes.measures.harm_tables import HarmTables, harm_tables
from outcomes.measures.harms import WEAR, in_window, until_first, wear_exposure
from outcomes.results import DASH, Record, Result, Show, interval, number
from outcomes.statistics.intervals import Interval, proportion_difference
from outcomes.statistics.rate_contrasts import rate_difference, rate_ratio
from outcomes.statistics.rate_models import rate_model
from outcomes.tables.declared import KINDS
from outcomes.units import counted

CONTRAST: Final = "implanted against adhesive"
UNDECLARED: Final = (
    "not estimable: the plan does not declare that both kinds were asked about harm alike"
)
_COLUMNS = [
    *("quantity", "counted", "estimate", "conf_low", "conf_high", "unit", "events_implanted"),
    *("events_adhesive", "n_patients", "exposure", "contacts_implanted", "contacts_adhesive"),
    *("method", "note"),
]


def harm_contrast(cohorts: CohortSet) -> Result:
    """How does harm of wear of implanted sensors compare with that of adhesive ones?

    Only where the plan declares equal solicitation; otherwise the kinds are described and this
    result says so. First events: ratio of rates (exact conditional, with its mid-P twin) and
    difference (limits recovered from the exact ones), both of which hold without events. All
    events: ratio with errors robust by patient. Shares of patients with a harm: difference by
    Newcombe's interval. Patients who wore both kinds stand in both.

    Parameters
    ----------
    cohorts : CohortSet

    Returns
    -------
    Result
        `.table`: `quantity`, `counted` (all reported, related), `estimate`, `conf_low`,
        `conf_high`, `unit`, `events_implanted`, `events_adhesive`, `n_patients`, `exposure`
        (patient-years of both), `contacts_implanted`, `contacts_adhesive` (per patient-year of the
        new patients), `method`, `note`.
    """
    given = harm_tables(cohorts)
    declared = cohorts.plan.complications.equal_solicitation
    rows: list[dict[str, Any]] = []
    for which in ("all reported", "related to device or procedure"):
        part = given.found if which == "all reported" else given.found.loc[given.found["related"]]
        rows += _rows(cohorts, given, part, which) if declared else [_blank(which, UNDECLARED)]
    if not cohorts.has("complications"):
        rows = [_blank("all reported", "not estimable: the study has no complications table")]
    contacts = contacts_since_start(cohorts)
    beside = {f"{CONTACTS}_{row['cohort']}": row["estimate"] for row in contacts}
    rows = [row | beside for row in rows]
    counts = dict.fromkeys(("events_implanted", "events_adhesive", "n_patients"), "Int64")
    table = pd.DataFrame(rows, columns=_COLUMNS).astype(counts)
    return Result(
        name="harm_contrast",
        title="Do implanted and adhesive sensors harm alike?",
        table=table,
        entries=[
            *(_record(row) for row in table.to_dict("records")),
            *(contact_record(row) for row in contacts),
        ],
        finding=_finding(table, contacts),
        caption="Harm of wear since the plan's start, implanted against adhesive, 95 % intervals.",
        footnotes=[
            "Patients chose their sensor: a difference is an association. Who is seen more often "
            f"reports more. {contact_words(contacts)}"
        ],
        summary=_summary(table),
        show={
            "quantity": Show("Quantity"), "counted": Show("Counted"),
            "estimate": Show("Estimate", 2), "conf_low": Show("95 % low", 2),
            "conf_high": Show("95 % high", 2), "unit": Show("Unit"),
            "events_implanted": Show("Events, implanted", 0),
            "events_adhesive": Show("Events, adhesive", 0), "n_patients": Show("Patients (n)", 0),
            "contacts_implanted": Show("Contacts a patient-year, implanted", 1),
            "contacts_adhesive": Show("Contacts a patient-year, adhesive", 1),
            "method": Show("Method"), "note": Show("Note"),
        },
    )  # fmt: skip


def _summary(table: pd.DataFrame) -> pd.DataFrame:
    """One line a contrast, all reported and related side by side, contacts beside them."""
    lines: dict[tuple[str, ...], dict[str, str]] = {}
    for row in table.to_dict("records"):
        seen = [row[f"{CONTACTS}_{kind}"] for kind in KINDS]
        told = " and ".join("not known" if pd.isna(one) else number(one) for one in seen)
        key = (row["quantity"], row["unit"], row["method"], told)
        lines.setdefault(key, {})[row["counted"]] = _cell(row)
    return pd.DataFrame(
        [
            {"What": f"{what} ({'' if unit == 'ratio' else unit + '; '}{method})",
             **{name.capitalize(): cell for name, cell in cells.items()},
             "Contacts a patient-year, implanted and adhesive": told}
            for (what, unit, method, told), cells in lines.items()
        ]
    )  # fmt: skip


def _cell(row: dict[str, Any]) -> str:
    low, high = (None if pd.isna(row[name]) else row[name] for name in ("conf_low", "conf_high"))
    note = str(row["note"] or "")
    if pd.isna(row["estimate"]) and low is None and high is None:
        return note
    events = f"{row['events_implanted']} and {row['events_adhesive']} events"
    head = DASH if pd.isna(row["estimate"]) else number(row["estimate"], 2)
    words = (
        f"{head} ({interval(low, high, 2)}; {events} of {counted(row['n_patients'], 'patient')})"
    )
    return f"{words}; {note}" if note else words


def _blank(counted: str, note: str) -> dict[str, Any]:
    blank = dict.fromkeys(_COLUMNS)
    return blank | {
        "quantity": "rate ratio, first events", "counted": counted, "unit": "ratio",
        "method": "exact conditional", "note": note,
    }  # fmt: skip


def _rows(
    cohorts: CohortSet, given: HarmTables, harms: pd.DataFrame, counted: str
) -> list[dict[str, Any]]:
    a, b = (_arm(cohorts, given, harms, kind) for kind in KINDS)
    first = (a["first"], a["years_to_first"], b["first"], b["years_to_first"])
    n = _patients(a, b)
    head = {
        "counted": counted, "n_patients": n, "events_implanted": a["first"],
        "events_adhesive": b["first"], "exposure": first[1] + first[3],
    }  # fmt: skip
    if not (a["n"] and b["n"]):
        return [_blank(counted, "not estimable: one kind was not worn")]
    found = [
        ("rate ratio, first events", "ratio", rate_ratio(*first)),
        ("rate ratio, first events", "ratio", rate_ratio(*first, method="mid-p")),
        ("rate difference, first events", "per 100 patient-years",
         rate_difference(*first, per=100.0)),
        ("difference of patients with a harm", "percentage points",
         proportion_difference(a["harmed"], a["n"], b["harmed"], b["n"])),
    ]  # fmt: skip
    rows = [
        head | _shown(one, 100.0 if unit == "percentage points" else 1.0)
        | {"quantity": quantity, "unit": unit}
        for quantity, unit, one in found
    ]  # fmt: skip
    return [*rows, _all_events(a, b, counted)]


def _shown(one: Interval, factor: float) -> dict[str, Any]:
    values: dict[str, Any] = {
        name: None if value is None else factor * value
        for name, value in (
            ("estimate", one.estimate), ("conf_low", one.conf_low), ("conf_high", one.conf_high),
        )
    }  # fmt: skip
    return values | {"method": one.method, "note": one.note}


def _arm(cohorts: CohortSet, given: HarmTables, harms: pd.DataFrame, kind: str) -> dict[str, Any]:
    start, end = cohorts.plan.plan.start, cohorts.cut_off
    mine = given.spans.loc[
        (given.spans["kind"] == kind) & (given.spans["placed_on"] >= pd.Timestamp(start))
    ]
    window = in_window(mine, first_on=start, last_on=end)
    part = harms.loc[(harms["belongs_to"] == WEAR) & harms["sensor_id"].isin(mine["sensor_id"])]
    first = part.groupby("patient_id")["onset_on"].min()
    worn = wear_exposure(window)
    people = worn.assign(
        events=worn["patient_id"].map(part["patient_id"].value_counts()).fillna(0).astype(int),
        implanted=float(kind == "implanted"),
    )
    return {
        "first": len(first), "n": len(worn), "people": people,
        "harmed": int((people["events"] > 0).sum()),
        "years_to_first": float(wear_exposure(until_first(window, first))["patient_years"].sum()),
    }  # fmt: skip


def _patients(a: dict[str, Any], b: dict[str, Any]) -> int:
    """Patients behind a contrast; one who wore both kinds is one patient."""
    return len(set(a["people"]["patient_id"]) | set(b["people"]["patient_id"]))


def _all_events(a: dict[str, Any], b: dict[str, Any], counted: str) -> dict[str, Any]:
    people = pd.concat([a["people"], b["people"]], ignore_index=True)
    n_a, n_b = int(a["people"]["events"].sum()), int(b["people"]["events"].sum())
    row = _blank(counted, "") | {
        "quantity": "rate ratio, all events", "events_implanted": n_a, "events_adhesive": n_b,
        "n_patients": _patients(a, b), "exposure": float(people["patient_years"].sum()),
        "method": "Poisson, cluster-robust by patient",
    }  # fmt: skip
    if not (n_a and n_b):
        silent = "implanted" if not n_a else "adhesive"
        return row | {"note": f"not estimable: no events in {silent} ({n_a} against {n_b})"}
    fit = rate_model(
        people.loc[people["patient_years"] > 0], formula="events ~ implanted",
        exposure="patient_years", cluster="patient_id",
    ).table.iloc[1]  # fmt: skip
    limits = {name: float(fit[name]) for name in ("estimate", "conf_low", "conf_high")}
    return row | limits


def _finding(table: pd.DataFrame, contacts: list[Row]) -> str:
    row = table.iloc[0]
    note = str(row["note"] or "")
    if pd.isna(row["estimate"]):
        return f"Harm is not contrasted between kinds: {note.removeprefix('not estimable: ')}."
    return (
        f"First harm of wear, implanted against adhesive: ratio of rates "
        f"{number(row['estimate'], 2)} (95 % interval "
        f"{interval(row['conf_low'], row['conf_high'], 2)}; {row['events_implanted']} and "
        f"{row['events_adhesive']} patients with a harm of {row['n_patients']}). "
        f"{contact_words(contacts)}"
    )


def _record(row: dict[str, Any]) -> Record:
    plain: dict[str, Any] = {name: None if pd.isna(v) else v for name, v in row.items()}
    events = None
    if plain["events_implanted"] is not None:
        events = plain["events_implanted"] + plain["events_adhesive"]
    return Record(
        outcome="complications", quantity=plain["quantity"], population="cumulative",
        contrast=CONTRAST, by={"counted": plain["counted"]}, estimate=plain["estimate"],
        conf_low=plain["conf_low"], conf_high=plain["conf_high"], n_patients=plain["n_patients"],
        events=events, exposure=plain["exposure"], unit=plain["unit"], method=plain["method"],
        note=plain["note"] or None,
    )  # fmt: skip
