"""The rows of persistence: offers, re-placements, timeliness, staying, completeness, overdue."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

import numpy as np
import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.cohorts.follow_up import DIED, LOST
from outcomes.measures.replacements import (
    AFTER,
    BEFORE,
    DEAD,
    IN_BODY,
    NONE,
    OPEN,
    OTHER,
    OVERDUE,
    SAME,
    WITHIN,
    after_offers,
    after_the_end,
    ended,
    past_planned_day,
    staying,
    timeliness,
)
from outcomes.statistics.intervals import Interval, proportion
from outcomes.statistics.ratios import ratio_of_sums, within
from outcomes.tables.declared import KINDS

CUMULATIVE: Final = "cumulative"
QUARTER: Final = "quarter"
OFFERED: Final = "placed after an offer"
AGAIN: Final = "after a removal"
TIMELY: Final = "planned removals"
OTHER_END: Final = "removed for another reason"
FOLLOWED: Final = "followed of the time that could be"
STAYED: Final = "on a day after the first sensor"
STILL: Final = "still on the kind"
AT_CUT_OFF: Final = "at the cut-off"
OFFER: Final = "offer of a sensor"

Row = dict[str, Any]


def rows_of(cohorts: CohortSet) -> list[Row]:
    """Return every row of the table of `persistence`, in the order in which they are asked."""
    return [
        *_offer_rows(cohorts),
        *_replaced_rows(cohorts),
        *_timely_rows(cohorts),
        *_staying_rows(cohorts),
        *_followed_rows(cohorts),
        *_overdue_rows(cohorts),
    ]


@dataclass(frozen=True, kw_only=True)
class _Of:
    """Which rows of a table a figure is about."""

    population: str
    kind: str
    quantity: str
    at: str | None
    unit: str


def _levels(
    rows: pd.DataFrame, column: str, levels: list[str], of: _Of, method: Any = "wilson"
) -> Iterator[Row]:
    """One row a level, events of all rows; and its twin by patient where sensors go together."""
    patients = rows["patient_id"].nunique()
    base = {"population": of.population, "kind": of.kind, "quantity": of.quantity, "at": of.at,
            "n_units": len(rows), "n_patients": patients, "unit": of.unit}  # fmt: skip
    for level in levels:
        hit = (rows[column] == level).to_numpy(float)
        events = int(hit.sum())
        yield {**base, "level": level, "events": events,
               **_numbers(proportion(events, len(rows), method=method))}  # fmt: skip
        if 1 < patients < len(rows):
            twin = ratio_of_sums(hit, np.ones(len(hit)), cluster=rows["patient_id"])
            yield {**base, "level": f"{level}, by patient", "events": events,
                   **_numbers(within(twin, 0, 1))}  # fmt: skip


def _numbers(shown: Interval) -> Row:
    ends = {
        name: None if value is None else 100 * value
        for name, value in (
            ("estimate", shown.estimate), ("conf_low", shown.conf_low),
            ("conf_high", shown.conf_high),
        )
    }  # fmt: skip
    return {**ends, "method": shown.method, "note": shown.note or None}


def _between(days: pd.Series, first: date, last: date) -> pd.Series:
    return days.between(pd.Timestamp(first), pd.Timestamp(last))


def _populations(
    rows: pd.DataFrame, cohorts: CohortSet, *, since: str, dated: str
) -> Iterator[tuple[str, pd.DataFrame]]:
    """Rows since the plan's start, and those dated in the quarter."""
    start, span = cohorts.plan.plan.start, cohorts.span
    yield CUMULATIVE, rows.loc[rows[since] >= pd.Timestamp(start)]
    yield QUARTER, rows.loc[_between(rows[dated], span.first_on, span.last_on)]


def _offer_rows(cohorts: CohortSet) -> Iterator[Row]:
    contacts = cohorts.table("contacts")
    days = cohorts.plan.sensor_survival.offered_within_days
    found = after_offers(
        contacts.loc[contacts["what"] == OFFER], cohorts.table("sensors"), within_days=days,
        cut_off=cohorts.cut_off,
    )  # fmt: skip
    found = found.assign(then=found["placed"].map({True: OFFERED, False: "not placed"}))
    closed = found.loc[~found["open"]]
    for population, rows in _populations(closed, cohorts, since="on", dated="closes_on"):
        of = _Of(population=population, kind="implanted", quantity=OFFERED, at=f"{days} days",
                 unit="% of offers")  # fmt: skip
        yield from _levels(rows, "then", [OFFERED], of)


def _replaced_rows(cohorts: CohortSet) -> Iterator[Row]:
    died = cohorts.table("patients").set_index("patient_id")["died_on"]
    for days in cohorts.plan.sensor_survival.replaced_within_days:
        found = after_the_end(
            cohorts.table("sensors"), within_days=days, cut_off=cohorts.cut_off, died=died
        )
        counted = found.loc[~found["next"].isin([OPEN, DEAD])]
        for population, both in _populations(
            counted, cohorts, since="placed_on", dated="closes_on"
        ):
            for kind in KINDS:
                rows = both.loc[both["kind"] == kind]
                of = _Of(population=population, kind=kind, quantity=AGAIN,
                         at=f"{days} days", unit="% of ended sensors")  # fmt: skip
                yield from _levels(rows, "next", [SAME, OTHER, NONE], of)
                if population == CUMULATIVE:
                    yield from _reasons(rows, of)


def _reasons(rows: pd.DataFrame, of: _Of) -> Iterator[Row]:
    """Why the sensors had ended that were not placed again: counts that add up."""
    for level in (OTHER, NONE):
        left = rows.loc[rows["next"] == level]
        for reason, number_of in left["reason"].value_counts(sort=True).items():
            yield {
                "population": of.population, "kind": of.kind, "quantity": of.quantity, "at": of.at,
                "level": f"{level}: {reason}", "events": int(number_of), "n_units": len(rows),
                "n_patients": rows["patient_id"].nunique(), "unit": of.unit,
                "estimate": 100 * number_of / len(rows), "method": "count",
            }  # fmt: skip


def _timely_rows(cohorts: CohortSet) -> Iterator[Row]:
    sensors, rules = cohorts.table("sensors"), cohorts.plan.sensor_survival
    planned = timeliness(sensors, rules)
    others = ended(sensors)
    others = others.loc[(others["reason"] != "planned") & others["removed_on"].notna()]
    parts = zip(
        _populations(planned, cohorts, since="placed_on", dated="removed_on"),
        _populations(others, cohorts, since="placed_on", dated="removed_on"),
        strict=True,
    )
    for (population, both), (_, beside) in parts:
        for kind in KINDS:
            rows = both.loc[both["kind"] == kind]
            of = _Of(population=population, kind=kind, quantity=TIMELY, at=None,
                     unit="% of planned removals")  # fmt: skip
            yield from _levels(rows, "when", [BEFORE, WITHIN, AFTER], of, "exact")
            left = beside.loc[beside["kind"] == kind]
            for reason, number_of in left["reason"].value_counts(sort=True).items():
                yield {
                    "population": population, "kind": kind, "quantity": OTHER_END,
                    "level": str(reason), "at": None, "events": int(number_of),
                    "n_units": len(left), "n_patients": left["patient_id"].nunique(),
                    "estimate": 100 * number_of / len(left), "unit": "% of other removals",
                    "method": "count",
                }  # fmt: skip


def _staying_rows(cohorts: CohortSet) -> Iterator[Row]:
    rules, span = cohorts.plan.sensor_survival, cohorts.span
    for day in rules.persistence_days:
        for kind in KINDS:
            found = staying(
                cohorts.new(kind), cohorts.table("sensors"), day=day,
                gap_days=min(rules.replaced_within_days), cut_off=cohorts.cut_off,
            )  # fmt: skip
            mine = _between(found["at"], span.first_on, span.last_on)
            for population, rows in ((CUMULATIVE, found), (QUARTER, found.loc[mine])):
                of = _Of(population=population, kind=kind, quantity=STAYED, at=f"day {day}",
                         unit="% of new patients")  # fmt: skip
                told = rows.assign(then=rows["then"].replace(SAME, STILL))
                yield from _levels(told, "then", [STILL, OTHER, NONE, DIED, LOST], of)
                left = rows.loc[rows["reason"] != ""]
                for reason, number_of in left["reason"].value_counts(sort=True).items():
                    yield {
                        "population": population, "kind": kind, "quantity": STAYED,
                        "level": f"no longer: {reason}", "at": of.at, "events": int(number_of),
                        "n_units": len(rows), "n_patients": len(rows),
                        "estimate": 100 * number_of / len(rows), "unit": of.unit,
                        "method": "count",
                    }  # fmt: skip


def _followed_rows(cohorts: CohortSet) -> Iterator[Row]:
    died = cohorts.table("patients").set_index("patient_id")["died_on"]
    cut_off = pd.Timestamp(cohorts.cut_off)
    for kind in KINDS:
        rows = cohorts.new(kind)
        death = pd.to_datetime(rows["patient_id"].map(died))
        possible = (death.where(death < cut_off, cut_off) - rows["index_date"]).dt.days
        seen = (rows["follow_up_to"] - rows["index_date"]).dt.days.clip(lower=0)
        time = np.minimum(seen.fillna(0), possible).to_numpy(float)
        shown = ratio_of_sums(time, possible.clip(lower=0), cluster=rows["patient_id"])
        yield {
            "population": CUMULATIVE, "kind": kind, "quantity": FOLLOWED, "level": "time",
            "at": None, "n_units": len(rows), "n_patients": len(rows),
            "events": int((rows["follow_up_end"] == LOST).sum()), "unit": "% of patient-time",
            **_numbers(within(shown, 0, 1)),
        }  # fmt: skip


def past(cohorts: CohortSet) -> pd.DataFrame:
    """Return the sensors past their planned day at the cut-off; see `past_planned_day`."""
    return past_planned_day(
        cohorts.table("sensors"), cut_off=cohorts.cut_off, follow_up=cohorts.follow_up
    )


def _overdue_rows(cohorts: CohortSet) -> Iterator[Row]:
    found, sensors = past(cohorts), cohorts.table("sensors")
    for kind in KINDS:
        for why in (OVERDUE, IN_BODY) if kind == "implanted" else (OVERDUE,):
            mine = found.loc[(found["kind"] == kind) & (found["why"] == why)]
            of_kind = sensors.loc[sensors["kind"] == kind]
            yield {
                "population": CUMULATIVE, "kind": kind, "quantity": AT_CUT_OFF,
                "level": why, "at": str(cohorts.cut_off), "events": len(mine),
                "n_units": len(of_kind), "n_patients": of_kind["patient_id"].nunique(),
                "estimate": float(len(mine)), "unit": "sensors", "method": "count",
            }  # fmt: skip
