"""One row per patient and window: every metric of the readings, and whether the window counts."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.errors import TableError
from outcomes.glucose import kernel, window_kernel
from outcomes.glucose.local_days import Midnights, day_numbers
from outcomes.glucose.passes import Sums, file_sums, jobs_of, no_sums, shaped_windows, spans_of
from outcomes.glucose.ranges import BANDS, CENTRE_MG_DL, SHARES, glycemia_risk_index
from outcomes.glucose.remembered import place_of, remember, remembered
from outcomes.glucose.windows import WINDOWS
from outcomes.glucose.workers import Workers, workers_of
from outcomes.plan import TimeInRange
from outcomes.tables.study import Study
from outcomes.units import glucose_management_indicator

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Column = npt.NDArray[Any]


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Summary:
    """What one pass over the readings gives.

    `table` is what `summarise` returns; `shapes` an array of shape (shaped windows, 24,
    `kernel.SHAPE_COLUMNS`): microseconds owned in each local hour of the day, by band and then by
    step of glucose, in the order of the windows whose flag `shaped` is set. `gaps` has one row a
    gap in the span of a window (`span_from` to `span_to`): `window_id`, `start` (UTC), `hours`,
    `to_the_end`.
    """

    table: pd.DataFrame
    shapes: Floats
    gaps: pd.DataFrame


def summarise(
    study: Study,
    windows: pd.DataFrame,
    *,
    settings: TimeInRange,
    cut_off: date | None = None,
    workers: Workers | None = None,
    remembering: bool = False,
    shift_mg_dl: float = 0.0,
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
    workers : Workers, optional
        Threads, processes or a cluster; the numbers are the same for all. By default the cluster
        that the study was opened with, else one thread.
    remembering : bool, default False
        Keep the sums beside the study, and take them from there when nothing they depend on has
        changed. The numbers are the same.
    shift_mg_dl : float, default 0
        What to add to every reading, in its own unit: what would be seen if every sensor had read
        so much more. For questions about the instrument only.

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
        Last, `modd_mg_dl` and `mage_mg_dl` (`variability`), where the plan asks for them.
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
    return summary(
        study, windows, settings=settings, cut_off=cut_off, workers=workers,
        remembering=remembering, shift_mg_dl=shift_mg_dl,
    ).table  # fmt: skip


def summary(
    study: Study,
    windows: pd.DataFrame,
    *,
    settings: TimeInRange,
    cut_off: date | None = None,
    workers: Workers | None = None,
    remembering: bool = False,
    shift_mg_dl: float = 0.0,
) -> Summary:
    """Return what `summarise` returns, with hours of the day and gaps of the windows that ask.

    A window flagged `shaped` gets its hours of the day; one with `span_from` and `span_to`
    (instants) gets its gaps and the column `on_share`, the share of the span that readings own.

    Raises
    ------
    TableError
        As `summarise`; or a patient has two shaped windows of one kind of sensor.
    """
    WINDOWS.check(windows)
    shaped = shaped_windows(windows)
    if windows.loc[shaped].duplicated(["patient_id", "kind"]).any():
        raise TableError("windows: a patient has two shaped windows of one kind; flag one of them.")
    shapes = (windows.shape[0], int(shaped.sum()))
    place = None
    if remembering and len(windows):
        place = place_of(study, windows, settings, cut_off, shift_mg_dl)
    sums = remembered(place, *shapes) if place else None
    if sums is None:
        sums = _sums(study, windows, settings, cut_off, workers or workers_of(study), shift_mg_dl)
        if place:
            remember(place, windows=sums.windows, shapes=sums.shapes, gaps=sums.gaps)
    columns = metrics(sums.windows)
    if not settings.variability:
        del columns["modd_mg_dl"], columns["mage_mg_dl"]
    windows = windows.reset_index(drop=True)
    spans = spans_of(windows)
    if (spans >= 0).any():
        columns["on_share"] = sums.windows[:, window_kernel.ON] / np.where(
            spans[:, 0] >= 0, spans[:, 1] - spans[:, 0], np.nan
        )
    found = pd.DataFrame(
        {
            "window_id": windows["window_id"].to_numpy()[sums.gaps[:, 0]],
            "start": sums.gaps[:, 1].astype("datetime64[us]").astype("datetime64[ns]"),
            "hours": sums.gaps[:, 2] / kernel.HOUR,
            "to_the_end": sums.gaps[:, 3] == 1,
        }
    )
    return Summary(table=_table(windows, columns), shapes=sums.shapes, gaps=found)


def _sums(
    study: Study,
    windows: pd.DataFrame,
    settings: TimeInRange,
    cut_off: date | None,
    workers: Workers,
    shift_mg_dl: float,
) -> Sums:
    """Make the sums of every window in the order given."""
    shaped = shaped_windows(windows)
    sums = no_sums(len(windows), int(shaped.sum()))
    if not len(windows):
        return sums
    shape_at = np.cumsum(shaped) - 1
    jobs = jobs_of(
        study, windows, settings=settings, cut_off=cut_off, parts=workers.parts,
        shift_mg_dl=shift_mg_dl,
    )  # fmt: skip
    every_gap = [sums.gaps]
    for job, got in zip(jobs, workers.each(file_sums, jobs), strict=True):
        sums.windows[job.rows] = got.windows
        sums.shapes[shape_at[job.rows[job.shaped]]] = got.shapes
        every_gap.append(got.gaps)
    sums.windows[:, window_kernel.ELAPSED] = _elapsed(windows, study.time_zone)
    found = np.concatenate(every_gap)
    return replace(sums, gaps=found[np.lexsort((found[:, 1], found[:, 0]))])


def _elapsed(windows: pd.DataFrame, zone: str) -> Floats:
    first_day, last_day = day_numbers(windows["first_on"]), day_numbers(windows["last_on"])
    midnights = Midnights.between(int(first_day.min()), int(last_day.max()), zone)
    return np.asarray(midnights.at(last_day + 1) - midnights.at(first_day), dtype=float)


def metrics(raw: Floats) -> dict[str, Column]:
    """Return the metrics of windows, by name, from their sums (as `window_kernel` makes them)."""
    n = raw[:, kernel.READINGS]
    with np.errstate(divide="ignore", invalid="ignore"):
        off_centre = raw[:, kernel.MG_DL] / n
        mean = off_centre + CENTRE_MG_DL
        squares = raw[:, kernel.MG_DL_SQUARED] - n * off_centre**2
        sd = np.sqrt(np.maximum(squares, 0) / np.where(n > 1, n - 1, np.nan))
        elapsed = raw[:, window_kernel.ELAPSED]
        capped = raw[:, kernel.CAPPED_BELOW] + raw[:, kernel.CAPPED_ABOVE]
        columns: dict[str, Column] = {
            "readings": n.astype(np.int64),
            "expected_readings": np.where(n > 0, elapsed * n / raw[:, kernel.NOMINAL], np.nan),
            "owned_minutes": raw[:, kernel.OWNED] / kernel.MINUTE,
            "elapsed_minutes": elapsed / kernel.MINUTE,
            # The last reading's time may run a few minutes past the window's end.
            "active_share": np.minimum(1.0, raw[:, kernel.OWNED] / elapsed),
            "counting_days": raw[:, window_kernel.COUNTING_DAYS].astype(np.int64),
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
        columns["modd_mg_dl"] = raw[:, window_kernel.VARIABILITY]
        columns["mage_mg_dl"] = raw[:, window_kernel.VARIABILITY + 1]
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
        number, owned, median, prolonged = raw[:, window_kernel.EPISODES + 4 * index :][:, :4].T
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
    pairs, which = np.unique(np.column_stack([counting, needed]), axis=0, return_inverse=True)
    few = np.array([f"{days} counting days of {wanted}" for days, wanted in pairs], dtype=object)
    because = np.select(
        [~windows["closed"].to_numpy(dtype=bool), columns["readings"] == 0, counting < needed],
        [
            np.array("not closed by the cut-off", dtype=object),
            np.array("no readings", dtype=object),
            few[which.reshape(-1)] if len(few) else few,
        ],
        default=np.array(None, dtype=object),
    )
    judged = {"counts": because == np.array(None), "because": because}
    return pd.DataFrame({**dict(windows.items()), **judged, **columns}, copy=False)
