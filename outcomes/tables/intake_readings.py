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
from outcomes.tables.reading_blocks import ReadingBlock
from outcomes.tables.reading_rules import REASONS, ReadingRules
from outcomes.tables.rules import NOTE, RULES
from outcomes.tables.timed_rows import (
    PatientRows,
    TimedRows,
    all_settled,
    block_of,
    set_rows_aside,
    taken,
)
from outcomes.tables.worn_sensors import WornSensors

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
        for patients in rows.by_patient():
            kept = all_settled(patients, rows.sensors.names, work.ledger, by_sensor=False)
            work.ledger.keep(kept.rows["entry"])
            parts.append(_fingerstick_frame(kept))
    work.ledger.close_table(FINGERSTICKS.name)
    work.refuse_empty_join(FINGERSTICKS.name)
    return pd.concat(parts, ignore_index=True) if parts else FINGERSTICKS.empty()


def _fingerstick_frame(patients: PatientRows) -> pd.DataFrame:
    rows, ids = patients.rows, np.array(patients.ids, dtype=object)
    flags = np.array([False, True, None], dtype=object)[rows["flag"]]
    return pd.DataFrame(
        {
            "patient_id": np.repeat(ids, np.diff(patients.starts)),
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
    """Yield some patients' readings to keep at a time; afterwards the ledger tells of all."""
    sensors = tables["sensors"]
    known = frozenset(sensors["sensor_id"])
    names = rows.sensors.names
    strangers = np.array([*(name not in known for name in names), False])
    worn = WornSensors.from_table(sensors)
    rules = ReadingRules.from_tables(sensors, tables["patients"], rows.sensors.numbers)
    broken: dict[str, int] = {}
    count = capped = unknown = kindless = 0
    for patients in rows.by_patient():
        kept = all_settled(patients, names, work.ledger, by_sensor=True)
        kept = _by_rules(work, rules, kept, names, broken)
        if not kept.ids:
            continue
        work.ledger.keep(kept.rows["entry"])
        block = block_of(kept, names)
        kind = worn.kind_of_readings(block)
        count += len(block)
        capped += int(np.count_nonzero(block.capped))
        unknown += int(np.count_nonzero(strangers[block.sensor]))
        kindless += int(np.count_nonzero((block.sensor < 0) & (kind < 0)))
        yield replace(block, kind=kind)
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
    patients: PatientRows,
    names: list[str],
    broken: dict[str, int],
) -> PatientRows:
    """Return patients' rows without those that a rule sets aside; count the noted ones."""
    bits, found = rules.broken(patients)
    if not found.any():
        return patients
    out = np.zeros(len(bits), dtype=bool)
    for i in np.flatnonzero(found):
        own = slice(patients.starts[i], patients.starts[i + 1])
        _by_rules_of(work, patients.ids[i], patients.rows[own], names, bits[own], out[own], broken)
    if not out.any():
        return patients
    return PatientRows.of(
        [
            (patient_id, [taken(rows, ~out[start : start + len(rows)])])
            for start, (patient_id, rows) in zip(patients.starts[:-1], patients, strict=True)
        ]
    )


def _by_rules_of(
    work: Intake,
    patient_id: str,
    rows: Array,
    names: list[str],
    bits: Array,
    out: Array,
    broken: dict[str, int],
) -> None:
    """Count or set aside the rows of one patient that break a rule; `out` tells the latter."""
    for i, rule in enumerate(REASONS):
        found = ((bits & (1 << i)) > 0) & ~out
        count = int(np.count_nonzero(found))
        if not count:
            continue
        if work.ledger.severity(rule) == NOTE:
            broken[rule] = broken.get(rule, 0) + count
            continue
        set_rows_aside(patient_id, rows[found], names, work.ledger, rule, REASONS[rule])
        out |= found
