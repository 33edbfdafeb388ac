"""Readings and fingersticks: millions of rows collected by patient, then judged patient by patient.

Rows are kept as plain numbers. Beyond some millions they are spilled to files of some patients
each, so that memory stays bounded whatever the number of readings.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from types import TracebackType
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.tables.declared import GLUCOSE_UNITS
from outcomes.tables.judging import REPEATED_HOUR, Judged
from outcomes.tables.ledger import Ledger
from outcomes.tables.pieces import ENOUGH_ROWS
from outcomes.tables.reading_blocks import ReadingBlock, not_rising, patient_of
from outcomes.tables.reading_store import MICROSECONDS_PER_DAY
from outcomes.tables.zones import MICROSECONDS_PER_MINUTE

Array = npt.NDArray[Any]

ROW: Final = np.dtype(
    [
        ("patient", np.int32), ("sensor", np.int32), ("entry", np.int32), ("line", np.int32),
        ("time", np.int64), ("offset", np.int16), ("apart", np.int16),
        ("value", np.float64), ("unit", np.int8), ("capped", np.int8), ("flag", np.int8),
    ]
)  # fmt: skip
WHOLE_ROW: Final = np.dtype((np.void, ROW.itemsize))  # as which rows are moved, all fields at once
HELD_ROWS: Final = 6_000_000
BUCKETS: Final = 64
ROWS_OF_A_RUN: Final = 50  # with fewer rows of one patient after another, rows are sorted first
MOST_BACK_STEPS: Final = 0.001  # share of steps back that still counts as a file in order
TWO_VALUES: Final = "two values at one time"


@dataclass(kw_only=True, eq=False, repr=False)
class Names:
    """Ids numbered in the order of their first appearance."""

    numbers: dict[str, int] = field(default_factory=dict)
    names: list[str] = field(default_factory=list)

    def number(self, name: str | None) -> int:
        """Return the number of a name; -1 for None."""
        if name is None:
            return -1
        if name not in self.numbers:
            self.numbers[name] = len(self.names)
            self.names.append(name)
        return self.numbers[name]


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class PatientRows:
    """Rows of some whole patients, one patient after another.

    Patient i has the rows from `starts[i]` to `starts[i + 1]`, at least one.
    """

    ids: tuple[str, ...]
    starts: Array  # int64, one more than there are patients
    rows: Array  # of ROW

    @classmethod
    def of(cls, patients: list[tuple[str, list[Array]]]) -> PatientRows:
        """Put the rows of patients one after another, leaving out patients without any."""
        counts = [(patient_id, sum(map(len, own))) for patient_id, own in patients]
        parts = [rows for _, own in patients for rows in own]
        return cls(
            ids=tuple(patient_id for patient_id, count in counts if count),
            starts=np.cumsum([0, *(count for _, count in counts if count)]),
            rows=parts[0] if len(parts) == 1 else end_to_end(parts),
        )

    def __iter__(self) -> Iterator[tuple[str, Array]]:
        """Yield each patient's id and rows."""
        for patient_id, (start, end) in zip(self.ids, pairwise(self.starts.tolist()), strict=True):
            yield patient_id, self.rows[start:end]


def end_to_end(parts: list[Array]) -> Array:
    """Return rows one after another; field by field that takes five times as long."""
    if not parts:
        return np.empty(0, dtype=ROW)
    return np.concatenate([rows.view(WHOLE_ROW) for rows in parts]).view(ROW)


def taken(rows: Array, which: Array) -> Array:
    """Return some of the rows, moved as a whole too."""
    return rows.view(WHOLE_ROW)[which].view(ROW)


@dataclass(kw_only=True, eq=False, repr=False)
class TimedRows:
    """Collects good rows, and gives them back some patients at a time. Used as a context.

    Beyond `HELD_ROWS` they are spilled to the folder `spill`, which is made then and removed after.
    """

    spill: Path
    patients: Names = field(default_factory=Names)
    sensors: Names = field(default_factory=Names)
    _held: list[Array] = field(default_factory=list)
    _count: int = 0
    _spilled: bool = False

    def __enter__(self) -> TimedRows:
        """Begin."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        """Remove what was spilled."""
        if self._spilled:
            shutil.rmtree(self.spill, ignore_errors=True)

    def add(self, judged: Judged) -> None:
        """Take the good rows of a judged part of a file."""
        good = judged.good
        if not len(good):
            return
        measured, times = judged.measured, judged.times["time"]
        assert measured is not None
        rows = np.empty(len(good), dtype=ROW)
        taken: Any = slice(None) if len(good) == len(judged.lines) else good
        rows["patient"] = self._numbers(judged, "patient_id", self.patients, taken)
        rows["sensor"] = self._numbers(judged, "sensor_id", self.sensors, taken)
        rows["entry"], rows["line"] = judged.entry[taken], judged.lines[taken]
        rows["time"], rows["offset"] = times.utc[taken], times.offset[taken]
        rows["apart"] = times.apart[taken]
        pairs = measured.codes[taken]
        rows["value"], rows["unit"] = measured.value[pairs], measured.unit[pairs]
        rows["capped"] = measured.capped[pairs]
        rows["flag"] = self._flags(judged, taken)
        self._held.append(rows)
        self._count += len(rows)
        if self._count >= HELD_ROWS:
            self._spill_held()

    @staticmethod
    def _numbers(judged: Judged, name: str, names: Names, taken: Any) -> Array | int:
        if name not in judged.parsed:
            return -1
        ids = judged.parsed[name]
        numbers = np.array([names.number(i) for i in ids.values], dtype=np.int32)
        return numbers[ids.codes[taken]]

    @staticmethod
    def _flags(judged: Judged, taken: Any) -> Array | int:
        if "used_for_calibration" not in judged.parsed:
            return -1
        flags = judged.parsed["used_for_calibration"]
        codes = np.array([-1 if f is None else int(f) for f in flags.values], dtype=np.int8)
        return codes[flags.codes[taken]]

    def _spill_held(self) -> None:
        if not self._spilled:
            self.spill.mkdir(mode=0o700)
            self._spilled = True
        rows = end_to_end(self._held)
        bucket = (rows["patient"] % BUCKETS).astype(np.int8)
        order = np.argsort(bucket, kind="stable")
        ends = np.cumsum(np.bincount(bucket, minlength=BUCKETS))
        for number, end in enumerate(ends):
            start = ends[number - 1] if number else 0
            if end > start:
                with (self.spill / str(number)).open("ab") as file:
                    taken(rows, order[start:end]).tofile(file)
        self._held, self._count = [], 0

    def by_patient(self) -> Iterator[PatientRows]:
        """Yield some patients' rows at a time, each in the order in which files and lines came."""
        if not self._spilled:
            yield from self._patients_of(self._held)
            return
        if self._held:
            self._spill_held()
        for path in sorted(self.spill.iterdir()):
            yield from self._patients_of([np.fromfile(path, dtype=ROW)])

    def _patients_of(self, parts: list[Array]) -> Iterator[PatientRows]:
        pieces: dict[int, list[Array]] = {}
        for rows in parts:
            numbers = np.ascontiguousarray(rows["patient"])
            starts = np.flatnonzero(np.append(True, numbers[1:] != numbers[:-1]))
            if len(starts) * ROWS_OF_A_RUN > len(rows):  # patients take turns row by row
                rows = taken(rows, np.argsort(numbers, kind="stable"))
                numbers = np.ascontiguousarray(rows["patient"])
                starts = np.flatnonzero(np.append(True, numbers[1:] != numbers[:-1]))
            bounds = pairwise([*starts.tolist(), len(rows)])
            for number, (start, end) in zip(numbers[starts].tolist(), bounds, strict=True):
                pieces.setdefault(number, []).append(rows[start:end])
        names, waiting, count = self.patients.names, [], 0
        for number in sorted(pieces):
            own = pieces.pop(number)
            waiting.append((names[number], own))
            count += sum(map(len, own))
            if count >= ENOUGH_ROWS:
                yield PatientRows.of(waiting)
                waiting, count = [], 0
        if waiting:
            yield PatientRows.of(waiting)


def place_repeated_hour(rows: Array) -> tuple[Array, Array]:
    """Decide by the order in the file which passing of a repeated hour each row belongs to.

    Where a sensor's rows of one file run in order, forwards or backwards, the one step back inside
    the hour divides its first passing from its second. Where there is no such step, or more than
    one, or the file is not in order elsewhere either (a few blocks of repeats are allowed for),
    nothing tells the passings apart.

    Returns
    -------
    rows : the same rows with their instants put right
    lost : which of them cannot be placed
    """
    lost = np.zeros(len(rows), dtype=bool)
    if not (rows["apart"] > 0).any():
        return rows, lost
    rows = rows.copy()
    clock = rows["time"] + rows["offset"].astype(np.int64) * MICROSECONDS_PER_MINUTE
    twice = rows["apart"] > 0
    for entry, sensor in {(int(e), int(s)) for e, s in rows[["entry", "sensor"]][twice]}:
        places = np.flatnonzero((rows["entry"] == entry) & (rows["sensor"] == sensor))
        places = places[np.argsort(rows["line"][places], kind="stable")]
        steps = np.diff(clock[places])
        if (steps < 0).sum() > (steps > 0).sum():
            places = places[::-1]
            steps = -steps[::-1]
        _place_sequence(rows, lost, places, steps, clock)
    return rows, lost


def _place_sequence(rows: Array, lost: Array, places: Array, steps: Array, clock: Array) -> None:
    """Place the runs of rows in a repeated hour, of one file and sensor, in the order read."""
    twice = rows["apart"][places] > 0
    outside = ~(twice[1:] & twice[:-1])
    in_order = (steps[outside] < 0).sum() <= MOST_BACK_STEPS * max(outside.sum(), 1) + 1
    day = clock[places] // MICROSECONDS_PER_DAY
    begins = np.flatnonzero(twice & np.append(True, outside | (np.diff(day) != 0)))
    ends = np.flatnonzero(twice & np.append(outside | (np.diff(day) != 0), True))
    for first, last in zip(begins, ends, strict=True):
        back = np.flatnonzero(steps[first:last] < 0)
        between = (first == 0 or steps[first - 1] >= 0) and (last == len(steps) or steps[last] >= 0)
        if not (in_order and between and len(back) == 1):
            lost[places[first : last + 1]] = True
            continue
        later = places[first + back[0] + 1 : last + 1]
        rows["time"][later] += rows["apart"][later].astype(np.int64) * MICROSECONDS_PER_MINUTE
        rows["offset"][later] -= rows["apart"][later]


def all_settled(
    patients: PatientRows, names: list[str], ledger: Ledger, *, by_sensor: bool
) -> PatientRows:
    """Return the rows of patients to keep, each patient's sorted by time."""
    rows, starts = patients.rows, patients.starts
    # Most patients' times rise from row to row and stand once: those rows stay as they are.
    twice = patient_of(starts, np.flatnonzero(rows["apart"] > 0))
    unsettled = {*not_rising(starts, np.ascontiguousarray(rows["time"])).tolist(), *twice.tolist()}
    if not unsettled:
        return patients
    return PatientRows.of(
        [
            (patient, [settled(patient, own, names, ledger, by_sensor) if i in unsettled else own])
            for i, (patient, own) in enumerate(patients)
        ]
    )


def settled(
    patient_id: str, rows: Array, names: list[str], ledger: Ledger, by_sensor: bool
) -> Array:
    """Return a patient's rows to keep, sorted by time; the others are counted in `ledger`.

    Repeats go first, then all values of a time that has more than one.
    """
    rows, lost = place_repeated_hour(rows)
    if lost.any():
        reason = "time: falls into the hour that comes twice, and the order does not tell which"
        texts = _texts(patient_id, rows[lost], names)
        unplaced = rows[lost]
        told = texts.duplicated().to_numpy() if len(texts) else np.zeros(0, dtype=bool)
        ledger.repeat(unplaced["entry"][told])
        unplaced, texts = unplaced[~told], texts.loc[~told]
        ledger.set_aside(unplaced["entry"], unplaced["line"], REPEATED_HOUR, reason, texts)
        rows = rows[~lost]
    # Most times stand once; only the others are looked at closely.
    rows = _by_time(rows)
    equal = rows["time"][1:] == rows["time"][:-1]
    if not equal.any():
        return rows
    shared = np.zeros(len(rows), dtype=bool)
    shared[1:][equal] = shared[:-1][equal] = True
    kept = _settled_times(patient_id, rows[shared], names, ledger, by_sensor)
    return _by_time(end_to_end([rows[~shared], kept]))


def _by_time(rows: Array) -> Array:
    time = rows["time"]
    if len(rows) and (np.diff(time) < 0).any():
        return rows[np.argsort(time, kind="stable")]
    return rows


def _settled_times(
    patient_id: str, rows: Array, names: list[str], ledger: Ledger, by_sensor: bool
) -> Array:
    sensor = rows["sensor"] if by_sensor else np.zeros(len(rows), dtype=np.int32)
    content = (rows["flag"], rows["capped"], rows["unit"], rows["value"])
    order = np.lexsort((rows["line"], rows["entry"], *content, sensor, rows["time"]))
    rows, sensor = rows[order], sensor[order]
    one_time = _same_as_before(rows["time"], sensor)
    repeated = one_time & _same_as_before(*(rows[n] for n in ("flag", "capped", "unit", "value")))
    ledger.repeat(rows["entry"][repeated])
    rows, sensor = rows[~repeated], sensor[~repeated]
    one_time = _same_as_before(rows["time"], sensor)
    clash = one_time | np.append(one_time[1:], False)
    if clash.any():
        reason = "time: another value stands at the same time"
        set_rows_aside(patient_id, rows[clash], names, ledger, TWO_VALUES, reason)
    return rows[~clash]


def set_rows_aside(
    patient_id: str, rows: Array, names: list[str], ledger: Ledger, rule: str, reason: str
) -> None:
    """Keep rows of a patient out, with what they say as text."""
    texts = _texts(patient_id, rows, names)
    ledger.set_aside(rows["entry"], rows["line"], rule, reason, texts)


def _same_as_before(*columns: Array) -> Array:
    same = np.ones(len(columns[0]), dtype=bool)
    same[:1] = False
    for values in columns:
        same[1:] &= values[1:] == values[:-1]
    return same


def _texts(patient_id: str, rows: Array, names: list[str]) -> pd.DataFrame:
    sensor = np.array([*names, None], dtype=object)[rows["sensor"]]
    instants = rows["time"].astype("datetime64[us]").astype("datetime64[s]")
    return pd.DataFrame(
        {
            "patient_id": np.full(len(rows), patient_id, dtype=object),
            "time": np.array([f"{t}Z" for t in instants], dtype=object),
            "value": np.array([f"{v:g}" for v in rows["value"]], dtype=object),
            "unit": np.array(GLUCOSE_UNITS, dtype=object)[rows["unit"]],
            "sensor_id": sensor,
        }
    )


def block_of(patients: PatientRows, names: list[str]) -> ReadingBlock:
    """Return the kept rows of patients as a block for the study."""
    rows = patients.rows
    return ReadingBlock(
        patient_ids=patients.ids,
        starts=patients.starts,
        time=np.ascontiguousarray(rows["time"]),
        local_offset=np.ascontiguousarray(rows["offset"]),
        value=np.ascontiguousarray(rows["value"]),
        unit=np.ascontiguousarray(rows["unit"]),
        capped=np.ascontiguousarray(rows["capped"]),
        sensor=np.ascontiguousarray(rows["sensor"]),
        sensors=names,
    )
