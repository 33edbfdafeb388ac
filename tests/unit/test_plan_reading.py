"""The plan and the sources are read strictly; each error names file, line, key and value."""

import datetime

import pytest

import outcomes as oc
from outcomes.errors import SettingsError, UsageError
from outcomes.plan import Frame, Plan, Quarter, plan_text, read_plan, read_sources

START = "[plan]\nstart = 2025-01-01\n"
SOURCES = """\
format = 1
[clinic]
name = "A clinic"
time_zone = "Europe/Berlin"
exported_on = 2026-10-05
[[source]]
table = "patients"
files = ["a.csv"]
[source.columns]
patient_id = "Id"
[[source]]
table = "hba1c"
files = ["b.csv"]
[source.columns]
patient_id = "Id"
value = { column = "A1c", unit = "%" }
"""


def plan_file(tmp_path, text):
    path = tmp_path / "plan.toml"
    path.write_text(text, encoding="utf-8")
    return path


def sources_file(tmp_path, text):
    path = tmp_path / "sources.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_written_plan_reads_back_the_same(tmp_path):
    plan = Plan(plan=Frame(start=datetime.date(2025, 1, 1), locked_on=datetime.date(2025, 2, 1)))
    assert read_plan(plan_file(tmp_path, plan_text(plan))) == plan


def test_defaults_are_filled_in_and_every_setting_is_documented(tmp_path):
    plan = read_plan(plan_file(tmp_path, START))
    assert (plan.cohorts.coverage_days, plan.hba1c.visit_days) == (90, (91, 183, 365))
    for section in ("plan", "cohorts", "hba1c", "time_in_range", "sensor_survival"):
        assert oc.settings(section)["sentence"].str.len().min() > 14


def test_the_fingerprint_changes_with_a_setting_and_not_with_layout(tmp_path):
    plain = read_plan(plan_file(tmp_path, START)).fingerprint
    spaced = read_plan(plan_file(tmp_path, "# note\n" + START + "\n\nlag_days=0")).fingerprint
    changed = read_plan(plan_file(tmp_path, START + "lag_days = 14")).fingerprint
    assert plain == spaced != changed


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (START + "[hba1c]\nprimay_month = 6", r"plan.toml, line 4, hba1c.primay_month: .*primary"),
        (START + "[hba1c]\nprimary_month = 5", r"line 4, hba1c.primary_month: 5 is not one"),
        (START + "lag_days = '14'", r"line 3, plan.lag_days: '14' is not a whole number"),
        (START + "lag_days = true", r"line 3, plan.lag_days: True is not a whole number"),
        ("[plan]\nstart = '2025-01-01'", r"line 2, plan.start: .* without quotes"),
        ("[plan]\nstart = 2025-01-01T10:00:00", r"time of day"),
        ("[plan]\nname = 'x'", r"plan: start must be given"),
        (START + "[hba1c]\nwindow_to_days = [140, 240, 425]", r"overlap"),
        (START + "[hba1c]\nvisit_months = [3, 6]", r"differ in length"),
        ("start = ", r"plan.toml: "),
    ],
)
def test_a_wrong_plan_is_refused_with_its_place(tmp_path, text, told):
    with pytest.raises(SettingsError, match=told):
        read_plan(plan_file(tmp_path, text))


def test_an_absent_plan_is_told(tmp_path):
    with pytest.raises(SettingsError, match=r"plan\.toml: no such file"):
        read_plan(tmp_path / "plan.toml")


def test_sources_read_in_short_and_long_form(tmp_path):
    sources = read_sources(sources_file(tmp_path, SOURCES))
    assert sources.source[0].column("patient_id").column == "Id"
    assert sources.source[1].column("value").unit == "%"
    assert sources.folder == tmp_path


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("unit =", "unti =", r"sources.toml, line 16, source 2.columns.value.unti: .*'unit'"),
        ("table = \"hba1c\"", "tabel = \"hba1c\"", r"line 12, source 2.tabel: .*'table'"),
        ("Europe/Berlin", "Europe/Berlim", r"line 4, clinic.time_zone: 'Europe/Berlim'"),
        ("format = 1", "format = 2", r"line 1, format: 2 is not known"),
        ('"b.csv"', r'"exports\labs.csv"', r"single quotes|forward slashes"),
        ('files = ["b.csv"]', 'files = "b.csv"', r"source 2.files: 'b.csv' is not a list"),
    ],
)  # fmt: skip
def test_wrong_sources_are_refused_with_their_place(tmp_path, old, new, told):
    with pytest.raises(SettingsError, match=told):
        read_sources(sources_file(tmp_path, SOURCES.replace(old, new)))


def test_quarters_meet_without_gap_or_overlap_under_any_lag():
    quarter = Quarter(2024, 4)
    for lag in (0, 14, 45):
        span, following = quarter.span(lag), quarter.next().span(lag)
        assert (following.first_on - span.last_on).days == 1
    assert Quarter(2025, 1).cut_off(14) == datetime.date(2025, 3, 17)


@pytest.mark.parametrize("text", ["2026Q3", "2026-Q5", "Q3-2026", "2026-3", ""])
def test_what_is_no_quarter_is_refused(text):
    with pytest.raises(UsageError, match="2026-Q3"):
        Quarter.parse(text)


def test_an_unknown_section_names_the_known_ones():
    with pytest.raises(UsageError, match="hba1c"):
        oc.settings("hba1")
