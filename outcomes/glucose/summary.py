"""One row per patient and window: every metric of the readings, and whether the window counts."""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.glucose import kernel
from outcomes.glucose.local_days import Midnights, day_numbers
from outcomes.glucose.ranges import (
    BANDS,
    CENTRE_MG_DL,
    LARGEST_STORED,
    SHARES,
    glycemia_risk_index,
    value_table,
)
from outcomes.glucose.remembered import place_of, remember, remembered
from outcomes.glucose.windows import WINDOWS
from outcomes.plan import TimeInRange
from outcomes.tables.declared import GLUCOSE_UNITS, KINDS
from outcomes.tables.reading_store import SCALE, StoredReadings
from outcomes.tables.study import Study
from outcomes.units import (
    HIGH,
    LOW,
    PREGNANCY_LOW,
    TIGHT_HIGH,
    VERY_HIGH,
    VERY_LOW,
    glucose_management_indicator,
    glucose_mg_dl,
)

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Column = npt.NDArray[Any]

LIMITS: Final = np.array(
    [
        [x.in_unit(u) for x in (VERY_LOW, PREGNANCY_LOW, LOW, TIGHT_HIGH, HIGH, VERY_HIGH)]
        for u in GLUCOSE_UNITS
    ]
)
FACTOR: Final = np.array([float(glucose_mg_dl(1.0, unit)) for unit in GLUCOSE_UNITS])
NO_SPANS: Final = np.zeros((0, 2), dtype=np.int64)


def summarise(
    study: Study,
    windows: pd.DataFrame,
    *,
    settings: TimeInRange,
    cut_off: date | None = None,
    threads: int = 1,
    remembering: bool = False,
) -> pd.DataFrame:
    """Return every metric of the readings of each window.

    Parameters
    ----------
    study : Study
        Its readings, `sensors` and time zone are used.
    windows : DataFrame, one row per patient and window
        As `windows` makes them; windows of a patient may overlap. Extra columns are kept.
    settings : TimeInRange
        The plan's section.
    cut_off : date, optional
        Last local day whose readings are taken; by default all are. Without it an episode that
        starts on the last day of a window may last into later data.
    threads : int, default 1
        The patients are shared out in turn; the numbers are the same for any number of threads.
    remembering : bool, default False
        Keep the sums beside the study, and take them from there when nothing they depend on has
        changed. The numbers are the same.

    Returns
    -------
    DataFrame, one row per window in the order given
        The windows' columns, then `counts` and `because` (why it does not count, None where it
        does), and: `readings`, `expected_readings`, `owned_minutes`, `elapsed_minutes`,
        `active_share`, `counting_days`, `overlap_left_out`, `capped_below`, `capped_above`,
        `capped_share` (of readings), `mean_mg_dl`, `sd_mg_dl`, `cv_percent`, `gmi_percent`,
        `low_index`, `high_index`, `glycemia_risk_index`; the shares of `ranges.SHARES` as
        fractions, of all time (`share_`), of 06-24 (`day_share_`) and of 00-06 (`night_share_`);
        and for each level of `kernel.LEVELS` `_episodes`, `_minutes` (owned), `_median_minutes`,
        `_prolonged`, and `_per_week` and `_prolonged_per_week` (of owned time).
        What does not exist is NaN: shares without readings, an SD of one reading.

    Raises
    ------
    TableError
        `windows` breaks its declaration.

    Notes
    -----
    Shares are weighted by owned time; mean, SD (n - 1) and the risk indices by reading. A capped
    reading enters as its limit. Readings that another sensor's owned minutes cover are counted in
    `overlap_left_out` and nowhere else.
    """
    WINDOWS.check(windows)
    if not len(windows):
        raw = np.zeros((0, kernel.WINDOW_COLUMNS))
    elif remembering:
        place = place_of(study, windows, settings, cut_off)
        kept = remembered(place, (len(windows), kernel.WINDOW_COLUMNS))
        raw = _sums(study, windows, settings, cut_off, threads) if kept is None else kept
        if kept is None:
            remember(place, raw)
    else:
        raw = _sums(study, windows, settings, cut_off, threads)
    return _table(windows.reset_index(drop=True), metrics(raw))


def _sums(
    study: Study,
    windows: pd.DataFrame,
    settings: TimeInRange,
    cut_off: date | None,
    threads: int,
) -> Floats:
    """Make the sums of every window, `kernel.WINDOW_COLUMNS` columns, in the order given."""
    raw = np.zeros((len(windows), kernel.WINDOW_COLUMNS))
    passes = _Passes.prepare(study, windows, settings, cut_off)
    patients = sorted(passes.rows_of)
    parts = [patients[i::threads] for i in range(max(1, threads))]
    if len(parts) == 1:
        passes.run(study.stored_readings(patients), raw)
    else:
        with ThreadPoolExecutor(len(parts)) as pool:
            jobs = [
                pool.submit(lambda mine: passes.run(study.stored_readings(mine), raw), part)
                for part in parts
            ]
            for job in jobs:
                job.result()
    raw[:, kernel.ELAPSED] = passes.elapsed
    return raw


@dataclass(frozen=True, kw_only=True, eq=False)
class _Passes:
    """What every patient's pass needs, made once."""

    settings: TimeInRange
    midnights: Midnights
    until: int | None  # the instant at which data cease to count
    rows_of: dict[str, npt.NDArray[np.intp]]  # a patient's windows, as rows
    kind: Ints
    first_day: Ints
    last_day: Ints
    not_tested: dict[str, Ints]

    @classmethod
    def prepare(
        cls, study: Study, windows: pd.DataFrame, settings: TimeInRange, cut_off: date | None
    ) -> _Passes:
        first_day, last_day = day_numbers(windows["first_on"]), day_numbers(windows["last_on"])
        midnights = Midnights.between(int(first_day.min()), int(last_day.max()), study.time_zone)
        groups = windows.reset_index(drop=True).groupby("patient_id").indices
        return cls(
            settings=settings,
            midnights=midnights,
            until=None if cut_off is None else _end_of(cut_off, study.time_zone),
            rows_of={str(patient): rows for patient, rows in groups.items()},
            kind=np.array([KINDS.index(kind) for kind in windows["kind"]], dtype=np.int64),
            first_day=first_day,
            last_day=last_day,
            not_tested=first_hours(
                study.table("sensors"), zone=study.time_zone, hours=settings.first_hours
            ),
        )

    @property
    def elapsed(self) -> Ints:
        return self.midnights.at(self.last_day + 1) - self.midnights.at(self.first_day)

    def run(self, readings: Iterable[StoredReadings], raw: Floats) -> None:
        """Fill the rows of `raw` that belong to these patients."""
        for patient in readings:
            rows = self.rows_of[patient.patient_id]
            if self.until is not None and len(patient) and patient.time[-1] >= self.until:
                patient = _up_to(patient, self.until)
            spans = self.not_tested.get(patient.patient_id, NO_SPANS)
            for kind in np.unique(self.kind[rows]):
                mine = rows[self.kind[rows] == kind]
                raw[mine] = patient_windows(
                    patient,
                    kind=int(kind),
                    first_day=self.first_day[mine],
                    last_day=self.last_day[mine],
                    midnights=self.midnights,
                    not_tested=spans,
                    settings=self.settings,
                )


def _end_of(day: date, zone: str) -> int:
    number = int(day_numbers(pd.Series([pd.Timestamp(day)]))[0])
    return int(Midnights.between(number, number, zone).at(number + 1))


def _up_to(patient: StoredReadings, until: int) -> StoredReadings:
    n = int(np.searchsorted(patient.time, until))
    arrays = ("time", "local_offset", "value", "exact", "capped", "stream")
    return replace(patient, **{name: getattr(patient, name)[:n] for name in arrays})


def patient_windows(
    patient: StoredReadings,
    *,
    kind: int,
    first_day: Ints,
    last_day: Ints,
    midnights: Midnights,
    not_tested: Ints,
    settings: TimeInRange,
) -> Floats:
    """Return the sums of each window of one patient, as `kernel.window_sums` makes them."""
    day, sums, episodes = patient_days(patient, kind=kind, not_tested=not_tested, settings=settings)
    ppm = round(settings.day_share * 1_000_000)
    at, starts = midnights.first_day, midnights.instants
    counts = kernel.counting_days(day, sums, starts, at, not_tested, ppm)
    return kernel.window_sums(
        day, sums, counts, episodes, starts, at, first_day, last_day, settings.prolonged_minutes
    )


def patient_days(
    patient: StoredReadings, *, kind: int, not_tested: Ints, settings: TimeInRange
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


def metrics(raw: Floats) -> dict[str, Column]:
    """Return the metrics of windows, by name, from their sums (`kernel.WINDOW_COLUMNS` columns)."""
    n = raw[:, kernel.READINGS]
    with np.errstate(divide="ignore", invalid="ignore"):
        off_centre = raw[:, kernel.MG_DL] / n
        mean = off_centre + CENTRE_MG_DL
        squares = raw[:, kernel.MG_DL_SQUARED] - n * off_centre**2
        sd = np.sqrt(np.maximum(squares, 0) / np.where(n > 1, n - 1, np.nan))
        elapsed = raw[:, kernel.ELAPSED]
        capped = raw[:, kernel.CAPPED_BELOW] + raw[:, kernel.CAPPED_ABOVE]
        columns: dict[str, Column] = {
            "readings": n.astype(np.int64),
            "expected_readings": np.where(n > 0, elapsed * n / raw[:, kernel.NOMINAL], np.nan),
            "owned_minutes": raw[:, kernel.OWNED] / kernel.MINUTE,
            "elapsed_minutes": elapsed / kernel.MINUTE,
            # The last reading's time may run a few minutes past the window's end.
            "active_share": np.minimum(1.0, raw[:, kernel.OWNED] / elapsed),
            "counting_days": raw[:, kernel.COUNTING_DAYS].astype(np.int64),
            "overlap_left_out": raw[:, kernel.OVERLAP].astype(np.int64),
            "capped_below": raw[:, kernel.CAPPED_BELOW].astype(np.int64),
            "capped_above": raw[:, kernel.CAPPED_ABOVE].astype(np.int64),
            "capped_share": capped / n,
            "mean_mg_dl": mean,
            "sd_mg_dl": sd,
            "cv_percent": 100 * sd / mean,
            "gmi_percent": np.asarray(glucose_management_indicator(mean)),
            "low_index": raw[:, kernel.LOW_RISK] / n,
            "high_index": raw[:, kernel.HIGH_RISK] / n,
        }
        day = raw[:, kernel.DAY_BANDS : kernel.DAY_BANDS + len(BANDS)]
        night = raw[:, kernel.NIGHT_BANDS : kernel.NIGHT_BANDS + len(BANDS)]
        shares = _shares("share", day + night)
        columns["glycemia_risk_index"] = glycemia_risk_index(
            *(
                100 * shares[f"share_{name}"]
                for name in ("below_54", "from_54_to_69", "above_250", "from_181_to_250")
            )
        )
        columns |= shares | _shares("day_share", day) | _shares("night_share", night)
        columns |= _episode_columns(raw)
    return columns


def _shares(prefix: str, bands: Floats) -> dict[str, Column]:
    total = bands.sum(axis=1)
    return {
        f"{prefix}_{name}": bands[:, first : last + 1].sum(axis=1) / total
        for name, (first, last) in SHARES.items()
    }


def _episode_columns(raw: Floats) -> dict[str, Column]:
    columns: dict[str, Column] = {}
    weeks = raw[:, kernel.OWNED] / kernel.MINUTE / 10080
    for index, level in enumerate(kernel.LEVELS):
        number, owned, median, prolonged = raw[:, kernel.EPISODES + 4 * index :][:, :4].T
        columns[f"{level}_episodes"] = number.astype(np.int64)
        columns[f"{level}_minutes"] = owned / kernel.MINUTE
        columns[f"{level}_median_minutes"] = np.where(number > 0, median / kernel.MINUTE, np.nan)
        columns[f"{level}_prolonged"] = prolonged.astype(np.int64)
        columns[f"{level}_per_week"] = number / weeks
        columns[f"{level}_prolonged_per_week"] = prolonged / weeks
    return columns


def _table(windows: pd.DataFrame, columns: dict[str, Column]) -> pd.DataFrame:
    """Put the windows, whether each counts and why not, and the metrics side by side.

    Nothing is copied: with 100 metrics a window this is what grows with the number of windows.
    """
    counting, needed = columns["counting_days"], windows["needed_days"].to_numpy(dtype=np.int64)
    few = [
        f"{days} counting days of {wanted}" for days, wanted in zip(counting, needed, strict=True)
    ]
    because = np.select(
        [~windows["closed"].to_numpy(dtype=bool), columns["readings"] == 0, counting < needed],
        [
            np.array("not closed by the cut-off", dtype=object),
            np.array("no readings", dtype=object),
            np.array(few, dtype=object),
        ],
        default=np.array(None, dtype=object),
    )
    judged = {"counts": because == np.array(None), "because": because}
    return pd.DataFrame({**dict(windows.items()), **judged, **columns}, copy=False)
