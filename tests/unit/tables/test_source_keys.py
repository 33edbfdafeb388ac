"""Every key of sources.toml: told on its page, known to the reader, doing what the page says."""

import re
import tomllib
from dataclasses import fields
from pathlib import Path

import pytest

from outcomes.errors import SettingsError
from outcomes.plan.sources import (
    Clinic,
    ColumnSource,
    Pseudonyms,
    Sources,
    TableSource,
    read_sources,
)
from outcomes.tables.feeding import feeds_of
from outcomes.tables.intake import intake
from tests.exports import CLINIC, LABS, PATIENTS, READINGS, SENSORS, counts, take_in, write_clinic

PAGE = Path(__file__).parents[3] / ".readme" / "sources.md"
SECTIONS = {
    "Top of the file": Sources, "`[clinic]`": Clinic, "`[[source]]`": TableSource,
    "A column": ColumnSource, "`[pseudonyms]`": Pseudonyms,
}  # fmt: skip
NOT_WRITTEN = {"folder", "path"}  # set by the file's own place


def parts():
    text = PAGE.read_text(encoding="utf-8")
    return dict(part.split("\n", 1) for part in text.split("\n## ")[1:])


@pytest.mark.parametrize("section", SECTIONS)
def test_the_page_tells_every_key_and_no_other(section):
    told = re.findall(r"^\| `(\w+)` \|", parts()[section], re.MULTILINE)
    assert sorted(told) == sorted({f.name for f in fields(SECTIONS[section])} - NOT_WRITTEN)


def test_every_example_of_the_page_is_read(tmp_path):
    blocks = re.findall(r"```toml\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    assert len(blocks) == 3
    for number, block in enumerate(blocks):
        text = block if block.startswith("format") else CLINIC + PATIENTS + block
        path = tmp_path / f"{number}.toml"
        path.write_text(text + SENSORS, encoding="utf-8")
        assert feeds_of(read_sources(path))


def test_every_default_that_the_page_names_is_the_reader_s():
    rows = "\n".join(parts().values())
    table = TableSource(table="x", files=(), columns={})
    told = {"separator": "a comma", "decimal": "a point", "encoding": "`utf-8`",
            "dates": "`year-month-day`"}  # fmt: skip
    words = {",": "a comma", ".": "a point"}
    for key, says in told.items():
        value = getattr(table, key)
        assert words.get(value, f"`{value}`") == says
        assert re.search(rf"^\| `{key}` \|.*Default: {re.escape(says)}\.", rows, re.MULTILINE)
    column = ColumnSource()
    assert f"in mg/dL. Default: {column.low_limit:g}." in rows
    assert f"in mg/dL. Default: {column.high_limit:g}." in rows


# --- keys that no other test holds


def test_a_table_may_have_several_files_and_several_sources(tmp_path):
    toml = LABS.replace('["labs.csv"]', '["labs.csv", "more.csv"]') + LABS.replace(
        "labs.csv", "last.csv"
    )
    rows = "patient_id,drawn_on,hba1c,unit\n{},2024-03-01,7.1,%\n"
    given = {"labs": rows.format("P1"), "more": rows.format("P2"), "last": rows.format("P3")}
    study = take_in(tmp_path, toml, **given)
    assert study.table("hba1c")["patient_id"].tolist() == ["P1", "P2", "P3"]
    assert study.accounting["file"].tolist()[-3:] == ["labs.csv", "more.csv", "last.csv"]


def test_of_several_headings_the_first_that_is_there_counts(tmp_path):
    toml = LABS.replace('value = "hba1c"', 'value = { column = ["a1c", "hba1c"] }')
    labs = "patient_id,drawn_on,hba1c,unit\nP1,2024-03-01,7.1,%\n"
    assert take_in(tmp_path, toml, labs=labs).table("hba1c")["value"].tolist() == [7.1]


def test_tabs_and_a_line_of_headings_that_is_given(tmp_path):
    toml = LABS.replace("[source.columns]", 'separator = "\\t"\nheading_line = 3\n[source.columns]')
    names = "patient_id\tdrawn_on\thba1c\tunit\n"
    labs = f"{names}old\told\told\told\n{names}P1\t2024-03-01\t7.1\t%\n"
    study = take_in(tmp_path, toml, labs=labs)
    assert counts(study, "hba1c") == (1, 1, 0, 0)
    assert study.accounting["title_lines"].tolist()[-1] == 2


def test_units_stand_beside_the_values_in_the_clinic_s_words(tmp_path):
    toml = LABS.replace(
        'value = "hba1c"\nunit = "unit"\n',
        'value = { column = "hba1c", unit_column = "unit", units = { Prozent = "%" } }\n',
    )
    labs = "patient_id,drawn_on,hba1c,unit\nP1,2024-03-01,7.1,Prozent\nP2,2024-03-01,54,mmol/mol\n"
    draws = take_in(tmp_path, toml, labs=labs).table("hba1c")
    assert draws["unit"].tolist() == ["%", "mmol/mol"]


def test_files_may_be_in_another_zone_than_the_clinic(tmp_path):
    toml = READINGS.replace("[source.columns]", 'time_zone = "Europe/London"\n[source.columns]')
    text = "patient_id,read_at,glucose_mg_dl\nP1,2024-07-01 08:00,100\n"
    one = next(take_in(tmp_path, toml, readings=text).readings())
    assert one.frame()["time"].dt.strftime("%H:%M").tolist() == ["07:00"]


def test_an_offset_may_have_a_column_of_its_own(tmp_path):
    toml = READINGS + 'local_offset = "minutes"\n'
    text = "patient_id,read_at,glucose_mg_dl,minutes\nP1,2024-07-01 08:00,100,-300\n"
    one = next(take_in(tmp_path, toml, readings=text).readings())
    assert one.local_offset.tolist() == [-300]


def test_a_word_beyond_the_limit_stands_for_the_limit_that_is_declared(tmp_path):
    toml = READINGS.replace('unit = "mg/dL"', 'unit = "mg/dL", high_limit = 500')
    text = "patient_id,read_at,glucose_mg_dl\nP1,2024-07-01 08:00,HIGH\n"
    assert next(take_in(tmp_path, toml, readings=text).readings()).value.tolist() == [500.0]


def test_the_key_of_pseudonyms_may_lie_in_a_file(tmp_path):
    (tmp_path / "key").write_text("a key of thirty-two random bytes")
    toml = '\n[pseudonyms]\nkey_file = "key"\n'
    people = take_in(tmp_path, toml, patients="P1 P2").table("patients")["patient_id"]
    assert people.nunique() == 2
    assert not {"P1", "P2"} & set(people)


def test_what_is_left_out_is_named_and_not_read(tmp_path):
    toml = LABS.replace("[source.columns]", 'left_out = ["phone"]\n[source.columns]')
    labs = "patient_id,drawn_on,hba1c,unit,phone\nP1,2024-03-01,7.1,%,555-0199\n"
    path = write_clinic(tmp_path, toml, labs=labs)
    path.write_text('left_out = ["notes.txt"]\n' + path.read_text(encoding="utf-8"))
    study = intake(read_sources(path), tmp_path / "study")
    assert counts(study, "hba1c") == (1, 1, 0, 0)


def test_an_unknown_key_is_answered_with_the_nearest(tmp_path):
    path = write_clinic(
        tmp_path, LABS.replace("[source.columns]", 'seperator = ";"\n[source.columns]')
    )
    with pytest.raises(SettingsError, match=r"line \d+.*seperator.*Did you mean 'separator'"):
        read_sources(path)


def test_the_invented_clinic_s_own_description_is_a_further_example():
    text = (PAGE.parents[1] / "synthetic" / "sources.toml").read_text(encoding="utf-8")
    assert {s["table"] for s in tomllib.loads(text)["source"]} >= {"patients", "sensors"}
