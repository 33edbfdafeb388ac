"""The wrong rows: how many of which kind are planted in which file.

Every planted row is labelled by its kind. A row that conflicts with a right one (two draws on one
day, two values at one time) takes the right one with it: both are set aside, both are labelled.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from .clock import REPEATED_HOURS
from .rows import TextFile

REPEAT: Final = "exact repeat"
OUT_OF_ORDER: Final = 2  # of the satellites' files
REPEATED_HOUR: Final = "hour that comes twice"
NEVER_WAS: Final = "clock time that never was"
NOTHING: Final = "no value"  # a row that is there, and has nothing to give
ALIKE: Final = "exact repeat in the hour that comes twice"  # two passings with one value
BOTH_SCALES: Final = "one draw in both scales"
TWO_CONTENTS: Final = "one person with two contents"
BLANKS: Final = "kept, blanks around the value"
UNIT_IN_CELL: Final = "kept, unit in the value's cell"
STRANGER: Final = "999999"  # an id that no patient has

Planted = tuple[str, int]  # kind, rows


def spoil(file: TextFile, rng: np.random.Generator) -> None:
    """Plant the wrong rows of one small file."""
    for ending, planted in _PLANS.items():
        if file.path.endswith(ending):
            planted(file, rng)


def _changed(file: TextFile, place: int, **cells: str) -> list[str]:
    """A copy of the row at `place` with some cells, named by heading, changed."""
    row = file.rows[place]
    for heading, value in cells.items():
        row[file.header.index(heading.replace("_", " "))] = value
    return row


def _right(file: TextFile, rng: np.random.Generator, n: int) -> list[int]:
    """Places of `n` right rows that stand once, drawn at random."""
    right = len(file.rows) - len(file.rows.labels)
    return [file.rows.right(int(i)) for i in rng.choice(right, size=n, replace=False)]


def _first_of_each(file: TextFile, heading: str, n: int) -> list[int]:
    """Places of the first rows of the first `n` different values under a heading."""
    column, found = file.header.index(heading), dict[str, int]()
    for place, row in enumerate(file.rows):
        found.setdefault(row[column], place)
        if len(found) == n:
            break
    return list(found.values())


def _repeat(file: TextFile, rng: np.random.Generator, n: int) -> None:
    copies = [file.rows[place] for place in _right(file, rng, n)]
    file.plant(rng, REPEAT, *copies)


def _people(file: TextFile, rng: np.random.Generator) -> None:
    _repeat(file, rng, 2)
    blank = _changed(file, 0, Kennung="")
    early = _changed(file, 1, Kennung="888001", Diagnosejahr="1857")
    never = _changed(file, 2, Kennung="888002", Erfasst_ab="31.02.2025")
    word = _changed(file, 3, Kennung="888003", Diabetestyp="Typ 9")
    file.plant(rng, "no patient id", blank)
    file.plant(rng, "outside its range", early)
    file.plant(rng, "impossible date", never)
    file.plant(rng, "unknown code", word)


def twice_with_two_contents(file: TextFile, rng: np.random.Generator) -> None:
    """Plant somebody again with another diagnosis: everything hangs on people, so intake stops."""
    place = file.header.index("Diagnosejahr")
    right = next(n for n, row in enumerate(file.rows) if row[place] and n not in file.rows.labels)
    other = str(int(file.rows[right][place]) - 1)
    file.label(right, TWO_CONTENTS)
    file.plant(rng, TWO_CONTENTS, _changed(file, right, Diagnosejahr=other))


def _facts(file: TextFile, rng: np.random.Generator) -> None:
    _repeat(file, rng, 1)
    file.plant(rng, "unknown patient", _changed(file, 0, Kennung=STRANGER))
    file.plant(rng, "impossible date", _changed(file, 1, Beginn="30.02.2025"))


def _contacts(file: TextFile, rng: np.random.Generator) -> None:
    _repeat(file, rng, 3)
    file.plant(rng, "after the export", _changed(file, 0, Datum="14.11.2027"))
    file.plant(rng, "unknown code", _changed(file, 1, Art="Zettel"))
    file.plant(rng, "unknown patient", _changed(file, 2, Kennung=STRANGER))


def _implants(file: TextFile, rng: np.random.Generator) -> None:
    _repeat(file, rng, 1)
    gone = {"Last_day_working": "", "Taken_out": "9999-12-31", "Why": ""}
    first = file.rows[0][file.header.index("Person")]
    wrong: list[tuple[str, dict[str, str]]] = [
        ("unknown patient", {"Person": STRANGER, **gone}),
        ("removed before placed", {"Last_day_working": "", "Taken_out": "2024-02-01"}),
        ("removed before placed", {"Last_day_working": "", "Taken_out": "1900-01-01"}),
        ("after the export", {"Placed": "2027-01-12", "Placed_at": "2027-01-12 10:00", **gone}),
        ("unknown code", {"Why": "77"}),
    ]
    file.plant(rng, "another number of fields", ["Total rows", str(len(file.rows))])
    for number, (label, cells) in enumerate(wrong):
        file.plant(rng, label, _changed(file, 0, Device=f"S{first}-9{number}", **cells))


def _attempts(file: TextFile, rng: np.random.Generator) -> None:
    _repeat(file, rng, 1)
    file.plant(rng, "unknown code", _changed(file, 0, Procedure="V-901", Done="perhaps"))
    file.plant(rng, "not a number", _changed(file, 0, Procedure="V-902", Attempt="first"))
    file.plant(rng, "unknown patient", _changed(file, 0, Procedure="V-903", Person=STRANGER))


def _central(file: TextFile, rng: np.random.Generator) -> None:
    _repeat(file, rng, 4)
    places = _right(file, rng, 2)
    pairs = [_changed(file, place, Auftrag=f"99{place:05d}") for place in places]
    for place, other in zip(places, pairs, strict=True):
        value, unit = file.header.index("Ergebnis"), file.header.index("Einheit")
        other[value] = "91" if other[unit] == "mmol/mol" else "10,5"
        file.label(place, "two draws on one day")
    wrong: list[tuple[str, dict[str, str]]] = [
        ("no unit", {"Ergebnis": "62", "Einheit": ""}),
        ("no unit", {"Ergebnis": "7,4", "Einheit": ""}),
        ("not a number", {"Ergebnis": "siehe Befund", "Einheit": "Prozent"}),
        ("outside its range", {"Ergebnis": "7,5", "Einheit": "mmol/mol"}),
        ("outside its range", {"Ergebnis": "72", "Einheit": "Prozent"}),
        ("unknown patient", {"Kennung": STRANGER}),
        ("impossible date", {"Entnahme": "13.25.2025"}),
        ("after the export", {"Entnahme": "01.02.2028"}),
    ]
    rows = [
        (label, _changed(file, number, Auftrag=f"98{number:05d}", **cells))
        for number, (label, cells) in enumerate(wrong)
    ]
    twins = [_other_scale(file, p) for p in _right(file, rng, 2)]
    old = [  # years before any sensor: right rows, and no baseline
        _changed(
            file, n, Auftrag=f"97{n:05d}", Entnahme="12.05.2021", Ergebnis="9,9", Einheit="Prozent"
        )
        for n in _first_of_each(file, "Kennung", 3)
    ]
    file.plant(rng, "two draws on one day", *pairs)
    file.plant(rng, BOTH_SCALES, *twins)
    file.plant(rng, "kept, from years ago", *old)
    for label, row in rows:
        file.plant(rng, label, row)


def _other_scale(file: TextFile, place: int) -> list[str]:
    """The same draw once more in the other scale, equal in tenths of a percent."""
    row = file.rows[place]
    value = float(row[file.header.index("Ergebnis")].replace(",", "."))
    if row[file.header.index("Einheit")] == "Prozent":
        return _changed(
            file, place, Ergebnis=f"{(value - 2.152) / 0.09148:.0f}", Einheit="mmol/mol"
        )
    percent = f"{0.09148 * value + 2.152:.1f}".replace(".", ",")
    return _changed(file, place, Ergebnis=percent, Einheit="Prozent")


def _bedside(file: TextFile, rng: np.random.Generator) -> None:
    file.plant(rng, "impossible date", _changed(file, 0, date="25/03/2025"))
    file.plant(rng, "not a number", _changed(file, 0, a1c="error"))
    file.plant(rng, NOTHING, *(_changed(file, place, a1c="n/a") for place in (1, 2)))


def _patches(file: TextFile, rng: np.random.Generator) -> None:
    _repeat(file, rng, 6)
    wrong: list[tuple[str, dict[str, str]]] = [
        ("outside its range", {"life": "0"}),
        ("removed before placed", {"until": "2024-01-05"}),
        ("unknown patient", {"person": STRANGER}),
        ("no patient id", {"person": ""}),
    ]
    for number, (label, cells) in enumerate(wrong):
        file.plant(rng, label, _changed(file, 0, patch=f"A-90{number}", **cells))
    twins = [_changed(file, 0, patch="A-910", life=life) for life in ("10", "14")]
    file.plant(rng, "same id", *twins)


def _meter(file: TextFile, rng: np.random.Generator) -> None:
    _repeat(file, rng, 5)
    places = _right(file, rng, 2)
    label = "two values at one time"
    for place in places:
        file.label(place, label)
    value = file.header.index("value")
    others = [_changed(file, p, value=str(int(file.rows[p][value]) + 40)) for p in places]
    file.plant(rng, label, *others)
    file.plant(rng, "not a number", _changed(file, 0, local_time="02/03/2026 09:01", value="E-4"))
    file.plant(rng, "after the export", _changed(file, 0, local_time="02/03/2027 09:02"))
    file.plant(rng, "unknown patient", _changed(file, 0, person=STRANGER))


def _incidents(file: TextFile, rng: np.random.Generator) -> None:
    _repeat(file, rng, 2)
    wrong: list[tuple[str, dict[str, str]]] = [
        ("unknown patient", {"personne": STRANGER}),
        ("unknown code", {"gravité": "7"}),
        ("impossible date", {"début": "2025-06-31"}),
    ]
    for number, (label, cells) in enumerate(wrong):
        file.plant(rng, label, _changed(file, 0, numéro=f"C-90{number}", **cells))


_PLANS: Final[dict[str, Callable[[TextFile, np.random.Generator], None]]] = {
    "personen.csv": _people,
    "merkmale.csv": _facts,
    "kontakte.csv": _contacts,
    "implant_log/sensors.txt": _implants,
    "procedures.txt": _attempts,
    "central.csv": _central,
    "bedside_2025.csv": _bedside,
    "patches.csv": _patches,
    "meter.csv": _meter,
    "incidents.xlsx": _incidents,
}


def spoil_cloud(wearer: int, month: int, lines: bytes) -> list[tuple[str, int, bytes]]:
    """Return what is added to a month of the mixed readings file: kind, rows set aside, lines.

    `wearer` counts the patients with implanted sensors, `month` the patient's months, both from 0;
    only the first four wearers are touched, so that the numbers do not grow with the clinic.
    """
    if month != 1 or wearer > 3:
        return []
    rows = lines.decode().splitlines()
    if len(rows) < 200:
        return []
    person, device, time, _, unit = rows[100].split(",")
    if wearer == 0:  # a block that was sent twice
        return [(REPEAT, 48, _lines(rows[20:68]))]
    if wearer == 1:  # another value for an instant that has one: both are set aside
        again = [row.split(",") for row in rows[30:90:20]]
        others = [
            f"{p},{d},{t},{'12.0' if u[:2] == 'mm' else '216'},{u}" for p, d, t, _, u in again
        ]
        return [("two values at one time", 2 * len(others), _lines(others))]
    if wearer == 2:
        return [
            ("no unit", 2, _lines([f"{person},{device},{_later(time, k)},140," for k in (1, 2)])),
            ("not a number", 2, _lines([
                f"{person},{device},{_later(time, 3)},ERR,{unit}",
                f"{person},{device},{_later(time, 4)},18O,{unit}",
            ])),
            ("outside its range", 1, _lines([f"{person},{device},{_later(time, 5)},1400,mg/dL"])),
            ("after the export", 1, _lines([f"{person},{device},2027{time[4:]},140,mg/dL"])),
            ("impossible date", 1, _lines([f"{person},{device},2026-02-30{time[10:]},140,mg/dL"])),
        ]  # fmt: skip
    bare = [f"{person},{device},{_later(time, 9)[:-6]},140,mg/dL"]
    strangers = [f"{STRANGER},S{STRANGER}-01,{_later(time, k)},140,mg/dL" for k in range(3)]
    return [
        ("unknown patient", 3, _lines(strangers)),
        ("kept, without an offset", 1, _lines(bare)),
    ]


def spoil_centre(wearer: int, lines: bytes) -> tuple[bytes, list[Planted]]:
    """Return a patient's file in the centre's layout with its wrong rows, and what they are.

    The rows stay in order of time, but for a block that was sent twice: the order is all that tells
    the two passings of the hour that comes twice apart.
    """
    if wearer > 2:
        return lines, []
    rows = lines.decode().splitlines()
    if len(rows) < 200:
        return lines, []
    time, patch, value = rows[60].split(",")
    planted: list[Planted] = []
    if wearer == 0:
        rows += rows[50:80]
        planted = [(REPEAT, 30)]
    elif wearer == 1:
        never = [f"2026-03-29 02:{minute}:47,{patch},140" for minute in (11, 26)]
        rows[61:61] = [f"{time},{patch},{_other(value)}"]
        rows += never
        planted = [("two values at one time", 2), (NEVER_WAS, 2)]
    elif wearer == 2:
        dressed = {BLANKS: '" {} "', UNIT_IN_CELL: "{} mg/dL"}
        plain = [n for n, row in enumerate(rows) if row.rsplit(",", 1)[1].isdigit()]
        for number, (kind, form) in enumerate(dressed.items()):
            for place in plain[120 + 3 * number : 123 + 3 * number]:
                start, worth = rows[place].rsplit(",", 1)
                rows[place] = f"{start},{form.format(worth)}"
            planted.append((kind, 3))
        rows.insert(61, f"{_later(time, 7)},{patch},---")
        planted.append(("not a number", 1))
    return _lines(rows), planted


def spoil_satellites(wearer: int, lines: bytes) -> tuple[bytes, list[Planted]]:
    """Return the same in the satellites' layout; one file is sorted by value."""
    if wearer > 2:
        return lines, []
    rows = lines.decode().splitlines()
    planted: list[Planted] = []
    if wearer == OUT_OF_ORDER:
        return _lines(sorted(rows, key=lambda row: row.split(";")[1]), "\r\n"), []
    if len(rows) < 200:
        return lines, []
    if wearer == 0:
        rows[50:74] = [row for row in rows[50:74] for _ in range(2)]
        planted = [(REPEAT, 24)]
    elif wearer == 1:
        rows += ["32.01.2026 10:00:00;7,0", "00.01.2026 10:00:00;7,0"]
        planted = [("impossible date", 2)]
    return _lines(rows, "\r\n"), planted


def unplaced(
    wall: np.ndarray, value: np.ndarray, sequence: np.ndarray, *, in_order: bool
) -> list[Planted]:
    """Count rows of the hour that comes twice whose order does not tell the passing.

    The rows (seconds of the local clock, code of the value) stand in true order of time. Within a
    `sequence` (one sensor where the file names it) the one step back of the clock divides the two
    passings; where a gap hides it, or the file is not `in_order`, nothing does. Two of them that
    are alike in time and value cannot be told from a repeat.
    """
    lost: list[tuple[int, int, int]] = []
    near = np.zeros(len(wall), dtype=bool)
    for first, last in REPEATED_HOURS:
        near |= (wall >= first) & (wall < last)
    wall, value, sequence = wall[near], value[near], sequence[near]
    for number in np.unique(sequence):
        here = sequence == number
        clock, code = wall[here], value[here]
        for first, last in REPEATED_HOURS:
            inside = (clock >= first) & (clock < last)
            if not in_order or np.count_nonzero(np.diff(clock[inside]) < 0) != 1:
                lost += [
                    (int(number), int(c), int(v))
                    for c, v in zip(clock[inside], code[inside], strict=True)
                ]
    return [(REPEATED_HOUR, len(set(lost))), (ALIKE, len(lost) - len(set(lost)))]


def _lines(rows: list[str], newline: str = "\n") -> bytes:
    return (newline.join(rows) + newline).encode()


def _other(value: str) -> str:
    return "222" if value != "222" else "111"


def _later(time: str, seconds: int) -> str:
    """The same minute with another second, so that no planted row meets a right one."""
    second = (int(time[17:19]) + 31 + seconds) % 60
    return f"{time[:17]}{second:02d}{time[19:]}"
