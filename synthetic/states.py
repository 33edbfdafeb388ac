"""Dated facts about a patient: site, insulin delivery, other drugs, pregnancy, unreliable HbA1c."""

from __future__ import annotations

from dataclasses import dataclass, replace

from .course import Course
from .scenario import Scenario, stream


@dataclass(frozen=True, kw_only=True)
class State:
    """One fact from day `first` to day `last` (None: it lasts)."""

    what: str
    value: str
    first: int
    last: int | None = None


def states(scenario: Scenario, seed: int, lived: Course) -> list[State]:
    """Return the facts of one patient in order."""
    rng = stream(seed, lived.person.index, "export")
    who = lived.person
    rows = [State(what="site", value=who.site, first=who.joined)] if who.site_known else []
    change = who.joined + int(rng.integers(100, 800))
    to_pump = who.delivery == "injections" and rng.random() < 0.10 and change < lived.end
    rows.append(
        State(
            what="insulin delivery", value=who.delivery, first=who.joined,
            last=change - 1 if to_pump else None,
        )
    )  # fmt: skip
    if to_pump:
        rows.append(State(what="insulin delivery", value="pump", first=change))
    if lived.drug_from is not None and lived.drug_from <= lived.end:
        rows.append(
            State(what="other glucose-lowering drug", value="started", first=lived.drug_from)
        )
    if who.sex == "female" and who.age_years < 43 and rng.random() < 0.12:
        first = who.joined + int(rng.integers(30, 500))
        if first < lived.end:
            rows.append(State(what="pregnancy", value="yes", first=first, last=first + 268))
    if rng.random() < 0.06:
        first = who.joined + int(rng.integers(0, 500))
        if first < lived.end:
            rows.append(
                State(what="hba1c unreliable", value="transfusion", first=first, last=first + 90)
            )
    # An end that lies ahead is not known on the day of the export.
    return [
        replace(row, last=None) if row.last is not None and row.last > scenario.last_day else row
        for row in rows
    ]
