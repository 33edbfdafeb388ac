"""Every rule of the intake, in one place: its code, its severity, what it says and how to mend it.

A *stop* ends the intake and leaves the previous study; rows that are *set aside* are kept out with
file, line and reason; a *note* keeps them. Letters of the codes: F files and fields, V values,
D dates and times, K keys, X what several rows or tables say together, N what was read with care.
`severity` in `sources.toml` changes a severity where `may_be` allows it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import pandas as pd

from outcomes.errors import SettingsError, known_names

STOP, SET_ASIDE, NOTE = "stop", "set aside", "note"
OUT: Final = (SET_ASIDE, STOP)  # a row that cannot be used is kept out or stops, never kept
ANY: Final = (NOTE, SET_ASIDE, STOP)
ONLY_NOTE: Final = (NOTE, STOP)


@dataclass(frozen=True, kw_only=True)
class Rule:
    """One rule. `what` completes "12 of 300 rows ..."; `meaning` is said to the clinic."""

    code: str
    name: str
    severity: str
    what: str
    meaning: str
    mend: str
    may_be: tuple[str, ...] = OUT


def _rule(
    code: str, name: str, severity: str, what: str, meaning: str, mend: str,
    may_be: tuple[str, ...] = OUT,
) -> Rule:  # fmt: skip
    return Rule(
        code=code, name=name, severity=severity, what=what, meaning=meaning, mend=mend,
        may_be=may_be,
    )  # fmt: skip


CATALOGUE: Final = (
    # --- files and fields
    _rule("F01", "fields", SET_ASIDE, "have more or fewer fields than headings",
          "A line has more or fewer fields than the file has headings, so nobody can say which "
          "value belongs where.", "Correct these lines, or the separator."),
    _rule("F02", "no last line end", NOTE, "stand in files whose last line has no end",
          "The last line of the file has no end: it may have been cut off while it was copied.",
          "Compare its last row with the source system.", ONLY_NOTE),
    _rule("F03", "hidden row", NOTE, "are hidden in the sheet",
          "Rows are hidden in the sheet. They are read like the others.",
          "Delete them in the sheet if they are not meant to count.", ONLY_NOTE),
    _rule("F04", "hidden sheet", NOTE, "sheets are hidden",
          "The workbook has hidden sheets. They are not read.",
          "Nothing, unless a table is missing.", ONLY_NOTE),
    _rule("F05", "no export", NOTE, "files are no exports",
          "Files of the system, or of a program that has an export open, were left out.",
          "Close the export in the other program, and run intake again.", ONLY_NOTE),
    _rule("F06", "unended row", SET_ASIDE, "have a cell at their edge that may be cut off",
          "The last line of the file has no end, or a line end stands inside a row: a value at its "
          "edge may be a part of itself, 24 of 240.",
          "Export the file again; if it is whole, end its last line, or make this rule a note.",
          ANY),
    # --- values
    _rule("V01", "missing value", SET_ASIDE, "lack a value that the table needs",
          "A cell is empty that the table cannot do without.", "Fill the cells in the export."),
    _rule("V02", "not a number", SET_ASIDE, "have a value that is not a number",
          "A value that must be a number is none in the declared way of writing numbers.",
          "Correct them, or the decimal mark."),
    _rule("V03", "out of range", SET_ASIDE, "have a value that nobody believes",
          "A number lies outside what is possible.", "Correct the value or its unit."),
    _rule("V04", "no unit", SET_ASIDE, "have a value without a unit",
          "A value has no unit beside it, in it or declared; units are never guessed.",
          "Declare unit or unit_column."),
    _rule("V05", "no single unit", SET_ASIDE, "name two units",
          "The unit in the cell is not the unit declared.",
          "Correct the cell or the declared unit."),
    _rule("V06", "other unit", SET_ASIDE, "look like values in the other unit",
          "A number is written like one of the other unit, and hardly possible in its own.",
          "Find out the unit of these rows; declare unit_column if both occur."),
    _rule("V07", "beyond a limit", SET_ASIDE, "give a limit instead of a value",
          "A laboratory value is given only as above or below a limit.",
          "Enter the laboratory's value."),
    _rule("V08", "unknown code", SET_ASIDE, "hold a code that is not declared",
          "A code stands in the export that sources.toml does not translate.",
          "Add the code in sources.toml."),
    _rule("V09", "unsound text", SET_ASIDE, "hold a text that nobody can have meant",
          "A text or an id holds control characters or a spreadsheet's error, or is far too "
          "long; or an id holds a quotation mark.", "Correct these cells in the export."),
    # --- dates and times
    _rule("D01", "not a date", SET_ASIDE, "have a date that is not written as declared",
          "A date is not written in the declared order, or names a day that does not exist.",
          "Correct them, or dates."),
    _rule("D02", "after the export", SET_ASIDE, "are dated after the export",
          "A date lies after the day on which the exports were made.",
          "Correct the date, or exported_on."),
    _rule("D03", "wrong order", SET_ASIDE, "end before they begin",
          "Something ends before it begins: a removal before its placement, for example.",
          "Correct the dates in the export."),
    _rule("D04", "no such time", SET_ASIDE, "have a clock time that the zone skips",
          "A clock time falls into the hour that is skipped in spring.",
          "Export times with their offset."),
    _rule("D05", "repeated hour", SET_ASIDE,
          "fall into the hour that comes twice, and their order does not tell which",
          "A clock time falls into the hour that comes twice in autumn, and nothing tells which "
          "of the two is meant.", "Export times with their offset."),
    # --- keys
    _rule("K01", "unknown patient", SET_ASIDE, "name a patient who is not in patients",
          "A row names a patient who is not in the patients export.",
          "Complete the patients export."),
    _rule("K02", "same id", SET_ASIDE, "share an id with another row that differs",
          "Two rows have one id and say different things; neither is believed.",
          "Correct the ids in the export."),
    _rule("K03", "one sensor on two patients", SET_ASIDE,
          "name a sensor that another patient has too",
          "One sensor id stands on two patients; a sensor is worn once, by one person.",
          "Find out who wore it, and correct the other row."),
    # --- what several rows or tables say together
    _rule("X01", "two values at one time", SET_ASIDE, "give two values for one time",
          "Two values stand at one time; neither is believed.", "Find out which one is right."),
    _rule("X02", "two draws on one day", SET_ASIDE,
          "give different HbA1c values for one day and method",
          "Two HbA1c values of one day and method differ; neither is believed.",
          "Find out which one is right."),
    _rule("X03", "two unit systems", STOP, "do not fit the unit of their column",
          "So many values of a column look like the other unit that the unit declared is wrong, "
          "or the column holds both.", "Correct unit, or declare unit_column."),
    _rule("X04", "outside wear", NOTE, "lie on days without the sensor",
          "Readings lie on days on which the patient wore no sensor, or not the one they name.",
          "Complete the sensors export: a placement, or an end that is too early.", ANY),
    _rule("X05", "first day of an implant", NOTE,
          "lie in the first 24 hours of an implanted sensor",
          "Readings lie in the first 24 hours after a placement, while the sensor settles.",
          "Nothing: they do not count for whether a day is complete.", ANY),
    _rule("X06", "after the sensor stopped", NOTE, "are later than the sensor worked",
          "Readings are later than the last day on which their sensor worked.",
          "Correct the day on which the sensor stopped.", ANY),
    _rule("X07", "implausible step", NOTE, "jump faster than glucose can",
          "A reading differs from the one before by more than 15 mg/dL a minute and two fifths of "
          "the higher one.",
          "Look at these hours: a fault of the sensor, or two people's readings in one file?", ANY),
    _rule("X08", "after death", NOTE, "are later than the patient's death",
          "A draw, contact or reading is later than the patient's day of death.",
          "Correct the date of death, or whose row this is.", ANY),
    _rule("X09", "overlapping implants", NOTE, "overlap another implanted sensor",
          "Two implanted sensors of one patient were in the body at once.",
          "Complete the removal of the earlier one.", ANY),
    _rule("X10", "planned days against kind", NOTE, "have planned days of the other kind",
          "A planned life of under 60 days for an implanted sensor, or over 30 for an adhesive "
          "one.", "Correct the kind or the planned days.", ANY),
    _rule("X11", "unknown sensor", NOTE, "name a sensor that is not this patient's",
          "A row names a sensor that is not in sensors, or not this patient's.",
          "Compare sensor and patient ids of both exports.", ANY),
    _rule("X12", "procedure without its sensor", NOTE, "are placements without a sensor",
          "A completed placement names no sensor that is in sensors.",
          "Enter the sensor, or complete the sensors export.", ANY),
    _rule("X13", "sensor without its procedure", NOTE, "are implanted without a procedure",
          "An implanted sensor has no completed placement in procedures.",
          "Complete the procedures export.", ANY),
    _rule("X14", "complication before placement", NOTE, "begin before the sensor was placed",
          "A complication begins before the sensor that it names was placed.",
          "Correct the day it began, or the sensor.", ANY),
    _rule("X15", "complication without a sensor", NOTE, "are of patients without any sensor",
          "A complication names no sensor, and the patient has none.",
          "Complete the sensors export, or correct the patient.", ANY),
    # --- what was read with care
    _rule("N01", "times without offset", NOTE, "have a time without an offset",
          "Times without an offset are read in the clinic's zone.",
          "Nothing, if that is where the clocks were.", ONLY_NOTE),
    _rule("N02", "times left out", NOTE, "have a time that does not exist or comes twice",
          "A time falls where the clock skips or repeats an hour: its day is kept, the time is "
          "not.", "Export times with their offset.", ONLY_NOTE),
    _rule("N03", "capped", NOTE, "stand for beyond a limit",
          "More than 1 % of the readings are beyond what the sensor reports.",
          "Read means and standard deviations with care.", ONLY_NOTE),
    _rule("N04", "one draw told twice", NOTE, "tell a draw again",
          "A draw stands again in the other unit or with another day of recording; it counts "
          "once.", "Nothing.", ONLY_NOTE),
    _rule("N05", "not recorded", NOTE, "have no value at all in a column",
          "The export has no such column; every row counts as 'unknown'.",
          "Declare the column in sources.toml, if the export has it.", ONLY_NOTE),
    _rule("N06", "unknown kind", NOTE, "come from a sensor of unknown kind",
          "Readings name no sensor, and no kind or both were worn that day.",
          "Declare sensor_id, or complete the sensors export.", ONLY_NOTE),
    _rule("N07", "end ahead", NOTE, "end after the export",
          "A dated fact has an end that lies after the export, such as a birth that is expected. "
          "The fact is kept, its end left open.", "Nothing.", ONLY_NOTE),
)  # fmt: skip
RULES: Final[dict[str, Rule]] = {rule.name: rule for rule in CATALOGUE}
# Judged by a whole table or by several: such a row has lost its repeats already.
JOINT_RULES: Final = frozenset(
    {"two values at one time", "two draws on one day", "same id", "repeated hour", "fields"}
    | {"one sensor on two patients"}
    | {rule.name for rule in CATALOGUE if rule.code.startswith("X")}
)


def severities(changed: Mapping[str, str] | None) -> dict[str, str]:
    """Return the severity of every rule by name, with what `sources.toml` changes.

    Raises
    ------
    SettingsError
        A rule, or a severity that the rule can have, is unknown.
    """
    found = {rule.name: rule.severity for rule in CATALOGUE}
    by_code = {rule.code: rule for rule in CATALOGUE}
    for given, severity in (changed or {}).items():
        rule = RULES.get(given) or by_code.get(given)
        if rule is None:
            raise SettingsError(
                f"sources, severity: {known_names('rule', given, [*RULES, *by_code])}"
            )
        allowed = {*rule.may_be, rule.severity}
        if severity not in allowed:
            raise SettingsError(
                f"sources, severity, {given}: "
                f"{known_names('severity of this rule', severity, allowed)}"
            )
        found[rule.name] = severity
    return found


def rules_table() -> pd.DataFrame:
    """Return every rule of the intake, one row each: what it finds and how to mend it.

    Examples
    --------
    >>> rules_table().loc[lambda t: t["rule"] == "unknown patient", "code"].item()
    'K01'
    """
    return pd.DataFrame(
        [
            (rule.code, rule.name, rule.severity, rule.meaning, rule.mend, ", ".join(rule.may_be))
            for rule in CATALOGUE
        ],
        columns=["code", "rule", "severity", "meaning", "mend", "may_be"],
    )
