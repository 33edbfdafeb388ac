"""A small clinic for tests of intake: export files as text, and their sources.toml."""

from pathlib import Path

from outcomes.plan.sources import read_sources
from outcomes.tables.intake import intake
from outcomes.tables.study import Study

CASES = Path(__file__).parent / "data" / "cases"
WORKED = Path(__file__).parent / "data" / "worked_examples"

CLINIC = """format = 1
[clinic]
name = "Test clinic"
time_zone = "Europe/Berlin"
exported_on = 2025-01-01
"""
PATIENTS = """
[[source]]
table = "patients"
files = ["patients.csv"]
[source.columns]
patient_id = "id"
birth_year = { constant = "1960" }
"""
SENSORS = """
[[source]]
table = "sensors"
files = ["sensors.csv"]
[source.columns]
sensor_id = "sensor"
patient_id = "id"
kind = "kind"
placed_on = "placed"
planned_days = { constant = "180" }
removed_on = "removed"
"""
LABS = """
[[source]]
table = "hba1c"
files = ["labs.csv"]
[source.columns]
patient_id = "patient_id"
drawn_on = "drawn_on"
value = "hba1c"
unit = "unit"
"""
READINGS = """
[[source]]
table = "readings"
files = ["readings.csv"]
[source.columns]
patient_id = "patient_id"
time = "read_at"
value = { column = "glucose_mg_dl", unit = "mg/dL" }
"""


def case(name: str) -> bytes:
    """Return the bytes of a case file."""
    return (CASES / name).read_bytes()


def write_clinic(
    folder: Path,
    toml: str,
    *,
    patients: str | bytes | None = "P1 P2 P3 P4 P5",
    sensors: str | bytes | None = "",
    **files: str | bytes,
) -> Path:
    """Write exports and sources.toml into `folder`; return the path of the latter.

    `patients` is ids with blanks between, or the bytes of a file; `sensors` the rows of a file
    (sensor,id,kind,placed,removed). `labs` becomes labs.csv. None: the test has its own source.
    """
    folder.mkdir(exist_ok=True)
    text = CLINIC
    if patients is not None:
        text += PATIENTS
        rows = (
            patients
            if isinstance(patients, bytes)
            else "id\n" + "".join(f"{i}\n" for i in patients.split())
        )
        _write(folder / "patients.csv", rows)
    if sensors is not None:
        text += SENSORS
        _write(folder / "sensors.csv", f"sensor,id,kind,placed,removed\n{sensors}")
    for name, content in files.items():
        _write(folder / f"{name}.csv", content)
    (folder / "sources.toml").write_text(text + toml, encoding="utf-8")
    return folder / "sources.toml"


def take_in(folder: Path, toml: str, **given: str | bytes | None) -> Study:
    """Write a small clinic into `folder` and take it in."""
    path = write_clinic(folder, toml, **given)
    return intake(read_sources(path), folder / "study")


def counts(study: Study, table: str) -> tuple[int, int, int, int]:
    """Return rows read, kept, set aside and repeated of a table."""
    account = study.accounting
    own = account[account["table"] == table]
    names = ("rows_read", "rows_kept", "rows_set_aside", "exact_repeats")
    return tuple(int(own[name].sum()) for name in names)


def _write(path: Path, content: str | bytes) -> None:
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
