"""How many sensors, and how many procedures, a patient-year of wear needs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from outcomes.statistics.lives import CENSORED
from outcomes.statistics.probability_limits import normal_quantile
from outcomes.statistics.restricted_means import RestrictedMean, restricted_mean
from outcomes.units import DAYS_PER_YEAR

MEAN_DAYS: Final = "mean days worked per sensor placed"
SENSORS: Final = "sensors a patient-year needs"
PROCEDURES: Final = "procedures a patient-year needs"
METHOD: Final = "mean life within the planned life, infinitesimal jackknife by patient"
NO_DAY: Final = "not estimable: no sensor worked for a whole day"
NO_PROCEDURES: Final = "not estimable: no procedure of these sensors is recorded"


def needs(lives: pd.DataFrame, procedures: pd.DataFrame) -> pd.DataFrame:
    """Return what a patient needs who always wears a working sensor.

    A sensor works, on average, for so many days up to its planned day, whatever ended it; a year
    of wear needs 365.25 over that. Each sensor costs the placements attempted per sensor placed
    and the removals attempted per sensor removed, failed attempts and all.

    Parameters
    ----------
    lives : DataFrame, one row per sensor at risk
        As `lives_in` returns it.
    procedures : DataFrame, one row per attempt
        As declared, up to the cut-off.

    Returns
    -------
    DataFrame, three rows
        `quantity`, `estimate`, `std_error` (days, or of the logarithm), `conf_low`, `conf_high`,
        `events` (sensors that ended, or attempts), `method`, `note`. The limits of the mean are
        normal, those of the two ratios normal on the log scale, with what the mean and the
        attempts of one patient have in common.

    Notes
    -----
    The mean is the area under the share still working up to the planned day, so a sensor in place
    at the cut-off counts for as long as it was watched; see `mean_life`. It does not exist before
    sensors of each planned life were watched to their planned day.
    """
    mean = mean_life(lives)
    table = [_mean_row(mean)]
    year = spread = None
    why = mean.note if mean.estimate != 0 else NO_DAY
    if mean.estimate:
        year = math.log(DAYS_PER_YEAR / mean.estimate)
        spread = None if mean.std_error is None else -mean.influence / mean.estimate
    table.append(_ratio_row(SENSORS, year, spread, mean.events, why))
    attempts = _attempts(lives, procedures)
    if attempts is None:
        table.append(_ratio_row(PROCEDURES, None, None, 0, NO_PROCEDURES))
        return pd.DataFrame(table)
    each, influence, number = attempts
    both = None if spread is None else spread.add(influence / each, fill_value=0.0)
    total = None if year is None else year + math.log(each)
    table.append(_ratio_row(PROCEDURES, total, both, number, why))
    return pd.DataFrame(table)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class MeanLife:
    """Mean days that a sensor worked, with each patient's influence on it."""

    estimate: float | None
    std_error: float | None
    events: int
    note: str
    influence: pd.Series


def mean_life(lives: pd.DataFrame) -> MeanLife:
    """Return the mean days worked up to the planned day, whatever ended the sensor.

    Sensors of one planned life at a time, so that a life that was introduced late, and is little
    watched, does not pass for the other; the lives weigh as many sensors as they have.
    """
    parts = [(len(mine) / len(lives), _one_life(mine)) for _, mine in lives.groupby("planned_days")]
    notes = [part.note for _, part in parts if part.estimate is None]
    influence = pd.Series(dtype=float)
    for weight, part in parts:
        influence = influence.add(weight * part.influence, fill_value=0.0)
    error = float(np.sqrt((influence**2).sum()))
    known = not notes and len(influence) > 1 and error > 0
    one = "" if known or notes else "no limits: one patient, or no spread between patients"
    return MeanLife(
        estimate=None if notes else sum(w * part.estimate for w, part in parts if part.estimate),
        std_error=error if known else None,
        events=sum(part.n_events for _, part in parts),
        note="; ".join(dict.fromkeys(notes)) or one,
        influence=influence,
    )


def _one_life(lives: pd.DataFrame) -> RestrictedMean:
    planned = float(lives["planned_days"].iloc[0])
    over = (lives["exit"] >= planned) | lives["ended"]
    clock = pd.DataFrame(
        {
            "patient_id": lives["patient_id"],
            "entry": lives["entry"].astype(float),
            "exit": lives["exit"].astype(float),
            "state": np.where(over, "over", CENSORED),
        }
    )
    return restricted_mean(clock, horizon=planned, cluster="patient_id")


def _around(middle: float | None, error: float | None) -> tuple[float | None, float | None]:
    if middle is None or error is None:
        return None, None
    reach = normal_quantile(0.95) * error
    return middle - reach, middle + reach


def _mean_row(mean: MeanLife) -> dict[str, object]:
    low, high = _around(mean.estimate, mean.std_error)
    return {
        "quantity": MEAN_DAYS, "estimate": mean.estimate, "std_error": mean.std_error,
        "conf_low": None if low is None else max(low, 0.0), "conf_high": high,
        "events": mean.events, "method": METHOD, "note": mean.note,
    }  # fmt: skip


def _ratio_row(
    quantity: str, log: float | None, spread: pd.Series | None, events: int, note: str
) -> dict[str, object]:
    error = None if spread is None else float(np.sqrt((spread**2).sum()))
    values = (log, *_around(log, error))
    estimate, low, high = (None if value is None else math.exp(value) for value in values)
    return {
        "quantity": quantity, "estimate": estimate, "std_error": None if low is None else error,
        "conf_low": low, "conf_high": high, "events": events, "method": f"{METHOD}, log scale",
        "note": note,
    }  # fmt: skip


def _attempts(lives: pd.DataFrame, procedures: pd.DataFrame) -> tuple[float, pd.Series, int] | None:
    """Return attempts per sensor, each patient's influence on it, and the number of attempts."""
    mine = procedures.loc[procedures["sensor_id"].isin(lives["sensor_id"])]
    if mine.empty:
        return None
    out = lives["removed_on"].notna()
    each, influence = 0.0, pd.Series(0.0, index=sorted(lives["patient_id"].unique()))
    for what, sensors in (("placement", lives), ("removal", lives.loc[out])):
        if sensors.empty:
            continue
        rows = mine.loc[(mine["what"] == what) & mine["sensor_id"].isin(sensors["sensor_id"])]
        number = sensors.groupby("patient_id").size()
        tried = rows.groupby("patient_id").size()
        ratio = len(rows) / len(sensors)
        part = tried.sub(ratio * number, fill_value=0.0) / len(sensors)
        each, influence = each + ratio, influence.add(part, fill_value=0.0)
    return (each, influence, len(mine)) if each > 0 else None
