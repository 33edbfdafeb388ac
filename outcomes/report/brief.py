"""The answers for a committee: everyday words and natural frequencies, made from the records."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Final

import pandas as pd

from outcomes.measures.hba1c_change_rows import CHANGE, CHANGE_MODEL
from outcomes.report.sections import Answers
from outcomes.results import Record, Result, number
from outcomes.units import counted

ORDINARY: Final[tuple[dict[str, str], ...]] = ({}, {"stratum": "new"}, {"counted": "all reported"})
Sentence = Callable[[Record], str]


def plain_answers(*results: Result) -> Answers:
    """Return the questions with answers in plain words, one sentence a cohort.

    Only cumulative headline figures are told. A figure that does not exist, or is hidden from the
    audience, is told as such with its reason.
    """
    rows = [
        {"question": question, "answer": " ".join(sentences)}
        for result in results
        for question, sentences in [_told(result)]
        if sentences
    ]
    return Answers(
        name="plain_answers",
        title="The questions and their answers",
        table=pd.DataFrame(rows, columns=["question", "answer"]),
        entries=(),
        finding="",
        caption="The questions of the quarter, answered in plain words.",
        audience=results[0].audience if results else "clinic",
    )


def only(result: Result, *parts: str, height: float | None = None) -> Result:
    """Return the result shown by its finding, in plain words where it has them, and these parts.

    Its data stay whole.

    Parameters
    ----------
    result : Result
    parts : str
        Any of "figure", "table", "footnotes" and "settings"; none for the finding alone.
    height : float, optional
        Another height of the figure, in inches.
    """
    finding = result.plain or result.finding
    return replace(result, parts=parts, finding=finding, height=height or result.height)


def _told(result: Result) -> tuple[str, list[str]]:
    outcome = next((entry.outcome for entry in result.entries), result.name)
    sentences = []
    for named, quantity, unit, at, words in FIGURES:
        if named == outcome:
            found = _cohorts(result.entries, quantity, unit, at)
            if quantity == CHANGE:
                model = _cohorts(result.entries, CHANGE_MODEL, unit, at)
                found = {cohort: _primary(one, model.get(cohort)) for cohort, one in found.items()}
            for entry in found.values():
                sentences.append(words(entry) if entry.estimate is not None else _untold(entry))
    return result.title, sentences or [result.plain or result.finding]


def _primary(seen: Record, model: Record | None) -> Record:
    """Return the change by the model, the primary one, with its n of those due; else as seen."""
    if model is None or model.estimate is None:
        return seen
    return replace(
        seen, estimate=model.estimate, conf_low=model.conf_low, conf_high=model.conf_high
    )


def _cohorts(entries: Iterable[Record], quantity: str, unit: str, at: str) -> dict[str, Record]:
    """Return the figure's cumulative record of each cohort, the first where there are several."""
    found: dict[str, Record] = {}
    for entry in entries:
        if (
            (entry.quantity, entry.unit, entry.population) == (quantity, unit, "cumulative")
            and entry.cohort is not None
            and (entry.at or "").startswith(at)
            and dict(entry.by) in ORDINARY
        ):
            found.setdefault(entry.cohort, entry)
    return found


def _untold(entry: Record) -> str:
    place = ", ".join(filter(None, (entry.cohort, entry.quantity, entry.at)))
    return f"Not told for {place}: {entry.note or 'no data'}."


def _hba1c(entry: Record) -> str:
    change, (low, high) = entry.estimate or 0.0, _limits(entry)
    way = "lower" if change < 0 else "higher"
    due = f" of {entry.n_units} due" if entry.n_units and entry.n_units != entry.n_patients else ""
    return (
        f"About six months after the first {entry.cohort} sensor, HbA1c was on average "
        f"{number(abs(change), 1)} points {way} than before ({_patients(entry)} measured{due}); "
        f"anything from {_change(low)} to {_change(high)} fits these data."
    )


def _change(value: float | None) -> str:
    if value is None:
        return "no stated limit"
    if abs(value) < 0.05:
        return "no change"
    return f"{number(abs(value), 1)} points {'lower' if value < 0 else 'higher'}"


def _time_in_range(entry: Record) -> str:
    low, high = _limits(entry)
    hours = [_hours(value) for value in (entry.estimate, low, high)]
    return (
        f"In the seventh month with an {entry.cohort} sensor, patients were in range for about "
        f"{hours[0]} of 24 hours a day (between {hours[1]} and {hours[2]}; "
        f"{_patients(entry)} with enough readings)."
    )


def _hours(share: float | None) -> str:
    return "an unknown number" if share is None else number(share * 24 / 100, 0)


def _reached(entry: Record) -> str:
    low, high = _limits(entry)
    units = f"; {counted(entry.n_units, 'sensor')}" if entry.n_units else ""
    return (
        f"Of every 100 {entry.cohort} sensors placed, about {number(entry.estimate, 0)} reached "
        f"their planned removal (between {number(low, 0)} and {number(high, 0)}{units})."
    )


def _lost(entry: Record) -> str:
    low, high = _limits(entry)
    return (
        f"About {number(entry.estimate, 0)} of every 100 {entry.cohort} sensors were lost before "
        f"it (between {number(low, 0)} and {number(high, 0)})."
    )


def _procedures(entry: Record) -> str:
    low, high = _limits(entry)
    found = "no harm" if entry.events == 0 else f"{entry.events} with harm within 30 days"
    upper = number(high, 0)
    reach = f"up to {upper} in 100" if not low else f"{number(low, 0)} to {upper} in 100"
    return f"Of {counted(entry.n_units or 0, 'attempted placement')}, {found}; {reach} would fit."


def _wear(entry: Record) -> str:
    low, high = _limits(entry)
    reach = f"between {number(low, 0)} and {number(high, 0)}"
    if entry.events == 0:
        return (
            f"No patient wearing {entry.cohort} sensors had a harm of wear; if 100 patients wore "
            f"them for a year, up to {number(high, 0)} might."
        )
    return (
        f"If 100 patients wore {entry.cohort} sensors for a year, about "
        f"{number(entry.estimate, 0)} first harms would be expected ({reach}; so far "
        f"{entry.events} in {_patients(entry)})."
    )


def _contacts(entry: Record) -> str:
    low, high = _limits(entry)
    return (
        f"Patients new to {entry.cohort} sensors were seen or spoken to about "
        f"{number(entry.estimate)} times a year (between {number(low)} and {number(high)})."
    )


def _patients(entry: Record) -> str:
    return counted(entry.n_patients or 0, "patient")


def _limits(entry: Record) -> tuple[float | None, float | None]:
    return entry.conf_low, entry.conf_high


FIGURES: Final[Sequence[tuple[str, str, str, str, Sentence]]] = (
    ("hba1c_change", CHANGE, "percentage points", "month 6", _hba1c),
    ("time_in_range", "share 70-180", "% of time", "period 7", _time_in_range),
    ("sensor_survival", "reached planned removal", "of 100 sensors placed", "eve", _reached),
    ("sensor_survival", "lost before the planned day", "of 100 sensors placed", "eve", _lost),
    (
        "complications",
        "harm within 30 days, attempted placements",
        "% of procedures",
        "",
        _procedures,
    ),
    ("complications", "harm of wear, first events", "per 100 patient-years", "", _wear),
    ("complications", "contacts", "per patient-year", "", _contacts),
)
