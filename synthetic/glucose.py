"""Traces: true glucose, what each sensor reads of it, gaps, limits, and fingersticks.

True glucose is log-normal around the day's mean: exp of meals, nights and a slowly varying
disturbance, scaled so that its mean is the day's mean and its coefficient of variation the
patient's own. Sensors read it with their own gain and noise; a transmitter that is off leaves a
gap; an implanted sensor gives nothing in its first 24 hours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from .clock import CHANGE_DAYS, DAY, local_offset, utc_of
from .course import Course
from .scenario import Scenario, day_number, stream
from .wear import Sensor

GRID = 900  # seconds between points of true glucose
LOW, HIGH = 40, 400  # reporting limits, mg/dL
MEALS = ((7.5, 1.0), (12.7, 0.9), (19.0, 1.15))  # local hour, size
MEAL_SHARE = 0.35  # of the variance on the log scale
MEAL_SIZE_SD = 0.35  # between days
GAIN_SD, WHITE_SD = 0.06, 0.05  # of a sensor, between sensors and between readings
CORRELATION_HOURS = 2.0
ALWAYS_ON = 4  # every so many patients, nothing is off on the days on which the clock changes


@dataclass(kw_only=True)
class Stick:
    """One meter value, mg/dL."""

    time: int  # UTC, seconds
    value: float
    calibrates: bool


@dataclass(kw_only=True)
class Trace:
    """Readings of one patient, sensor by sensor; times in seconds UTC, ascending within each."""

    patient_id: str
    sensors: list[Sensor]
    times: list[np.ndarray]
    values: list[np.ndarray]  # mg/dL, beyond the limits too
    sticks: list[Stick]


def _meal_curve() -> np.ndarray:
    """Sum of the meals' bumps for each quarter of an hour of a day, mean 0 and variance 1."""
    hours = np.arange(96) / 4
    curve = np.zeros(96)
    for at, size in MEALS:
        since = (hours - at) % 24
        curve += size * since * np.exp(-since / 1.1)
    return (curve - curve.mean()) / curve.std()


MEAL_CURVE = _meal_curve()


def true_glucose(
    scenario: Scenario, course: Course, start: int, end: int, rng: np.random.Generator
) -> np.ndarray:
    """True glucose, mg/dL, on the grid from instant `start` to `end` (seconds UTC)."""
    times = np.arange(start, end + GRID, GRID)
    local = times + local_offset(times)
    day = local // DAY
    keep = float(np.exp(-GRID / 3600 / CORRELATION_HOURS))
    slow = rng.standard_normal(len(times))
    slow[1:] *= np.sqrt(1 - keep**2)
    slow = lfilter([1], [1, -keep], slow)
    sizes = 1 + MEAL_SIZE_SD * rng.standard_normal(int(day[-1] - day[0]) + 1)
    meals = MEAL_CURVE[(local % DAY) // GRID] * sizes[day - day[0]]
    sigma = spread(course.person.cv)
    z = sigma * (np.sqrt(MEAL_SHARE) * meals + np.sqrt(1 - MEAL_SHARE) * slow)
    mean = course.mean_glucose(scenario)[day - course.first] / shape_mean(sigma)
    return np.asarray(mean * np.exp(z))


def spread(cv: float) -> float:
    """Standard deviation on the log scale that belongs to a coefficient of variation."""
    return float(np.sqrt(np.log1p(cv**2)))


def log_moments(sigma: float) -> tuple[np.ndarray, np.ndarray]:
    """Mean and variance of log glucose, less the log of the day's mean, by quarter of an hour."""
    mean = sigma * np.sqrt(MEAL_SHARE) * MEAL_CURVE
    meals = MEAL_SHARE * (MEAL_SIZE_SD * MEAL_CURVE) ** 2
    return mean, sigma**2 * (meals + 1 - MEAL_SHARE)


def shape_mean(sigma: float) -> float:
    """Mean of exp(z) over a day, by which the day's mean is divided."""
    mean, variance = log_moments(sigma)
    return float(np.exp(mean + variance / 2).mean())


def trace(scenario: Scenario, seed: int, course: Course) -> Trace:
    """Return everything that the patient's sensors and meter showed up to the export."""
    rng = stream(seed, course.person.index, "trace")
    last = (course.end + 1) * DAY
    from_day = day_number(scenario.readings_from)
    sensors = sorted(
        (s for s in course.sensors if s.placed >= from_day),
        key=lambda sensor: (sensor.placed, sensor.sensor_id),
    )
    starts = [utc_of(s.placed, s.placed_minute) + int(rng.integers(60)) for s in sensors]
    result = Trace(
        patient_id=course.person.patient_id, sensors=sensors, times=[], values=[], sticks=[]
    )
    if not sensors:
        return result
    start = (min(starts) // GRID) * GRID
    truth = true_glucose(scenario, course, start, last, rng)
    off = _off(course, starts[0], last, rng)
    if course.person.index % ALWAYS_ON == 0:
        off = _without_change_days(off)
    for place, sensor in enumerate(sensors):
        following = [
            s for s, other in zip(starts, sensors, strict=True)
            if other.model.kind == sensor.model.kind and s > starts[place]
        ]  # fmt: skip
        end = min(utc_of(sensor.works_until, 17 * 60), last, *following[:1])
        times, values = _read(scenario, sensor, starts[place], end, start, truth, rng)
        keep = _kept(times, off)
        if course.died is not None:
            keep &= times < utc_of(course.end + 1, 0)  # the clinic's midnight, not that of UTC
        result.times.append(times[keep])
        result.values.append(values[keep])
    result.sticks = _sticks(course, sensors, start, truth, rng)
    return result


def _read(
    scenario: Scenario, sensor: Sensor, placed: int, end: int, start: int, truth: np.ndarray,
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """Times and values of one sensor before gaps."""
    implanted = sensor.model.kind == "implanted"
    warm_up = DAY if implanted else 3600
    step = 60 * (scenario.implanted_minutes if implanted else scenario.adhesive_minutes)
    # Kinds never share a second, so that no two sensors give a value at one time.
    first = (placed + warm_up) // 60 * 60 + (placed % 30) + (0 if implanted else 30)
    times = np.arange(first, end, step)
    place = (times - start) / GRID
    left = place.astype(np.int64)
    share = place - left
    after = np.minimum(left + 1, len(truth) - 1)
    values = truth[left] * (1 - share) + truth[after] * share
    gain = np.exp(GAIN_SD * rng.standard_normal())
    bias = scenario.implanted_bias_mg_dl if implanted else scenario.adhesive_bias_mg_dl
    return times, values * (gain + WHITE_SD * rng.standard_normal(len(times))) + bias


def _off(course: Course, start: int, end: int, rng: np.random.Generator) -> np.ndarray:
    """Gaps as rows of first and last second: short ones, and now and then whole days."""
    days = (end - start) // DAY + 1
    short = np.flatnonzero(rng.random(days) < 0.4 * (1 - course.person.adherence) + 0.03)
    begin = start + short * DAY + rng.integers(0, DAY, len(short))
    length = rng.integers(3600, 10 * 3600, len(short))
    long = np.flatnonzero(rng.random(days) < 0.006)
    begin = np.concatenate([begin, start + long * DAY])
    length = np.concatenate([length, rng.integers(DAY, 4 * DAY, len(long))])
    return np.column_stack([begin, begin + length])


def _without_change_days(off: np.ndarray) -> np.ndarray:
    """Leave out the gaps that touch a day of 23 or 25 hours, so that some have it complete."""
    touched = np.zeros(len(off), dtype=bool)
    for first, last in CHANGE_DAYS.values():
        touched |= (off[:, 0] < last) & (off[:, 1] > first)
    return off[~touched]


def _kept(times: np.ndarray, off: np.ndarray) -> np.ndarray:
    """Which readings were made while the transmitter was on."""
    starts, ends = np.searchsorted(times, off[:, 0]), np.searchsorted(times, off[:, 1])
    # One up at each start and one down at each end: 0 where no gap is open.
    steps = np.bincount(starts, minlength=len(times) + 1)
    steps -= np.bincount(ends, minlength=len(times) + 1)
    return np.asarray(np.cumsum(steps[:-1]) == 0)


def _sticks(
    course: Course, sensors: list[Sensor], start: int, truth: np.ndarray, rng: np.random.Generator
) -> list[Stick]:
    """Calibrations of implanted sensors: two a day on days 1 to 21, then one, most of them kept.

    Common practice, no source. Meter error of 5 % (1 SD) keeps within ISO 15197:2013.
    """
    sticks: dict[int, Stick] = {}
    for sensor in sensors:
        if sensor.model.kind != "implanted":
            continue
        last = min(sensor.works_until, course.end)
        for day in range(sensor.placed + 1, last + 1):
            due = (8, 18) if day - sensor.placed <= 21 else (8,)
            for hour in due:
                kept, minute, error = rng.random(), int(rng.integers(150)), rng.normal()
                if kept > course.person.adherence:
                    continue
                time = utc_of(day, hour * 60 + minute)
                place = min((time - start) // GRID, len(truth) - 1)
                value = float(truth[place] * (1 + 0.05 * error))
                sticks[time] = Stick(time=time, value=value, calibrates=kept < 0.97)
    return [sticks[time] for time in sorted(sticks)]
