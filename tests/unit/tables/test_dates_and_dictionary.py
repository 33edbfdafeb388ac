import numpy as np
import pyarrow as pa
import pytest

from outcomes.tables.date_bytes import NO_OFFSET, days_since_1970
from outcomes.tables.dates import date_patterns, read_moments
from outcomes.tables.declared import DECLARED
from outcomes.tables.dictionary import data_dictionary, data_dictionary_text
from outcomes.tables.zones import instants_of

EXPORT = 20_089  # 2025-01-01 in days since 1970


def read(dates, *texts, with_time=False):
    patterns = date_patterns(dates, with_time=with_time)
    moments = read_moments(pa.array(texts, type=pa.string()), patterns, last_day=EXPORT)
    clock = moments.local.astype("datetime64[us]").astype("datetime64[s]").astype(str)
    return [c if ok else None for c, ok in zip(clock, moments.fits, strict=True)], moments


@pytest.mark.parametrize(
    ("dates", "text"),
    [
        ("day.month.year", "05.03.2024"),
        ("day.month.year", "5.3.2024"),
        ("month/day/year", "03/05/2024"),
        ("month/day/yy", "3/5/24"),
        ("year-month-day", "2024-03-05"),
        ("yearmonthday", "20240305"),
        ("day/month/year or year-month-day", "2024-03-05"),
    ],
)
def test_a_pattern_in_words_reads_its_dates(dates, text):
    assert read(dates, text)[0] == ["2024-03-05T00:00:00"]


@pytest.mark.parametrize(
    "text", ["2024-02-30", "2023-02-29", "2024-13-01", "2024-00-01", "2024-3-5 x", "24-03-05", ""]
)
def test_a_day_that_does_not_exist_or_another_form_does_not_fit(text):
    assert read("year-month-day", text)[0] == [None]


@pytest.mark.parametrize(
    ("text", "clock"),
    [
        ("2024-03-05 14:07", "2024-03-05T14:07:00"),
        ("2024-03-05T14:07:09", "2024-03-05T14:07:09"),
        ("2024-03-05T14:07:09.250Z", "2024-03-05T14:07:09"),
        ("2024-03-05 24:00", None),
        ("2024-03-05 14:60", None),
        ("2024-03-05", None),
    ],
)
def test_a_time_follows_the_declared_date(text, clock):
    assert read("year-month-day", text, with_time=True)[0] == [clock]


@pytest.mark.parametrize(
    ("text", "clock"), [("12:05 AM", "00:05"), ("12:05 pm", "12:05"), ("1:05 p.m.", "13:05")]
)
def test_half_days_are_read_where_they_are_declared(text, clock):
    dates = "month/day/year hour:minute ampm"
    assert read(dates, f"3/5/2024 {text}")[0] == [f"2024-03-05T{clock}:00"]


def test_offsets_are_minutes_and_utc_is_marked():
    texts = ("2024-03-05 14:07+02:00", "2024-03-05 14:07-0530", "2024-03-05 14:07Z")
    _, moments = read("year-month-day", *texts, "2024-03-05 14:07", with_time=True)
    assert moments.offset.tolist() == [120, -330, 0, NO_OFFSET]
    assert moments.utc_mark.tolist() == [False, False, True, False]


def test_texts_of_one_width_and_of_many_are_read_alike():
    days = np.arange("2023-12-01", "2024-03-10", dtype="datetime64[D]").astype(str).tolist()
    padded, _ = read("year-month-day", *days)
    bare, _ = read("year-month-day", *[d.replace("-0", "-") for d in days])
    assert padded == bare == [f"{d}T00:00:00" for d in days]


def test_day_numbers_agree_with_another_calendar():
    days = np.arange("1850-01-01", "2110-01-01", dtype="datetime64[D]")
    text = days.astype(str)
    parts = np.array([d.split("-") for d in text]).astype(np.int64).T
    assert (days_since_1970(*parts) == days.astype(np.int64)).all()


@pytest.mark.parametrize(
    "dates", ["dd.mm.yyyy", "day.month", "day.month.year day", "year-month-dayx", ""]
)
def test_a_pattern_that_means_nothing_is_refused(dates):
    with pytest.raises(ValueError, match=r"must name|not understood"):
        date_patterns(dates, with_time=False)


def test_a_zone_that_shifts_by_half_an_hour():
    clock = np.array(
        ["2024-04-07T02:45", "2024-04-07T01:45", "2024-10-06T02:15"], dtype="datetime64[us]"
    )
    found = instants_of(clock.astype(np.int64), "Australia/Lord_Howe")
    assert found.exists.tolist() == [True, True, False]
    assert found.apart.tolist() == [0, 30, 0]
    assert found.offset[:2].tolist() == [630, 660]


def test_the_dictionary_names_every_column_that_an_export_can_feed():
    told = data_dictionary()
    assert len(told) == sum(len(s.columns) for s in DECLARED.values())
    assert (told["meaning"].str.len() > 5).all()
    text = data_dictionary_text()
    assert all(f"## `{name}`" in text for name in DECLARED)


@pytest.mark.parametrize("zone", ["Europe/Berlin", "Australia/Lord_Howe", "America/St_Johns"])
def test_many_clock_times_find_the_same_instants_as_each_by_itself(zone):
    first, last = (np.datetime64(d, "us").astype(np.int64) for d in ("2023-01-01", "2025-01-01"))
    clock = np.arange(first, last, 599_999_999)  # every ten minutes, nearly
    together = instants_of(clock, zone)
    alone = [instants_of(clock[i : i + 400], zone) for i in range(0, len(clock), 400)]
    for name in ("utc", "offset", "exists", "apart"):
        apart = np.concatenate([getattr(part, name) for part in alone])
        assert (getattr(together, name) == apart).all()
    assert not together.exists.all()
    assert (together.apart > 0).any()
