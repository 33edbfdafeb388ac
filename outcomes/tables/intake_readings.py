"""Readings and fingersticks on their way into a study: by patient, in order, by every rule."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.tables.declared import (
    CAPPED,
    FINGERSTICKS,
    GLUCOSE_UNITS,
    READINGS,
)
from outcomes.tables.feeding import Feed
from outcomes.tables.intake_work import Intake
from outcomes.tables.reading_rules import REASONS, ReadingRules
from outcomes.tables.reading_store import ReadingBlock, WornSensors
from outcomes.tables.rules import NOTE, RULES
from outcomes.tables.timed_rows import Names, TimedRows, block_of, set_rows_aside, settled

Array = npt.NDArray[Any]
MUCH_CAPPED: Final = 0.01  # above this share, a mean or SD is read with care


def collect(work: Intake, feeds: list[Feed], rows: TimedRows) -> None:
    """Read the sources `feeds` into `rows`."""
    for feed in feeds:
        for part in work.judged(feed):
            rows.add(part)


def fingersticks(work: Intake, spill: Path) -> pd.DataFrame:
    """Return the fingersticks to keep, in the declared columns; `spill` is a folder to make."""
    with TimedRows(spill=spill) as rows:
        collect(work, work.of(FINGERSTICKS.name), rows)
        parts = []
        for patient_id, own in rows.by_patient():
            kept = settled(
                FINGERSTICKS.name, patient_id, own, rows.sensors.names, work.ledger, by_sensor=False
            )
            work.ledger.keep(kept["entry"])
            parts.append(_fingerstick_frame(patient_id, kept))
    work.ledger.close_table(FINGERSTICKS.name)
    work.refuse_empty_join(FINGERSTICKS.name)
    return pd.concat(parts, ignore_index=True) if parts else FINGERSTICKS.empty()


def _fingerstick_frame(patient_id: str, rows: Array) -> pd.DataFrame:
    flags = np.array([False, True, None], dtype=object)[rows["flag"]]
    return pd.DataFrame(
        {
            "patient_id": np.full(len(rows), patient_id, dtype=object),
            "time": rows["time"].astype("datetime64[us]").astype("datetime64[ns]"),
            "local_offset": pd.array(rows["offset"].astype(np.int64), dtype="Int64"),
            "value": rows["value"],
            "unit": np.array(GLUCOSE_UNITS, dtype=object)[rows["unit"]],
            "capped": np.array([CAPPED[0], CAPPED[2], CAPPED[1]], dtype=object)[rows["capped"]],
            "used_for_calibration": pd.array(flags, dtype="boolean"),
        }
    )


def blocks(
    work: Intake, rows: TimedRows, tables: dict[str, pd.DataFrame]
) -> Iterator[ReadingBlock]:
    """Yield each patient's readings to keep; afterwards the ledger tells of all of them."""
    sensors = tables["sensors"]
    known = frozenset(sensors["sensor_id"])
    names = rows.sensors.names
    strangers = np.array([*(name not in known for name in names), False])
    worn = WornSensors.from_table(sensors)
    rules = ReadingRules.from_tables(sensors, tables["patients"])
    broken: dict[str, int] = {}
    count = capped = unknown = kindless = 0
    for patient_id, own in rows.by_patient():
        kept = settled(READINGS.name, patient_id, own, names, work.ledger, by_sensor=True)
        kept = _by_rules(work, rules, patient_id, kept, rows.sensors, broken)
        work.ledger.keep(kept["entry"])
        count += len(kept)
        capped += int(np.count_nonzero(kept["capped"]))
        unknown += int(np.count_nonzero(strangers[kept["sensor"]]))
        block = block_of(patient_id, kept, names)
        nameless = block.sensor < 0
        if nameless.any():
            kind = worn.kind_of_readings(block)
            block = replace(block, kind=kind)
            kindless += int(np.count_nonzero(nameless & (kind < 0)))
        yield block
    work.ledger.close_table(READINGS.name)
    work.refuse_empty_join(READINGS.name)
    for rule, found in broken.items():
        work.ledger.note(
            rule, READINGS.name, None, found,
            f"{found:,} of {count:,} readings {RULES[rule].what}; kept.", "",
        )  # fmt: skip
    told = {
        "unknown sensor": (unknown, "name a sensor that is not in sensors; their kind is unknown"),
        "unknown kind": (
            kindless,
            "name no sensor, and no kind or both were worn that day; their kind is unknown",
        ),
        "capped": (
            capped if capped > MUCH_CAPPED * count else 0,
            f"({capped / max(count, 1):.1%}) stand for beyond a limit",
        ),
    }  # fmt: skip
    for rule, (found, what) in told.items():
        if found:
            sentence = f"{found} of {count} readings {what}."
            work.ledger.note(rule, READINGS.name, None, found, sentence, "")


def _by_rules(
    work: Intake,
    rules: ReadingRules,
    patient_id: str,
    rows: Array,
    sensors: Names,
    broken: dict[str, int],
) -> Array:
    """Return a patient's rows without those that a rule sets aside; count the noted ones."""
    out = np.zeros(len(rows), dtype=bool)
    for rule, found in rules.broken(patient_id, rows, sensors.numbers):
        found &= ~out
        count = int(np.count_nonzero(found))
        if not count:
            continue
        if work.ledger.severity(rule) == NOTE:
            broken[rule] = broken.get(rule, 0) + count
            continue
        set_rows_aside(patient_id, rows[found], sensors.names, work.ledger, rule, REASONS[rule])
        out |= found
    return rows[~out] if out.any() else rows
