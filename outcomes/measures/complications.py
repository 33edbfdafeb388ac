"""What goes wrong, and how often: harm of procedures, harm of wear, and what stands apart."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import partial
from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from outcomes.cohorts.build import CohortSet
from outcomes.errors import UsageError, known_names
from outcomes.figures.style import look
from outcomes.measures.harms import (
    DEFICIENCY,
    LISTED,
    METABOLIC,
    PROCEDURE,
    WEAR,
    all_event_rate,
    attributed,
    first_event_rate,
    in_body,
    in_window,
    procedure_rates,
    until_first,
    wear_exposure,
)
from outcomes.measures.words import one_sentence
from outcomes.results import Record, Result, Show, interval, number
from outcomes.statistics.intervals import proportion
from outcomes.statistics.rates import clustered_rate, rate, zero_rate_bound
from outcomes.tables.declared import KINDS, LEFT
from outcomes.units import DAYS_PER_YEAR

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


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class ComplicationsResult(Result):
    """The result of `complications`, with every complication and what it belongs to.

    Attributes
    ----------
    attributed : DataFrame, one row per complication up to the cut-off
        See `outcomes.measures.harms.attributed`; with ids, so for the clinic's own lists only.
    """

    attributed: pd.DataFrame


def complications(cohorts: CohortSet, *, per: str = "100 patient-years") -> ComplicationsResult:
    """What goes wrong with procedures and with wear, and how often?

    Parameters
    ----------
    cohorts : CohortSet
    per : {"100 patient-years", "1,000 sensor-days"}
        Unit of the one-sentence answer, the figure and the rows by category; both are in the
        table.

    Returns
    -------
    ComplicationsResult
        `.table` has one row per population, kind and quantity, all reported and those related to
        device or procedure (possible or more) side by side: harm per attempted and per completed
        procedure within 30 days (exact), harm of wear as first events (Garwood) and as all events
        (cluster-robust by patient; exact where there is none), each by category; metabolic events
        per patient-year of follow-up; device deficiencies without harm; and contacts per
        patient-year, since who is seen more often reports more. *Cumulative*: sensors and
        procedures since the plan's start; *quarter*: what is dated in this quarter.

    Raises
    ------
    UsageError
        `per` is not one of the units.
    """
    if per not in UNITS:
        raise UsageError(known_names("unit of a rate", per, UNITS))
    spans = in_body(
        cohorts.table("sensors"),
        cut_off=cohorts.cut_off,
        died=cohorts.table("patients").set_index("patient_id")["died_on"],
        follow_up=cohorts.follow_up,
    )
    found = attributed(
        cohorts.table("complications"),
        procedures=cohorts.table("procedures"),
        sensors=spans,
        rules=cohorts.plan.complications,
    )
    rows: list[Row] = []
    for population, first_on, last_on in _windows(cohorts):
        rows += _procedure_rows(cohorts, found, spans, population, first_on, last_on)
        for kind in KINDS:
            rows += _wear_rows(cohorts, found, spans, population, kind, per, first_on, last_on)
        rows += _follow_up_rows(cohorts, found, population, first_on, last_on)
        rows += _deficiency_rows(cohorts, found, population, first_on, last_on)
    if not cohorts.has("complications"):
        rows = [_unknown(row) for row in rows]
    counts = dict.fromkeys(("events", "n_units", "n_patients"), "Int64")
    table = pd.DataFrame(rows, columns=_COLUMNS).astype(counts)
    finding = _finding(table, per, has_table=cohorts.has("complications"))
    drawn = _drawn(table, per)
    return ComplicationsResult(
        name="complications",
        title="Complications",
        table=table,
        entries=[*(_record(row) for row in table.to_dict("records")), *_bounds(table, per)],
        finding=finding,
        caption=(
            f"Harm of procedures and of wear. Cumulative: {cohorts.plan.plan.start} to "
            f"{cohorts.cut_off}; this quarter: {cohorts.span}. 95 % intervals."
        ),
        footnotes=_footnotes(cohorts, found, spans),
        settings=_settings(cohorts, per),
        show=_SHOW,
        summary=_summary(table, per),
        drawing=partial(_draw, rates=drawn, per=per) if len(drawn) else None,
        alt=f"Rates of harm of wear with 95 % intervals, by kind of sensor. {finding}",
        height=1.2 + 0.32 * max(len(drawn), 1),
        attributed=found,
    )


_COLUMNS = [
    *("population", "cohort", "quantity", "relation", "category", "estimate", "conf_low"),
    *("conf_high", "unit", "events", "n_units", "n_patients", "exposure", "method", "note"),
]
_SHOW = {
    "population": Show("Population"),
    "cohort": Show("Cohort or kind"),
    "quantity": Show("Quantity"),
    "relation": Show("Counted"),
    "category": Show("Category"),
    "events": Show("Events", 0),
    "estimate": Show("Estimate", 2),
    "conf_low": Show("95 % low", 2),
    "conf_high": Show("95 % high", 2),
    "unit": Show("Unit"),
    "n_units": Show("n", 0),
    "n_patients": Show("Patients (n)", 0),
    "exposure": Show("Exposure", 1),
    "note": Show("Note"),
}


def _summary(table: pd.DataFrame, per: str) -> pd.DataFrame:
    """One line a quantity, all reported and related side by side; the rest lies in the CSV."""
    other = {f"per {unit}" for unit in UNITS if unit != per}
    rows = table.loc[(table["quantity"] != FIRST_MID_P) & ~table["unit"].isin(other)]
    lines: dict[tuple[str, ...], dict[str, str]] = {}
    for row in rows.to_dict("records"):
        what = row["quantity"] if row["category"] == "all" else f"… {row['category']}"
        after = row["quantity"] if row["category"] != "all" else ""
        key = (row["population"], row["cohort"], after, what, row["unit"])
        lines.setdefault(key, {})[row["relation"]] = _cell(row)
    return pd.DataFrame(
        [
            {
                "What": what,
                "Population": population,
                "Kind": kind,
                "All reported": cells.get(ALL),
                "Related": cells.get(RELATED),
                "Unit": unit,
            }
            for (population, kind, _, what, unit), cells in lines.items()
        ]
    )  # fmt: skip


def _cell(row: Row) -> str:
    """Estimate with interval, events and n of one line."""
    if pd.isna(row["estimate"]):
        return str(row["note"]) or "not estimable"
    size = row["n_units"] if pd.notna(row["n_units"]) else row["n_patients"]
    counts = f"{row['events']} events, n = {size}"
    if row["method"] == "count":
        return f"{row['events']} in {row['n_patients']} patients"
    limits = interval(
        None if pd.isna(row["conf_low"]) else row["conf_low"],
        None if pd.isna(row["conf_high"]) else row["conf_high"],
        2,
    )
    return f"{number(row['estimate'], 2)} ({limits}; {counts})"


def _row(**given: Any) -> Row:
    row: Row = dict.fromkeys(_COLUMNS)
    return row | {"relation": ALL, "category": "all", "method": "", "note": "", **given}


def _unknown(row: Row) -> Row:
    """Nothing was exported, which is not the same as nothing having happened."""
    if row["quantity"] == _CONTACTS:
        return row
    blank = dict.fromkeys(("estimate", "conf_low", "conf_high", "events"))
    return {**row, **blank, "note": f"not estimable: {NO_TABLE}"}


def _windows(cohorts: CohortSet) -> list[tuple[str, date, date]]:
    span = cohorts.span
    return [
        ("cumulative", cohorts.plan.plan.start, cohorts.cut_off),
        ("quarter", span.first_on, span.last_on),
    ]


def _between(days: pd.Series, first_on: date, last_on: date) -> pd.Series:
    return days.between(pd.Timestamp(first_on), pd.Timestamp(last_on))


def _relations(harms: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    return [(ALL, harms), (RELATED, harms.loc[harms["related"]])]


def _procedure_rows(
    cohorts: CohortSet, found: pd.DataFrame, spans: pd.DataFrame,
    population: str, first_on: date, last_on: date,
) -> list[Row]:  # fmt: skip
    """Harm per procedure; the procedures of adhesive sensors, if any are recorded, are no part."""
    procedures = _implanted(cohorts.table("procedures"), spans)
    procedures = procedures.loc[_between(procedures["on"], first_on, last_on)]
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
                _row(
                    population=population, cohort="implanted", relation=relation,
                    quantity=f"harm within {cohorts.plan.complications.procedure_days} days, "
                    f"{row['of']} {row['what']}s",
                    **scaled, unit="% of procedures", events=row["events"], n_units=row["n"],
                    n_patients=row["n_patients"], method=row["method"], note=note,
                )
            )  # fmt: skip
    return rows


def _implanted(procedures: pd.DataFrame, spans: pd.DataFrame) -> pd.DataFrame:
    kind = procedures["sensor_id"].map(spans.set_index("sensor_id")["kind"])
    return procedures.loc[kind.ne("adhesive")]


def _wear_rows(
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
            _row(**head, quantity=quantity, unit=f"per {unit}", events=0, n_patients=0,
                 exposure=0.0, note=note)
            for quantity in (FIRST_EVENTS, ALL_EVENTS)
            for unit in UNITS
        ]  # fmt: skip
    worn = wear_exposure(window)
    rows = []
    for relation, part in _relations(harms):
        here = part.loc[_between(part["onset_on"], first_on, last_on)]
        # A patient's first event since the plan's start, so that quarters add to the year.
        first = part.groupby("patient_id")["onset_on"].min()
        n_first = int(_between(first, first_on, last_on).sum())
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
    return _row(
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
    return _row(
        **head, quantity=quantity, relation=relation, unit=f"per {unit}", estimate=shown.estimate,
        conf_low=shown.conf_low, conf_high=shown.conf_high, events=events, n_patients=n_patients,
        exposure=exposure, method=shown.method, note=shown.note,
    )  # fmt: skip


_CONTACTS: Final = "contacts"
_METABOLIC: Final = "metabolic events"


def _follow_up_rows(
    cohorts: CohortSet, found: pd.DataFrame, population: str, first_on: date, last_on: date
) -> list[Row]:
    """Contacts and metabolic events of the new patients, per patient-year of follow-up."""
    contacts = cohorts.table("contacts")
    contacts = contacts.loc[contacts["what"] != LEFT, ["patient_id", "on"]]
    metabolic = found.loc[found["belongs_to"] == METABOLIC, ["patient_id", "onset_on"]]
    sources = {
        _CONTACTS: (contacts, cohorts.has("contacts"), "the study has no contacts table"),
        _METABOLIC: (metabolic.rename(columns={"onset_on": "on"}), True, ""),
    }
    rows = []
    for cohort in KINDS:
        followed = _followed(cohorts.new(cohort), first_on, last_on)
        for quantity, (events, has_table, absent) in sources.items():
            unit, per = (
                ("per patient-year", 1.0)
                if quantity == _CONTACTS
                else ("per 100 patient-years of follow-up", 100.0)
            )
            head = {
                "population": population, "cohort": cohort, "quantity": quantity, "unit": unit,
                "n_units": len(followed), "n_patients": len(followed),
            }  # fmt: skip
            if not has_table or followed.empty:
                why = absent if not has_table else f"nobody new to {cohort} sensors was followed"
                rows.append(_row(**head, note=f"not estimable: {why}"))
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
    return _row(
        **head, estimate=shown.estimate, conf_low=shown.conf_low, conf_high=shown.conf_high,
        events=n, exposure=total, method=shown.method, note=shown.note,
    )  # fmt: skip


def _deficiency_rows(
    cohorts: CohortSet, found: pd.DataFrame, population: str, first_on: date, last_on: date
) -> list[Row]:
    apart = found.loc[found["belongs_to"] == DEFICIENCY]
    apart = apart.loc[_between(apart["onset_on"], first_on, last_on)]
    rows = []
    for kind in KINDS:
        mine = apart.loc[apart["kind"] == kind]
        rows.append(
            _row(
                population=population, cohort=kind, quantity="device deficiencies without harm",
                estimate=float(len(mine)), unit="deficiencies", events=len(mine),
                n_patients=int(mine["patient_id"].nunique()), method="count",
            )
        )  # fmt: skip
    return rows


def _record(row: Mapping[str, Any]) -> Record:
    plain = {name: None if pd.isna(value) else value for name, value in row.items()}
    by = {"counted": str(plain["relation"])}
    if plain["category"] != "all":
        by["category"] = str(plain["category"])
    return Record(
        outcome="complications",
        quantity=str(plain["quantity"]),
        population=str(plain["population"]),
        cohort=plain["cohort"],
        by=by,
        estimate=plain["estimate"],
        conf_low=plain["conf_low"],
        conf_high=plain["conf_high"],
        n_patients=plain["n_patients"],
        n_units=plain["n_units"],
        events=plain["events"],
        exposure=plain["exposure"],
        unit=str(plain["unit"]),
        method=str(plain["method"]),
        note=str(plain["note"]) or None,
    )


def _bounds(table: pd.DataFrame, per: str) -> list[Record]:
    """The one-sided bounds that the sentence names where no harm was reported."""
    silent = table.loc[
        (table["quantity"] == FIRST_EVENTS)
        & (table["relation"] == ALL)
        & (table["population"] == "cumulative")
        & (table["unit"] == f"per {per}")
        & (table["estimate"] == 0)
    ]
    entries = []
    for row in silent.to_dict("records"):
        bound = zero_rate_bound(float(row["exposure"]), per=UNITS[per][1])
        plain = _record(row)
        entries.append(
            replace(
                plain, quantity=f"{FIRST_EVENTS}, one-sided bound", estimate=None, conf_low=None,
                conf_high=bound.conf_high, method=bound.method,
                note="no event; one-sided, named in the sentence and in no table",
            )
        )  # fmt: skip
    return entries


def _finding(table: pd.DataFrame, per: str, *, has_table: bool) -> str:
    if not has_table:
        return f"Harm cannot be reported, because {NO_TABLE}; that is not the same as no harm."
    mine = table.loc[
        (table["population"] == "cumulative")
        & (table["relation"] == ALL)
        & (table["category"] == "all")
    ]
    parts = [_wear_words(mine, kind, per) for kind in KINDS]
    return one_sentence([_procedure_words(mine), *parts])


def _procedure_words(mine: pd.DataFrame) -> str:
    of = mine.loc[mine["quantity"].str.endswith("completed placements")].iloc[0]
    if not of["n_units"]:
        return "no completed placement is recorded"
    return (
        f"harm of the procedure was reported after {of['events']} of {of['n_units']} completed "
        f"placements ({number(of['estimate'])} %, 95 % interval "
        f"{interval(of['conf_low'], of['conf_high'])} %)"
    )


def _size(exposure: float) -> str:
    return number(exposure, 0) if exposure >= 1 else "under 1"


def _wear_words(mine: pd.DataFrame, kind: str, per: str) -> str:
    row = mine.loc[
        (mine["cohort"] == kind) & (mine["quantity"] == FIRST_EVENTS)
        & (mine["unit"] == f"per {per}")
    ].iloc[0]  # fmt: skip
    if not row["n_units"]:
        return f"no {kind} sensor was worn"
    size = f"{row['n_patients']} patients, {_size(row['exposure'])} {per.split()[-1]}"
    if not row["events"]:
        bound = zero_rate_bound(float(row["exposure"]), per=UNITS[per][1]).conf_high
        words = "" if bound is None else (
            f", the one-sided 95 % upper bound being {number(bound, 2)} per {per}"
        )  # fmt: skip
        return f"no harm of wearing {kind} sensors was reported ({size}){words}"
    return (
        f"wearing {kind} sensors, {row['events']} patients had a first harm: "
        f"{number(row['estimate'], 2)} per {per} (95 % interval "
        f"{interval(row['conf_low'], row['conf_high'], 2)}; {size})"
    )


def _settings(cohorts: CohortSet, per: str) -> dict[str, str]:
    rules = cohorts.plan.complications
    return {
        "harm of a procedure": f"within {rules.procedure_days} days",
        "harm of wear": f"until {rules.after_removal_days} days after removal",
        "metabolic categories": ", ".join(rules.metabolic_categories),
        "equal solicitation declared": "yes" if rules.equal_solicitation else "no",
        "unit": f"per {per}",
    }


def _footnotes(cohorts: CohortSet, found: pd.DataFrame, spans: pd.DataFrame) -> list[str]:
    rules = cohorts.plan.complications
    listed = found.loc[found["belongs_to"] == LISTED, "why_listed"].value_counts()
    reasons = "; ".join(f"{n} {why}" for why, n in sorted(listed.items())) or "none"
    procedures = cohorts.table("procedures")
    other = len(procedures) - len(_implanted(procedures, spans))
    open_windows = int(
        ((pd.Timestamp(cohorts.cut_off) - procedures["on"]).dt.days < rules.procedure_days).sum()
    )
    notes = [
        f"Names a procedure and begins within {rules.procedure_days} days of it: harm of the "
        "procedure. Any other that names a sensor: harm of wear, also in the "
        f"{rules.after_removal_days} days after removal, which add harms but no days.",
        f"In no rate, listed: {reasons}.",
        "A procedure counts once, however many harms it had; attempted includes those not "
        f"completed. {open_windows} procedures are so recent that their {rules.procedure_days} "
        f"days are not over at the cut-off; {other} that name an adhesive sensor are left out.",
        "Exposure of wear: days in the body, to removal (an adhesive sensor comes off when it "
        "stops), death, or the day a lost patient was last seen; half a day where it begins and "
        "ends on one day. Overlapping sensors give patient-years once and sensor-days each.",
        "First events: the first of a patient since the plan's start, exposure stops there, exact "
        "(Garwood) interval, with its mid-P twin, which covers 95 % on average and not always. "
        "Shares of patients: Wilson. All events: interval cluster-robust by patient, on the log "
        "scale; without any event the two-sided exact interval.",
        "All reported and related (device or procedure: possible, probable or causal) side by "
        "side. A death ends the time in which harm can be seen.",
        "Contacts per patient-year stand beside, because patients seen more often report more.",
    ]
    if not rules.equal_solicitation:
        notes.append(
            "The plan does not declare that both kinds were asked about harm alike, so the kinds "
            "are described and not contrasted."
        )
    new = cohorts.patients.loc[cohorts.patients["new"]]
    no_time = int((new["follow_up_to"] <= new["index_date"]).sum())
    if no_time:
        notes.append(f"{no_time} new patients have no time of follow-up and enter no such rate.")
    harm = found.loc[found["belongs_to"] != DEFICIENCY]
    serious = harm.loc[harm["serious"].fillna(False).astype(bool) & harm["related"]]
    unmarked = int((~serious["reported"].fillna(False).astype(bool)).sum())
    if unmarked:
        notes.append(
            f"Caution: {unmarked} of {len(serious)} serious complications that may be related to "
            "device or procedure are not marked as reported. Check them against the local duties "
            "to report device events, which go before this report."
        )
    for name in ("complications", "procedures", "contacts"):
        if not cohorts.has(name):
            notes.append(f"The study has no {name} table.")
    return notes


def _drawn(table: pd.DataFrame, per: str) -> pd.DataFrame:
    return table.loc[
        (table["population"] == "cumulative")
        & table["quantity"].isin([FIRST_EVENTS, ALL_EVENTS])
        & (table["category"] == "all")
        & (table["unit"] == f"per {per}")
        & table["estimate"].notna()
    ].reset_index(drop=True)


def _draw(ax: Axes, *, rates: pd.DataFrame, per: str) -> None:
    """One line a rate on a common scale, the count written beside it."""
    order = rates.iloc[::-1].reset_index(drop=True)
    for place, row in enumerate(order.to_dict("records")):
        style = look(str(row["cohort"]))
        known = pd.notna(row["conf_low"]) and pd.notna(row["conf_high"])
        if known:
            ax.plot([row["conf_low"], row["conf_high"]], [place, place], color=style.colour)
        ax.plot(row["estimate"], place, style.marker, color=style.colour)
        right = row["conf_high"] if known else row["estimate"]
        ax.annotate(
            f"{row['events']} events", (float(right), float(place)),
            xytext=(5, 0), textcoords="offset points", va="center", fontsize="small",
        )  # fmt: skip
    labels = [
        f"{row['cohort']}: {str(row['quantity']).removeprefix('harm of wear, ')},\n"
        f"{'all reported' if row['relation'] == ALL else 'related'}"
        for row in order.to_dict("records")
    ]
    ax.set_yticks(np.arange(len(order)), labels)
    ax.set_xlim(left=0)
    ax.set_ylim(-0.6, len(order) - 0.4)
    ax.set_xlabel(f"harm of wear per {per}")
