"""The pass over the readings on the tiny worked examples of its rules."""

import math
from datetime import date

import numba
import numpy as np
import pandas as pd
import pytest
from numba.core import caching

from outcomes.errors import TableError
from outcomes.glucose import periods, summarise
from outcomes.glucose.passes import first_hours
from outcomes.plan import Frame, Plan
from outcomes.tables.compiled import compiled
from outcomes.tables.declared import SENSORS
from outcomes.tables.reading_store import INDEX_COLUMNS, STREAM_COLUMNS
from tests.glucose_traces import (
    MINUTE,
    SETTINGS,
    day_number,
    episodes,
    instant,
    trace,
    window,
    worked_answers,
)

BERLIN = "Europe/Berlin"
ANSWERS = worked_answers()


def answer(example: str, quantity: str) -> float:
    return float(ANSWERS[example, quantity])


# W16: a day counts with 70 % of the readings that its elapsed length would give.


@pytest.mark.parametrize("day", ["2024-05-06", "2024-03-31", "2024-10-27"])
@pytest.mark.parametrize("interval", [5, 15])
def test_a_day_counts_from_the_least_number_that_makes_70_percent(day: str, interval: int) -> None:
    expected, needed = map(int, ANSWERS["W16", f"{day}_{interval}min_expected_needed"].split())
    for number, counts in [(needed, 1), (needed - 1, 0)]:
        got = window(
            trace([120] * number, interval=interval, start=f"{day} 00:00", zone=BERLIN),
            day,
            zone=BERLIN,
        )
        assert (got["expected_readings"], got["counting_days"]) == (expected, counts)


# W17: the first 24 hours of an implanted sensor are out of the test, not out of the shares.


@pytest.mark.parametrize(
    ("placed", "day", "after", "needed"),
    [
        ("2024-03-30 10:00", "2024-03-31", "2024-03-31 11:00", answer("W17", "needed_2024-03-31")),
        ("2024-05-06 10:00", "2024-05-07", "2024-05-07 10:00", 118),
    ],
)
def test_the_first_24_elapsed_hours_are_out_of_the_test_only(
    placed: str, day: str, after: str, needed: float
) -> None:
    begin = instant(placed, BERLIN)
    spans = [(begin, begin + 24 * 60 * MINUTE)]
    for number, counts in [(int(needed), 1), (int(needed) - 1, 0)]:
        readings = trace([120] * number, kind="implanted", start=after, zone=BERLIN)
        got = window(readings, day, kind="implanted", zone=BERLIN, not_tested=spans)
        assert (got["counting_days"], got["readings"]) == (counts, number)


def test_readings_of_the_first_24_hours_enter_the_shares() -> None:
    spans = [(instant("2024-05-06 00:00"), instant("2024-05-07 00:00"))]
    got = window(trace([60, 100]), "2024-05-06", not_tested=spans)
    assert (got["counting_days"], got["share_below_70"]) == (0, 0.5)


def test_the_first_hours_of_sensors_close_together_are_one_span() -> None:
    sensors = SENSORS.empty().reindex(range(3))
    sensors["patient_id"], sensors["kind"] = "P1", "implanted"
    sensors["placed_on"] = pd.to_datetime(["2024-05-01", "2024-05-02", "2024-06-01"])
    sensors["placed_at"] = pd.to_datetime(["2024-05-01 20:00", "2024-05-02 08:00", None])
    spans = first_hours(sensors, zone=BERLIN, hours=24)["P1"]
    starts = [instant("2024-05-01 20:00"), instant("2024-06-01 00:00", BERLIN)]
    ends = [instant("2024-05-03 08:00"), instant("2024-06-02 00:00", BERLIN)]
    assert spans.tolist() == [list(pair) for pair in zip(starts, ends, strict=True)]


# W18: 14 counting days make a period count, and then all its readings enter.


def w18(last_full_day: int) -> tuple[list[float], list[float]]:
    minutes, values = [], []
    for day in range(28):
        number, good = (202, 150) if day < 14 else (50, 20)
        number = last_full_day if day == 13 else number
        minutes += [day * 1440 + 5 * i for i in range(number)]
        values += [120.0 if i < good else 200.0 for i in range(number)]
    return values, minutes


def test_all_readings_of_a_counting_period_enter() -> None:
    got = window(trace(*w18(202), start="2024-03-29 00:00"), "2024-03-29", "2024-04-25")
    assert (got["counting_days"], got["readings"]) == (14, 3528)
    assert 100 * got["share_from_70_to_180"] == pytest.approx(
        answer("W18", "in_range_pct"), rel=1e-9
    )


def test_one_reading_fewer_leaves_thirteen_counting_days() -> None:
    got = window(trace(*w18(201), start="2024-03-29 00:00"), "2024-03-29", "2024-04-25")
    assert got["counting_days"] == 13


@pytest.mark.parametrize(("cut_off", "closed"), [("2024-04-25", True), ("2024-04-24", False)])
def test_a_period_closes_with_its_28th_day(cut_off: str, closed: bool) -> None:
    one = pd.DataFrame({"patient_id": ["P1"], "cohort": ["implanted"]})
    one["index_date"] = pd.Timestamp("2024-03-01")
    plan = Plan(plan=Frame(start=date(2024, 1, 1)))
    made = periods(one, plan, date.fromisoformat(cut_off))
    days = [made[column].dt.strftime("%m-%d").tolist() for column in ("first_on", "last_on")]
    assert days == [["02-02", "03-01", "03-29"], ["02-29", "03-28", "04-25"]]
    assert made["period"].tolist() == [0, 1, 2]
    assert made["closed"].tolist() == [True, True, closed]


# W19: shares by owned time, mean and SD by reading.


def test_shares_are_weighted_by_time_and_the_mean_is_not() -> None:
    values = [60, 65, 100, 110, 120, 190, 150, 170, 175, 260, 60]
    got = window(trace(values, interval=[5] * 6 + [15] * 5), "2024-05-06")
    want = {
        "below_70": "below_70_pct",
        "from_70_to_180": "70_180_pct",
        "from_70_to_140": "70_140_pct",
        "above_180": "above_180_pct",
        "above_250": "above_250_pct",
    }
    assert got["owned_minutes"] == 105
    assert got["share_below_54"] == 0
    for column, quantity in want.items():
        assert 100 * got[f"share_{column}"] == pytest.approx(answer("W19", quantity), rel=1e-9)
    for column in ("mean", "sd"):
        assert got[f"{column}_mg_dl"] == pytest.approx(answer("W19", column), rel=1e-9)
    for column in ("cv", "gmi"):
        assert got[f"{column}_percent"] == pytest.approx(answer("W19", f"{column}_pct"), rel=1e-9)


# W20, W21: limits in the reading's own unit, words beyond a limit.


def test_limits_are_compared_in_the_readings_own_unit() -> None:
    values = [3.0, 2.9, 3.8, 3.9, 7.8, 7.9, 10.0, 10.1, 13.9, 14.0]
    got = window(trace(values, unit="mmol/L"), "2024-05-06")
    names = ["below_54", "below_70", "from_70_to_180", "from_70_to_140", "above_180", "above_250"]
    counts = [round(10 * got[f"share_{name}"]) for name in names]
    assert " ".join(map(str, counts)) == ANSWERS["W20", "counts_54_70_in_tight_180_250"]
    assert got["mean_mg_dl"] == pytest.approx(answer("W20", "mean_mg_dl"), rel=1e-9)


@pytest.mark.parametrize("words", ["as mg/dL", "as mmol/L"])
def test_words_beyond_a_limit_enter_as_that_limit_in_either_unit(words: str) -> None:
    if words == "as mg/dL":
        values, unit = [5.6, 40, 400, 10.0], ["mmol/L", "mg/dL", "mg/dL", "mmol/L"]
    else:  # the same limits between the steps of the table
        values, unit = [5.6, 40 / 18.0156, 400 / 18.0156, 10.0], "mmol/L"
    got = window(trace(values, unit=unit, capped=[0, -1, 1, 0]), "2024-05-06")
    shares = [got[f"share_{name}"] for name in ("below_54", "above_250", "from_70_to_180")]
    assert shares == [0.25, 0.25, 0.5]
    assert got["mean_mg_dl"] == pytest.approx(answer("W21", "mean_mg_dl"), rel=1e-9)
    assert (got["capped_below"], got["capped_above"], got["capped_share"]) == (1, 1, 0.5)


def test_words_in_a_number_column_stay_in_every_denominator() -> None:
    values = [110, 40, 400, 250, 40, 400, 95, 180]  # LOW, HIGH, <40 and >400 at 40 and 400
    got = window(trace(values, capped=[0, -1, 1, 0, -1, 1, 0, 0]), "2024-05-06")
    shares = [got[f"share_{name}"] for name in ("from_70_to_180", "below_70", "above_180")]
    assert shares == [3 / 8, 2 / 8, 3 / 8]
    assert (got["mean_mg_dl"], got["capped_share"]) == (189.375, 0.5)


# W22 to W25: episodes.

LOWS = {
    ("W22", "a_start_end_owned"): trace([80, 69, 68, 67, 75, 75, 66, 75, 75, 75]),
    ("W22", "b_start_end_owned"): trace([80, 69, 68, 75, 69, 75]),
    ("W22", "c_start_end_owned"): trace([69, 68, 67, 80], [0, 5, 20, 25]),
    ("W22", "d_start_end_owned"): trace([69, 68, 67, 80], [0, 5, 35, 40]),
    ("W22", "e_start_end_owned"): trace([69, 68, 67, 80], [0, 5, 36, 41]),
    ("W22", "f_start_end_owned"): trace([69, 68, 80], [0, 25, 30]),
    ("W23", "a_start_end_owned"): trace([80, 69, 80, 69, 69, 80], interval=15),
    ("W23", "b_start_end_owned"): trace([65, 66, 64, 80], [0, 15, 45, 60], interval=15),
    ("W23", "c_start_end_owned"): trace([65, 66, 64, 80], [0, 15, 60, 75], interval=15),
    ("W23", "d_start_end_owned"): trace([80, 80, 65], interval=15),
    ("W24", "a_start_end_owned"): trace([65] * 8 + [80], interval=15),
    ("W24", "b_start_end_owned"): trace(
        [65] * 7 + [80], [0, 15, 30, 45, 75, 90, 105, 120], interval=15
    ),
    ("W24", "c_start_end_owned"): trace([65] * 12 + [72, 72] + [65] * 10 + [80] * 3),
}
W25_A = trace([68, 60, 53, 52, 51, 58, 58, 58, 53, 60, 60, 75, 75, 75])
W25_B = trace([53, 52, 51, 60, 60, 60, 53, 52, 51, 75, 75, 75])
W25_C = trace([181, 250, 251, 260, 250, 181, 180], interval=15)


@pytest.mark.parametrize("which", LOWS, ids="-".join)
def test_low_episodes_start_end_and_own_what_the_rules_say(which: tuple[str, str]) -> None:
    assert episodes(LOWS[which], "low_1") == ANSWERS[which]


@pytest.mark.parametrize(
    ("readings", "level", "quantity"),
    [
        (W25_A, "low_1", "a_level_1_start_end_owned"),
        (W25_A, "low_2", "a_level_2_start_end_owned"),
        (W25_B, "low_2", "b_level_2_start_end_owned"),
        (W25_C, "high_1", "c_level_1_start_end_owned"),
        (W25_C, "high_2", "c_level_2_start_end_owned"),
    ],
)
def test_both_levels_close_at_the_same_limit(readings, level: str, quantity: str) -> None:
    assert episodes(readings, level) == ANSWERS["W25", quantity]


@pytest.mark.parametrize(("which", "prolonged"), [("a", 1), ("b", 0), ("c", 1)])
def test_120_owned_minutes_are_prolonged(which: str, prolonged: int) -> None:
    got = window(LOWS["W24", f"{which}_start_end_owned"], "2024-05-06")
    assert (got["low_1_episodes"], got["low_1_prolonged"]) == (1, prolonged)


def test_a_clock_a_few_seconds_off_makes_no_difference_to_an_episode() -> None:
    early = trace([80, 65, 65, 65, 80], [0, 5.05, 9.98, 15.02, 19.97])
    got = window(early, "2024-05-06")
    assert got["low_1_episodes"] == 1


def test_an_episode_belongs_to_the_day_on_which_it_starts() -> None:
    night = trace([65] * 6 + [80] * 6, start="2024-05-06 23:45")
    days = [window(night, day) for day in ("2024-05-06", "2024-05-07")]
    assert [day["low_1_episodes"] for day in days] == [1, 0]
    assert [day["low_1_minutes"] for day in days] == [30, 0]


# W26: two sensors at once.


@pytest.mark.parametrize(
    ("kind", "minutes", "left_out"), [("implanted", 50, 2), ("adhesive", 60, 4)]
)
@pytest.mark.parametrize("implanted_first", [True, False])
def test_the_cohorts_kind_goes_first_where_sensors_overlap(
    kind: str, minutes: int, left_out: int, implanted_first: bool
) -> None:
    rows = [(m, v, "implanted", 5) for m, v in [(0, 100), (5, 105), (10, 110), (45, 120)]]
    rows += [(m, v, "adhesive", 15) for m, v in [(0, 140), (15, 150), (30, 160), (45, 170)]]
    rows.sort(key=lambda r: (r[0], (r[2] == "implanted") != implanted_first))
    at, values, kinds, intervals = zip(*rows, strict=True)
    got = window(trace(values, at, kind=kinds, interval=intervals), "2024-05-06", kind=kind)
    assert (got["owned_minutes"], got["overlap_left_out"]) == (minutes, left_out)
    assert got["mean_mg_dl"] == pytest.approx(answer("W26", f"{kind}_mean"), rel=1e-9)


# W34 and the days on which the clock changes.


def test_wear_is_a_share_of_elapsed_time() -> None:
    got = window(
        trace([120] * 250, start="2024-03-31 00:00", zone=BERLIN), "2024-03-31", zone=BERLIN
    )
    assert 100 * got["active_share"] == pytest.approx(answer("W34", "wear_pct"), rel=1e-9)


@pytest.mark.parametrize(("day", "number"), [("2024-03-31", 92), ("2024-10-27", 100)])
def test_complete_days_of_23_and_25_hours_are_covered_in_full(day: str, number: int) -> None:
    readings = trace([120] * (number + 96), interval=15, start=f"{day} 00:00", zone=BERLIN)
    got = window(readings, day, zone=BERLIN)
    assert (got["readings"], got["active_share"], got["counting_days"]) == (number, 1.0, 1)


# Edges.


def test_no_readings_give_no_numbers_and_a_reason(tmp_path) -> None:
    class Nothing:
        time_zone, scheduler = BERLIN, None

        def table(self, name: str) -> pd.DataFrame:
            return SENSORS.empty()

        reading_index = pd.DataFrame(columns=list(INDEX_COLUMNS))
        streams = pd.DataFrame(columns=list(STREAM_COLUMNS))

    one = pd.DataFrame({"patient_id": ["P1"], "cohort": ["implanted"]})
    one["index_date"] = pd.Timestamp("2024-03-01")
    windows = periods(one, Plan(plan=Frame(start=date(2024, 1, 1))), date(2024, 4, 24))
    got = summarise(Nothing(), windows, settings=SETTINGS)
    assert got["because"].tolist() == ["no readings"] * 2 + ["not closed by the cut-off"]
    assert not got["counts"].any()
    assert got["mean_mg_dl"].isna().all()
    assert got.loc[2, "elapsed_minutes"] == 28 * 1440 - 60  # the clock went forward


def test_one_reading_has_a_mean_and_no_sd() -> None:
    got = window(trace([120]), "2024-05-06")
    assert got["mean_mg_dl"] == 120
    assert math.isnan(got["sd_mg_dl"])
    assert math.isnan(got["cv_percent"])


def test_a_window_without_its_columns_is_refused() -> None:
    with pytest.raises(TableError, match="no column window_id"):
        summarise(None, pd.DataFrame({"patient_id": ["P1"]}), settings=SETTINGS)


def test_day_and_night_are_told_apart_at_six() -> None:
    readings = trace([60, 60, 100], [0, 355, 360])
    got = window(readings, "2024-05-06")
    assert (got["night_share_below_70"], got["day_share_below_70"]) == (1, 0)
    assert np.isclose(got["share_below_70"], 2 / 3)


def test_the_second_value_of_one_kind_at_one_instant_is_left_out() -> None:
    got = window(trace([100, 200, 100], [0, 0, 5]), "2024-05-06")
    assert (got["readings"], got["overlap_left_out"], got["mean_mg_dl"]) == (2, 1, 100)


def test_a_travellers_day_that_comes_twice_is_one_day() -> None:
    readings = trace([100] * 40, interval=15, start="2024-05-06 20:00")
    back = readings.local_offset.copy()
    back[20:] = -360  # six hours west after midnight
    object.__setattr__(readings, "local_offset", back)
    got = window(readings, "2024-05-06")
    assert got["readings"] + window(readings, "2024-05-07")["readings"] == 40
    assert day_number("2024-05-06") == 19849


def test_without_a_cache_folder_the_code_is_compiled_in_memory(monkeypatch) -> None:
    def one_more(x: int) -> int:
        return x + 1

    cache = getattr(caching, "CacheImpl", None) or caching._CacheImpl  # by release of numba
    monkeypatch.setattr(cache, "_locator_classes", [])
    with pytest.raises(RuntimeError, match="no locator available"):
        numba.njit(cache=True)(one_more)
    assert compiled(one_more)(1) == 2
