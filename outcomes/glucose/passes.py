"""The pass over the patients of one reading file: a pure function of plain data.

Whoever runs it (this process, another one, another machine) gets the same numbers, since every
window is made from its own patient's readings alone, and a patient is in one file.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.errors import StudyError
from outcomes.glucose import kernel, window_kernel
from outcomes.glucose.gaps import gaps
from outcomes.glucose.local_days import Midnights, day_numbers
from outcomes.glucose.ranges import CENTRE_MG_DL, LARGEST_STORED, value_table
from outcomes.glucose.variability import variability
from outcomes.plan import TimeInRange
from outcomes.tables.declared import GLUCOSE_UNITS, KINDS
from outcomes.tables.parquet import MEND
from outcomes.tables.reading_store import SCALE, StoredReadings, read_stored
from outcomes.tables.study import Study
from outcomes.units import (
    HIGH,
    LOW,
    PREGNANCY_LOW,
    TIGHT_HIGH,
    VERY_HIGH,
    VERY_LOW,
    glucose_mg_dl,
    glucose_mmol_l,
)

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]

LIMITS: Final = np.array(
    [
        [x.in_unit(u) for x in (VERY_LOW, PREGNANCY_LOW, LOW, TIGHT_HIGH, HIGH, VERY_HIGH)]
        for u in GLUCOSE_UNITS
    ]
)
FACTOR: Final = np.array([float(glucose_mg_dl(1.0, unit)) for unit in GLUCOSE_UNITS])
NO_SPANS: Final = np.zeros((0, 2), dtype=np.int64)
NO_SHAPE: Final = np.zeros((0, 0))
NOT_TOLD: Final = np.zeros(0, dtype=np.bool_)


@dataclass(frozen=True, kw_only=True, eq=False)
class Sums:
    """What a pass gives.

    `windows` has the shape (windows, `window_kernel.WINDOW_COLUMNS`), `shapes` (shaped windows,
    hours, `kernel.SHAPE_COLUMNS`), both in the order of the windows; `gaps` one row a gap in the
    span of a window: place of the window, start, length (microseconds), and whether it lasts to
    the end.
    """

    windows: Floats
    shapes: Floats
    gaps: Ints


@dataclass(frozen=True, kw_only=True, eq=False)
class FileJob:
    """Some patients of one reading file with their windows; it can be sent to another machine.

    `index` and `streams` are the rows of the study's own for these patients. `rows` are the places
    of their windows in the whole frame of windows, ordered by patient; `patient` (an index into
    `index`), `kind`, `first_day`, `last_day`, `shaped` and `span` (from, to; -1 where none) have
    one entry a window, in that order.
    """

    folder: Path
    index: pd.DataFrame
    streams: pd.DataFrame
    rows: Rows
    patient: Ints
    kind: Ints
    first_day: Ints
    last_day: Ints
    shaped: npt.NDArray[np.bool_]
    span: Ints
    midnights: Midnights
    until: int | None  # the instant at which data cease to count
    not_tested: dict[str, Ints]
    settings: TimeInRange
    shift_mg_dl: float = 0.0  # what every sensor is assumed to read too little


def file_sums(job: FileJob) -> Sums:
    """Read the job's patients from its file and return the sums of its windows."""
    sums = no_sums(len(job.rows), int(job.shaped.sum()))
    shape_at, every_gap = np.cumsum(job.shaped) - 1, [sums.gaps]
    begins = np.searchsorted(job.patient, np.arange(len(job.index) + 1))
    for number, patient in enumerate(read_stored(job.folder, job.index, job.streams)):
        _refuse_damage(patient)
        if job.until is not None and len(patient) and patient.time[-1] >= job.until:
            patient = _up_to(patient, job.until)
        if job.shift_mg_dl:
            patient = _shifted(patient, job.shift_mg_dl)
        own = np.arange(begins[number], begins[number + 1])
        for kind in np.unique(job.kind[own]):
            mine = own[job.kind[own] == kind]
            shaped = mine[job.shaped[mine]]
            raw, shape = patient_sums(
                patient,
                kind=int(kind),
                first_day=job.first_day[mine],
                last_day=job.last_day[mine],
                shaped=int(np.flatnonzero(job.shaped[mine])[0]) if len(shaped) else None,
                midnights=job.midnights,
                not_tested=job.not_tested.get(patient.patient_id, NO_SPANS),
                settings=job.settings,
            )
            sums.windows[mine] = raw
            spanned = mine[job.span[mine, 0] >= 0]
            if len(spanned):
                owned, found = gaps(
                    patient.time, patient.stream, patient.kind_of, patient.interval_of, int(kind),
                    job.span[spanned], job.settings.gap_minutes * kernel.MINUTE + kernel.SLACK,
                )  # fmt: skip
                sums.windows[spanned, window_kernel.ON] = owned
                found[:, 0] = job.rows[spanned[found[:, 0]]]
                every_gap.append(found)
            if len(shaped):
                sums.shapes[shape_at[shaped]] = shape
    return replace(sums, gaps=np.concatenate(every_gap))


def _refuse_damage(patient: StoredReadings) -> None:
    """Refuse what intake never writes: rows out of order of time, values that are no number."""
    if (patient.time[1:] < patient.time[:-1]).any():
        raise StudyError(f"readings of {patient.patient_id}: not in order of time. {MEND}")
    if not np.isfinite(patient.exact).all():
        raise StudyError(f"readings of {patient.patient_id}: a value is no number. {MEND}")


def no_sums(windows: int, shapes: int) -> Sums:
    """Return the sums of windows without readings."""
    raw = np.zeros((windows, window_kernel.WINDOW_COLUMNS))
    raw[:, window_kernel.VARIABILITY :] = np.nan
    return Sums(
        windows=raw,
        shapes=np.zeros((shapes, kernel.HOURS, kernel.SHAPE_COLUMNS)),
        gaps=np.zeros((0, 4), dtype=np.int64),
    )


def jobs_of(
    study: Study,
    windows: pd.DataFrame,
    *,
    settings: TimeInRange,
    cut_off: date | None,
    parts: int = 1,
    shift_mg_dl: float = 0.0,
) -> list[FileJob]:
    """Return one job a reading file, or `parts` of each; patients without readings are in none."""
    first_day, last_day = day_numbers(windows["first_on"]), day_numbers(windows["last_on"])
    midnights = Midnights.between(int(first_day.min()), int(last_day.max()), study.time_zone)
    index = study.reading_index
    index = index.loc[index["patient_id"].isin(windows["patient_id"])].reset_index(drop=True)
    if not index["patient_id"].is_unique:
        raise StudyError(f"readings: a patient is in two files or row groups. {MEND}")
    streams = study.streams
    spans = first_hours(study.table("sensors"), zone=study.time_zone, hours=settings.first_hours)
    place = pd.Index(index["patient_id"]).get_indexer(windows["patient_id"])
    order = np.argsort(place, kind="stable")
    order = order[np.searchsorted(place[order], 0) :]  # without those who have no readings
    kind = np.asarray(pd.Categorical(windows["kind"], categories=list(KINDS)).codes, np.int64)
    shaped, span = shaped_windows(windows), spans_of(windows)
    until = None if cut_off is None else _end_of(cut_off, study.time_zone)
    jobs = []
    for _, of_file in index.groupby("file", sort=True):
        for group in np.array_split(of_file.index.to_numpy(), min(parts, len(of_file))):
            # A file's patients lie together in the index only by chance: sort by row group.
            group = group[np.argsort(index["row_group"].to_numpy(dtype=np.int64)[group])]
            new_place = np.full(len(index), -1)
            new_place[group] = np.arange(len(group))
            mine = order[new_place[place[order]] >= 0]
            mine = mine[np.argsort(new_place[place[mine]], kind="stable")]
            ids = index["patient_id"].to_numpy()[group]
            jobs.append(
                FileJob(
                    folder=study.place / "readings",
                    index=index.loc[group].reset_index(drop=True),
                    streams=streams.loc[streams["patient_id"].isin(ids)].reset_index(drop=True),
                    rows=mine,
                    patient=new_place[place[mine]],
                    kind=kind[mine],
                    first_day=first_day[mine],
                    last_day=last_day[mine],
                    shaped=shaped[mine],
                    span=span[mine],
                    midnights=midnights,
                    until=until,
                    not_tested={p: spans[p] for p in ids if p in spans},
                    settings=settings,
                    shift_mg_dl=shift_mg_dl,
                )
            )
    return jobs


def shaped_windows(windows: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Return which windows are flagged `shaped`; none where the column is absent."""
    if "shaped" not in windows:
        return np.zeros(len(windows), dtype=np.bool_)
    return np.asarray(windows["shaped"].to_numpy(dtype=bool))


def spans_of(windows: pd.DataFrame) -> Ints:
    """Return `span_from` and `span_to` of each window as microseconds UTC, -1 where it has none."""
    if "span_from" not in windows:
        return np.full((len(windows), 2), -1, dtype=np.int64)
    ends = windows[["span_from", "span_to"]]
    known = (ends.notna().all(axis=1) & (ends["span_from"] < ends["span_to"])).to_numpy()
    found = ends.to_numpy().astype("datetime64[us]").astype(np.int64)
    return np.where(known[:, None], found, -1)


def _end_of(day: date, zone: str) -> int:
    number = int(day_numbers(pd.Series([pd.Timestamp(day)]))[0])
    return int(Midnights.between(number, number, zone).at(number + 1))


def _up_to(patient: StoredReadings, until: int) -> StoredReadings:
    n = int(np.searchsorted(patient.time, until))
    arrays = ("time", "local_offset", "value", "exact", "capped", "stream")
    return replace(patient, **{name: getattr(patient, name)[:n] for name in arrays})


def _shifted(patient: StoredReadings, mg_dl: float) -> StoredReadings:
    """Add a constant to every value in its own unit; a word beyond a limit moves with its limit."""
    by_unit = np.array([glucose_mmol_l(mg_dl, "mg/dL") if u == "mmol/L" else mg_dl
                        for u in GLUCOSE_UNITS])  # fmt: skip
    value = patient.exact
    if len(patient.value):
        value = patient.value / SCALE[patient.unit_of][patient.stream]
    moved = np.maximum(value + by_unit[patient.unit_of][patient.stream], 0.1)
    return replace(patient, value=patient.value[:0], exact=moved)


def patient_sums(
    patient: StoredReadings,
    *,
    kind: int,
    first_day: Ints,
    last_day: Ints,
    midnights: Midnights,
    not_tested: Ints,
    settings: TimeInRange,
    shaped: int | None = None,
) -> tuple[Floats, Floats]:
    """Return the sums of each window of one patient, and the hours of the one in place `shaped`."""
    days, shape = (0, -1), NO_SHAPE
    if shaped is not None:
        days = (int(first_day[shaped]), int(last_day[shaped]))
        shape = np.zeros((kernel.HOURS, kernel.SHAPE_COLUMNS))
    entered = np.zeros(len(patient) if settings.variability else 0, dtype=np.bool_)
    day, sums, episodes = patient_days(
        patient, kind=kind, not_tested=not_tested, settings=settings,
        shape_days=days, shape=shape, entered=entered,
    )  # fmt: skip
    ppm = round(settings.day_share * 1_000_000)
    at, starts = midnights.first_day, midnights.instants
    counts = window_kernel.counting_days(day, sums, starts, at, not_tested, ppm)
    raw = window_kernel.window_sums(
        day, sums, counts, episodes, starts, at, first_day, last_day, settings.prolonged_minutes
    )
    if settings.variability:
        raw[:, window_kernel.VARIABILITY : window_kernel.ON] = _variability(
            patient, entered, day, counts, first_day, last_day
        )
    return raw, shape


def patient_days(
    patient: StoredReadings,
    *,
    kind: int,
    not_tested: Ints,
    settings: TimeInRange,
    shape_days: tuple[int, int] = (0, -1),
    shape: Floats = NO_SHAPE,
    entered: npt.NDArray[np.bool_] = NOT_TOLD,
) -> tuple[int, Floats, Ints]:
    """Return one patient's sums by local day and episodes, as `kernel.day_sums` makes them."""
    value, exact = patient.value, patient.exact
    if len(value) and not 0 <= value.min() <= value.max() <= LARGEST_STORED:
        # The compiled pass looks a value up without asking whether the table has it.
        value, exact = value[:0], value / SCALE[patient.unit_of][patient.stream]
    return kernel.day_sums(
        patient.time,
        patient.local_offset,
        value,
        exact,
        patient.capped,
        patient.stream,
        patient.unit_of,
        patient.kind_of,
        patient.interval_of,
        kind,
        not_tested,
        value_table(),
        LIMITS,
        FACTOR,
        settings.gap_minutes,
        settings.episode_minutes,
        *shape_days,
        shape,
        entered,
    )


def mg_dl_of(patient: StoredReadings) -> Floats:
    """Return every reading in mg/dL."""
    if len(patient.value):
        return np.asarray(
            value_table()[patient.unit_of[patient.stream], patient.value, 1] + CENTRE_MG_DL
            if 0 <= patient.value.min() <= patient.value.max() <= LARGEST_STORED
            else patient.value / SCALE[patient.unit_of][patient.stream]
            * FACTOR[patient.unit_of][patient.stream]
        )  # fmt: skip
    return np.asarray(patient.exact * FACTOR[patient.unit_of][patient.stream])


def _variability(
    patient: StoredReadings,
    entered: npt.NDArray[np.bool_],
    first: int,
    counts: npt.NDArray[np.bool_],
    first_day: Ints,
    last_day: Ints,
) -> Floats:
    time = patient.time[entered]
    local = time + patient.local_offset[entered].astype(np.int64) * kernel.MINUTE
    return np.asarray(
        variability(
            time,
            mg_dl_of(patient)[entered],
            np.maximum.accumulate(local // kernel.DAY),  # a traveller's clock may be set back
            patient.interval_of[patient.stream[entered]].astype(np.int64) * kernel.MINUTE,
            first,
            counts,
            first_day,
            last_day,
        )
    )


def first_hours(sensors: pd.DataFrame, *, zone: str, hours: int) -> dict[str, Ints]:
    """Return by patient the first hours of implanted sensors, as spans of microseconds UTC.

    Elapsed hours from `placed_at`; where the time of day is not known, from the local midnight
    that begins the day of placement. Spans that touch are joined, so that they ascend apart.
    """
    worn = sensors.loc[(sensors["kind"] == "implanted") & sensors["placed_on"].notna()]
    if not len(worn) or not hours:
        return {}
    day = day_numbers(worn["placed_on"])
    midnight = Midnights.between(int(day.min()), int(day.max()), zone).at(day)
    known = worn["placed_at"].notna().to_numpy()
    placed = worn["placed_at"].to_numpy().astype("datetime64[us]").astype(np.int64)
    start = np.where(known, placed, midnight)
    spans = pd.DataFrame({"patient_id": worn["patient_id"].to_numpy(), "start": start})
    length = hours * 60 * kernel.MINUTE
    return {
        str(patient): _joined(np.sort(rows["start"].to_numpy()), length)
        for patient, rows in spans.groupby("patient_id")
    }


def _joined(starts: Ints, length: int) -> Ints:
    begins = np.concatenate([[True], np.diff(starts) > length])
    ends = np.concatenate([begins[1:], [True]])
    return np.column_stack([starts[begins], starts[ends] + length]).astype(np.int64)
