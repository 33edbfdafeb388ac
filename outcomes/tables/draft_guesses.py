"""The guesses of a draft for one table: dates, units, marks, codes and constants, with evidence.

A guess is a value with the sentence that speaks for it. Nothing of a patient stands in either: only
headings, counts, codes of columns with few different ones, and how values are spread.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from outcomes.plan.sources import CHOOSE
from outcomes.schema import Column
from outcomes.tables.declared import DECLARED
from outcomes.tables.draft_codes import unit_for, word_for
from outcomes.tables.draft_columns import Order, Profile
from outcomes.tables.draft_layouts import best_name_id
from outcomes.tables.draft_scores import MEASURED, codes_of
from outcomes.tables.draft_tables import Proposal
from outcomes.tables.draft_words import (
    MISSING_WORDS,
    NO_WORDS,
    YES_WORDS,
    plain,
)
from outcomes.tables.values import one_of

SHORT_CODE: Final = 6  # characters; a longer text that nobody knows must stand often to be listed
OFTEN: Final = 2
UNDECIDED: Final = "UNDECIDED: "
LIMITS_MMOL: Final = {2.2: "below", 22.2: "above"}  # 40 and 400 mg/dL, which have no exact tenth


@dataclass(frozen=True, kw_only=True)
class Guess:
    """A proposed value and what speaks for it."""

    value: Any
    because: str = ""


@dataclass(kw_only=True, eq=False, repr=False)
class ColumnGuess:
    """How one column may be read: guesses by key, and a guess a code."""

    keys: dict[str, Guess] = field(default_factory=dict)
    codes: dict[str, Guess] = field(default_factory=dict)
    codes_left: tuple[int, int] = (0, 0)  # codes and rows that are not listed


@dataclass(kw_only=True, eq=False, repr=False)
class TableGuess:
    """One `[[source]]` of the draft."""

    proposal: Proposal
    table: Guess
    files: list[Guess]
    keys: dict[str, Guess] = field(default_factory=dict)
    columns: dict[str, ColumnGuess] = field(default_factory=dict)
    facts: dict[str, ColumnGuess] = field(default_factory=dict)
    measurements: dict[str, ColumnGuess] = field(default_factory=dict)
    left_out: tuple[str, ...] = ()


def column_guesses(proposal: Proposal, patients: frozenset[str]) -> dict[str, ColumnGuess]:
    """Return how every column of a proposal may be read, in the order of the declaration."""
    found = {}
    if proposal.patient_from != "column":
        found["patient_id"] = _patient_elsewhere(proposal, patients)
    for column in DECLARED[proposal.table].columns:
        if column.name in proposal.columns:
            profile = proposal.layout.profile(proposal.columns[column.name])
            found[column.name] = one_column(proposal, column, profile, patients)
    for name in proposal.columns:
        if name not in found:
            raise KeyError(name)
    _add_constants(proposal, found)
    return {c.name: found[c.name] for c in DECLARED[proposal.table].columns if c.name in found}


def _patient_elsewhere(proposal: Proposal, patients: frozenset[str]) -> ColumnGuess:
    layout = proposal.layout
    if proposal.patient_from == "preamble":
        why = "stands in a line above the headings of every file"
        return ColumnGuess(keys={"preamble": Guess(value=layout.title_id, because=why)})
    if proposal.patient_from == "file_name":
        piece, count = best_name_id(layout, patients)
        if piece is not None:
            why = f"{count} of {len(piece.values)} files are named for a patient of another export"
            return ColumnGuess(keys={"file_name": Guess(value=piece.expression, because=why)})
    return ColumnGuess(keys={"column": Guess(value=CHOOSE, because="no heading holds patient ids")})


def one_column(
    proposal: Proposal, column: Column, profile: Profile, patients: frozenset[str]
) -> ColumnGuess:
    """Return how one column may be read from one heading."""
    guess = ColumnGuess()
    guess.keys["column"] = Guess(value=profile.heading, because=_told(profile, column, patients))
    if column.kind == "date" and (often := profile.sentinels(_best(profile))):
        rows = sum(profile.counts[t] for t in often)
        why = f"{counted(rows)} where it has not happened"
        guess.keys["never"] = Guess(value=often, because=why)
    numeric = column.kind in ("date", "instant", "number", "integer")
    if numeric and (words := profile.missing_words()):
        rows = sum(profile.counts[t] for t in words)
        guess.keys["missing"] = Guess(value=words, because=counted(rows))
    if column.name == "value" and proposal.table in MEASURED:
        _add_unit(proposal, profile, guess)
    if column.kind in ("category", "flag") or codes_of(proposal.table, column.name):
        _add_codes(proposal.table, column, profile, guess)
    return guess


def _told(profile: Profile, column: Column, patients: frozenset[str]) -> str:
    told = f"{profile.filled:,} of {profile.rows:,} rows filled"
    if column.name == "patient_id":
        held = sum(text in patients for text in profile.counts)
        told += f"; {held:,} of {len(profile.counts):,} ids are patients"
    elif profile.orders and column.kind in ("date", "instant"):
        told += f"; {profile.orders[0].fits:,} are dates"
    return told


def counted(rows: int) -> str:
    """Return a number of rows in words.

    Examples
    --------
    >>> counted(1), counted(1200)
    ('1 row', '1,200 rows')
    """
    return f"{rows:,} row" + ("" if rows == 1 else "s")


def _best(profile: Profile) -> str:
    return profile.orders[0].pattern if profile.orders else "year-month-day"


# --- dates -------------------------------------------------------------------------------------


def date_guess(profiles: Sequence[Profile], elsewhere: Counter[str]) -> tuple[str, str] | None:
    """Return the date order of the files and what speaks for it; None where there are no dates.

    The order must fit the columns together: what one of them decides holds for all.
    """
    dated = [p for p in profiles if p.orders]
    if not dated:
        return None
    votes: Counter[str] = Counter()
    for profile in dated:
        for order in profile.orders:
            votes[order.pattern] += order.alone
    decided = [p for p, n in votes.most_common() if n > 0]
    if decided:
        return decided[0], _decided(dated, decided[0])
    rivals = [order.pattern for order in dated[0].orders]
    if len(rivals) == 1:
        return rivals[0], "the only order that fits"
    usual = [pattern for pattern, _ in elsewhere.most_common() if pattern in rivals]
    first = usual[0] if usual else _customary(rivals)
    why = "as in other files of this folder" if usual else "a bare guess from the mark"
    others = " or ".join(p for p in rivals if p != first)
    return first, f"{UNDECIDED}every date also fits {others}; {why}"


def _decided(dated: Sequence[Profile], pattern: str) -> str:
    own = [order for p in dated for order in p.orders if order.pattern == pattern]
    fits, alone = sum(o.fits for o in own), sum(o.alone for o in own)
    all_cells = sum(p.told for p in dated if any(o.pattern == pattern for o in p.orders))
    others = sorted({o.pattern for p in dated for o in p.orders if o.pattern != pattern})
    if not others:
        return f"{fits:,} of {all_cells:,} fit it; no other order fits most of them"
    told = f"{fits:,} of {all_cells:,} fit it, {alone:,} of them no other"
    clash = sum(o.alone for p in dated for o in p.orders if o.pattern != pattern)
    against = f"; {counted(clash)} fit only {' or '.join(others)} and will be set aside"
    return told + (against if clash else "")


def _customary(rivals: Sequence[str]) -> str:
    day_first = [p for p in rivals if p.startswith("day")]
    return day_first[0] if day_first else rivals[0]


def own_order(profile: Profile, of_files: str) -> Order | None:
    """Return the order of a column where it is not that of its files."""
    if not profile.orders or any(order.pattern == of_files for order in profile.orders):
        return None
    return profile.orders[0]


# --- units and words beyond a limit -------------------------------------------------------------


def _add_unit(proposal: Proposal, profile: Profile, guess: ColumnGuess) -> None:
    if proposal.unit_heading is not None:
        _add_unit_column(proposal, guess)
    elif profile.units and sum(profile.units.values()) >= 0.9 * profile.told:
        guess.keys["column"] = Guess(
            value=profile.heading, because="the unit stands in every cell and is read from it"
        )
    else:
        unit, why = _unit(proposal.table, profile)
        guess.keys["unit"] = Guess(value=unit, because=why)
    if proposal.table != "hba1c":
        _add_limits(profile, guess)


def _add_unit_column(proposal: Proposal, guess: ColumnGuess) -> None:
    units = proposal.layout.profile(str(proposal.unit_heading))
    guess.keys["unit_column"] = Guess(
        value=proposal.unit_heading, because=f"{len(units.counts)} different units"
    )
    ours = ("%", "mmol/mol") if proposal.table == "hba1c" else ("mg/dL", "mmol/L")
    words = {
        text: unit for text in units.counts
        if (unit := unit_for(text)) in ours and one_of(text, ours) is None
    }  # fmt: skip
    if words:
        guess.keys["units"] = Guess(value=words, because="the clinic's words for units")


def _unit(table: str, profile: Profile) -> tuple[str, str]:
    values = profile.numbers
    middle = np.percentile(values, [25, 75]) if len(values) else (0.0, 0.0)
    spread = f"half of the values lie between {middle[0]:.4g} and {middle[1]:.4g}"
    if table == "hba1c":
        percent, other = float((values <= 20).mean()), "mmol/mol"
        unit = "%" if percent >= 0.5 else other
        mixed = min(percent, 1 - percent)
    else:
        molar = float((values <= 39).mean())
        unit, mixed = ("mmol/L" if molar >= 0.5 else "mg/dL"), 0.0
    if mixed > 0.02:
        return unit, f"{UNDECIDED}{mixed:.0%} of the values look like the other unit; {spread}"
    return unit, spread


def _add_limits(profile: Profile, guess: ColumnGuess) -> None:
    sides: dict[str, list[str]] = {"below": [], "above": []}
    for side, words, usual in (
        ("below", profile.low_words, "low"),
        ("above", profile.high_words, "high"),
    ):
        sides[side] = [w for w in words if w.casefold() != usual]
        if sides[side]:
            sides[side] += [w for w in words if w.casefold() == usual]
    for text in profile.counts:
        number = text.lstrip("<>≤≥ ").replace(",", ".")
        if text[:1] in "<>" and number in map(str, LIMITS_MMOL):
            sides[LIMITS_MMOL[float(number)]].append(text)
    for side, found in sides.items():
        if found:
            rows = sum(profile.counts[t] for t in found)
            limit = "40" if side == "below" else "400"
            why = f"{counted(rows)}; they enter as {limit} mg/dL unless a limit is declared"
            guess.keys[side] = Guess(value=found, because=why)


# --- codes ---------------------------------------------------------------------------------------


def _add_codes(table: str, column: Column, profile: Profile, guess: ColumnGuess) -> None:
    allowed = column.categories
    words = codes_of(table, column.name)
    if column.kind == "flag":
        allowed = ("true", "false")
    elif allowed and all(one_of(text, allowed) for text in profile.counts):
        return  # the export's words are ours
    left, rows = 0, 0
    for code, count in profile.counts.most_common():
        word = _flag(code) if column.kind == "flag" else word_for(code, words, allowed)
        if word is None and code.casefold() in MISSING_WORDS and "unknown" in allowed:
            word = "unknown"
        if word is None and len(code) > SHORT_CODE and count < OFTEN:
            left, rows = left + 1, rows + count
            continue
        told = counted(count)
        if word is None and allowed:
            guess.codes[code] = Guess(value=CHOOSE, because=f"{told}; nothing tells its meaning")
        else:
            kept = "" if word is not None else "; kept as it is"
            guess.codes[code] = Guess(value=word or code, because=told + kept)
    guess.codes_left = (left, rows)
    if column.kind == "flag" and all(c.casefold() in ("true", "false", "yes", "no")
                                     for c in guess.codes):  # fmt: skip
        guess.codes = {}
    if not allowed and all(code == str(one.value) for code, one in guess.codes.items()):
        guess.codes = {}


def _flag(code: str) -> str | None:
    told = code.casefold()
    return "true" if told in YES_WORDS else ("false" if told in NO_WORDS else None)


# --- one word for all rows -----------------------------------------------------------------------


def _add_constants(proposal: Proposal, found: dict[str, ColumnGuess]) -> None:
    given = {"sensors": _of_sensors, "hba1c": _of_draws}.get(proposal.table)
    if given is not None:
        given(proposal, found)
    fixed = {
        "contacts": {"what": "visit"},
        "procedures": {"what": "placement", "attempt": "1", "completed": "true"},
        "complications": {"deficiency_only": "false", "serious": "false"},
    }.get(proposal.table, {})
    for name, value in fixed.items():
        if name not in found:
            found[name] = _constant(value, "no heading tells it; is this true of every row?")


def _constant(value: str, because: str) -> ColumnGuess:
    return ColumnGuess(keys={"constant": Guess(value=value, because=because)})


def _of_sensors(proposal: Proposal, found: dict[str, ColumnGuess]) -> None:
    layout = proposal.layout
    days = np.array([])
    if "planned_days" in proposal.columns:
        days = layout.profile(proposal.columns["planned_days"]).numbers
    named = plain(layout.first.name.replace("_", " "))
    if len(days):
        kind = "implanted" if np.median(days) > 40 else "adhesive"
        why = f"half of the planned lives are at most {np.median(days):.0f} days"
    else:
        kind = "implanted" if "implant" in named else "adhesive"
        why = "from the file's name alone"
    if "kind" not in found:
        found["kind"] = _constant(kind, f"every row of these files; {why}")
    if "planned_days" not in found:
        found["planned_days"] = _constant(CHOOSE, "no heading tells it; write a number of days")
    ends = [name for name in ("stopped_on", "removed_on") if name in found]
    if kind == "adhesive" and len(ends) == 1:
        other = "removed_on" if ends == ["stopped_on"] else "stopped_on"
        same = found[ends[0]]
        why = "one date serves both: an adhesive sensor comes off when it stops"
        heading = Guess(value=same.keys["column"].value, because=why)
        found[other] = ColumnGuess(keys={**same.keys, "column": heading})


def _of_draws(proposal: Proposal, found: dict[str, ColumnGuess]) -> None:
    if "method" in found:
        return
    words = codes_of("hba1c", "method")
    for name in reversed(proposal.layout.first.name.split("/")):  # the file's own name first
        parts = plain(name.replace("_", " ")).split()
        told = {word for part in parts if len(part) > 2 and (word := word_for(part, words))}
        if len(told) == 1:
            word = told.pop()
            found["method"] = _constant(word, "every row of these files; from the file's name")
            return
