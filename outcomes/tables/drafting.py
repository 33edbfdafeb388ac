"""A draft of `sources.toml` for a folder of exports: every guess marked, with its evidence.

The draft is something to read and correct. A value that begins with a question mark is a guess;
intake lists every one that is left and reads nothing until each is confirmed.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Final

from outcomes.errors import SettingsError, UsageError
from outcomes.plan.sources import CHOOSE
from outcomes.tables.declared import DECLARED, NEEDED
from outcomes.tables.draft_columns import Order, Profile
from outcomes.tables.draft_guesses import (
    UNDECIDED,
    ColumnGuess,
    Guess,
    TableGuess,
    column_guesses,
    date_guess,
    own_order,
)
from outcomes.tables.draft_layouts import Folder, Layout, look_at
from outcomes.tables.draft_scores import Known
from outcomes.tables.draft_tables import Proposal, known_patients, proposals, propose
from outcomes.tables.draft_words import FACTS, MEASURES, heading_fit
from outcomes.tables.draft_writing import draft_text

VISITS: Final = ("contacts", "hba1c")  # tables that a visit sheet may feed beside each other
# A well-known zone for each pair of winter and summer offsets.
ZONES: Final = {
    frozenset({"+0000", "+0100"}): "Europe/London",
    frozenset({"+0100", "+0200"}): "Europe/Berlin",
    frozenset({"+0200", "+0300"}): "Europe/Helsinki",
    frozenset({"-0500", "-0400"}): "America/New_York",
    frozenset({"-0600", "-0500"}): "America/Chicago",
    frozenset({"-0700", "-0600"}): "America/Denver",
    frozenset({"-0800", "-0700"}): "America/Los_Angeles",
    frozenset({"+1000", "+1100"}): "Australia/Sydney",
    frozenset({"+1200", "+1300"}): "Pacific/Auckland",
}
NAMED: Final = 2.5  # how well a heading must fit to make a further table, fact or measurement


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Draft:
    """A draft and what it is made of: its text, the tables, the files left out with the reason."""

    text: str
    tables: tuple[TableGuess, ...]
    left_out: dict[str, str]
    guesses: int
    undecided: tuple[str, ...]


def draft_sources(
    folder: str | Path,
    *,
    name: str | None = None,
    time_zone: str | None = None,
    exported_on: date | None = None,
) -> Draft:
    """Look at a folder of exports and draft its `sources.toml`; nothing is written.

    Parameters
    ----------
    folder : path
        The exports, in whatever folders below it.
    name, time_zone, exported_on : optional
        Of the clinic; what is given is not a guess.

    Raises
    ------
    UsageError
        The folder does not exist.
    SettingsError
        No file in it can be an export; the message names what is there.
    """
    place = Path(folder)
    if not place.is_dir():
        raise UsageError(f"{place}: no such folder.")
    found = look_at(place)
    tables = _tables(found)
    if not tables:
        told = "; ".join(f"{n}: {why}" for n, why in list(found.left_out.items())[:10])
        raise SettingsError(f"{place}: nothing there fits a table. {told or 'It is empty.'}")
    clinic = {
        "name": _given(name, place.resolve().name, "the folder's name"),
        "time_zone": _given(time_zone, *_zone(found)),
        "exported_on": _given(
            None if exported_on is None else exported_on.isoformat(), _day(found.newest),
            "the day on which the newest file was written; nothing later can be true",
        ),
    }  # fmt: skip
    absent = [t for t in DECLARED if t not in {str(one.table.value) for one in tables}]
    text, guesses = draft_text(
        clinic, tables, found.left_out, absent=absent, needed=[t for t in absent if t in NEEDED]
    )
    return Draft(
        text=text, tables=tuple(tables), left_out=found.left_out, guesses=guesses,
        undecided=tuple(_undecided(tables)),
    )  # fmt: skip


def _given(value: str | None, guess: str, because: str) -> tuple[str, str | None]:
    return (guess, because) if value is None else (value, None)


def _zone(found: Folder) -> tuple[str, str]:
    """Return a zone that has the offsets of the exports, else that of this computer."""
    offsets = Counter[str]()
    for layout in found.layouts:
        for profile in layout.profiles:
            offsets.update(profile.offsets)
    often = frozenset(o.replace(":", "") for o, n in offsets.items() if n >= 3)
    if often in ZONES:
        told = " and ".join(sorted(often))
        return ZONES[often], f"one of the zones with the offsets {told} that stand in the exports"
    try:
        place = Path("/etc/localtime").resolve().as_posix()
    except OSError:
        place = ""
    zone = place.partition("zoneinfo/")[2].removeprefix("posix/")
    if "/" in zone and not zone.startswith("Etc/"):
        return zone, "the zone of this computer; write the clinic's"
    return CHOOSE, "nothing tells the zone; write the clinic's, such as Europe/Berlin"


def _day(seconds: float) -> str:
    return datetime.fromtimestamp(seconds, tz=UTC).date().isoformat()


def _tables(found: Folder) -> list[TableGuess]:
    best = proposals(found.layouts)
    used = {id(one.layout) for one in best}
    for layout in found.layouts:
        if id(layout) not in used:
            for look in layout.looks:
                found.left_out[look.name] = "fits none of the tables"
    patients = known_patients(best)
    more = [further for one in best for further in _further(one, best)]
    elsewhere: Counter[str] = Counter()
    for one in best:
        for profile in _dated(one):
            elsewhere.update({o.pattern: o.alone for o in profile.orders if o.alone})
    order = list(DECLARED)
    tables = [_guess(one, patients, elsewhere, found.layouts) for one in (*best, *more)]
    for guess in tables[: len(best)]:  # each column once, whatever else a sheet feeds
        _add_facts(guess)
    for guess in tables:
        guess.left_out = _left_out(guess, tables)
    return sorted(tables, key=lambda t: (order.index(str(t.table.value)), t.files[0].value))


def _further(one: Proposal, best: list[Proposal]) -> list[Proposal]:
    """Return the other tables that a sheet of visits feeds."""
    if one.table not in VISITS:
        return []
    day = one.columns.get({"contacts": "on", "hba1c": "drawn_on"}[one.table])
    used = set(one.columns.values()) - {day, one.columns.get("patient_id")}
    known = Known(patients=known_patients(best))
    other = "hba1c" if one.table == "contacts" else "contacts"
    found = propose(one.layout, other, known, apart_from=used)
    telling = {"hba1c": "value", "contacts": "what"}[other]
    if found is None or telling not in found.columns or found.lacking:
        return []
    words = {"hba1c": "hba1c a1c hba ifcc ngsp", "contacts": "contact kontakt visit visite anlass "
             "besuch motif motivo reason art type"}[other]  # fmt: skip
    return [found] if heading_fit(found.columns[telling], words) >= NAMED else []


def _dated(one: Proposal) -> list[Profile]:
    schema = DECLARED[one.table]
    profiles = []
    for name, heading in one.columns.items():
        column = schema.column(name)
        if column.kind in ("date", "instant") and one.layout.profile(heading).orders:
            profiles.append(one.layout.profile(heading))
    return profiles


def _guess(
    one: Proposal, patients: frozenset[str], elsewhere: Counter[str], layouts: list[Layout]
) -> TableGuess:
    layout, look = one.layout, one.layout.first
    files = len(layout.looks)
    why = f"{files} file{'s' if files > 1 else ''}, {layout.rows:,} rows looked at"
    why += f"; next best: {one.next_best}" if one.next_best else ""
    guess = TableGuess(
        proposal=one,
        table=Guess(value=one.table, because=why),
        files=[Guess(value=pattern) for pattern in layout.patterns],
        columns=column_guesses(one, patients),
    )
    if look.is_text:
        written = "\\t" if look.separator == "\t" else look.separator
        guess.keys["separator"] = Guess(value=written, because=look.separator_because)
        encoding, because = _encoding(layout, layouts)
        guess.keys["encoding"] = Guess(value=encoding, because=because)
        _add_decimal(guess)
    _add_dates(guess, elsewhere)
    lines = {each.heading_line for each in layout.looks}
    if len(lines) == 1 and max(lines) > 1:
        told = f"the headings; {max(lines) - 1} lines above them are no rows"
        guess.keys["heading_line"] = Guess(value=str(max(lines)), because=told)
    if look.shown_sheets > 1:
        told = f"one of {look.shown_sheets} sheets that are shown"
        guess.keys["sheet"] = Guess(value=look.sheet, because=told)
    footers = sorted({text for each in layout.looks for text in each.footers})
    if footers:
        guess.keys["footers"] = Guess(value=footers, because="how the last lines begin")
    return guess


def _encoding(layout: Layout, layouts: list[Layout]) -> tuple[str, str]:
    """Return the encoding; of plain ASCII, that of another file of the same folder."""
    encoding, because = layout.encoding
    if "ASCII" in because:
        for other in layouts:
            if (
                other.first.path.parent == layout.first.path.parent
                and other.encoding[0] == "cp1252"
            ):
                return "cp1252", "plain ASCII; cp1252 as another file of its folder"
    return encoding, because


def _add_decimal(guess: TableGuess) -> None:
    marks: Counter[str] = Counter()
    schema = DECLARED[guess.proposal.table]
    for name, heading in guess.proposal.columns.items():
        if schema.column(name).kind in ("number", "integer"):
            marks.update(guess.proposal.layout.profile(heading).marks)
    if marks:
        (mark, most), *others = marks.most_common()
        told = f"{most:,} numbers have it" + (f", {others[0][1]:,} the other" if others else "")
        guess.keys["decimal"] = Guess(value=mark, because=told)


def _add_dates(guess: TableGuess, elsewhere: Counter[str]) -> None:
    one = guess.proposal
    found = date_guess(_dated(one), elsewhere)
    if found is not None and (one.layout.first.is_text or found[0] != "year-month-day"):
        guess.keys["dates"] = Guess(value=found[0], because=found[1])
    of_files = found[0] if found else "year-month-day"
    for name, column in guess.columns.items():
        heading = one.columns.get(name) or column.keys.get("column", Guess(value="")).value
        declared = DECLARED[one.table].column(name)
        if heading not in one.layout.first.headings:
            continue
        profile = one.layout.profile(heading)
        if declared.kind == "date" and profile.orders and not profile.typed:
            own = _of_days(profile, of_files)
        elif declared.kind in ("date", "instant"):
            own = own_order(profile, of_files)
        elif declared.unit == "year" and profile.orders:
            own = profile.orders[0]  # spelt out: a year is read from a day only where it is
            rivals = [o.pattern for o in profile.orders if o.pattern.startswith(of_files[:3])]
            if own.alone == 0 and rivals:
                own = next(o for o in profile.orders if o.pattern == rivals[0])
            own = replace(own, pattern=profile.day_pattern(own.pattern))
        else:
            continue
        if own is not None:
            told = f"{own.fits:,} of {profile.told:,} fit it"
            column.keys["dates"] = Guess(value=own.pattern, because=told)


def _of_days(profile: Profile, of_files: str) -> Order | None:
    """Return the order of a column of days where it is not that of its files, times spelt out."""
    order = own_order(profile, of_files)
    plain = order or next(o for o in profile.orders if o.pattern == of_files)
    spelt = profile.day_pattern(plain.pattern)
    return order if spelt == plain.pattern else replace(plain, pattern=spelt)


def _add_facts(guess: TableGuess) -> None:
    """Propose further headings of a sheet of visits as dated facts and measurements."""
    one = guess.proposal
    if one.table not in VISITS:
        return
    used = {*one.columns.values(), one.unit_heading}
    for profile in one.layout.profiles:
        if profile.heading in used or not profile.filled:
            continue
        for fact, words in FACTS.items():
            if profile.is_category and heading_fit(profile.heading, words) >= NAMED:
                told = f"a dated fact; {len(profile.counts)} different words"
                guess.facts[fact] = ColumnGuess(
                    keys={"column": Guess(value=profile.heading, because=told)}
                )
                break
        for measure, (words, unit) in MEASURES.items():
            if profile.is_number and heading_fit(profile.heading, words) >= NAMED:
                guess.measurements[measure] = ColumnGuess(
                    keys={
                        "column": Guess(value=profile.heading, because="a dated number"),
                        "unit": Guess(value=unit),
                    }
                )
                break


def _left_out(guess: TableGuess, tables: Iterable[TableGuess]) -> tuple[str, ...]:
    """Return the headings that no table of these files reads."""
    layout = guess.proposal.layout
    used: set[object] = set()
    for table in tables:
        if table.proposal.layout is layout:
            for column in (*table.columns.values(), *table.facts.values(),
                           *table.measurements.values()):  # fmt: skip
                used |= {one.value for key, one in column.keys.items()
                         if key in ("column", "unit_column")}  # fmt: skip
    return tuple(heading for heading in layout.first.headings if heading and heading not in used)


def _undecided(tables: Iterable[TableGuess]) -> Iterable[str]:
    for table in tables:
        for column, guess in [("", table.keys), *((n, c.keys) for n, c in table.columns.items())]:
            for key, one in guess.items():
                if one.because.startswith(UNDECIDED):
                    where = f"{column}." if column else ""
                    told = one.because.removeprefix(UNDECIDED)
                    yield f"{table.files[0].value}, {where}{key}: {told}."
