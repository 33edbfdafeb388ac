"""Which table the files of a layout feed, and which heading is which column: by words and cells.

Every pair of a column and a heading gets a score: what the heading says counts twice, what the
cells look like once; a pair that the cells rule out gets none. The best one-to-one choice of pairs
is the proposal for a table, and the table with the best proposal is the proposal for the layout.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from scipy.optimize import linear_sum_assignment

from outcomes.schema import Column, Schema
from outcomes.tables.declared import DECLARED
from outcomes.tables.draft_codes import CODES, SAME_CODES, unit_for, word_for
from outcomes.tables.draft_columns import MOST_CODES, MOSTLY, Profile
from outcomes.tables.draft_layouts import Layout, best_name_id, ids_in_titles
from outcomes.tables.draft_words import (
    HEADINGS,
    ID_MARKS,
    NO_WORDS,
    PATIENT_WORDS,
    RELATION_WORDS,
    TABLE_WORDS,
    UNIT_WORDS,
    YES_WORDS,
    Words,
    heading_fit,
    plain,
)

ACCEPTED: Final = 4.0  # the score from which a pair is proposed
LEFT_OVER: Final = 1.5  # the same for a column that is needed and a heading that is left over
MISSING_COLUMN: Final = 7.0  # what a table loses for each column that it needs and does not find
NAMED: Final = 4.0  # what the words of file and folder are worth
FEWEST_IDS: Final = 5
HEADINGS_NOT_USED: Final = 0.5
# Columns for which one word for all rows can be proposed where no heading tells them.
CONSTANTS: Final[Mapping[str, tuple[str, ...]]] = {
    "sensors": ("kind", "planned_days"),
    "contacts": ("what",),
    "procedures": ("attempt", "completed", "what"),
    "complications": ("deficiency_only", "serious"),
}
# The share of rows with a day, up to which a column of days is an end whatever its heading.
END_OF: Final = {"removed_on": "stopped_on"}  # one end of a sensor will do
ENDS: Final = {"died_on": 0.5, "removed_on": 0.99}
MEASURED: Final = ("readings", "fingersticks", "hba1c")
ROW_IDS: Final = {
    "sensors": "sensor_id",
    "procedures": "procedure_id",
    "complications": "complication_id",
}


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Proposal:
    """A table for the files of a layout: heading by column, where the patient stands, the score."""

    layout: Layout
    table: str
    columns: dict[str, str]
    score: float
    lacking: tuple[str, ...] = ()
    unit_heading: str | None = None
    patient_from: str = "column"  # column, file_name, preamble or none
    next_best: str = ""
    certain: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Known:
    """Ids that other files tell: they say more about a column than its heading."""

    patients: frozenset[str] = frozenset()
    sensors: frozenset[str] = frozenset()
    procedures: frozenset[str] = frozenset()


def proposals(layouts: list[Layout]) -> list[Proposal]:
    """Return the best table for every layout that one fits; three rounds, as ids become known."""
    known = Known(patients=shared_ids(layouts))
    found: list[Proposal] = []
    for _ in range(3):
        found = [best for layout in layouts if (best := _best(layout, known)) is not None]
        known = Known(
            patients=_ids(found, "patients", "patient_id") or _all_patients(found),
            sensors=_ids(found, "sensors", "sensor_id"),
            procedures=_ids(found, "procedures", "procedure_id"),
        )
    return found


def shared_ids(layouts: list[Layout]) -> frozenset[str]:
    """Return ids that most files share, where no heading names a patient; else nothing."""
    columns = [
        (place, frozenset(profile.counts))
        for place, layout in enumerate(layouts)
        for profile in layout.profiles
        if profile.looks_like_id and len(profile.counts) >= FEWEST_IDS
    ]
    named = any(
        heading_fit(p.heading, PATIENT_WORDS) >= 2 for layout in layouts for p in layout.profiles
    )
    if named or not columns:
        return frozenset()

    def shared(ids: frozenset[str]) -> tuple[int, int]:
        near = {place for place, other in columns if len(ids & other) >= 0.6 * len(other)}
        return len(near), -len(ids)

    best = max((ids for _, ids in columns), key=shared)
    return best if shared(best)[0] > 1 else frozenset()


def known_patients(found: list[Proposal]) -> frozenset[str]:
    """Return the ids of the patients that the proposals find."""
    return _ids(found, "patients", "patient_id") or _all_patients(found)


def _ids(found: list[Proposal], table: str, column: str) -> frozenset[str]:
    return frozenset(
        text
        for one in found
        if one.table == table and column in one.columns
        for text in one.layout.profile(one.columns[column]).counts
    )


def _all_patients(found: list[Proposal]) -> frozenset[str]:
    return frozenset(
        text
        for one in found
        if "patient_id" in one.columns
        for text in one.layout.profile(one.columns["patient_id"]).counts
    )


def _best(layout: Layout, known: Known) -> Proposal | None:
    if not layout.rows:
        return None
    ranked = sorted(
        (one for table in DECLARED if (one := propose(layout, table, known)) is not None),
        key=lambda one: -one.score,
    )
    if not ranked or ranked[0].score <= 0:
        return None
    second = ranked[1].table if len(ranked) > 1 and ranked[1].score > 0 else ""
    return replace(ranked[0], next_best=second)


def propose(
    layout: Layout, table: str, known: Known, *, apart_from: Collection[str] = ()
) -> Proposal | None:
    """Return the best reading of a layout as `table`; None where its cells rule the table out."""
    schema = DECLARED[table]
    names = [c.name for c in schema.columns if c.name in HEADINGS[table] or c.name == "patient_id"]
    profiles = [p for p in layout.profiles if p.filled and p.heading not in apart_from]
    unit = _unit_column(profiles) if table in MEASURED else None
    profiles = [p for p in profiles if p.heading != unit]
    score = np.array(
        [[pair_score(table, schema.column(n), p, layout, known) for p in profiles] for n in names]
    ).reshape(len(names), len(profiles))
    rows, places = linear_sum_assignment(-np.clip(score, 0, None))
    chosen = {
        names[i]: (profiles[j].heading, float(score[i, j]))
        for i, j in zip(rows, places, strict=True)
        if score[i, j] >= ACCEPTED
    }
    _by_elimination(chosen, names, profiles, score, schema)
    patient_from = _patient_place(layout, "patient_id" in chosen, known)
    given = {*chosen, *CONSTANTS.get(table, ())}
    if patient_from != "none":
        given.add("patient_id")
    lacking = tuple(c.name for c in schema.columns if not _told(c, table, given))
    if table in ("readings", "fingersticks") and {"time", "value"} & set(lacking):
        return None
    unused = len(profiles) - len(chosen)
    total = sum(value for _, value in chosen.values()) - MISSING_COLUMN * len(lacking)
    total += NAMED * _is_named(layout, table) - HEADINGS_NOT_USED * unused
    total += _pace(layout, table, chosen) + (2.0 if unit else 0.0)
    total -= 2.0 * sum(name not in chosen for name in CONSTANTS.get(table, ()))
    return Proposal(
        layout=layout, table=table, score=total, lacking=lacking, unit_heading=unit,
        columns={n: chosen[n][0] for n in schema.names if n in chosen},
        patient_from=patient_from, certain={n: value for n, (_, value) in chosen.items()},
    )  # fmt: skip


def _by_elimination(
    chosen: dict[str, tuple[str, float]], names: list[str], profiles: list[Profile],
    score: np.ndarray, schema: Schema,
) -> None:  # fmt: skip
    """Give the columns that a table needs and no heading names what is left, where it can be it."""
    for i, name in enumerate(names):
        column = schema.column(name)
        needed = column.required and name != "patient_id"
        if name in chosen or not (needed or (name in END_OF and END_OF[name] not in chosen)):
            continue
        used = {heading for heading, _ in chosen.values()}
        left = [
            (float(score[i, j]), -j) for j, p in enumerate(profiles) if p.heading not in used
        ]  # the best of them, and of equals the first
        least = LEFT_OVER if needed else 0.0
        if left and max(left)[0] >= least and not column.categories:
            value, place = max(left)
            chosen[name] = (profiles[-place].heading, value)


def _told(column: Column, table: str, given: Collection[str]) -> bool:
    if not column.required or column.name in given or "unknown" in column.categories:
        return True
    if column.name in ("local_offset", "unit", "capped"):
        return True
    return column.name == "placed_on" and "placed_at" in given


def _patient_place(layout: Layout, has_column: bool, known: Known) -> str:
    if has_column:
        return "column"
    if layout.title_id and ids_in_titles(layout):
        return "preamble"
    piece, count = best_name_id(layout, known.patients)
    if piece is not None and (count or not known.patients):
        return "file_name"
    return "none"


def _is_named(layout: Layout, table: str) -> bool:
    parts = plain(layout.first.name.replace("_", " ").replace("/", " / ")).split()
    sheet = plain(layout.first.sheet or "").split() if layout.first.shown_sheets > 1 else []
    stems = TABLE_WORDS[table].split()
    return any(part.startswith(stem) for part in (*parts, *sheet) for stem in stems)


def _unit_column(profiles: list[Profile]) -> str | None:
    for profile in (p for p in profiles if p.is_category):
        known = [text for text in profile.counts if unit_for(text)]
        named = heading_fit(profile.heading, UNIT_WORDS) >= 2
        if known and (named or profile.share(known) >= MOSTLY):
            return profile.heading
    return None


def _pace(layout: Layout, table: str, chosen: Mapping[str, tuple[str, float]]) -> float:
    """Return what the distance of the times says for readings and against fingersticks."""
    paced = layout.profile(chosen["time"][0]).is_paced if "time" in chosen else None
    if table not in ("readings", "fingersticks") or paced is None:
        return 0.0
    return 6.0 if paced == (table == "readings") else -6.0


# --- how well a heading fits a column ------------------------------------------------------------


def pair_score(table: str, column: Column, profile: Profile, layout: Layout, known: Known) -> float:
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
    cells = _cells_score(table, column, profile, layout, known)
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


def _cells_score(
    table: str, column: Column, profile: Profile, layout: Layout, known: Known
) -> float:
    if column.kind == "id":
        return _id_score(table, column, profile, known)
    if column.kind in ("date", "instant"):
        return _date_score(table, column, profile)
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


def _date_score(table: str, column: Column, profile: Profile) -> float:
    if not profile.orders:
        return -1.0
    if column.kind == "instant":
        return (4.0 if column.name == "time" else 2.0) if profile.has_clock else -1.0
    if profile.has_clock and not profile.typed:
        return -1.0
    full = profile.filled >= 0.95 * profile.rows and not profile.sentinels(
        profile.orders[0].pattern
    )
    if column.name in ENDS and not full:
        # A day that most rows do not have, or a word for never, is an end.
        filled = profile.filled - sum(
            profile.counts[t] for t in profile.sentinels(_pattern(profile))
        )
        return 4.0 if filled <= ENDS[column.name] * profile.rows else 1.5
    main = column.required or column.name in ("recorded_on", "covered_from")
    return 1.5 if full == main else 0.0


def _pattern(profile: Profile) -> str:
    return profile.orders[0].pattern


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
