"""What goes wrong, and how often: harm of procedures, harm of wear, and what stands apart."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import partial

import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.errors import UsageError, known_names
from outcomes.measures.harm_follow_up import (
    CONTACTS,
    contact_words,
    contacts_since_start,
    follow_up_rows,
)
from outcomes.measures.harm_rows import (
    ALL,
    COLUMNS,
    FIRST_EVENTS,
    NO_TABLE,
    UNITS,
    Row,
    deficiency_rows,
    of_implanted,
    procedure_rows,
    wear_rows,
)
from outcomes.measures.harm_shown import SHOW, bounds, draw, drawn, finding, record, summary
from outcomes.measures.harm_tables import harm_tables
from outcomes.measures.harms import DEFICIENCY, LISTED
from outcomes.results import Result
from outcomes.tables.declared import KINDS
from outcomes.units import counted

__all__ = ["ALL", "FIRST_EVENTS", "ComplicationsResult", "complications"]


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
    given = harm_tables(cohorts)
    found, spans = given.found, given.spans
    rows: list[Row] = []
    for population, first_on, last_on in _windows(cohorts):
        rows += procedure_rows(cohorts, found, spans, population, first_on, last_on)
        for kind in KINDS:
            rows += wear_rows(cohorts, found, spans, population, kind, per, first_on, last_on)
        rows += follow_up_rows(cohorts, found, population, first_on, last_on)
        rows += deficiency_rows(cohorts, found, population, first_on, last_on)
    if not cohorts.has("complications"):
        rows = [_unknown(row) for row in rows]
    counts = dict.fromkeys(("events", "n_units", "n_patients"), "Int64")
    table = pd.DataFrame(rows, columns=COLUMNS).astype(counts)
    told = finding(table, per, has_table=cohorts.has("complications"))
    rates = drawn(table, per)
    contacts = contact_words(contacts_since_start(cohorts))
    return ComplicationsResult(
        name="complications",
        title="What went wrong, and how often?",
        table=table,
        entries=[*(record(row) for row in table.to_dict("records")), *bounds(table, per)],
        finding=told,
        caption=(
            f"Harm of procedures and of wear. Cumulative: {cohorts.plan.plan.start} to "
            f"{cohorts.cut_off}; this quarter: {cohorts.span}. 95 % intervals."
        ),
        footnotes=_footnotes(cohorts, found, spans),
        settings=_settings(cohorts, per),
        show=SHOW,
        summary=summary(table, per),
        drawing=partial(draw, rates=rates, per=per) if len(rates) else None,
        alt=f"Rates of harm of wear with 95 % intervals, by kind of sensor. {told} {contacts}",
        height=1.2 + 0.32 * max(len(rates), 1),
        attributed=found,
    )


def _windows(cohorts: CohortSet) -> list[tuple[str, date, date]]:
    span = cohorts.span
    return [
        ("cumulative", cohorts.plan.plan.start, cohorts.cut_off),
        ("quarter", span.first_on, span.last_on),
    ]


def _unknown(row: Row) -> Row:
    """Nothing was exported, which is not the same as nothing having happened."""
    if row["quantity"] == CONTACTS:
        return row
    blank = dict.fromkeys(("estimate", "conf_low", "conf_high", "events"))
    return {**row, **blank, "note": f"not estimable: {NO_TABLE}"}


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
    other = len(procedures) - len(of_implanted(procedures, spans))
    open_windows = int(
        ((pd.Timestamp(cohorts.cut_off) - procedures["on"]).dt.days < rules.procedure_days).sum()
    )
    notes = [
        f"Names a procedure and begins within {rules.procedure_days} days of it: harm of the "
        "procedure. Any other that names a sensor: harm of wear, also in the "
        f"{rules.after_removal_days} days after removal, which add harms but no days.",
        f"In no rate, listed: {reasons}.",
        "A procedure counts once, however many harms it had; attempted includes those not "
        f"completed. Their {rules.procedure_days} days are not over at the cut-off in "
        f"{counted(open_windows, 'procedure')}; those that name an adhesive sensor ({other}) are "
        "left out.",
        "Exposure of wear: days in the body, to removal (an adhesive sensor comes off when it "
        "stops), death, or the day a lost patient was last seen; half a day where it begins and "
        "ends on one day. Overlapping sensors give patient-years once and sensor-days each.",
        "First events: the first of a patient since the plan's start, exposure stops there, exact "
        "(Garwood) interval, with its mid-P twin, which covers 95 % on average and not always. "
        "Shares of patients: Wilson. All events: interval cluster-robust by patient, on the log "
        "scale; without any event the two-sided exact interval.",
        "All reported and related (device or procedure: possible, probable or causal) side by "
        "side. A death ends the time in which harm can be seen.",
        f"{contact_words(contacts_since_start(cohorts))} Patients seen more often report more.",
    ]
    if not rules.equal_solicitation:
        notes.append(
            "The plan does not declare that both kinds were asked about harm alike, so the kinds "
            "are described and not contrasted."
        )
    new = cohorts.patients.loc[cohorts.patients["new"]]
    no_time = int((new["follow_up_to"] <= new["index_date"]).sum())
    if no_time:
        notes.append(
            f"In no such rate, without any time of follow-up: {counted(no_time, 'new patient')}."
        )
    harm = found.loc[found["belongs_to"] != DEFICIENCY]
    serious = harm.loc[harm["serious"].fillna(False).astype(bool) & harm["related"]]
    unmarked = int((~serious["reported"].fillna(False).astype(bool)).sum())
    if unmarked:
        notes.append(
            f"Caution: not marked as reported: {unmarked} of "
            f"{counted(len(serious), 'serious complication')} that may be related to device or "
            "procedure. Check against the local duties to report device events, which go before "
            "this report."
        )
    for name in ("complications", "procedures", "contacts"):
        if not cohorts.has(name):
            notes.append(f"The study has no {name} table.")
    return notes
