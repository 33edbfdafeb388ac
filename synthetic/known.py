"""The known numbers: what a right reading of the exports must find, counted from what was made."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any

from .clinic import Clinic, Life, contacts_of
from .exports import recorded_end
from .readings import Written
from .scenario import KINDS
from .spoil import ALIKE, BOTH_SCALES, NOTHING, REPEAT


def known_numbers(happened: Happened, written: Written) -> dict[str, Any]:
    """Return rows by file and table, wrong rows by kind, misleading ones, and what happened."""
    rows = {file.path: len(file.rows) for file in written.files}
    table = {file.path: file.table for file in written.files}
    rows |= dict(written.reading_rows)
    table |= dict.fromkeys(written.reading_rows, "readings")
    planted = [p for file in written.files for p in file.planted] + written.planted
    return {
        "rows_by_file": rows,
        "tables": {
            name: _of_table(name, rows, table, planted) for name in sorted({*table.values()})
        },
        "planted": planted,
        "traps": written.traps,
        "readings_beyond_a_limit": dict(sorted(written.beyond.items())),
        "words_beyond_in_repeats": {name: written.repeated_beyond[name] for name in written.beyond},
        "patients_with_complete_change_days": {
            on: {kind: written.complete[on, kind] for kind in KINDS}
            for on in sorted({on for (on, _), n in written.complete.items() if n})
        },
        "happened": happened.told(),
    }


def _of_table(
    name: str, rows: dict[str, int], table: dict[str, str], planted: list[dict[str, Any]]
) -> dict[str, Any]:
    read = sum(n for path, n in rows.items() if table[path] == name)
    kinds: Counter[str] = Counter()
    for plant in planted:
        if plant["table"] == name:
            kinds[plant["kind"]] += plant.get("rows", 1)
    both = kinds.pop(BOTH_SCALES, 0)  # told again in the other scale: the row in % stays
    alike = kinds.pop(ALIKE, 0)
    repeats = kinds.pop(REPEAT, 0) + both + alike
    nothing = kinds.pop(NOTHING, 0)
    kept = {kind: kinds.pop(kind) for kind in list(kinds) if kind.startswith("kept")}
    return {
        "rows": read,
        "exact_repeats": repeats,
        "of_these_one_draw_in_both_scales": both,
        "of_these_in_the_hour_that_comes_twice": alike,
        "set_aside": dict(sorted(kinds.items())),
        "set_aside_in_all": sum(kinds.values()),
        "flagged": kept,
        "without_a_value": nothing,
        "kept": read - repeats - nothing - sum(kinds.values()),
    }


class Happened:
    """Counts of people, placements, attempts, ends and complications, as patients come in."""

    def __init__(self) -> None:
        self.counts: Counter[tuple[str, ...]] = Counter()

    def add(self, block: Clinic) -> None:
        """Count what happened to some patients."""
        for life in block.lives:
            self.counts.update(_events(life))

    def told(self) -> dict[str, Any]:
        """Return the counts by name, and within some by kind, category or reason."""
        found: dict[str, Any] = {
            "patients": 0, "patients_without_a_site": 0, "offers": 0, "offers_declined_by_call": 0,
            "people_with_both_kinds": 0, "people_with_implanted": 0, "sensors_by_kind": {},
            "true_ends_by_kind": {}, "recorded_ends_by_kind": {kind: {} for kind in KINDS},
            "placements_completed": 0, "placements_failed": 0, "removals_completed": 0,
            "removals_failed": 0, "complications_by_category": {}, "draws_by_method": {},
            "deaths": 0, "left": 0, "left_recorded": 0,
        }  # fmt: skip
        for keys, n in sorted(self.counts.items()):
            within = found
            for key in keys[:-1]:
                within = within.setdefault(key, {})
            within[keys[-1]] = n
        return found


def _events(life: Life) -> Iterator[tuple[str, ...]]:
    """Name everything that happened to one patient, once for each time."""
    lived = life.course
    yield ("patients",)
    if not lived.person.site_known:
        yield ("patients_without_a_site",)
    yield from [("offers",)] * len(lived.decisions)
    calls = [what for _, what in contacts_of(lived) if what == "sensor declined"]
    yield from [("offers_declined_by_call",)] * len(calls)
    kinds = {sensor.model.kind for sensor in lived.sensors}
    if len(kinds) == len(KINDS):
        yield ("people_with_both_kinds",)
    if "implanted" in kinds:
        yield ("people_with_implanted",)
    for sensor in lived.sensors:
        yield "sensors_by_kind", sensor.model.kind
        if sensor.works_until <= lived.end:
            yield "true_ends_by_kind", sensor.model.kind, sensor.reason
        yield "recorded_ends_by_kind", sensor.model.kind, recorded_end(sensor, life)[2]
    for attempt in life.procedures:
        yield (f"{attempt.what}s_{'completed' if attempt.completed else 'failed'}",)
    for harm in life.complications:
        yield "complications_by_category", harm.category
    for draw in lived.draws:
        yield "draws_by_method", draw.method
    if lived.died is not None:
        yield ("deaths",)
    if lived.left is not None:
        yield ("left",)
        if lived.left_recorded:
            yield ("left_recorded",)
