"""The text of one column to typed values, with a reason for every text that cannot be read.

A column is taken apart into its different texts, each text is read once, and the rows follow by
their codes; so millions of rows cost as much as their different texts. A text is read by what
`sources.toml` declares for its column (codes, words for missing, decimal mark, date order, unit)
or not at all.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from outcomes.plan.sources import ColumnSource
from outcomes.schema import Column
from outcomes.tables.cells import Cells, Vocabulary
from outcomes.tables.dates import FIRST_DAY, DatePattern, read_moments
from outcomes.tables.export_files import NO_RESULT

Array = npt.NDArray[Any]

NUMBER: Final = re.compile(r"[+-]?(\d+(?P<mark>[.,])?\d*|(?P<bare>[.,])\d+)")
FLAGS: Final = {"true": True, "false": False, "yes": True, "no": False}
LONGEST_ID: Final = 100  # characters; longer is no id
LONGEST_TEXT: Final = 10_000
SPREADSHEET_ERRORS: Final = frozenset(
    ["#REF!", "#N/A", "#VALUE!", "#NAME?", "#DIV/0!", "#NUM!", "#NULL!", NO_RESULT]
)
LONGEST_QUOTE: Final = 40  # characters of a text in a reason


@dataclass(frozen=True, kw_only=True)
class Problem:
    """Why a text cannot be used: the short name of the rule, and the reason in words."""

    rule: str
    reason: str


def shortened(text: str) -> str:
    """Return a text that fits into a sentence."""
    printable = "".join(c if c.isprintable() else "?" for c in text[:LONGEST_QUOTE])
    return printable if len(text) <= LONGEST_QUOTE else f"{printable} ..."


def shape_of(text: str) -> str:
    """Return what a text looks like, with nothing of what it says.

    Examples
    --------
    >>> shape_of("Tel. 0170 55"), shape_of("x" * 99)
    ('aaa. 9999 99', '99 characters')
    """
    if len(text) > LONGEST_QUOTE:
        return f"{len(text)} characters"
    return re.sub(r"\d", "9", re.sub(r"[^\W\d_]", "a", text))


@dataclass(kw_only=True, eq=False, repr=False)
class Problems:
    """Numbered problems; number 0 is none. Discreet ones quote no text of the export."""

    discreet: bool = False
    known: list[Problem | None] = field(default_factory=lambda: [None])
    _numbers: dict[Problem, int] = field(default_factory=dict)
    _of_rule: dict[str, list[int]] = field(default_factory=dict)

    def number(self, rule: str, reason: str) -> int:
        """Return the number of a problem, the same for the same words."""
        problem = Problem(rule=rule, reason=reason)
        if problem not in self._numbers:
            self._numbers[problem] = len(self.known)
            self._of_rule.setdefault(rule, []).append(len(self.known))
            self.known.append(problem)
        return self._numbers[problem]

    def quoted(self, text: str) -> str:
        """Return a text as a reason may tell it: shortened, or only its shape where discreet."""
        return shape_of(text) if self.discreet else f"'{shortened(text)}'"

    def of_rule(self, rule: str) -> list[int]:
        """Return the numbers of all problems of a rule."""
        return self._of_rule.get(rule, [])


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Texts:
    """A column of text as codes into its different texts, trimmed; "" where there is none."""

    codes: Array
    different: tuple[str, ...]

    @classmethod
    def of(cls, cells: Cells, words: Vocabulary | None = None) -> Texts:
        """Take a column apart, into the `words` of earlier parts where those are given."""
        words = words or Vocabulary()
        codes = words.codes(cells)
        return cls(codes=codes, different=words.trimmed)

    @classmethod
    def same(cls, text: str, n: int) -> Texts:
        """Return a column of one constant text."""
        return cls(codes=np.zeros(n, dtype=np.int32), different=(text.strip(),))

    def take(self, rows: Array) -> Array:
        """Return the texts of some rows, None where there is none."""
        texts = np.array([t or None for t in self.different] + [None], dtype=object)
        return texts[self.codes[rows]]

    @property
    def empty(self) -> Array:
        """Which rows have no text."""
        none = np.array([not t for t in self.different] + [True])
        return none[self.codes]


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Parsed:
    """Typed values of a column's different texts, and the codes by which rows find theirs."""

    codes: Array
    values: Array  # per different text; None, NaN or NaT where missing
    missing: Array
    problem: Array  # number of the problem per different text

    def row_problem(self) -> Array:
        """Return the number of the problem of each row."""
        return self.problem[self.codes]

    def row_missing(self) -> Array:
        """Return which rows have no value."""
        return self.missing[self.codes]

    def series(self, column: Column, rows: Array) -> pd.Series:
        """Return the values of some rows in the declared type of `column`."""
        values = self.values[self.codes[rows]]
        if column.kind == "integer":
            return pd.Series(pd.array(values, dtype="float64")).astype("Int64")
        if column.kind == "flag":
            return pd.Series(pd.array(values, dtype="boolean"))
        if column.kind == "date":
            return pd.Series(values.astype("datetime64[ns]"))
        return pd.Series(values, dtype="float64" if column.kind == "number" else "object")


@dataclass(frozen=True, kw_only=True)
class Reading:
    """How the texts of one column are to be read."""

    column: Column
    spec: ColumnSource
    decimal: str
    missing: tuple[str, ...]
    patterns: tuple[DatePattern, ...]
    last_day: int  # of the export, in days since 1970-01-01


def parse(texts: Texts, how: Reading, problems: Problems) -> Parsed:
    """Read the different texts of a column of any kind but an instant or a measured value."""
    name = how.column.name
    words: list[str] = []
    problem = np.zeros(len(texts.different), dtype=np.int32)
    for i, text in enumerate(texts.different):
        word, unknown = _our_word(text, how)
        words.append(word)
        if unknown:
            reason = f"{name}: {problems.quoted(text)} is not among the declared codes"
            problem[i] = problems.number("unknown code", reason)
    if how.column.kind == "date" or _is_year_of_date(how):
        values = _dates(words, how, problem, problems)
    else:
        values = _one_by_one(words, how, problem, problems)
    missing = np.array([not w for w in words], dtype=bool)
    if how.column.required:
        problem[missing & (problem == 0)] = problems.number("missing value", f"no {name}")
    return Parsed(codes=texts.codes, values=values, missing=missing, problem=problem)


def _our_word(text: str, how: Reading) -> tuple[str, bool]:
    codes = how.spec.codes
    if codes is not None and text in codes:
        return codes[text].strip(), False
    if not text or text in (*how.missing, *how.spec.missing):
        return _word_for_missing(how.column), False
    if how.column.kind == "date" and text in how.spec.never:
        return "", False
    return (text, False) if codes is None else ("", True)


def _word_for_missing(column: Column) -> str:
    # "Not recorded" is what the category unknown means; anything else would be a guess.
    return "unknown" if column.required and "unknown" in column.categories else ""


def _is_year_of_date(how: Reading) -> bool:
    return how.column.kind == "integer" and how.column.unit == "year" and how.spec.dates is not None


def _dates(words: list[str], how: Reading, problem: Array, problems: Problems) -> Array:
    cells = pa.array([w or None for w in words], type=pa.string())
    moments = read_moments(cells, how.patterns, last_day=how.last_day)
    name, day = how.column.name, moments.day
    given = np.array([bool(w) for w in words], dtype=bool)
    for i in np.flatnonzero(given & ~(moments.fits & (day >= FIRST_DAY) & (day <= how.last_day))):
        if not moments.fits[i]:
            reason = f"{name}: {problems.quoted(words[i])} is not a day written as declared"
            problem[i] = problems.number("not a date", reason)
        elif day[i] < FIRST_DAY:
            reason = f"{name}: {problems.quoted(words[i])} lies before 1850"
            problem[i] = problems.number("not a date", reason)
        else:
            reason = f"{name}: {problems.quoted(words[i])} lies after the export"
            problem[i] = problems.number("after the export", reason)
    good = given & (problem == 0)
    days = np.where(good, day, 0).astype("datetime64[D]").astype("datetime64[ns]")
    days[~good] = np.datetime64("NaT")
    if how.column.kind == "date":
        return days
    years = days.astype("datetime64[Y]").astype(np.float64) + 1970
    years[~good] = np.nan
    return years


def _one_by_one(words: list[str], how: Reading, problem: Array, problems: Problems) -> Array:
    read = READERS[how.column.kind]
    number = how.column.kind in ("number", "integer")
    values = np.full(len(words), np.nan if number else None, dtype="float64" if number else object)
    for i, word in enumerate(words):
        if word and not problem[i]:
            value, rule, reason = read(word, how)
            if rule:
                told = f"{how.column.name}: {problems.quoted(word)} {reason}"
                problem[i] = problems.number(rule, told)
            else:
                values[i] = value
    return values


Read = tuple[Any, str, str]


def _unsound(word: str, kind: str) -> str:
    """Return what is wrong with a text that nobody can have meant, "" where nothing is."""
    if len(word) > (LONGEST_ID if kind == "id" else LONGEST_TEXT):
        return f"is {len(word):,} characters long"
    if word.startswith("#") and word in SPREADSHEET_ERRORS:
        return "is an error of a spreadsheet program"
    if any(c < " " and (kind == "id" or c not in "\t\n\r\x0b\x0c") for c in word):
        return "holds control characters"
    return "holds a quotation mark" if kind == "id" and '"' in word else ""


def _read_text(word: str, how: Reading) -> Read:
    unsound = _unsound(word, how.column.kind)
    if unsound:
        return None, "unsound text", unsound
    if how.spec.kind == "number":  # a measurement among the dated facts
        if number_of(word, how.decimal) is None:
            return None, "not a number", f"is not a number with the decimal mark '{how.decimal}'"
        return word.replace(",", "."), "", ""
    return word, "", ""


def _read_category(word: str, how: Reading) -> Read:
    found = one_of(word, how.column.categories)
    return (found, "", "") if found else (None, "unknown code", not_one_of(how.column.categories))


def not_one_of(categories: tuple[str, ...]) -> str:
    """Return what is wrong with a word that is no category."""
    return f"is not one of {', '.join(categories)}"


def one_of(word: str, categories: tuple[str, ...]) -> str | None:
    """Return the category that is `word`, in whatever letter case, or None."""
    if word in categories:
        return word
    return next((c for c in categories if c.casefold() == word.casefold()), None)


def _read_flag(word: str, how: Reading) -> Read:
    flag = FLAGS.get(word.casefold())
    return (flag, "", "") if flag is not None else (None, "unknown code", "is neither yes nor no")


def number_of(word: str, decimal: str) -> float | None:
    """Return the number that `word` is with this decimal mark, or None.

    Examples
    --------
    >>> number_of("7,2", ","), number_of("7,2", "."), number_of("1e5", ".")
    (7.2, None, None)
    """
    match = NUMBER.fullmatch(word)
    if match is None:
        return None
    mark = match["mark"] or match["bare"]
    if mark not in (None, decimal):
        return None
    return float(word.replace(",", "."))


def _read_number(word: str, how: Reading) -> Read:
    value = number_of(word, how.decimal)
    if value is None:
        return None, "not a number", f"is not a number with the decimal mark '{how.decimal}'"
    if how.column.kind == "integer" and value != int(value):
        return None, "not a number", "is not a whole number"
    low, high = how.column.low, how.column.high
    if (low is not None and value < low) or (high is not None and value > high):
        return None, "out of range", f"lies outside {low:g} to {high:g} {how.column.unit}".rstrip()
    return value, "", ""


READERS: Final[Mapping[str, Callable[[str, Reading], Read]]] = {
    "id": _read_text,
    "text": _read_text,
    "category": _read_category,
    "flag": _read_flag,
    "number": _read_number,
    "integer": _read_number,
}
