"""The compiled pass against the slow account, and what must hold whatever the readings are."""

import functools
import math
import sys
from datetime import date, timedelta

import numpy as np
import pytest

from outcomes.glucose.ranges import SHARES
from outcomes.tables.declared import GLUCOSE_UNITS, KINDS
from outcomes.tables.reading_store import StoredReadings
from tests.glucose_traces import MINUTE, instant, offset, stored, trace, window
from tests.slow_glucose import SHARE_NAMES, Reading, slow_window

BERLIN = "Europe/Berlin"
STARTS = ("2024-03-30", "2024-05-06", "2024-10-26")  # two of them just before a clock change


def random_sensor(rng: np.random.Generator, start: int, minutes: int) -> list[Reading]:
    """A sensor with its own kind, unit, interval and phase, worn for a part, with holes."""
    interval, kind = int(rng.choice([1, 5, 5, 15])), str(rng.choice(KINDS))
    unit = str(rng.choice(GLUCOSE_UNITS))
    if interval == 1:
        minutes = min(minutes, 400)
    at = np.arange(start + rng.integers(0, 300), start + minutes, interval)
    level = 120 + 70 * np.sin(np.arange(len(at)) * interval / rng.uniform(20, 200))
    mg_dl = np.clip(level + rng.normal(0, rng.choice([0, 5, 40]), len(at)), 40, 400)
    keep = rng.random(len(at)) > rng.choice([0, 0.02, 0.3])
    for _ in range(rng.integers(0, 4)):
        hole = rng.integers(0, len(at))
        keep[hole : hole + rng.integers(1, 15)] = False
    value = np.round(mg_dl) if unit == "mg/dL" else np.round(mg_dl / 18.0156, 1)
    return [
        Reading(int(m), float(v), unit, kind, interval, int(g >= 400) - int(g <= 40),
                offset(int(m) * MINUTE, BERLIN))
        for m, v, g, k in zip(at, value, mg_dl, keep, strict=True) if k
    ]  # fmt: skip


def as_patient(readings: list[Reading]) -> StoredReadings:
    return stored(
        time=[r.minute * MINUTE for r in readings],
        local_offset=[r.offset for r in readings],
        value=[r.value for r in readings],
        unit=[GLUCOSE_UNITS.index(r.unit) for r in readings],
        capped=[r.capped for r in readings],
        kind=[KINDS.index(r.kind) for r in readings],
        interval=[r.interval for r in readings],
    )


@functools.cache
def random_trace(seed: int) -> tuple[list[Reading], date]:
    rng = np.random.default_rng([20260101, seed])
    first_on = date.fromisoformat(STARTS[seed % 3])
    start = instant(f"{first_on} 00:00", BERLIN) // MINUTE
    minutes = int(rng.integers(400, 3200))
    sensors = [random_sensor(rng, start, minutes) for _ in range(rng.integers(1, 4))]
    together = [reading for sensor in sensors for reading in sensor]
    return sorted(together, key=lambda r: r.minute), first_on


def compare_accounts(seed: int) -> None:
    """Hold every number of one random trace against the slow account."""
    readings, first_on = random_trace(seed)
    rng = np.random.default_rng(seed)
    last_on = first_on + timedelta(days=int(rng.integers(0, 3)))
    placed = instant(f"{first_on} 00:00", BERLIN) // MINUTE + int(rng.integers(-900, 900))
    first = KINDS[seed % 2]
    slow = slow_window(
        readings, first=first, first_on=first_on, last_on=last_on, zone=BERLIN,
        not_tested=[(placed, placed + 1440)],
    )  # fmt: skip
    fast = window(
        as_patient(readings), str(first_on), str(last_on), kind=first, zone=BERLIN,
        not_tested=[(placed * MINUTE, (placed + 1440) * MINUTE)],
    )  # fmt: skip
    for name, want in slow.items():
        assert fast[name] == pytest.approx(want, rel=1e-9, abs=1e-9), (seed, name)
    absent = [n for n in fast.index if n.endswith(("_54", "sd_mg_dl")) and n not in slow]
    assert all(math.isnan(fast[name]) for name in absent), seed


@pytest.mark.parametrize("block", range(20))
def test_both_accounts_agree_on_a_thousand_random_traces(block: int) -> None:
    for seed in range(50 * block, 50 * block + 50):
        compare_accounts(seed)


def test_the_random_traces_hold_every_case() -> None:
    traces = [random_trace(seed)[0] for seed in range(300)]
    assert sum(len({r.kind for r in t}) == 2 for t in traces) > 50
    assert sum(len({r.unit for r in t}) == 2 for t in traces) > 50
    assert sum(len({r.interval for r in t}) > 1 for t in traces) > 50
    assert sum(len({r.offset for r in t}) == 2 for t in traces) > 50
    assert sum(any(r.capped for r in t) for t in traces) > 50


def test_every_share_of_the_slow_account_is_offered() -> None:
    assert set(SHARE_NAMES) == set(SHARES)


@pytest.mark.parametrize("seed", range(20))
def test_shares_add_to_one(seed: int) -> None:
    readings, first_on = random_trace(seed)
    got = window(as_patient(readings), str(first_on), zone=BERLIN)
    usual = ["below_54", "from_54_to_69", "from_70_to_180", "from_181_to_250", "above_250"]
    pregnancy = ["below_54", "from_54_to_62", "from_63_to_140", "above_140"]
    for names in (usual, pregnancy):
        assert sum(got[f"share_{name}"] for name in names) == pytest.approx(1, rel=1e-12)


@pytest.mark.parametrize("seed", range(20))
def test_another_zone_moves_only_the_days(seed: int) -> None:
    readings, first_on = random_trace(seed)
    patient = as_patient(readings)
    moved = as_patient(readings)
    object.__setattr__(moved, "local_offset", patient.local_offset - 300)
    wide = [str(first_on - timedelta(days=2)), str(first_on + timedelta(days=5))]
    here, there = (window(p, *wide, zone=BERLIN) for p in (patient, moved))
    same = [n for n in here.index if not n.startswith(("day_", "night_", "counting"))]
    here, there = here.astype(float), there.astype(float)
    np.testing.assert_allclose(here[same], there[same], rtol=1e-12)
    assert not here.equals(there)


@pytest.mark.parametrize("value", [60.0, 120.0, 260.0])
def test_twice_the_readings_of_a_constant_trace_change_nothing(value: float) -> None:
    slow = window(trace([value] * 96, interval=10), "2024-05-06")
    fast = window(trace([value] * 192, interval=5), "2024-05-06")
    changed = {n for n in slow.index if not np.isclose(slow[n], fast[n], equal_nan=True)}
    assert changed <= {"readings", "expected_readings"}
    assert slow["sd_mg_dl"] == 0


def test_both_units_give_the_same_shares_at_the_paired_limits() -> None:
    pairs = [(53, 2.9), (54, 3.0), (62, 3.4), (63, 3.5), (69, 3.8), (70, 3.9), (140, 7.8),
             (141, 7.9), (180, 10.0), (181, 10.1), (250, 13.9), (251, 14.0)]  # fmt: skip
    one = window(trace([a for a, _ in pairs]), "2024-05-06")
    other = window(trace([b for _, b in pairs], unit="mmol/L"), "2024-05-06")
    shares = [name for name in one.index if "share" in name or "episodes" in name]
    assert one[shares].astype(float).equals(other[shares].astype(float))


@pytest.mark.parametrize("seed", range(10))
def test_windows_of_single_days_add_to_the_whole(seed: int) -> None:
    readings, first_on = random_trace(seed)
    patient = as_patient(readings)
    days = [window(patient, str(first_on + timedelta(days=i)), zone=BERLIN) for i in range(4)]
    whole = window(patient, str(first_on), str(first_on + timedelta(days=3)), zone=BERLIN)
    added = ["readings", "owned_minutes", "elapsed_minutes", "counting_days", "overlap_left_out",
             "low_1_episodes", "high_2_minutes", "low_1_prolonged"]  # fmt: skip
    for name in added:
        assert sum(day[name] for day in days) == pytest.approx(whole[name])


if __name__ == "__main__":  # python -m tests.properties.test_glucose_two_accounts [1000]
    many = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    for each in range(many):
        compare_accounts(each)
    print(f"Both accounts agree on {many:,} random traces, on every number, to 1e-9.")
