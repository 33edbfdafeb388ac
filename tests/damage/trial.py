"""One damaged file taken in: refused in words, or accounted for row by row."""

from __future__ import annotations

import gzip
import tempfile
import traceback
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from outcomes.errors import IntakeError, SettingsError
from outcomes.plan.sources import read_sources
from outcomes.tables.intake import intake
from outcomes.tables.study import Study
from tests.damage.count_records import records
from tests.damage.kinds import KINDS, Case, Kind
from tests.damage.sound_clinic import HEADINGS, as_text, kept, sound_clinic, write

PLACED = ["rows_kept", "rows_set_aside", "exact_repeats", "rows_without_value"]
SEED = 20_261_125


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What became of one damaged file."""

    kind: Kind
    refused: str = ""  # the message, where the intake was refused in words
    crash: str = ""  # the traceback, where it was not
    lost: str = ""  # what does not add up
    touched: int = 0
    altered_kept: int = 0
    noted: bool = False  # whether the account says anything of the file
    seed: int = 0
    table: str = ""


def trial(kind: Kind, number: int) -> Outcome:
    """Spoil one file of a fresh clinic and take the clinic in."""
    seed = KINDS.index(kind) * 10_000 + number
    rng = np.random.default_rng([SEED, seed])
    case = _spoilt(kind, rng)
    about = {"kind": kind, "seed": seed, "touched": case.touched, "table": case.table}
    with tempfile.TemporaryDirectory() as folder:
        path = _written(Path(folder), case)
        try:
            study = intake(read_sources(path), Path(folder) / "study")
        except (IntakeError, SettingsError) as error:
            return Outcome(refused=str(error) or "without a word", **about)
        except Exception:  # whatever it is, it is what this trial looks for
            return Outcome(crash=traceback.format_exc(), **about)
        found = kept(study)
        altered = sum(sum((found[t] - case.clinic.truth[t]).values()) for t in found)
        return Outcome(
            lost=_lost(study, case),
            altered_kept=altered,
            noted=case.table in " ".join(study.findings["sentence"]),
            **about,
        )


def _spoilt(kind: Kind, rng: np.random.Generator) -> Case:
    clinic = sound_clinic(rng)
    table = str(rng.choice(kind.tables))
    rows = [list(row) for row in clinic.cells[table]]
    case = Case(clinic=clinic, table=table, rows=rows, headings=HEADINGS[table])
    kind.spoil(rng, case)
    return case


def _written(folder: Path, case: Case) -> Path:
    style = case.clinic.style
    contents = {
        name: as_text(style, HEADINGS[name], rows).encode(style.encoding)
        for name, rows in case.clinic.cells.items()
    }
    contents[case.table] = case.content
    return write(folder, case.clinic, contents, {case.table: case.suffix})


def _lost(study: Study, case: Case) -> str:
    account = study.accounting
    if (account[PLACED].sum(axis=1) != account["rows_read"]).any():
        return "rows read are not rows kept, set aside, repeated or without a value"
    if len(study.set_aside) != account["rows_set_aside"].sum():
        return "the rows set aside are not all there"
    rows = int(account.loc[account["file"].str.startswith(case.table), "rows_read"].sum())
    expected = _rows_by_second_count(case)
    return "" if rows == expected else f"{rows} rows read, {expected} by the second count"


def _rows_by_second_count(case: Case) -> int:
    if case.written is not None:
        return case.written
    raw = gzip.decompress(case.content) if case.suffix.endswith(".gz") else case.content
    encoding = "utf-8-sig" if case.clinic.style.encoding == "utf-8" else case.clinic.style.encoding
    found = records(raw.decode(encoding), case.clinic.style.separator)
    given = [row for row in found if row != [""]]
    headings = [i for i, row in enumerate(given) if set(case.headings) <= {c.strip() for c in row}]
    return len(given) - headings[0] - 1
