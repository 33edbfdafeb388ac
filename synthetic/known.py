"""The known numbers: what a right reading of the exports must find, counted from what was made."""

from __future__ import annotations

from collections import Counter
from typing import Any

from .clinic import Clinic
from .exports import Written, recorded_end
from .scenario import KINDS
from .spoil import ALIKE, BOTH_SCALES, NOTHING, REPEAT


def known_numbers(clinic: Clinic, written: Written) -> dict[str, Any]:
    """Return rows by file and table, planted rows by kind, and the counts of what happened."""
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
        "readings_beyond_a_limit": dict(sorted(written.beyond.items())),
        "words_beyond_in_repeats": {name: written.repeated_beyond[name] for name in written.beyond},
        "patients_with_complete_change_days": {
            on: {kind: written.complete[on, kind] for kind in KINDS}
            for on in sorted({on for (on, _), n in written.complete.items() if n})
        },
        "happened": happened(clinic),
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


def happened(clinic: Clinic) -> dict[str, Any]:
    """Count people, placements, attempts, ends and complications as the clinic recorded them."""
    sensors, attempts, harm = clinic.sensors, clinic.procedures, clinic.complications
    kinds = sensors.groupby("patient_id")["kind"].agg(set)
    ends = sensors.dropna(subset="end_reason").groupby(["kind", "end_reason"]).size()
    placements = attempts[attempts["what"] == "placement"]
    removals = attempts[attempts["what"] == "removal"]
    return {
        "patients": len(clinic.lives),
        "patients_without_a_site": sum(not life.course.person.site_known for life in clinic.lives),
        "offers": sum(len(life.course.decisions) for life in clinic.lives),
        "offers_declined_by_call": int((clinic.contacts["what"] == "sensor declined").sum()),
        "people_with_both_kinds": int((kinds.map(len) == 2).sum()),
        "people_with_implanted": int(kinds.map(lambda worn: "implanted" in worn).sum()),
        "sensors_by_kind": _plain(sensors.groupby("kind").size()),
        "true_ends_by_kind": {
            kind: _plain(ends[kind]) for kind in ends.index.get_level_values(0).unique()
        },
        "recorded_ends_by_kind": recorded_ends(clinic),
        "placements_completed": int(placements["completed"].sum()),
        "placements_failed": int((~placements["completed"]).sum()),
        "removals_completed": int(removals["completed"].sum()),
        "removals_failed": int((~removals["completed"]).sum()),
        "complications_by_category": _plain(harm.groupby("category").size()),
        "draws_by_method": _plain(clinic.hba1c.groupby("method").size()),
        "deaths": sum(life.course.died is not None for life in clinic.lives),
        "left": sum(life.course.left is not None for life in clinic.lives),
        "left_recorded": sum(
            life.course.left is not None and life.course.left_recorded for life in clinic.lives
        ),
    }


def recorded_ends(clinic: Clinic) -> dict[str, dict[str, int]]:
    """Count the reasons that the exports give, by kind; "" where they give none."""
    counts: dict[str, Counter[str]] = {kind: Counter() for kind in KINDS}
    for life in clinic.lives:
        for sensor in life.course.sensors:
            counts[sensor.model.kind][recorded_end(sensor, life)[2]] += 1
    return {kind: dict(sorted(found.items())) for kind, found in counts.items()}


def _plain(counts: Any) -> dict[str, int]:
    return {str(name): int(n) for name, n in counts.items()}
