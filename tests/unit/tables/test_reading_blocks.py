"""Blocks of some whole patients: each patient's readings come out as they would alone."""

import numpy as np
import pandas as pd
import pytest

from outcomes.tables.declared import KINDS
from outcomes.tables.ledger import Ledger
from outcomes.tables.reading_blocks import OrderedBlock, ReadingBlock
from outcomes.tables.reading_store import local_days
from outcomes.tables.reading_streams import reading_intervals, streams_of
from outcomes.tables.timed_rows import ROW, PatientRows, TimedRows, all_settled
from outcomes.tables.worn_sensors import WornSensors

MINUTE, DAY = 60_000_000, 86_400_000_000
START = 19_800 * DAY
COLUMNS = ("time", "local_offset", "value", "unit", "capped", "sensor", "kind")


def some_patients(seed: int, *, patients: int = 6) -> ReadingBlock:
    """Return patients with 1 to 60 readings of up to three sensors, most of them out of order."""
    rng = np.random.default_rng(seed)
    counts = rng.integers(1, 60, patients)
    n = int(counts.sum())
    time = START + rng.integers(0, 300, n) * 5 * MINUTE
    return ReadingBlock(
        patient_ids=tuple(f"P{i}" for i in range(patients)),
        starts=np.cumsum([0, *counts]),
        time=np.sort(time) if seed % 2 else time,
        local_offset=rng.choice([60, 120], n).astype(np.int16),
        value=rng.integers(40, 400, n) / rng.choice([1, 4], n),
        unit=rng.integers(0, 2, n).astype(np.int8),
        capped=rng.integers(-1, 2, n).astype(np.int8),
        sensor=np.repeat(rng.integers(-1, 3, n), rng.integers(1, 9, n))[:n].astype(np.int32),
        sensors=["S2", "S0", "S1"],
        kind=rng.integers(-1, 2, n).astype(np.int8),
    )


def alone(block: ReadingBlock, patient: int) -> ReadingBlock:
    own = slice(block.starts[patient], block.starts[patient + 1])
    columns = {name: getattr(block, name)[own] for name in COLUMNS}
    return ReadingBlock(
        patient_ids=block.patient_ids[patient : patient + 1],
        starts=np.array([0, own.stop - own.start]),
        sensors=block.sensors,
        **columns,
    )


@pytest.mark.parametrize("seed", range(12))
def test_a_patient_in_a_block_of_many_is_as_in_a_block_alone(seed: int) -> None:
    block = some_patients(seed)
    many = OrderedBlock.of(block, block.kind)
    stream, streams = streams_of(many)
    for i, patient_id in enumerate(many.patient_ids):
        own = slice(many.starts[i], many.starts[i + 1])
        one = alone(block, i)
        one = OrderedBlock.of(one, one.kind)
        own_stream, own_streams = streams_of(one)
        assert many.sensors[i] == one.sensors[0]
        assert many.digest(i) == one.digest(0)
        for name in COLUMNS:
            np.testing.assert_array_equal(getattr(many, name)[own], getattr(one, name), name)
        np.testing.assert_array_equal(stream[own], own_stream)
        for column, own_column in zip(streams, own_streams, strict=True):
            assert column[streams[0] == patient_id].tolist() == own_column.tolist()


@pytest.mark.parametrize("seed", range(6))
def test_readings_are_sorted_by_time_and_then_by_the_name_of_the_sensor(seed: int) -> None:
    block = some_patients(seed, patients=1)
    ordered = OrderedBlock.of(block, block.kind)
    names = np.array([*ordered.sensors[0], ""])[ordered.sensor]
    rows = list(zip(ordered.time.tolist(), names.tolist(), strict=True))
    assert rows == sorted(rows)
    given = np.array([*block.sensors, ""])[block.sensor]
    told = sorted(zip(block.time, given, block.value, block.kind, strict=True))
    assert sorted(zip(ordered.time, names, ordered.value, ordered.kind, strict=True)) == told


def test_streams_spell_out_the_sensor_the_kind_and_the_unit_of_each_reading() -> None:
    block = OrderedBlock.of(some_patients(4), some_patients(4).kind)
    stream, (patient, number, sensor, kind, unit, _) = streams_of(block)
    for i, patient_id in enumerate(block.patient_ids):
        place = {int(number[j]): j for j in np.flatnonzero(patient == patient_id)}
        for row in range(block.starts[i], block.starts[i + 1]):
            at = place[int(stream[row])]
            name = block.sensors[i][block.sensor[row]] if block.sensor[row] >= 0 else None
            assert (sensor[at], kind[at], unit[at]) == (name, block.kind[row], block.unit[row])


def test_a_group_without_distances_takes_those_of_its_own_kind_alone() -> None:
    minutes = np.array([0, 15, 30, 40, 41, 42, 50])
    group = np.array([0, 0, 0, 1, 2, 2, 3])
    found = reading_intervals(minutes * MINUTE, group, np.array([7, 7, 8, 9]))
    assert found.tolist() == [15, 15, 1, 5]


@pytest.mark.parametrize("seed", range(6))
def test_the_kind_of_a_reading_is_what_a_look_at_every_sensor_says(seed: int) -> None:
    rng = np.random.default_rng(seed)
    block = some_patients(seed)
    placed = pd.to_datetime(rng.integers(19_798, 19_802, 9), unit="D")
    sensors = pd.DataFrame(
        {
            "sensor_id": [f"S{i}" for i in range(9)],
            "patient_id": rng.choice(["P0", "P1", "P2", "P9"], 9),
            "kind": rng.choice(KINDS, 9),
            "placed_on": placed,
            "stopped_on": placed + pd.to_timedelta(rng.integers(0, 3, 9), unit="D"),
            "removed_on": pd.NaT,
        }
    )
    found = WornSensors.from_table(sensors).kind_of_readings(block)
    day = pd.to_datetime(local_days(block.time, block.local_offset), unit="D")
    for i, patient_id in enumerate(block.patient_ids):
        for row in range(block.starts[i], block.starts[i + 1]):
            own = sensors[sensors["patient_id"] == patient_id]
            worn = own[(own["placed_on"] <= day[row]) & (own["stopped_on"] >= day[row])]["kind"]
            if block.sensor[row] >= 0:
                named = sensors["sensor_id"] == block.sensors[block.sensor[row]]
                worn = sensors.loc[named, "kind"]
            only = KINDS.index(worn.iloc[0]) if len(set(worn)) == 1 else -1
            assert found[row] == only


def rows_of(patient: int, minutes: list[int]) -> np.ndarray:
    rows = np.zeros(len(minutes), dtype=ROW)
    rows["patient"], rows["line"], rows["value"] = patient, np.arange(len(minutes)) + 2, 100
    rows["time"] = START + np.array(minutes) * MINUTE
    return rows


def test_a_patient_whose_times_do_not_rise_is_settled_and_the_others_stay() -> None:
    ledger = Ledger()
    entry = ledger.open("a.csv", "readings")
    given = [
        ("P0", [rows_of(0, [0, 5])]),
        ("P1", [rows_of(1, [5, 0, 5])]),
        ("P2", [rows_of(2, [])]),
    ]
    patients = PatientRows.of(given)
    assert patients.ids == ("P0", "P1")
    kept = all_settled(patients, [], ledger, by_sensor=True)
    assert [(rows["time"] - START).tolist() for _, rows in kept] == [[0, 5 * MINUTE]] * 2
    assert ledger.entries[entry].repeats == 1
    assert all_settled(kept, [], ledger, by_sensor=True) is kept


@pytest.mark.parametrize("spilled", [False, True])
def test_rows_come_back_by_patient_in_the_order_in_which_they_came(
    tmp_path, monkeypatch, spilled: bool
) -> None:
    monkeypatch.setattr("outcomes.tables.timed_rows.ENOUGH_ROWS", 100)
    rng = np.random.default_rng(3)
    patient = np.sort(rng.integers(0, 20, 900)) if spilled else rng.integers(0, 20, 900)
    rows = np.zeros(900, dtype=ROW)
    rows["patient"], rows["line"] = patient, np.arange(900)
    with TimedRows(spill=tmp_path / "rows") as timed:
        for i in range(20):
            timed.patients.number(f"P{i:02d}")
        timed._held, timed._count = [rows[:500], rows[500:]], 900
        if spilled:
            timed._spill_held()
        parts = list(timed.by_patient())
    assert len(parts) > 3
    found = {patient_id: own["line"].tolist() for part in parts for patient_id, own in part}
    assert found == {f"P{i:02d}": np.flatnonzero(patient == i).tolist() for i in range(20)}
