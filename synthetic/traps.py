"""How often right rows mislead a careless reader, counted from their cells before they are written.

Wrong rows are counted by kind (`known.py`). These are right ones: read without care they become
something else, and no error tells of it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Final

from .people import LOOKALIKE_IDS, ODD_INITIALS
from .rows import TextFile
from .sheets import SheetFile
from .spoil import BOTH_SCALES

Trap = tuple[str, str]  # name and variant
PERSON: Final = {"Kennung", "Person", "person", "personne"}  # headings of the patient's id
NEVER: Final = {
    "Verstorben am": ("died_on", "31.12.9999"),
    "Ende": ("to_on", "31.12.9999"),
    "Taken out": ("removed_on", "9999-12-31"),
}
EITHER_ORDER: Final = {  # heading: order of day and month, and what divides them
    "Entnahme": ("day first", "."),
    "Datum": ("day first", "."),
    "date": ("month first", "/"),
    "local time": ("month first", "/"),
}
FORMULA_SIGNS: Final = ("=", "+", "-", "@", "\t")
THIS_CENTURY: Final = 26  # two digits up to the year of the export; nobody is older than 86


def traps(files: list[TextFile]) -> dict[str, dict[str, int]]:
    """Return the counts of right rows by name of the trap and variant."""
    counts = Counter(trap for file in files for trap in (*_of_file(file), *_of_rows(file)))
    found: dict[str, dict[str, int]] = {}
    for (name, variant), n in sorted(counts.items()):
        found.setdefault(name, {})[variant] = n
    return found


def _of_file(file: TextFile) -> Iterator[Trap]:
    yield "files by encoding", file.encoding or "workbook"
    above = file.line(0) - 2
    yield from [("lines above the headings", file.path)] * above
    if isinstance(file, SheetFile):
        for name in ("hidden row", "hidden sheet", "empty line", "footer"):
            yield "furniture of the workbook", name
    if file.path.endswith("central.csv"):
        yield from _scales(file)


def _scales(file: TextFile) -> Iterator[Trap]:
    """Name the scale of every draw of the central laboratory; told in both, the % counts."""
    order, unit = file.header.index("Auftrag"), file.header.index("Einheit")
    scale: dict[str, str] = {}
    for row, label in _rows(file, also=BOTH_SCALES):
        if label == BOTH_SCALES:
            scale[row[order]] = "Prozent"
        else:
            scale.setdefault(row[order], row[unit])
    words = {"Prozent": "% with a decimal comma", "mmol/mol": "mmol/mol"}
    return (("draws of the laboratory by scale", words[each]) for each in scale.values())


def _of_rows(file: TextFile) -> Iterator[Trap]:
    for row, _ in _rows(file):
        for heading, cell in zip(file.header, row, strict=True):
            if heading in PERSON and cell in LOOKALIKE_IDS.values():
                yield "rows of ids alike but for zeros", f"{file.table} of {cell}"
            elif heading in NEVER and cell == NEVER[heading][1]:
                yield "days told as never", f"{file.table}.{NEVER[heading][0]}"
            elif heading in EITHER_ORDER and _fits_both(cell, EITHER_ORDER[heading][1]):
                yield "dates that fit both orders", f"{file.table}, {EITHER_ORDER[heading][0]}"
            elif heading == "Kürzel" and cell in ODD_INITIALS.values():
                yield "odd initials", cell
            elif heading == "Geboren":
                century = "20.." if int(cell[-2:]) <= THIS_CENTURY else "19.."
                yield "birth years of two digits", century
            elif heading == "mesure prise" and cell.startswith(FORMULA_SIGNS):
                yield "notes like formulas", cell


def _rows(file: TextFile, *, also: str = "") -> Iterator[tuple[list[str], str]]:
    """Right rows with their label, and those with the label `also`."""
    for place, row in enumerate(file.rows):
        label = file.rows.labels.get(place, "")
        if label in ("", also) or label.startswith("kept"):
            yield row, label


def _fits_both(cell: str, mark: str) -> bool:
    first, second, _ = cell.split(mark)
    return first != second and int(first) <= 12 and int(second) <= 12
