"""Which table the files of a layout feed, and which heading is which column: by words and cells.

Every pair of a column and a heading gets a score: what the heading says counts twice, what the
cells look like once; a pair that the cells rule out gets none. The best one-to-one choice of pairs
is the proposal for a table, and the table with the best proposal is the proposal for the layout.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.optimize import linear_sum_assignment

from outcomes.schema import Column, Schema
from outcomes.tables.declared import DECLARED
from outcomes.tables.draft_codes import unit_for
from outcomes.tables.draft_columns import MOSTLY, Profile
from outcomes.tables.draft_layouts import Layout, best_name_id, ids_in_titles
from outcomes.tables.draft_scores import MEASURED, Known, pair_score
from outcomes.tables.draft_words import (
    HEADINGS,
    PATIENT_WORDS,
    TABLE_WORDS,
    UNIT_WORDS,
    heading_fit,
    plain,
)

ACCEPTED: Final = 4.0  # the score from which a pair is proposed
LEFT_OVER: Final = 1.5  # the same for a column that is needed and a heading that is left over
MISSING_COLUMN: Final = 7.0  # what a table loses for each column that it needs and does not find
NAMED: Final = 4.0  # what the words of file and folder are worth
HEADING_NOT_USED: Final = 0.5  # what it loses for each heading that it has no use for
FEWEST_IDS: Final = 5  # of a column that can tell who the patients are
# Columns for which one word for all rows can be proposed where no heading tells them.
CONSTANTS: Final[Mapping[str, tuple[str, ...]]] = {
    "sensors": ("kind", "planned_days"),
    "contacts": ("what",),
    "procedures": ("attempt", "completed", "what"),
    "complications": ("deficiency_only", "serious"),
}
END_OF: Final = {"removed_on": "stopped_on"}  # one end of a sensor will do


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
        [[pair_score(table, schema.column(n), p, known) for p in profiles] for n in names]
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
    total += NAMED * _is_named(layout, table) - HEADING_NOT_USED * unused
    total += _pace(layout, table, chosen) + (2.0 if unit else 0.0)
    total -= 2.0 * sum(name not in chosen for name in CONSTANTS.get(table, ()))
    return Proposal(
        layout=layout, table=table, score=total, lacking=lacking, unit_heading=unit,
        columns={n: chosen[n][0] for n in schema.names if n in chosen},
        patient_from=patient_from,
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
