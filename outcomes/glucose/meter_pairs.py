"""The last sensor value before each fingerstick, from the readings, file by file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.glucose.kernel import MINUTE
from outcomes.glucose.passes import mg_dl_of
from outcomes.glucose.remembered import arrays_at, file_of, remember
from outcomes.glucose.workers import Workers
from outcomes.tables.declared import KINDS
from outcomes.tables.reading_store import read_stored
from outcomes.tables.study import Study

Ints = npt.NDArray[np.int64]

# How a table of pairs is kept; `kind` as an index into `KINDS`.
_TYPES: Final = {
    "fingerstick": "int64", "kind": "int8", "sensor_mg_dl": "float64", "capped": "int64",
    "minutes_before": "float64",
}  # fmt: skip

NO_PAIRS: Final = pd.DataFrame(
    {
        "fingerstick": pd.Series(dtype="int64"),
        "kind": pd.Series(dtype="object"),
        "sensor_mg_dl": pd.Series(dtype="float64"),
        "capped": pd.Series(dtype="int64"),
        "minutes_before": pd.Series(dtype="float64"),
    }
)


@dataclass(frozen=True, kw_only=True, eq=False)
class PairJob:
    """Some patients of one reading file with the instants of their fingersticks."""

    folder: Path
    index: pd.DataFrame
    streams: pd.DataFrame
    times: dict[str, Ints]  # microseconds UTC, by patient
    rows: dict[str, Ints]  # which fingerstick each is
    minutes: int


def pairs_of_file(job: PairJob) -> pd.DataFrame:
    """Return the pairs of a job's patients, as `meter_pairs`."""
    parts = [NO_PAIRS]
    for patient in read_stored(job.folder, job.index, job.streams):
        asked, rows = job.times[patient.patient_id], job.rows[patient.patient_id]
        glucose, kinds = mg_dl_of(patient), patient.kind_of[patient.stream]
        for code, kind in enumerate(KINDS):
            of_kind = np.flatnonzero(kinds == code)
            time = patient.time[of_kind]
            before = np.searchsorted(time, asked, side="left") - 1  # strictly before
            earlier = np.concatenate([time, [-(2**62)]])[before]  # none before: long ago
            apart = asked - earlier
            near = np.flatnonzero(apart <= job.minutes * MINUTE)
            found = of_kind[before[near]]
            parts.append(
                pd.DataFrame(
                    {
                        "fingerstick": rows[near],
                        "kind": np.full(len(near), kind, dtype=object),
                        "sensor_mg_dl": glucose[found],
                        "capped": patient.capped[found].astype(np.int64),
                        "minutes_before": apart[near] / MINUTE,
                    }
                )
            )
    kept = [part for part in parts if len(part)]
    return pd.concat(kept, ignore_index=True) if kept else NO_PAIRS


def meter_pairs(
    study: Study, fingersticks: pd.DataFrame, *, minutes: int, workers: Workers
) -> pd.DataFrame:
    """Return for each fingerstick the last value of each kind of sensor before it.

    Parameters
    ----------
    study : Study
    fingersticks : DataFrame, one row per fingerstick, with a plain index
        `patient_id`, `time` (UTC).
    minutes : int
        The value lies strictly before the fingerstick, and no longer before than this: a value at
        the same instant or later may already have been pulled to the entry.
    workers : Workers

    Returns
    -------
    DataFrame, one row per pair
        `fingerstick` (row of the frame given), `kind`, `sensor_mg_dl`, `capped` (-1 below, 0, 1
        above what the sensor reports), `minutes_before`; in order of fingerstick and kind. A
        fingerstick without a value in time is in no pair. What was found is kept beside the study,
        for the next call with the same fingersticks.
    """
    asked = [fingersticks["patient_id"], fingersticks["time"]]
    kept_at = file_of("pairs", study, [minutes], asked)
    kept = arrays_at(kept_at, _TYPES)
    if kept is None:
        found = _found(study, fingersticks, minutes, workers)
        codes = found["kind"].map(KINDS.index).to_numpy(dtype=np.int8)
        kept = {name: found[name].to_numpy() for name in _TYPES} | {"kind": codes}
        remember(kept_at, **kept)
    return pd.DataFrame(kept | {"kind": np.array(KINDS, dtype=object)[kept["kind"]]})


def _found(
    study: Study, fingersticks: pd.DataFrame, minutes: int, workers: Workers
) -> pd.DataFrame:
    index = study.reading_index
    index = index.loc[index["patient_id"].isin(fingersticks["patient_id"])]
    time = fingersticks["time"].to_numpy().astype("datetime64[us]").astype(np.int64)
    rows_of = {
        str(patient): np.asarray(rows, dtype=np.int64)
        for patient, rows in fingersticks.reset_index(drop=True)
        .groupby("patient_id")
        .indices.items()
    }
    streams, jobs = study.streams, []
    for _, of_file in index.groupby("file", sort=True):
        own = of_file.sort_values("row_group", ignore_index=True)
        ids = own["patient_id"].tolist()
        jobs.append(
            PairJob(
                folder=study.place / "readings",
                index=own,
                streams=streams.loc[streams["patient_id"].isin(ids)].reset_index(drop=True),
                times={p: time[rows_of[p]] for p in ids},
                rows={p: rows_of[p] for p in ids},
                minutes=minutes,
            )
        )
    parts = [part for part in workers.each(pairs_of_file, jobs) if len(part)]
    found = pd.concat(parts, ignore_index=True) if parts else NO_PAIRS
    return found.sort_values(["fingerstick", "kind"], ignore_index=True)
