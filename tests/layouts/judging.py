"""Compare a draft with the truth: every guess is right, wrong, or an open question.

A guess is a decision: the table of a file, the heading of a column, a setting, a unit, a date
order, a code. "choose" asks, and is no guess. A decision that is wrong must be marked; a heading
that was missed must stand among those left out, which is a marked decision too.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

from outcomes.plan.sources import CHOOSE
from tests.layouts.writing import Truth

RIGHT, WRONG, ASKED, UNMARKED = "right", "wrong", "asked", "wrong and unmarked"


@dataclass(frozen=True)
class Verdict:
    """One decision of a draft."""

    what: str  # table, heading, setting, date order, unit, code, patient, left out
    where: str
    expected: str
    found: str
    verdict: str


def judged(text: str, truths: list[Truth]) -> list[Verdict]:
    """Return a verdict for every decision that the truth knows."""
    sources = tomllib.loads(text)["source"]
    found: list[Verdict] = []
    for truth in truths:
        found += _of_truth(sources, truth)
    return found


def _of_truth(sources: list[dict[str, Any]], truth: Truth) -> Iterator[Verdict]:
    own = [s for s in sources if _reads(s, truth.files) and _sheet_fits(s, truth)]
    fitting = [s for s in own if _plain(s["table"]) == truth.table]
    where = f"{truth.files[0]} ({truth.table})"
    told = ", ".join(_plain(s["table"]) for s in own) or "left out"
    if not fitting:
        marked = all(str(s["table"]).startswith("?") for s in own)
        verdict = WRONG if marked else UNMARKED
        yield Verdict("table", where, truth.table, told, verdict)
        for name, heading in truth.columns.items():  # whatever the other table makes of them
            yield Verdict("heading", f"{where}.{name}", heading, "other table", verdict)
        return
    source = fitting[0]
    yield _verdict("table", where, truth.table, source["table"])
    further = {key: s[key] for s in own for key in ("facts", "measurements") if key in s}
    yield from _settings({**source, **further}, truth, where)
    for name, heading in truth.columns.items():
        yield _column(source, sources, name, heading, where)
    for (name, key), expected in truth.of_columns.items():
        what = "date order" if key == "dates" else ("unit" if key.startswith("unit") else key)
        given = _spec(source, name).get(key)
        if key == "dates" and given is None:
            given = source.get("dates", "year-month-day")
        if name in source["columns"]:
            yield _verdict(what, f"{where}.{name}", expected, given)
    yield from _codes(source, truth, where)
    if truth.patients:
        yield _patient(source, truth, where)
    used = _headings_used(source)
    for heading in truth.unread:
        given = "?left out" if heading not in used else "?read"
        yield _verdict("left out", f"{where}.{heading}", "left out", given)


def _reads(source: dict[str, Any], files: tuple[str, ...]) -> bool:
    patterns = [_plain(p) for p in source["files"]]
    return all(any(fnmatchcase(f, p) for p in patterns) for f in files)


def _sheet_fits(source: dict[str, Any], truth: Truth) -> bool:
    return "sheet" not in truth.settings or _plain(source.get("sheet", "")) == truth.table


def _settings(source: dict[str, Any], truth: Truth, where: str) -> Iterator[Verdict]:
    for key, expected in truth.settings.items():
        given = source.get(key)
        if key == "encoding" and expected == "any":
            right = _plain(given) in ("utf-8", "utf-8-sig", "cp1252")
            yield Verdict("setting", where, "plain ASCII", str(given), RIGHT if right else WRONG)
        elif key in ("facts", "measurements"):
            name, _, heading = expected.partition(": ")
            spec = (given or {}).get(name)
            column = spec.get("column") if isinstance(spec, dict) else spec
            yield _verdict("heading", f"{where}.{name}", heading, column)
        elif key == "footers":
            told = given[0] if given else None
            yield _verdict("setting", f"{where}.{key}", expected, told)
        else:
            default = {"decimal": "?.", "separator": "?,"}.get(key)
            yield _verdict("setting", f"{where}.{key}", expected, given or default)


def _column(
    source: dict[str, Any], sources: list[dict[str, Any]], name: str, heading: str, where: str
) -> Verdict:
    given = _spec(source, name).get("column")
    if given is not None:
        return _verdict("heading", f"{where}.{name}", heading, given)
    # Missed: it must be named among the headings left out, or be read as something else.
    same = [s for s in sources if s["files"] == source["files"]]
    told = any(f"?{heading}" in s.get("left_out", ()) for s in same)
    told |= heading in _headings_used(source)
    return Verdict("heading", f"{where}.{name}", heading, "missed", WRONG if told else UNMARKED)


def _codes(source: dict[str, Any], truth: Truth, where: str) -> Iterator[Verdict]:
    for name, codes in truth.codes.items():
        if name not in source["columns"]:
            continue
        given = _spec(source, name).get("codes", {})
        for theirs, ours in codes.items():
            found = given.get(theirs)
            if found is None:  # not listed: its rows are set aside by name, nothing is made of it
                known = ours == {"y": "true", "n": "false"}.get(theirs.casefold())
                yield Verdict("code", f"{where}.{name}", f"{theirs} = {ours}", "not listed",
                              WRONG if not known else RIGHT)  # fmt: skip
            else:
                yield _verdict("code", f"{where}.{name}", ours, found)


def _patient(source: dict[str, Any], truth: Truth, where: str) -> Verdict:
    spec = _spec(source, "patient_id")
    expression = _plain(spec.get("file_name") or "")
    if expression:
        found = {m[1] for f in truth.files if (m := re.search(expression, Path(f).name))}
        right = found == set(truth.patients)
        return Verdict("patient", where, "in the name", expression, RIGHT if right else WRONG)
    preamble = _plain(spec.get("preamble") or "")
    match = re.search(preamble, f"Paciente: {truth.patients[0]}") if preamble else None
    right = match is not None and match[1] == truth.patients[0]
    return Verdict("patient", where, "in a title line", preamble or "missed",
                   RIGHT if right else WRONG)  # fmt: skip


def _spec(source: dict[str, Any], name: str) -> dict[str, Any]:
    given = source["columns"].get(name)
    return given if isinstance(given, dict) else {"column": given}


def _headings_used(source: dict[str, Any]) -> set[str]:
    return {_plain(_spec(source, name).get("column") or "") for name in source["columns"]}


def _plain(value: Any) -> Any:
    if isinstance(value, list):
        return [_plain(item) for item in value]
    return value.removeprefix("?") if isinstance(value, str) else value


def _marked(value: Any) -> bool:
    if isinstance(value, list):
        return all(_marked(item) for item in value)
    return str(value).startswith("?")


def _verdict(what: str, where: str, expected: object, given: Any) -> Verdict:
    found = _plain(given)
    if found == expected:
        verdict = RIGHT
    elif found == CHOOSE:
        verdict = ASKED
    elif given is None:
        verdict = UNMARKED
    else:
        verdict = WRONG if _marked(given) else UNMARKED
    return Verdict(what, where, str(expected), str(found), verdict)
