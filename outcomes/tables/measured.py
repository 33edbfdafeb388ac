"""Measured values: a number, its unit, and words beyond a limit."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Final, TypeAlias

import numpy as np
import numpy.typing as npt

from outcomes.tables.cells import Cells, Vocabulary
from outcomes.tables.reading_blocks import different
from outcomes.tables.values import Problem, Problems, Reading, Texts, not_one_of, number_of, one_of

Array = npt.NDArray[Any]

MEASURED: Final = re.compile(
    r"(?P<beyond>[<>≤≥])?\s*(?P<number>[+-]?\d*[.,]?\d+)\s*(?P<unit>[^\d\s].*)?"
)
# Readings outside are a unit that was mistaken or a fault of the export, whatever the sensor.
BELIEVED_GLUCOSE: Final = {"mg/dL": (10.0, 1000.0), "mmol/L": (0.5, 60.0)}
BELIEVED_HBA1C: Final = {"%": (3.0, 20.0), "mmol/mol": (9.0, 195.0)}
# What is believed, and yet looks like the other unit. Meters and sensors report whole mg/dL from 20
# on and mmol/L up to 33.3; below 40 mg/dL a decimal mark tells mmol/L. 21 mmol/mol are 4.1 %.
WHOLE_FROM: Final = 20.0  # mg/dL
WITHOUT_DECIMALS_FROM: Final = 40.0  # mg/dL
LOOKS_LIKE_MG_DL: Final = 39.0  # mmol/L, beyond which the number is one of mg/dL
LOOKS_LIKE_PERCENT: Final = 21.0  # mmol/mol, below which the number is one of %
MOST_WORDS: Final = 100_000  # remembered of a column; with more, numbers hardly repeat

# Of a text: value, unit, beyond which limit, whether the unit is final, problem, decimal mark.
Known: TypeAlias = tuple[float, int, int, bool, int, bool]


@dataclass(kw_only=True, eq=False, repr=False)
class Memory:
    """What the texts of one column of values were found to be, from one part to the next."""

    words: Vocabulary = field(default_factory=Vocabulary)
    known: dict[str, Known] = field(default_factory=dict)
    _last: tuple[tuple[str, ...], Measured, Array, Array] | None = None

    def of(self, cells: Cells) -> Texts:
        """Take a column of values apart; few of its texts are new."""
        if len(self.words.texts) > MOST_WORDS:
            self.words, self.known = Vocabulary(), {}
        return Texts.of(cells, self.words)

    def judged(
        self,
        texts: Texts,
        beside: Texts | None,
        how: Reading,
        units: tuple[str, ...],
        problems: Problems,
    ) -> tuple[Measured, Array, Array]:
        """Return the values of a part, which pairs are numbers, and which look like the other unit.

        `beside` is the unit of each row where it has a column of its own; `units` those that the
        table knows.
        """
        if beside is None and self._last is not None and texts.different is self._last[0]:
            _, measured, sound, other = self._last
            return replace(measured, codes=texts.codes), sound, other
        measured = _measured_pairs(texts, beside, how, units, problems, self.known)
        sound = (measured.problem == 0) & (measured.capped == 0)
        other = sound & _fits_other_unit(measured, units)
        measured = replace(measured, problem=_outside_belief(measured, units, problems))
        self._last = (texts.different, measured, sound, other) if beside is None else None
        return measured, sound, other


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Measured:
    """Values with their units, one entry a pair of texts: the value and the unit beside it.

    `codes` tells the pair of each row; `unit` is an index into the units, -1 where there is none.

    A word beyond a limit (LOW, HIGH) enters as that limit *in mg/dL*, 40 or 400 unless declared,
    also in a file of mmol/L: the limit is exact in whole mg/dL and in no tenth of a mmol/L, so the
    mean is exact, and 40 lies below 54 just as LOW lies below 3.0. `<40` is its number in its unit.
    """

    codes: Array
    value: Array
    unit: Array
    capped: Array  # -1 below, 0, 1 above
    problem: Array
    decimals: Array  # whether the text has a decimal mark

    @cached_property
    def counts(self) -> Array:
        """How many rows have each pair."""
        return np.bincount(self.codes, minlength=len(self.value))

    def counts_of(self, rows: Array) -> Array:
        """Return how many of some rows have each pair."""
        if len(rows) == len(self.codes):
            return self.counts
        return np.bincount(self.codes[rows], minlength=len(self.value))


def _measured_pairs(
    texts: Texts,
    unit_texts: Texts | None,
    how: Reading,
    units: tuple[str, ...],
    problems: Problems,
    memory: dict[str, Known],
) -> Measured:
    """Read values, whose unit stands in the text, beside it or in the declaration."""
    for text in texts.different:
        if text not in memory:
            memory[text] = _known(text, how, units, problems)
    found = np.array([memory[text] for text in texts.different], dtype=np.float64).reshape(-1, 6)
    value, decimals = found[:, 0], found[:, 5] > 0
    inside, capped = found[:, 1].astype(np.int8), found[:, 2].astype(np.int8)
    final = found[:, 3] > 0  # a word beyond a limit has its unit already
    problem = found[:, 4].astype(np.int32)
    codes, rows, unit_texts = _pairs(texts, unit_texts)  # from here on, a row is a pair
    beside, no_unit = _units_beside(unit_texts, len(rows), how, units, problems)
    own = inside[rows]
    unit = np.where(own >= 0, own, beside).astype(np.int8)
    row_problem = problem[rows].copy()
    clash = (own >= 0) & (beside >= 0) & (own != beside) & ~final[rows]
    row_problem[(row_problem == 0) & clash] = problems.number(
        "no single unit", f"{how.column.name}: the unit in the cell is not the unit declared"
    )
    row_problem = np.where((row_problem == 0) & (unit < 0), no_unit, row_problem)
    return Measured(
        codes=codes,
        value=value[rows],
        unit=unit,
        capped=capped[rows],
        problem=row_problem,
        decimals=decimals[rows],
    )


def _pairs(texts: Texts, unit_texts: Texts | None) -> tuple[Array, Array, Texts | None]:
    """Return the pair of each row; of each pair, the code of its value and the text of its unit."""
    if unit_texts is None:
        return texts.codes, np.arange(len(texts.different)), None
    width = len(unit_texts.different)
    pairs, codes = different(texts.codes.astype(np.int64) * width + unit_texts.codes)
    return codes, pairs // width, Texts(codes=pairs % width, different=unit_texts.different)


def _known(text: str, how: Reading, units: tuple[str, ...], problems: Problems) -> Known:
    name, decimals = how.column.name, "." in text or "," in text
    text = (how.spec.codes or {}).get(text, text)
    if not text or text in (*how.missing, *how.spec.missing):
        return np.nan, -1, 0, False, problems.number("missing value", f"no {name}"), decimals
    read = _measured(text, how, units)
    if isinstance(read, Problem):
        told = f"{name}: {problems.quoted(text)} {read.reason}"
        return np.nan, -1, 0, False, problems.number(read.rule, told), decimals
    return *read, 0, decimals


def _measured(
    text: str, how: Reading, units: tuple[str, ...]
) -> tuple[float, int, int, bool] | Problem:
    glucose = "mg/dL" in units
    if glucose and text.casefold() in {word.casefold() for word in how.spec.below}:
        return how.spec.low_limit, units.index("mg/dL"), -1, True
    if glucose and text.casefold() in {word.casefold() for word in how.spec.above}:
        return how.spec.high_limit, units.index("mg/dL"), 1, True
    match = MEASURED.fullmatch(text)
    number = None if match is None else number_of(match["number"], how.decimal)
    if match is None or number is None:
        return Problem(
            rule="not a number", reason=f"is not a number with the decimal mark '{how.decimal}'"
        )
    unit = -1
    if match["unit"]:
        word = (how.spec.units or {}).get(match["unit"].strip(), match["unit"].strip())
        found = one_of(word, units)
        if found is None:
            return Problem(rule="not a number", reason=f"has no unit among {', '.join(units)}")
        unit = units.index(found)
    if match["beyond"] and not glucose:
        return Problem(rule="beyond a limit", reason="is a limit, not a value")
    beyond = {None: 0, "<": -1, "≤": -1, ">": 1, "≥": 1}[match["beyond"]]
    return number, unit, beyond, False


def _units_beside(
    texts: Texts | None, n: int, how: Reading, units: tuple[str, ...], problems: Problems
) -> tuple[Array, Array]:
    """Return the unit declared or standing beside each row, and the problem if it is needed."""
    none = problems.number("no unit", f"{how.column.name}: a value without a unit")
    if texts is None and how.spec.unit is None:
        return np.full(n, -1, dtype=np.int8), np.full(n, none, dtype=np.int32)
    if texts is None:
        texts = Texts.same(str(how.spec.unit), n)
    unit = np.full(len(texts.different), -1, dtype=np.int8)
    problem = np.full(len(texts.different), none, dtype=np.int32)
    for i, text in enumerate(texts.different):
        found = one_of((how.spec.units or {}).get(text, text), units)
        if found is not None:
            unit[i] = units.index(found)
        elif text and text not in (*how.missing, *how.spec.missing):
            told = f"unit: {problems.quoted(text)} {not_one_of(units)}"
            problem[i] = problems.number("unknown code", told)
    return unit[texts.codes], problem[texts.codes]


def _outside_belief(measured: Measured, units: tuple[str, ...], problems: Problems) -> Array:
    """Return the problem of values that nobody believes, whatever the patient."""
    believed = BELIEVED_HBA1C if "%" in units else BELIEVED_GLUCOSE
    problem = measured.problem.copy()
    for i, unit in enumerate(units):
        low, high = believed[unit]
        outside = (measured.unit == i) & ~((measured.value >= low) & (measured.value <= high))
        number = problems.number("out of range", f"value: outside {low:g} to {high:g} {unit}")
        problem[(problem == 0) & outside] = number
    other = _looks_other(measured, units) & (measured.capped == 0) & (problem == 0)
    problem[other] = problems.number("other unit", "value: looks like one of the other unit")
    return problem


def _looks_other(measured: Measured, units: tuple[str, ...]) -> Array:
    """Return which values are written like those of the other unit."""
    value, first = measured.value, measured.unit == 0
    if "%" in units:
        return ~first & (value < LOOKS_LIKE_PERCENT)
    small = (value < WHOLE_FROM) | (measured.decimals & (value < WITHOUT_DECIMALS_FROM))
    return np.where(first, small, value > LOOKS_LIKE_MG_DL)


def _fits_other_unit(measured: Measured, units: tuple[str, ...]) -> Array:
    """Return which values nobody believes in their unit, but would in the other one."""
    believed = BELIEVED_HBA1C if "%" in units else BELIEVED_GLUCOSE
    fits = np.zeros(len(measured.value), dtype=bool)
    for i, unit in enumerate(units):
        low, high = believed[unit]
        other_low, other_high = believed[units[1 - i]]
        value = measured.value
        outside = ~((value >= low) & (value <= high))
        fits |= (measured.unit == i) & outside & (value >= other_low) & (value <= other_high)
    return fits | _looks_other(measured, units)
