"""The layouts: each is a way in which a clinic's systems might write the same tables."""

from __future__ import annotations

from dataclasses import dataclass, field

from tests.layouts import words
from tests.layouts.words import Codes, Headings


@dataclass(frozen=True, kw_only=True)
class Way:
    """One layout. Dates are written as in sources.toml; `glucose` and `hba1c` are units."""

    name: str
    headings: Headings
    codes: Codes = field(default_factory=dict)
    kind: str = "csv"  # csv, gz, xlsx, parquet
    separator: str = ","
    decimal: str = "."
    encoding: str = "utf-8"
    dates: str = "year-month-day"
    birth_dates: str = ""  # where they differ
    clock: str = "%H:%M:%S"
    between: str = " "
    ampm: bool = False
    midnight: bool = False  # whether days have a time of day, always 00:00:00
    offset: bool = False  # whether times carry their offset
    glucose: str = "mg/dL"
    hba1c: str = "%"  # a unit, or "column"
    one_file: str = "mixed"  # of readings: mixed, name, or preamble
    files: dict[str, str] = field(default_factory=dict)  # table to file name without its ending
    titles: int = 0
    footer: str = ""
    never: str = ""
    one_book: bool = False  # all tables as sheets of one workbook
    visits: bool = False  # HbA1c, contacts and insulin delivery in one sheet


GERMAN_FILES = {
    "patients": "stamm/personen", "sensors": "sensorik/einsaetze", "hba1c": "labor/hba1c",
    "contacts": "termine", "readings": "messwerte/verlauf", "fingersticks": "messwerte/bz",
    "complications": "vorfaelle",
}  # fmt: skip
BLIND_FILES = {"patients": "a01", "sensors": "a02", "hba1c": "a03", "contacts": "a04",
               "readings": "a05"}  # fmt: skip

WAYS = (
    Way(name="plain English", headings=words.ENGLISH),
    Way(
        name="hospital data base", headings=words.TERSE, codes=words.LETTERS, separator="|",
        dates="month/day/year", hba1c="column", clock="%I:%M %p", ampm=True, midnight=True,
        files={name: f"EXTRACT_{i:02d}" for i, name in enumerate(words.TERSE)},
    ),
    Way(
        name="German office", headings=words.GERMAN, codes=words.GERMAN_CODES, separator=";",
        decimal=",", encoding="cp1252", dates="day.month.year", clock="%H:%M", glucose="mmol/L",
        files=GERMAN_FILES, never="31.12.9999",
    ),
    Way(
        name="German, a file a patient", headings=words.GERMAN, codes=words.NUMBERS, separator=";",
        decimal=",", encoding="utf-8-sig", dates="day.month.year", birth_dates="day.month.yy",
        one_file="name", hba1c="mmol/mol", files=GERMAN_FILES, titles=2, footer="Summe",
    ),
    Way(
        name="French tabs", headings=words.FRENCH, codes=words.FRENCH_CODES, separator="\t",
        decimal=",", encoding="utf-16", dates="day/month/year", glucose="mmol/L", titles=1,
    ),
    Way(
        name="Spanish, id above the headings", headings=words.SPANISH, codes=words.SPANISH_CODES,
        separator=";", decimal=",", dates="day-month-year", one_file="preamble",
        files={"readings": "lecturas/lectura", "patients": "pacientes", "sensors": "sensores",
               "hba1c": "laboratorio", "contacts": "visitas"},
    ),
    Way(
        name="Italian, zipped", headings=words.ITALIAN, kind="gz", separator=",", decimal=".",
        dates="day/month/year", glucose="mg/dL", offset=True, between="T",
        files={"readings": "misure", "patients": "anagrafica", "sensors": "dispositivi",
               "hba1c": "esami", "contacts": "visite"},
    ),
    Way(
        name="Dutch workbooks", headings=words.DUTCH, kind="xlsx", titles=2, footer="Totaal",
        files={"readings": "metingen", "patients": "register", "sensors": "sensoren",
               "hba1c": "lab", "contacts": "bezoeken"},
    ),
    Way(name="one workbook", headings=words.ENGLISH, codes=words.LETTERS, kind="xlsx",
        one_book=True, titles=1, hba1c="mmol/mol"),
    Way(
        name="Parquet warehouse", headings=words.TERSE, codes=words.LETTERS, kind="parquet",
        hba1c="column", files={name: f"dwh_{name}" for name in words.TERSE},
    ),
    Way(
        name="Swedish (words unknown)", headings=words.SWEDISH, separator=";", decimal=",",
        encoding="cp1252", dates="year-month-day", glucose="mmol/L", hba1c="mmol/mol",
        clock="%H:%M", files=BLIND_FILES,
    ),
    Way(
        name="Portuguese (words unknown)", headings=words.PORTUGUESE, separator=",", decimal=".",
        dates="day/month/year", encoding="utf-8", files=BLIND_FILES,
    ),
    Way(
        name="nobody's words", headings=words.NOBODYS, codes=words.LETTERS, separator=",",
        dates="month/day/year", files=BLIND_FILES,
    ),
    Way(
        name="Danish (words unknown)", headings=words.DANISH, separator=";", decimal=",",
        dates="day-month-year", encoding="cp1252", glucose="mmol/L", hba1c="mmol/mol",
        one_file="name", files={**BLIND_FILES, "readings": "a05/m"},
    ),
    Way(
        name="Polish (words unknown)", headings=words.POLISH, separator="\t", kind="csv",
        dates="year-month-day", encoding="utf-8", never="9999-12-31", files=BLIND_FILES,
    ),
    Way(
        name="a sheet of visits", headings=words.ENGLISH, codes=words.LETTERS, separator=",",
        dates="day/month/year", visits=True, one_file="name",
    ),
)  # fmt: skip
