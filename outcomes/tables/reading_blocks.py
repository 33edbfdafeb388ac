"""Readings of some whole patients on their way to disk, and how they are put in order."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.tables.declared import CAPPED, GLUCOSE_UNITS, READINGS

Array = npt.NDArray[Any]
WIDEST_SPAN: Final = 1_000_000
CAPPED_CODES: Final = np.array([0, -1, 1], dtype=np.int8)  # in the order of CAPPED


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class ReadingBlock:
    """Checked readings of some whole patients, one patient after another.

    Patient i has the readings from `starts[i]` to `starts[i + 1]`, at least one, in any order.
    `sensor` is an index into `sensors`, -1 where none is named; the rest as in `PatientReadings`.
    What is done with many patients at once costs thousands of short ones hardly more than a few
    long ones.
    """

    patient_ids: tuple[str, ...]
    starts: Array  # int64, one more than there are patients
    time: Array
    local_offset: Array
    value: Array
    unit: Array
    capped: Array
    sensor: Array
    sensors: Sequence[str]
    kind: Array | None = None  # of each reading, where it has been found out already

    def __len__(self) -> int:
        """Return the number of readings."""
        return len(self.time)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class OrderedBlock:
    """The same, sorted by time and then sensor; `sensor` counts within the patient's `sensors`."""

    patient_ids: tuple[str, ...]
    starts: Array
    time: Array  # int64
    local_offset: Array  # int16
    value: Array  # float64
    unit: Array  # int8
    capped: Array  # int8
    sensor: Array  # int32
    sensors: tuple[tuple[str, ...], ...]  # of each patient, by name
    kind: Array

    @classmethod
    def of(cls, block: ReadingBlock, kind: Array) -> OrderedBlock:
        """Sort a block whose readings are of these kinds."""
        sensors, sensor = _by_name(block)
        order = _order(block.starts, block.time, sensor)
        return cls(
            patient_ids=block.patient_ids,
            starts=block.starts,
            time=np.ascontiguousarray(block.time[order], dtype=np.int64),
            local_offset=np.ascontiguousarray(block.local_offset[order], dtype=np.int16),
            value=np.ascontiguousarray(block.value[order], dtype=np.float64),
            unit=np.ascontiguousarray(block.unit[order], dtype=np.int8),
            capped=np.ascontiguousarray(block.capped[order], dtype=np.int8),
            sensor=sensor[order],
            sensors=sensors,
            kind=kind[order],
        )

    def digest(self, patient: int) -> bytes:
        """Return a digest of the readings of one patient."""
        head = f"{self.patient_ids[patient]}\0" + "\0".join(self.sensors[patient])
        own = slice(self.starts[patient], self.starts[patient + 1])
        columns: tuple[Any, ...] = (
            self.time, self.local_offset, self.value, self.unit, self.capped, self.sensor,
        )  # fmt: skip
        parts = [head.encode(), *(values[own].data for values in columns)]
        return hashlib.sha256(b"".join(parts)).digest()


def _by_name(block: ReadingBlock) -> tuple[tuple[tuple[str, ...], ...], Array]:
    """Return each patient's sensors by name, and each reading's place among them."""
    at = run_starts(block.starts, block.sensor)
    used, place = different(block.sensor[at])
    pairs, pair = different(patient_of(block.starts, at) * len(used) + place)
    own: list[list[tuple[str, int]]] = [[] for _ in block.patient_ids]
    for i, (patient, sensor) in enumerate(zip(*divmod(pairs, len(used)), strict=True)):
        if used[sensor] >= 0:
            own[patient].append((block.sensors[used[sensor]], i))
    rank = np.full(len(pairs), -1, dtype=np.int32)
    for names in own:
        names.sort()
        rank[[i for _, i in names]] = np.arange(len(names))
    sensor = np.repeat(rank[pair], np.diff(at, append=len(block)))
    return tuple(tuple(name for name, _ in names) for names in own), sensor


def _order(starts: Array, time: Array, sensor: Array) -> Array | slice:
    # Most come in order, no two at one time: then nothing is moved.
    patients = not_rising(starts, time)
    if not len(patients):
        return slice(None)
    order = np.arange(len(time))
    for i in patients:
        own = slice(starts[i], starts[i + 1])
        order[own] = starts[i] + np.lexsort((sensor[own], time[own]))
    return order


def not_rising(starts: Array, time: Array) -> Array:
    """Return the patients with a time that is not later than the one before it."""
    back = time[1:] <= time[:-1]
    back[starts[1:-1] - 1] = False
    return np.unique(patient_of(starts, np.flatnonzero(back)))


def patient_of(starts: Array, rows: Array) -> Array:
    """Return the number of the patient to whom each of some rows belongs."""
    return np.searchsorted(starts, rows, side="right") - 1


def run_starts(starts: Array, *columns: Array) -> Array:
    """Return the rows at which a patient begins or one of the columns changes."""
    changes = np.zeros(starts[-1], dtype=bool)
    changes[starts[:-1]] = True
    for values in columns:
        changes[1:] |= values[1:] != values[:-1]
    return np.flatnonzero(changes)


def different(values: Array) -> tuple[Array, Array]:
    """Return the different values in order, and the place of each value among them.

    What `numpy.unique` returns, without sorting: for whole numbers that lie close together.
    """
    if not len(values):
        return np.unique(values, return_inverse=True)
    least = int(values.min())
    span = int(values.max()) - least
    if not span:
        return values[:1].copy(), np.zeros(len(values), dtype=np.int64)
    if span > WIDEST_SPAN:
        return np.unique(values, return_inverse=True)
    there = np.zeros(span + 1, dtype=bool)
    there[values - least] = True
    place = np.cumsum(there) - 1
    return np.flatnonzero(there) + least, place[values - least]


def block_of_frame(frame: pd.DataFrame) -> ReadingBlock:
    """Return the block of a frame in the declared columns of `readings`.

    Raises
    ------
    TableError
        The frame breaks a declared rule of `readings`.
    """
    READINGS.check(frame)
    rows = frame.sort_values("patient_id", kind="stable")
    patient, ids = pd.factorize(rows["patient_id"])
    sensor, sensors = pd.factorize(rows["sensor_id"])
    return ReadingBlock(
        patient_ids=tuple(map(str, ids)),
        starts=np.searchsorted(patient, np.arange(len(ids) + 1)),
        time=rows["time"].to_numpy().astype("datetime64[us]").astype(np.int64),
        local_offset=rows["local_offset"].to_numpy(dtype="int16"),
        value=rows["value"].to_numpy(dtype="float64"),
        unit=pd.Categorical(rows["unit"], categories=list(GLUCOSE_UNITS)).codes,
        capped=CAPPED_CODES[pd.Categorical(rows["capped"], categories=list(CAPPED)).codes],
        sensor=sensor.astype(np.int32),
        sensors=tuple(map(str, sensors)),
    )
