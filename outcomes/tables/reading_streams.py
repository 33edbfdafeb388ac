"""Streams: what is constant for many readings of a patient, and the minutes a reading owns."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt

from outcomes.tables.compiled import compiled
from outcomes.tables.reading_blocks import OrderedBlock, different, patient_of, run_starts
from outcomes.tables.reading_store import MICROSECONDS_PER_MINUTE

Array = npt.NDArray[Any]
DEFAULT_INTERVAL: Final = 5  # minutes, where a patient's readings show none
LONGEST_INTERVAL: Final = 30  # minutes; a longer distance is a gap, not an interval


def streams_of(block: OrderedBlock) -> tuple[Array, tuple[Array, ...]]:
    """Return the stream of each reading (int32), and the streams in the order of their columns.

    A patient's streams are numbered by sensor, kind and unit; `reading_store.STREAM_COLUMNS` are
    the columns.
    """
    at = run_starts(block.starts, block.sensor, block.kind, block.unit)
    rows = np.diff(at, append=block.starts[-1])
    sensor, kind, unit = (v[at].astype(np.int64) for v in (block.sensor, block.kind, block.unit))
    width = int(sensor.max()) + 2  # the sensors of one patient, and none
    worn = patient_of(block.starts, at) * width + sensor + 1
    lives, life = different(worn * 4 + kind + 1)
    worn_of, kind_of = np.divmod(lives, 4)
    patient_of_life, sensor_of = np.divmod(worn_of, width)
    interval = reading_intervals(block.time, np.repeat(life, rows), patient_of_life * 4 + kind_of)
    streams, stream = different(life * 2 + unit)
    own = streams // 2
    patient = patient_of_life[own]
    number = np.arange(len(streams)) - np.searchsorted(patient, patient)
    names = [(None, *block.sensors[p])[s] for p, s in zip(patient, sensor_of[own], strict=True)]
    table: tuple[Array, ...] = (
        np.array([block.patient_ids[p] for p in patient], dtype=object),
        number,
        np.array(names, dtype=object),
        kind_of[own] - 1,
        streams % 2,
        interval[own].astype(np.int64),
    )
    return np.repeat(number.astype(np.int32)[stream], rows), table


def reading_intervals(time: Array, group: Array, kind_of_group: Array) -> Array:
    """Return the interval of each group of readings, in minutes.

    It is the commonest distance of 1 to 30 whole minutes between consecutive readings of the
    group (the shortest of several equally common ones); for a group without any, that of the
    groups of the same kind together; failing that, 5 minutes.

    Parameters
    ----------
    time : int64 microseconds, ascending within each group
    group : index of each reading's group
    kind_of_group : kind of each group, another one for every patient
    """
    groups = len(kind_of_group)
    counts = np.zeros((groups, LONGEST_INTERVAL + 1), dtype=np.int64)
    _count_distances(time, group, counts, np.full(groups, -1, dtype=np.int64))
    kinds, kind = np.unique(kind_of_group, return_inverse=True)
    of_kind = np.zeros((len(kinds), LONGEST_INTERVAL + 1), dtype=np.int64)
    np.add.at(of_kind, kind, counts)
    best = np.where(counts.any(axis=1, keepdims=True), counts, of_kind[kind])
    return np.where(best.any(axis=1), best.argmax(axis=1), DEFAULT_INTERVAL).astype(np.int16)


@compiled
def _count_distances(time: Array, group: Array, counts: Array, last: Array) -> None:
    """Count by group the whole minutes between readings; `last` is where each was seen last."""
    for row in range(len(time)):
        own = group[row]
        if last[own] >= 0:
            minutes = int(np.rint((time[row] - time[last[own]]) / MICROSECONDS_PER_MINUTE))
            if 1 <= minutes <= LONGEST_INTERVAL:
                counts[own, minutes] += 1
        last[own] = row
