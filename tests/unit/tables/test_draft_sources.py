"""A draft of sources.toml: evidence for each guess, and nothing decided where nothing decides."""

import csv
import re
import shutil
import tempfile
import tomllib
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings, strategies

from outcomes.command.main import main
from outcomes.errors import SettingsError, UsageError
from outcomes.plan.sources import read_sources
from outcomes.tables.drafting import draft_sources
from outcomes.tables.intake import intake
from synthetic import write_clinic

PEOPLE = "Patient ID,Date of birth,Gender\n" + "".join(
    f"P{i:03d},{1950 + i}-03-2{i % 8},{'FM'[i % 2]}\n" for i in range(12)
)
SENSORS = "Sensor serial,Patient ID,Insertion date,Planned life\n" + "".join(
    f"S{i:03d},P{i:03d},2024-02-{i + 10},180\n" for i in range(12)
)
MARK = re.compile(r"""([=\[,]\s*["'])\?""")
EXPORTED = date(2026, 10, 6)


def write(folder, **files):
    for name, text in {"people": PEOPLE, "sensors": SENSORS, **files}.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")


def draft(folder):
    found = draft_sources(folder, name="Test", time_zone="Europe/Berlin", exported_on=EXPORTED)
    return found, {s["files"][0].strip("?"): s for s in tomllib.loads(found.text)["source"]}


def confirmed(text):
    """Take every question mark away, as a person does who agrees."""
    return MARK.sub(r"\1", text)


def labs(days, values):
    rows = zip(days, values, strict=True)
    return "Patient ID,Sample date,HbA1c\n" + "".join(
        f"P{i:03d},{day},{value}\n" for i, (day, value) in enumerate(rows)
    )


# --- the invented clinic: what nobody could guess is corrected, everything else only confirmed

# Codes that are bare numbers, and rows that are wrong on purpose: their lines are taken out.
MEANINGS = {
    10: "planned", 20: "sensor failure", 21: "detached", 30: "infection", 31: "skin reaction",
    39: "other complication", 40: "patient choice", 41: "medical need", 50: "death", 99: "unknown",
}  # fmt: skip


def corrected(text):
    for code, word in MEANINGS.items():
        text = text.replace(f'{code} = "choose"', f'{code} = "{word}"')
    kept = [line for line in text.splitlines() if '= "choose"' not in line]
    text = "\n".join(line for line in kept if not line.startswith("Zettel"))
    # The register's initials are a further column of this clinic's own; a draft leaves it out.
    return text.replace(
        'left_out = ["Kürzel"] # headings that are not read\n\n[source.columns]',
        '[source.columns]\ninitials = "Kürzel"',
    )


def test_a_confirmed_draft_gives_the_same_study_as_the_clinic_s_own_description(tmp_path):
    clinic = write_clinic(tmp_path / "clinic", patients=20, readings_minutes=(60, 60))
    own = intake(read_sources(clinic / "sources.toml"), tmp_path / "own")
    told = {"name": own.clinic, "time_zone": own.time_zone, "exported_on": own.exported_on}
    text = corrected(confirmed(draft_sources(clinic / "exports", **told).text))
    (clinic / "exports" / "sources.toml").write_text(text, encoding="utf-8")
    study = intake(read_sources(clinic / "exports" / "sources.toml"), tmp_path / "study")
    assert study.version == own.version


# --- dates, units


def test_a_day_after_the_twelfth_decides_the_order(tmp_path):
    write(tmp_path, labs=labs(["03/04/2024", "05/06/2024", "25/07/2024"], ["7.1", "8.2", "6.9"]))
    found, sources = draft(tmp_path)
    assert sources["labs.csv"]["dates"] == "?day/month/year"
    assert not found.undecided


def test_dates_that_fit_both_orders_are_said_to_be_undecided(tmp_path):
    write(tmp_path, labs=labs(["03/04/2024", "05/06/2024", "07/07/2024"], ["7.1", "8.2", "6.9"]))
    found, sources = draft(tmp_path)
    assert sources["labs.csv"]["dates"].startswith("?")
    assert "every date also fits month/day/year" in found.undecided[0]
    assert "UNDECIDED" in found.text


def test_days_in_another_order_than_most_are_counted(tmp_path):
    days = [f"{day}/04/2024" for day in range(13, 22)] + ["04/30/2024"]
    write(tmp_path, labs=labs(days, [f"7.{i}" for i in range(10)]))
    found, sources = draft(tmp_path)
    assert sources["labs.csv"]["dates"] == "?day/month/year"
    assert "9 of 10 fit it; no other order fits most of them" in found.text


def test_the_day_of_a_draw_may_have_a_time(tmp_path):
    days = [f"{day}.04.2024 08:1{day % 10}" for day in range(13, 22)]
    write(tmp_path, labs=labs(days, [f"7.{i}" for i in range(9)]))
    found, sources = draft(tmp_path)
    drawn = sources["labs.csv"]["columns"]["drawn_on"]
    assert drawn == {"column": "?Sample date", "dates": "?day.month.year hour:minute"}
    (tmp_path / "sources.toml").write_text(confirmed(found.text), encoding="utf-8")
    study = intake(read_sources(tmp_path / "sources.toml"), tmp_path / "study")
    assert study.table("hba1c")["drawn_on"].dt.day.tolist() == list(range(13, 22))


def test_a_zone_comes_from_the_offsets_of_the_times(tmp_path):
    times = ["2024-01-10T08:00:00+00:00", "2024-07-10T08:00:00+01:00"]
    rows = "".join(
        f"P{i:03d},{time[:11]}08:{k:02d}{time[16:]},{90 + k}\n"
        for i in range(3) for time in times for k in range(10)
    )  # fmt: skip
    write(tmp_path, glucose="Patient ID,Timestamp,Glucose\n" + rows)
    text = draft_sources(tmp_path).text
    assert 'time_zone = "?Europe/London" # one of the zones with the offsets +0000' in text


def test_the_only_file_of_a_kind_may_be_named_for_a_patient(tmp_path):
    rows = "".join(f"2024-07-10 08:{k:02d}:00,{90 + k}\n" for k in range(30))
    write(tmp_path, **{"export_P007_glucose": "Timestamp,Glucose\n" + rows})
    source = draft(tmp_path)[1]["export_P007_glucose.csv"]
    assert source["columns"]["patient_id"]["file_name"] == r"?export_(.+)_glucose\.csv"


def test_two_units_in_one_column_are_said_to_be_undecided(tmp_path):
    days = [f"2024-03-1{i}" for i in range(6)]
    write(tmp_path, labs=labs(days, ["7.1", "54", "8.0", "62", "7.5", "6.8"]))
    found, _ = draft(tmp_path)
    assert "33% of the values look like the other unit" in found.undecided[0]


def test_units_come_from_the_spread_of_the_values(tmp_path):
    days = [f"2024-03-1{i}" for i in range(6)]
    write(tmp_path, labs=labs(days, ["54", "61", "48", "70", "66", "59"]))
    assert draft(tmp_path)[1]["labs.csv"]["columns"]["value"]["unit"] == "?mmol/mol"


# --- files


def test_files_of_systems_and_open_workbooks_are_skipped_and_named(tmp_path):
    write(tmp_path, labs=labs(["2024-03-01"] * 3, ["7.1", "8.2", "6.9"]))
    for name in ("~$people.xlsx", ".~lock.labs.csv#", ".DS_Store", "Thumbs.db", "notes.pdf"):
        (tmp_path / name).write_bytes(b"\0")
    found, sources = draft(tmp_path)
    assert "labs.csv" not in sources
    assert "open in a spreadsheet program" in found.left_out["labs.csv"]
    assert {"~$people.xlsx", ".~lock.labs.csv#", ".DS_Store", "Thumbs.db"} < set(found.left_out)
    assert all(f"?{name}" in tomllib.loads(found.text)["left_out"] for name in found.left_out)


def test_a_study_that_lies_among_the_exports_is_no_export(tmp_path):
    write(tmp_path)
    (tmp_path / "study" / "versions" / "x").mkdir(parents=True)
    (tmp_path / "study" / "current").write_text("x")
    (tmp_path / "study" / "versions" / "x" / "patients.csv").write_text(PEOPLE)
    found, sources = draft(tmp_path)
    assert set(sources) == {"people.csv", "sensors.csv"}
    assert found.left_out == {"study/": "a study"}


def test_of_very_many_files_all_are_named_by_one_pattern(tmp_path):
    rows = "".join(f"2024-07-10 08:{k:02d}:00,{90 + k}\n" for k in range(30))
    ids = [f"P{i:03d}" for i in range(150)]
    people = PEOPLE.split("\n")[0] + "\n" + "".join(f"{i},1950-03-21,F\n" for i in ids)
    write(tmp_path, people=people)
    for one in ids:
        (tmp_path / f"g_{one}.csv").write_text("Timestamp,Glucose\n" + rows)
    found, sources = draft(tmp_path)
    assert "150 of 150 files are named for a patient" in found.text
    assert sources["g_P*.csv"]["table"] == "?readings"


def test_a_file_without_headings_is_left_out_with_the_reason(tmp_path):
    write(tmp_path, labs="P001,2024-03-01,7.1\nP002,2024-03-02,8.0\n")
    assert draft(tmp_path)[0].left_out["labs.csv"] == "no line of headings was found in it"


@pytest.mark.parametrize(
    "content",
    [
        b"", b"\0" * 900, b"\xff\xfe", b"a", b"a,b\n", b"a,b\n1,2\n", b"\xff\xfea\0,", b'"a,b\n1,2',
        b"a,a\n1,2\n", b"a;b,c\n\n\n", b"PK\x03\x04rubbish", b"x" * 300_000, b"\r\r\r", b"a\tb\r1",
    ],
)  # fmt: skip
@pytest.mark.parametrize("ending", ["csv", "csv.gz", "xlsx", "parquet"])
def test_a_damaged_file_is_left_out_and_the_others_are_drafted(tmp_path, content, ending):
    write(tmp_path)
    name = f"damaged.{ending}"
    (tmp_path / name).write_bytes(content)
    found, sources = draft(tmp_path)
    assert {"people.csv", "sensors.csv"} <= set(sources)
    assert name in found.left_out


def test_a_folder_without_exports_says_what_is_there(tmp_path):
    (tmp_path / "letter.docx").write_bytes(b"x")
    with pytest.raises(SettingsError, match=r"letter\.docx: '\.docx' is no kind of export"):
        draft(tmp_path)
    with pytest.raises(UsageError, match="no such folder"):
        draft(tmp_path / "nowhere")


def test_a_table_that_a_study_needs_and_no_file_feeds_is_said(tmp_path):
    write(tmp_path)
    (tmp_path / "sensors.csv").unlink()
    assert "A study needs sensors: add a [[source]]" in draft(tmp_path)[0].text


# --- confirming


def test_intake_refuses_open_guesses_and_names_their_lines(tmp_path, capsys):
    write(tmp_path)
    assert main(["draft-sources", str(tmp_path)]) == 0
    text = (tmp_path / "sources.toml").read_text(encoding="utf-8")
    number = 1 + text.splitlines().index(
        next(line for line in text.splitlines() if line.startswith("sensor_id"))
    )
    status = main(["intake", str(tmp_path / "sources.toml"), "--study", str(tmp_path / "study")])
    assert status == 2
    assert f'line {number}: sensor_id = "?Sensor serial"' in capsys.readouterr().err


def test_a_draft_never_overwrites(tmp_path, capsys):
    write(tmp_path)
    (tmp_path / "sources.toml").write_text("mine")
    assert main(["draft-sources", str(tmp_path)]) == 2
    assert "never overwritten" in capsys.readouterr().err
    assert (tmp_path / "sources.toml").read_text() == "mine"


def test_a_folder_that_cannot_be_written_is_said_to_be(tmp_path, capsys, monkeypatch):
    write(tmp_path)

    def refuse(path, text):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("outcomes.tables.versions.write_in_one_step", refuse)
    assert main(["draft-sources", str(tmp_path)]) == 4
    assert "cannot be written (Permission denied)" in capsys.readouterr().err


@given(
    headings=strategies.lists(
        strategies.text(min_size=1, max_size=12).filter(str.strip), min_size=2, max_size=6
    ),
    cells=strategies.lists(strategies.text(max_size=8), min_size=1, max_size=6),
)
@settings(max_examples=25, deadline=None)
def test_whatever_stands_in_a_file_the_draft_is_read_as_toml(headings, cells):
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        write(folder)
        rows = [headings, *([cell] * len(headings) for cell in cells)]
        with (folder / "odd.csv").open("w", encoding="utf-8", errors="replace", newline="") as out:
            csv.writer(out).writerows(rows)
        told = tomllib.loads(draft(folder)[0].text)
    assert {"?people.csv", "?sensors.csv"} <= {s["files"][0] for s in told["source"]}


def test_what_is_given_is_no_guess(tmp_path):
    write(tmp_path)
    clinic = tomllib.loads(draft(tmp_path)[0].text)["clinic"]
    assert clinic == {"name": "Test", "time_zone": "Europe/Berlin", "exported_on": EXPORTED}


def test_a_word_that_nothing_tells_is_asked_for_with_its_line(tmp_path):
    reasons = "".join(f"S{i:03d},P{i:03d},2024-02-{i + 10},180,{70 + i % 2}\n" for i in range(12))
    write(tmp_path, sensors=SENSORS.split("\n")[0] + ",Reason for end\n" + reasons)
    path = tmp_path / "sources.toml"
    path.write_text(confirmed(draft(tmp_path)[0].text), encoding="utf-8")
    with pytest.raises(SettingsError, match=r"2 words are not chosen.*\n  line \d+: 70 = .choose"):
        read_sources(path)


def test_the_same_folder_gives_the_same_draft(tmp_path):
    write(tmp_path)
    first = draft(tmp_path)[0].text
    copy = tmp_path.with_name(f"{tmp_path.name}-copy")
    shutil.copytree(tmp_path, copy)
    assert draft(copy)[0].text == first
