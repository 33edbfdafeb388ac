"""Files of one layout together: a pattern for their names, and an id that stands in the name."""

from __future__ import annotations

import fnmatch
import re
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

from outcomes.tables.draft_columns import Profile, profiles_of
from outcomes.tables.draft_looking import Look, looks
from outcomes.tables.draft_words import PATIENT_WORDS, heading_fit
from outcomes.tables.source_files import is_no_export

MANY: Final = 15  # files of one kind in one folder, beyond which their beginnings will do
MOST_FILES: Final = 60  # of one folder whose rows are looked at
OWN_FILES: Final = ("sources.toml", "plan.toml")
PIECES: Final = re.compile(r"[A-Za-zÀ-ÿ]+|\d+|[^A-Za-zÀ-ÿ\d]")


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Layout:
    """Files that are read alike. `names` are paths from the folder of the draft."""

    looks: tuple[Look, ...]
    profiles: tuple[Profile, ...]
    patterns: tuple[str, ...]
    name_ids: tuple[NameId, ...] = ()
    title_id: str = ""  # a regular expression that finds the patient in a title line

    @property
    def first(self) -> Look:
        """The look at one of its files."""
        return self.looks[0]

    @property
    def rows(self) -> int:
        """Rows looked at."""
        return self.profiles[0].rows if self.profiles else 0

    @property
    def encoding(self) -> tuple[str, str]:
        """The encoding that fits all its files, and why."""
        found = {look.encoding: look.encoding_because for look in self.looks}
        for name in ("utf-16", "cp1252"):
            if name in found:
                return name, found[name]
        beyond = [w for look in self.looks if "ASCII" not in (w := look.encoding_because)]
        return self.first.encoding, beyond[0] if beyond else self.first.encoding_because

    def profile(self, heading: str) -> Profile:
        """Return the profile of a heading."""
        return next(p for p in self.profiles if p.heading == heading)


@dataclass(frozen=True, kw_only=True)
class NameId:
    """A piece of the file names that differs from file to file, as a regular expression."""

    expression: str
    values: tuple[str, ...]


@dataclass(kw_only=True, eq=False, repr=False)
class Folder:
    """All that was found in a folder: layouts, files left out with the reason."""

    path: Path
    layouts: list[Layout] = field(default_factory=list)
    left_out: dict[str, str] = field(default_factory=dict)
    newest: float = 0.0  # when its newest export was written, seconds since 1970


def look_at(folder: Path) -> Folder:
    """Look at every file below `folder`; what is left by systems and open programs is named."""
    found = Folder(path=folder)
    files = _exports(folder, found)
    kinds = Counter((path.parent, path.suffix) for path, _ in files)
    groups: dict[tuple[object, ...], list[Look]] = defaultdict(list)
    for number, (path, name) in enumerate(files):
        many = kinds[path.parent, path.suffix]
        seen, why = looks(path, name, among_many=many > MANY)
        if why:
            found.left_out[name] = why
        for look in seen:
            group = groups[_read_alike(look)]
            # Of very many files only some keep their rows; the first of a layout always does.
            rows = look.rows if not group or number % (1 + many // MOST_FILES) == 0 else []
            group.append(replace(look, rows=rows))
    everything = [name for _, name in files]
    found.layouts = [_layout(group, everything) for group in groups.values()]
    return found


def _exports(folder: Path, found: Folder) -> list[tuple[Path, str]]:
    """Return the files that can be exports, with their names; the others are named in `found`."""
    studies = {p.parent for p in folder.rglob("current") if (p.parent / "versions").is_dir()}
    found.left_out |= {
        f"{place.relative_to(folder).as_posix()}/": "a study" for place in sorted(studies)
    }
    files = []
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        name = path.relative_to(folder).as_posix()
        hidden = any(part.startswith(".") for part in path.relative_to(folder).parts)
        if name in OWN_FILES or studies & set(path.parents):
            continue
        if is_no_export(path) or hidden:
            found.left_out[name] = "left by the system, or by a program that has a file open"
        elif _is_open(path):
            found.left_out[name] = "open in a spreadsheet program; close it and draft again"
        else:
            files.append((path, name))
            found.newest = max(found.newest, path.stat().st_mtime)
    return files


def _read_alike(look: Look) -> tuple[object, ...]:
    """Return what files must share to be described by one source."""
    # Plain ASCII is read alike as utf-8 and as cp1252.
    encoding = "" if look.encoding in ("utf-8", "cp1252") else look.encoding
    return (look.path.parent, look.path.suffix, look.headings, look.separator, look.sheet, encoding)


def _is_open(path: Path) -> bool:
    """Return whether a spreadsheet program has left the mark beside a file that it has open."""
    marks = (f"~${path.name}", f"~${path.name[2:]}", f".~lock.{path.name}#")
    return any((path.parent / mark).exists() for mark in marks)


def _layout(group: list[Look], everything: Sequence[str]) -> Layout:
    names = [look.name for look in group]
    looked = [look.rows for look in group if look.rows]
    profiles = profiles_of(group[0].headings, looked, typed=not group[0].is_text)
    return Layout(
        looks=tuple(group),
        profiles=profiles,
        patterns=_patterns(names, everything),
        name_ids=_name_ids([Path(name).name for name in names]),
        title_id=_title_id(group),
    )


def _patterns(names: Sequence[str], everything: Sequence[str]) -> tuple[str, ...]:
    """Return one pattern that finds these files and no others, or the files one by one."""
    if len(names) == 1:
        return (names[0],)
    folder = str(Path(names[0]).parent.as_posix())
    bases = [Path(name).name for name in names]
    front, back = _common(bases)
    pattern = f"{front}*{back}" if folder == "." else f"{folder}/{front}*{back}"
    caught = {n for n in everything if str(Path(n).parent.as_posix()) == folder
              and fnmatch.fnmatchcase(Path(n).name, f"{front}*{back}")}  # fmt: skip
    return (
        (pattern,)
        if caught == set(names) and not set(front + back) & set("[]?*")
        else (tuple(names))
    )


def _common(bases: Sequence[str]) -> tuple[str, str]:
    """Return what all names begin and end with, in whole pieces of letters or digits."""
    pieces = [PIECES.findall(base) for base in bases]
    shortest = min(map(len, pieces))
    front = 0
    while front < shortest and len({p[front] for p in pieces}) == 1:
        front += 1
    back = 0
    while back < shortest - front and len({p[-1 - back] for p in pieces}) == 1:
        back += 1
    first = pieces[0]
    return "".join(first[:front]), "".join(first[len(first) - back :])


def _name_ids(bases: Sequence[str]) -> tuple[NameId, ...]:
    """Return the pieces of file names that may be an id, narrow first, then wider."""
    if len(bases) == 1:
        return _pieces_of_one(bases[0])
    front, back = _common(bases)
    found = []
    for start in _starts(front):
        for end in _ends(back):
            values = [base[start : len(base) - end] for base in bases]
            if len(set(values)) == len(values) and all(values):
                expression = f"{re.escape(front[:start])}(.+){re.escape(back[len(back) - end :])}"
                found.append(NameId(expression=expression, values=tuple(values)))
    return tuple(found)


def _pieces_of_one(base: str) -> tuple[NameId, ...]:
    """Return every run of up to five pieces of the only name, the longest first."""
    pieces = PIECES.findall(base)
    runs = [(i, i + k) for k in range(5, 0, -1) for i in range(len(pieces) - k + 1)]
    return tuple(
        NameId(
            expression=f"{re.escape(''.join(pieces[:i]))}(.+){re.escape(''.join(pieces[j:]))}",
            values=("".join(pieces[i:j]),),
        )
        for i, j in runs
    )


def _starts(front: str) -> list[int]:
    """Return where an id may begin: behind the common beginning, or some pieces before it."""
    pieces = PIECES.findall(front)
    return [len("".join(pieces[: len(pieces) - k])) for k in range(min(4, len(pieces) + 1))]


def _ends(back: str) -> list[int]:
    """Return how much of the common end stands behind the id: all of it, or some pieces less."""
    pieces = PIECES.findall(back)
    return [len("".join(pieces[k:])) for k in range(max(1, min(4, len(pieces))))]


def best_name_id(layout: Layout, patients: Collection[str]) -> tuple[NameId | None, int]:
    """Return the piece of the names that holds most of the known patients, and how many it holds.

    Without known patients it is the narrowest piece.
    """
    if not layout.name_ids:
        return None, 0
    known = set(patients)
    counted = [(len(known & set(one.values)), one) for one in layout.name_ids]
    best = max(count for count, _ in counted)
    if not best and len(layout.looks) == 1:
        return None, 0  # nothing tells which piece of one name is an id
    return next((one for count, one in counted if count == best), None), best


def _title_id(group: Iterable[Look]) -> str:
    """Return an expression for an id behind a word for patient in a title line of every file."""
    labels: set[str] | None = None
    for look in group:
        own = set()
        for title in look.titles:
            match = re.fullmatch(
                r"\s*[\"']?([^:=;,\t]{2,40}?)\s*([:=;,\t])\s*(\S+?)[\"';,]*\s*", title
            )
            if match and heading_fit(match[1], PATIENT_WORDS) >= 2:
                own.add((match[1], match[2]))
        found = {f'{re.escape(label)}\\s*{re.escape(mark)}\\s*([^\\s;,"]+)' for label, mark in own}
        labels = found if labels is None else labels & found
    return min(labels) if labels else ""


def ids_in_titles(layout: Layout) -> list[str]:
    """Return what the title lines give as id, one a file."""
    found = [re.search(layout.title_id, "\n".join(look.titles)) for look in layout.looks]
    return [match[1] for match in found if match]
