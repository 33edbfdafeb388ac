"""How well a heading fits one column: its words count twice, its cells once or decide."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from outcomes.schema import Column
from outcomes.tables.draft_codes import CODES, SAME_CODES, word_for
from outcomes.tables.draft_columns import MOST_CODES, Profile
from outcomes.tables.draft_words import (
    HEADINGS,
    ID_MARKS,
    NO_WORDS,
    PATIENT_WORDS,
    RELATION_WORDS,
    YES_WORDS,
    Words,
    heading_fit,
    plain,
)

MEASURED: Final = ("readings", "fingersticks", "hba1c")
ROW_IDS: Final = {
    "sensors": "sensor_id",
    "procedures": "procedure_id",
    "complications": "complication_id",
}
# The share of rows with a day, up to which a column of days is an end whatever its heading.
ENDS: Final = {"died_on": 0.5, "removed_on": 0.99}


@dataclass(frozen=True, kw_only=True)
class Known:
    """Ids that other files tell: they say more about a column than its heading."""

    patients: frozenset[str] = frozenset()
    sensors: frozenset[str] = frozenset()
    procedures: frozenset[str] = frozenset()


def pair_score(table: str, column: Column, profile: Profile, known: Known) -> float:
    """Return the score of a pair; below 0 where the cells rule it out."""
    if column.name == "patient_id":
        return _patient_score(profile, known)
    words = HEADINGS[table][column.name]
    fit = heading_fit(profile.heading, words)
    if column.name.startswith("related_to"):
        related = heading_fit(profile.heading, RELATION_WORDS) >= 2
        fit = fit if related else min(fit, 1.0)
    elif heading_fit(profile.heading, RELATION_WORDS) >= 2 and column.name != "category":
        fit = 0.0
    cells = _cells_score(table, column, profile, known)
    return -1.0 if cells < 0 else 2 * fit + cells


def _patient_score(profile: Profile, known: Known) -> float:
    if not profile.looks_like_id and not (known.patients and profile.counts):
        return -1.0
    if profile.orders or profile.marks or profile.units:
        return -1.0
    fit = heading_fit(profile.heading, PATIENT_WORDS)
    if not known.patients:
        last = plain(profile.heading).split()[-1:]
        fit = fit or (1.5 if last and last[0] in ID_MARKS else 0.0)
        return 2 * fit
    held = sum(text in known.patients for text in profile.counts) / max(len(profile.counts), 1)
    return 2 * fit + (6.0 if held >= 0.75 and len(profile.counts) > 1 else -2.0)


def _cells_score(table: str, column: Column, profile: Profile, known: Known) -> float:
    if column.kind == "id":
        return _id_score(table, column, profile, known)
    if column.kind in ("date", "instant"):
        return _date_score(column, profile)
    if column.unit == "year":
        return _year_score(column, profile)
    if column.name == "value" and table in MEASURED:
        return _value_score(table, profile)
    if column.kind in ("integer", "number"):
        return _integer_score(column, profile)
    if column.kind == "flag":
        return _flag_score(profile)
    if column.categories or f"{table}.{column.name}" in CODES:
        return _category_score(table, column, profile)
    if profile.orders or profile.marks:
        return -1.0
    return 0.5 if profile.is_category else 0.0


def _id_score(table: str, column: Column, profile: Profile, known: Known) -> float:
    if profile.orders or profile.marks or profile.units:
        return -1.0
    if ROW_IDS.get(table) == column.name:
        if not profile.is_unique and len(profile.counts) < 0.8 * profile.filled:
            return -1.0
        held = sum(text in known.patients for text in profile.counts)
        return -1.0 if held > 0.5 * len(profile.counts) else 3.0
    ids = {"sensor_id": known.sensors, "procedure_id": known.procedures}.get(column.name)
    if ids:
        found = sum(text in ids for text in profile.counts) / len(profile.counts)
        return 5.0 if found >= 0.6 else -1.0
    held = sum(text in known.patients for text in profile.counts)
    return -1.0 if held > 0.5 * len(profile.counts) else 0.0


def _date_score(column: Column, profile: Profile) -> float:
    if not profile.orders:
        return -1.0
    if column.kind == "instant":
        told = profile.has_clock and not profile.is_midnight
        return (4.0 if column.name == "time" else 2.0) if told else -1.0
    never = sum(profile.counts[t] for t in profile.sentinels(profile.orders[0].pattern))
    full = profile.filled >= 0.95 * profile.rows and not never
    if column.name in ENDS and not full:
        # A day that most rows do not have, or a word for never, is an end.
        return 4.0 if profile.filled - never <= ENDS[column.name] * profile.rows else 1.5
    if profile.has_clock and not profile.typed and not profile.is_midnight:
        return 0.0  # a time fits a day, but less well
    main = column.required or column.name in ("recorded_on", "covered_from")
    return 1.5 if full == main else 0.0


def _year_score(column: Column, profile: Profile) -> float:
    years = profile.years
    if not len(years):
        return -1.0
    middle = float(np.median(years))
    spread = float(np.percentile(years, 90) - np.percentile(years, 10)) if len(years) > 2 else 0.0
    if column.name == "birth_year":
        told = 1915 <= middle <= 1992 and spread >= 10 and len(profile.counts) > 5
        return 4.0 if told else (0.0 if middle < 2015 else -1.0)
    return 1.0 if middle >= 1940 else -1.0


def _value_score(table: str, profile: Profile) -> float:
    values = profile.numbers
    if not profile.is_number or not len(values) or profile.orders:
        return -1.0
    middle = float(np.median(values))
    if table == "hba1c":
        percent = ((values >= 3) & (values <= 20)).mean()
        ifcc = ((values >= 20) & (values <= 195)).mean()
        if percent + ifcc < 0.9 or len(profile.counts) < 3:
            return -1.0
        named = heading_fit(profile.heading, "hba1c a1c hba ifcc ngsp") >= 2
        return 3.0 if named else (1.5 if 4 <= middle <= 14 and profile.marks else 0.0)
    molar = 2 <= middle <= 25 and values.max() <= 60
    mass = 40 <= middle <= 350 and np.percentile(values, 95) >= 90
    if not (molar or mass) or len(profile.counts) < 5:
        return -1.0
    return 2.5 if not profile.is_unique or profile.filled < 50 else 1.0


def _integer_score(column: Column, profile: Profile) -> float:
    values = profile.numbers
    if not profile.is_plain_number or profile.marks or not len(values) or profile.orders:
        return -1.0
    low, high = column.low or 0.0, min(column.high or 1e9, 800)
    inside = ((values >= low) & (values <= high)).mean()
    if inside < 0.85:
        return -1.0
    few = len(profile.counts) <= 8
    if column.name == "planned_days":
        return (2.0 if few else 0.5) if np.median(values) >= 5 else -1.0
    if column.name == "attempt":
        return 2.0 if few and values.min() <= 1 and np.median(values) <= 2 else -1.0
    return 0.5


def _flag_score(profile: Profile) -> float:
    if len(profile.counts) > 4:
        return -1.0
    known = [t for t in profile.counts if t.casefold() in YES_WORDS | NO_WORDS]
    return 2.0 if profile.share(known) >= 0.85 else -1.0


def codes_of(table: str, column: str) -> Words:
    """Return the words by which codes of a column are guessed."""
    named = CODES.get(f"{table}.{column}") or CODES.get(column)
    return named or CODES.get(SAME_CODES.get(column, ""), {})


def _category_score(table: str, column: Column, profile: Profile) -> float:
    if len(profile.counts) > MOST_CODES or profile.orders or profile.marks or profile.units:
        return -1.0
    words = codes_of(table, column.name)
    known = [t for t in profile.counts if word_for(t, words, column.categories)]
    share = profile.share(known)
    if share < 0.5:
        two = column.name == "kind" and len(profile.counts) == 2
        return (1.0 if two else 0.0) if profile.is_category else -1.0
    letters = profile.share(t for t in known if len(plain(t)) >= 3)
    return 2.0 * share + (2.0 if letters >= 0.5 and len(profile.counts) > 1 else 0.0)
