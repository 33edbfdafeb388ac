"""Which kind of sensor gave a reading: by its name, or as the only kind worn that day."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.tables.compiled import compiled
from outcomes.tables.declared import KINDS
from outcomes.tables.reading_blocks import ReadingBlock, different, run_starts
from outcomes.tables.reading_store import MICROSECONDS_PER_DAY, MICROSECONDS_PER_MINUTE

Array = npt.NDArray[Any]
UNKNOWN: Final = -1
NO_DAY: Final = -1_000_000


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class WornSensors:
    """The sensors of every patient: kind by id, and the days on which each was worn.

    `lives` has a row for each sensor, patient after patient: kind, first and last day (days since
    1970-01-01); `of_patient` tells which rows are a patient's.
    """

    kind_of: dict[str, int]
    lives: Array
    of_patient: dict[str, tuple[int, int]]

    @classmethod
    def from_table(cls, sensors: pd.DataFrame) -> WornSensors:
        """Read `sensors`; a sensor without an end is worn on every later day."""
        kind = np.asarray(pd.Categorical(sensors["kind"], categories=list(KINDS)).codes, np.int64)
        ended = sensors["stopped_on"].fillna(sensors["removed_on"])
        ended = ended.fillna(pd.Timestamp("2200-01-01"))
        days = [
            values.to_numpy().astype("datetime64[D]").astype(np.int64)
            for values in (sensors["placed_on"], ended)
        ]
        order, of_patient = rows_of_patients(sensors["patient_id"])
        return cls(
            kind_of=dict(zip(sensors["sensor_id"], kind.tolist(), strict=True)),
            lives=np.ascontiguousarray(np.column_stack([kind, *days])[order]),
            of_patient=of_patient,
        )

    def kind_of_readings(self, block: ReadingBlock) -> Array:
        """Return the kind behind each reading, -1 where it is not known.

        A named sensor says it; one that the table does not know stays unknown. Without a name it
        is the only kind that the patient wore on that local day.
        """
        at = run_starts(block.starts, block.sensor)
        used, place = different(block.sensor[at])
        named = [self.kind_of.get(block.sensors[i], UNKNOWN) if i >= 0 else UNKNOWN for i in used]
        rows = np.diff(at, append=len(block))
        kind = np.repeat(np.array(named, dtype=np.int8)[place], rows)
        own = rows_of_each(block.patient_ids, self.of_patient)
        _only_kinds(
            block.time, block.local_offset, block.sensor, block.starts, own, self.lives, kind
        )
        return kind


def rows_of_patients(patient_ids: pd.Series) -> tuple[Array, dict[str, tuple[int, int]]]:
    """Return the order that brings each patient's rows together, and which are whose then."""
    patient, ids = pd.factorize(patient_ids)
    order = np.argsort(patient, kind="stable")
    ends = np.cumsum(np.bincount(patient, minlength=len(ids))).tolist()
    return order, dict(zip(map(str, ids), zip([0, *ends], ends, strict=False), strict=True))


def rows_of_each(patient_ids: Iterable[str], of_patient: dict[str, tuple[int, int]]) -> Array:
    """Return the first row of each patient, and the one after the last; none for a stranger."""
    own = [of_patient.get(patient, (0, 0)) for patient in patient_ids]
    return np.array(own, dtype=np.int64).reshape(-1, 2)


@compiled
def _only_kind(day: Any, lives: Array, first: Any, last: Any) -> Any:
    """Return the only kind worn on a day, -1 where there is none or several."""
    only = UNKNOWN
    for i in range(first, last):
        if lives[i, 1] <= day <= lives[i, 2]:
            if only >= 0 and only != lives[i, 0]:
                return UNKNOWN
            only = lives[i, 0]
    return only


@compiled
def _only_kinds(
    time: Array, offset: Array, sensor: Array, starts: Array, own: Array, lives: Array, kind: Array
) -> None:
    """Set the kind of each reading that names no sensor."""
    for patient in range(len(own)):
        last_day, only = NO_DAY, UNKNOWN
        for row in range(starts[patient], starts[patient + 1]):
            if sensor[row] >= 0:
                continue
            clock = time[row] + offset[row] * MICROSECONDS_PER_MINUTE
            day = clock // MICROSECONDS_PER_DAY
            if day != last_day:
                only = _only_kind(day, lives, own[patient, 0], own[patient, 1])
                last_day = day
            kind[row] = only
