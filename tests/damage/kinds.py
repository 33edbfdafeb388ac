"""The kinds of damage: each takes a sound export and spoils it, and says how many rows it touched.

*Told* damage can be seen in the file itself, so no altered value of it may be kept. The other kinds
leave a value that could be true (a swapped day and month that is still a date); of them only a
rate of detection can be given.
"""

from __future__ import annotations

import gzip
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from tests.damage.sound_clinic import HEADINGS, Clinic, as_parquet, as_text, as_workbook

Generator = np.random.Generator
DAYS = {"sensors": (3, 4), "labs": (1,), "readings": (1,)}
VALUES = {"labs": 2, "readings": 2}


@dataclass(kw_only=True)
class Case:
    """One damaged file: which export it stands for, its bytes, and what is known of it."""

    clinic: Clinic
    table: str
    rows: list[list[str]]
    headings: tuple[str, ...]
    content: bytes = b""
    suffix: str = ".csv"
    touched: int = 0
    titles: int = 0  # rows above the headings
    written: int | None = None  # rows of a workbook or Parquet file
    picked: list[int] = field(default_factory=list)

    def pick(self, rng: Generator, among: list[int] | None = None, most: int = 4) -> list[int]:
        """Return some rows, and count them as touched."""
        places = list(range(len(self.rows))) if among is None else among
        n = min(len(places), int(rng.integers(1, most + 1)))
        self.picked = sorted(int(i) for i in rng.choice(places, n, replace=False)) if n else []
        self.touched = len(self.picked)
        return self.picked

    @property
    def text(self) -> str:
        """The export as text, with the cells as they are now."""
        return as_text(self.clinic.style, self.headings, self.rows)

    def encoded(self, text: str) -> None:
        """Take `text` in the declared encoding as the file."""
        encoding = self.clinic.style.encoding
        self.content = text.encode(encoding, errors="replace" if encoding == "cp1252" else "strict")


@dataclass(frozen=True, kw_only=True)
class Kind:
    """One kind of damage."""

    name: str
    told: bool
    tables: tuple[str, ...]
    spoil: Callable[[Generator, Case], None]


KINDS: list[Kind] = []
ANY = ("patients", "sensors", "labs", "readings")


def kind(
    name: str, *tables: str, told: bool = True
) -> Callable[[Callable[[Generator, Case], None]], Callable[[Generator, Case], None]]:
    """Enter a function as a kind of damage of these tables."""

    def enter(spoil: Callable[[Generator, Case], None]) -> Callable[[Generator, Case], None]:
        KINDS.append(Kind(name=name, told=told, tables=tables or ANY, spoil=spoil))
        return spoil

    return enter


def read_strictly(case: Case) -> list[int]:
    """Return the columns that are no free text, in which anything could stand."""
    return [i for i, name in enumerate(case.headings) if name not in ("centre", "note")]


def ascii_digits(cell: str) -> list[int]:
    """Return the places of digits in a cell."""
    return [i for i, c in enumerate(cell) if c in "0123456789"]


# --- bytes ---------------------------------------------------------------------------------------


@kind("wrong encoding", "patients", "labs")
def wrong_encoding(rng: Generator, case: Case) -> None:
    others = [e for e in ("utf-8", "utf-16", "cp1252", "mac-roman", "utf-16-be", "utf-32")
              if e != case.clinic.style.encoding]  # fmt: skip
    other = str(rng.choice(others))
    if case.clinic.style.encoding == "cp1252":
        other = "utf-8"  # single-byte codes cannot be told from each other
    case.touched = len(case.rows)
    case.content = case.text.encode(other)


@kind("two encodings in one file", "patients", "labs")
def two_encodings(rng: Generator, case: Case) -> None:
    style = case.clinic.style
    if style.encoding == "cp1252":
        style.encoding = "utf-8"
    other = "cp1252" if style.encoding == "utf-8" else "utf-8"
    lines = case.text.splitlines(keepends=True)
    half = int(rng.integers(2, len(lines)))
    case.touched = len(lines) - half
    case.content = "".join(lines[:half]).encode(style.encoding) + "".join(lines[half:]).encode(
        other
    )


@kind("cut off in the middle")
def cut_off(rng: Generator, case: Case) -> None:
    case.encoded(case.text)
    case.content = case.content[: int(rng.integers(1, len(case.content)))]
    case.touched = 1


@kind("last line cut in its last cell")
def cut_last_cell(rng: Generator, case: Case) -> None:
    text = case.text.rstrip("\r\n")
    last = text.rpartition(case.clinic.style.separator)[2]
    case.encoded(text[: len(text) - int(rng.integers(0, len(last) + 1))])
    case.touched = 1


@kind("zipped file cut or altered")
def bad_zip(rng: Generator, case: Case) -> None:
    case.encoded(case.text)
    packed = bytearray(gzip.compress(case.content, mtime=0))
    if rng.random() < 0.5:
        packed = packed[: int(rng.integers(1, len(packed)))]
    else:
        packed[int(rng.integers(10, len(packed)))] ^= int(rng.integers(1, 256))
    case.content, case.suffix, case.touched = bytes(packed), ".csv.gz", 1


@kind("workbook cut or altered")
def bad_workbook(rng: Generator, case: Case) -> None:
    packed = bytearray(as_workbook(case.headings, case.rows))
    if rng.random() < 0.5:
        packed = packed[: int(rng.integers(1, len(packed)))]
    else:
        for _ in range(3):
            packed[int(rng.integers(0, len(packed)))] ^= int(rng.integers(1, 256))
    case.content, case.suffix, case.touched = bytes(packed), ".xlsx", 1
    case.written = len(case.rows)


@kind("Parquet file cut or altered")
def bad_parquet(rng: Generator, case: Case) -> None:
    packed = as_parquet(case.headings, case.rows)
    case.content, case.suffix, case.touched = (
        packed[: int(rng.integers(1, len(packed)))],
        ".parquet",
        1,
    )
    case.written = len(case.rows)


@kind("bytes of null or control", "patients", "sensors", "labs", "readings")
def control_bytes(rng: Generator, case: Case) -> None:
    column = int(rng.integers(0, 3))
    for row in case.pick(rng):
        cell = case.rows[row][column]
        at = int(rng.integers(0, len(cell) + 1))
        case.rows[row][column] = cell[:at] + str(rng.choice(["\x00", "\x07", "\x1f"])) + cell[at:]
    case.encoded(case.text)


@kind("one byte of the file altered", told=False)
def altered_byte(rng: Generator, case: Case) -> None:
    case.encoded(case.text)
    spoilt = bytearray(case.content)
    spoilt[int(rng.integers(len(spoilt) // 3, len(spoilt)))] = int(rng.integers(0, 256))
    case.content, case.touched = bytes(spoilt), 1


# --- lines and fields ----------------------------------------------------------------------------


@kind("empty or nearly")
def empty(rng: Generator, case: Case) -> None:
    heading = as_text(case.clinic.style, case.headings, [])
    texts = ["", "\n", "\n\n\n", " \n", heading, heading.strip(), heading + "\n\n",
             case.clinic.style.separator * 3 + "\n"]  # fmt: skip
    case.encoded(str(rng.choice(texts)))
    case.touched = len(case.rows)


@kind("empty lines between the rows")
def empty_lines(rng: Generator, case: Case) -> None:
    lines = case.text.splitlines(keepends=True)
    for _ in range(int(rng.integers(1, 5))):
        lines.insert(int(rng.integers(1, len(lines) + 1)), str(rng.choice(["\n", "\n\n"])))
    case.encoded("".join(lines))


@kind("mixed line ends")
def line_ends(rng: Generator, case: Case) -> None:
    lines = case.text.splitlines()
    case.encoded("".join(line + str(rng.choice(["\n", "\r", "\r\n"])) for line in lines))


@kind("odd line ends inside cells", "labs")
def odd_line_ends(rng: Generator, case: Case) -> None:
    if case.clinic.style.encoding == "cp1252":
        case.clinic.style.encoding = "utf-8"
    for row in case.pick(rng):
        case.rows[row][4] = "a" + str(rng.choice(["\x85", "\u2028", "\x0b", "\x0c"])) + "b"
    case.encoded(case.text)


@kind("a field too many or too few")
def shifted(rng: Generator, case: Case) -> None:
    separator = case.clinic.style.separator
    lines = case.text.splitlines(keepends=True)
    for row in case.pick(rng):
        line = lines[row + 1]
        if rng.random() < 0.5:
            at = int(rng.integers(0, len(line)))
            lines[row + 1] = line[:at] + separator + line[at:]
        else:
            lines[row + 1] = line.replace(separator, " ", 1)
    case.encoded("".join(lines))


@kind("cells shifted by one column")
def shifted_cells(rng: Generator, case: Case) -> None:
    for row in case.pick(rng):
        cells = case.rows[row]
        case.rows[row] = [*cells[1:], ""] if rng.random() < 0.5 else ["", *cells[:-1]]
    case.encoded(case.text)


@kind("headings twice in the line")
def heading_twice(rng: Generator, case: Case) -> None:
    headings = list(case.headings)
    at, other = rng.choice(len(headings), 2, replace=False)
    headings[at] = headings[other]
    case.headings = tuple(headings)
    case.touched = len(case.rows)
    case.encoded(case.text)


@kind("the line of headings again between rows")
def headings_again(rng: Generator, case: Case) -> None:
    case.rows.insert(int(rng.integers(0, len(case.rows) + 1)), list(case.headings))
    case.touched = 1
    case.encoded(case.text)


@kind("title lines above, a total below")
def furniture(rng: Generator, case: Case) -> None:
    end = case.clinic.style.line_end
    case.titles = int(rng.integers(1, 4))
    total = case.clinic.style.separator.join(["Total", *[""] * (len(case.headings) - 1)])
    case.encoded(f"Report of the month{end}" * case.titles + case.text + total + end)


@kind("another separator")
def other_separator(rng: Generator, case: Case) -> None:
    style = case.clinic.style
    told = style.separator
    style.separator = str(rng.choice([s for s in (",", ";", "\t", "|") if s != told]))
    text = case.text
    style.separator = told
    case.touched = len(case.rows)
    case.encoded(text)


@kind("a quotation mark that never closes")
def open_quote(rng: Generator, case: Case) -> None:
    column = int(rng.integers(0, len(case.headings)))
    (row,) = case.pick(rng, most=1)
    case.rows[row][column] = '"' + case.rows[row][column]
    case.encoded(case.text)


@kind("stray quotation marks")
def stray_quotes(rng: Generator, case: Case) -> None:
    for row in case.pick(rng):
        column = int(rng.choice(read_strictly(case)))
        cell = case.rows[row][column]
        at = int(rng.integers(0, len(cell) + 1))
        case.rows[row][column] = cell[:at] + str(rng.choice(['"', '""', '"""'])) + cell[at:]
    case.encoded(case.text)


@kind("line ends inside quoted cells", "labs")
def line_ends_inside(rng: Generator, case: Case) -> None:
    for row in case.pick(rng):
        case.rows[row][4] = "one\ntwo, three\n\nfour"
    case.encoded(case.text)


@kind("line ends inside cells, not quoted")
def bare_line_ends(rng: Generator, case: Case) -> None:
    lines = case.text.splitlines(keepends=True)
    for row in case.pick(rng):
        line = lines[row + 1]
        at = int(rng.integers(1, len(line.rstrip("\r\n"))))
        lines[row + 1] = line[:at] + "\n" + line[at:]
    case.encoded("".join(lines))


@kind("huge cells")
def huge(rng: Generator, case: Case) -> None:
    column = int(rng.integers(0, len(case.headings)))
    for row in case.pick(rng, most=2):
        case.rows[row][column] = str(rng.choice(["9", "x", "1e", "12 ", "é"])) * 60_000
    case.encoded(case.text)


# --- values --------------------------------------------------------------------------------------


@kind("values of the wrong type", "sensors", "labs", "readings")
def wrong_types(rng: Generator, case: Case) -> None:
    column = int(rng.choice([VALUES.get(case.table, 2), *DAYS[case.table]]))
    words = ["x", "true", "1e2", "0x1F", "-", "1.2.3", "45352", "NaN", "inf", "7,1,1", "١٢", "½"]
    for row in case.pick(rng):
        case.rows[row][column] = str(rng.choice(words))
    case.encoded(case.text)


@kind("words for missing that nobody declared", "sensors", "labs", "readings")
def nulls(rng: Generator, case: Case) -> None:
    column = int(rng.choice([VALUES.get(case.table, 2), *DAYS[case.table]]))
    for row in case.pick(rng):
        case.rows[row][column] = str(rng.choice(["NULL", "None", "nan", "#N/A", "n/a", "\\N", "?"]))
    case.encoded(case.text)


@kind("readings in the other unit", "readings")
def other_unit_readings(rng: Generator, case: Case) -> None:
    most = int(rng.choice([4, len(case.rows)]))
    for row in case.pick(rng, most=most):
        value = float(case.rows[row][2].replace(",", ".")) / 18.0156
        case.rows[row][2] = f"{value:.1f}".replace(".", case.clinic.style.decimal)
    case.encoded(case.text)


@kind("the unit of another row beside a draw", "labs")
def other_unit_draws(rng: Generator, case: Case) -> None:
    for row in case.pick(rng):
        case.rows[row][3] = "%" if case.rows[row][3] != "%" else "mmol/mol"
    case.encoded(case.text)


@kind("the decimal mark lost", "labs")
def lost_mark(rng: Generator, case: Case) -> None:
    mark = case.clinic.style.decimal
    among = [i for i, row in enumerate(case.rows) if mark in row[2]]
    for row in case.pick(rng, among):
        case.rows[row][2] = case.rows[row][2].replace(mark, "")
    case.encoded(case.text)


@kind("the other decimal mark", "labs")
def other_mark(rng: Generator, case: Case) -> None:
    mark = case.clinic.style.decimal
    among = [i for i, row in enumerate(case.rows) if mark in row[2]]
    other = "," if mark == "." else "."
    for row in case.pick(rng, among):
        case.rows[row][2] = case.rows[row][2].replace(mark, other)
    case.encoded(case.text)


def _swap(case: Case, row: int, column: int) -> None:
    day, blank, clock = case.rows[row][column].partition(" ")
    words = case.clinic.style.dates
    mark = next(c for c in words if not c.isalpha())
    parts, names = day.split(mark), words.split(mark)
    i, j = names.index("day"), names.index("month")
    parts[i], parts[j] = parts[j], parts[i]
    case.rows[row][column] = mark.join(parts) + blank + clock


def _days_over_12(case: Case, column: int, *, over: bool) -> list[int]:
    mark = next(c for c in case.clinic.style.dates if not c.isalpha())
    names = case.clinic.style.dates.split(mark)
    i, j = names.index("day"), names.index("month")
    found = []
    for at, row in enumerate(case.rows):
        parts = row[column].partition(" ")[0].split(mark)
        if len(parts) == 3 and (int(parts[i]) > 12) == over and parts[i] != parts[j]:
            found.append(at)
    return found


@kind("day and month swapped, no such month", "sensors", "labs", "readings")
def swapped_told(rng: Generator, case: Case) -> None:
    column = int(rng.choice(DAYS[case.table]))
    for row in case.pick(rng, _days_over_12(case, column, over=True)):
        _swap(case, row, column)
    case.encoded(case.text)


@kind("day and month swapped, still a date", "sensors", "labs", "readings", told=False)
def swapped_untold(rng: Generator, case: Case) -> None:
    column = int(rng.choice(DAYS[case.table]))
    for row in case.pick(rng, _days_over_12(case, column, over=False)):
        _swap(case, row, column)
    case.encoded(case.text)


@kind("a day that does not exist or lies ahead", "sensors", "labs", "readings")
def no_such_day(rng: Generator, case: Case) -> None:
    column = int(rng.choice(DAYS[case.table]))
    for row in case.pick(rng):
        _, blank, clock = case.rows[row][column].partition(" ")
        year, month, day = [(2023, 2, 30), (2023, 13, 1), (2031, 1, 1), (203, 1, 1), (1023, 1, 1)][
            int(rng.integers(0, 5))
        ]
        words = case.clinic.style.dates.replace("year", str(year)).replace("month", f"{month:02d}")
        case.rows[row][column] = words.replace("day", f"{day:02d}") + blank + clock
    case.encoded(case.text)


@kind("an id that nobody has", "sensors", "labs", "readings")
def unknown_id(rng: Generator, case: Case) -> None:
    column = 1 if case.table == "sensors" else 0
    for row in case.pick(rng):
        case.rows[row][column] = str(rng.choice(["P9", "0007", "p1", "7.0", "P 1", "", "ZOË"]))
    case.encoded(case.text)


@kind("leading zeros lost", "sensors", "labs", "readings", told=False)
def lost_zeros(rng: Generator, case: Case) -> None:
    column = 1 if case.table == "sensors" else 0
    among = [i for i, row in enumerate(case.rows) if row[column].startswith("0")]
    for row in case.pick(rng, among):
        case.rows[row][column] = case.rows[row][column].lstrip("0")
    case.encoded(case.text)


@kind("two neighbouring digits of a value swapped", "labs", "readings", told=False)
def swapped_digits(rng: Generator, case: Case) -> None:
    for row in case.pick(rng):
        cell = case.rows[row][2]
        places = ascii_digits(cell)
        i = int(rng.integers(0, max(len(places) - 1, 1)))
        if len(places) > 1:
            cells = list(cell)
            a, b = places[i], places[i + 1]
            cells[a], cells[b] = cells[b], cells[a]
            case.rows[row][2] = "".join(cells)
    case.encoded(case.text)


@kind("a digit of a value altered", "labs", "readings", told=False)
def altered_digit(rng: Generator, case: Case) -> None:
    for row in case.pick(rng):
        cell = list(case.rows[row][2])
        at = int(rng.choice(ascii_digits(case.rows[row][2])))
        cell[at] = str((int(cell[at]) + int(rng.integers(1, 10))) % 10)
        case.rows[row][2] = "".join(cell)
    case.encoded(case.text)


@kind("rows twice, and the file shuffled")
def repeated(rng: Generator, case: Case) -> None:
    case.rows += [list(case.rows[i]) for i in case.pick(rng, most=10)]
    order = rng.permutation(len(case.rows))
    case.rows = [case.rows[i] for i in order]
    case.encoded(case.text)


@kind("two values of one time or day", "labs", "readings")
def conflicting(rng: Generator, case: Case) -> None:
    for row in case.pick(rng):
        twin = list(case.rows[row])
        twin[2] = case.clinic.style.number(float(twin[2].replace(",", ".")) + 1)
        case.rows.append(twin)
    case.encoded(case.text)


@kind("another export under this name")
def other_export(rng: Generator, case: Case) -> None:
    other = str(rng.choice([t for t in ANY if t != case.table]))
    case.headings, case.rows = HEADINGS[other], case.clinic.cells[other]
    case.touched = len(case.rows)
    case.encoded(case.text)


@kind("workbook with odd cells")
def odd_workbook(rng: Generator, case: Case) -> None:
    for row in case.pick(rng):
        column = int(rng.integers(0, len(case.headings)))
        case.rows[row][column] = str(rng.choice(["=1+1", "#REF!", "=SUM(A1:A9)", "x" * 20_000]))
    case.content, case.suffix = as_workbook(case.headings, case.rows), ".xlsx"
    case.written = sum(any(c.strip() for c in row) for row in case.rows)
