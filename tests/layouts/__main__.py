"""`python -m tests.layouts [--wrong]`: draft every generated layout and count what is right.

Without an option the table is kept in `drafts.csv`; `--wrong` lists what is not right instead.
"""

from __future__ import annotations

import sys
import tempfile
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.plan import read_sources
from outcomes.tables.drafting import draft_sources
from outcomes.tables.intake import intake
from outcomes.tables.study import Study
from synthetic import write_clinic
from tests.layouts.judging import ASKED, RIGHT, UNMARKED, WRONG, Verdict, judged
from tests.layouts.ways import WAYS, Way
from tests.layouts.writing import clinic_tables, write_layout

KEPT = Path(__file__).with_name("drafts.csv")
SEED = 4


def verdicts(study: Study, way: Way, folder: Path) -> tuple[list[Verdict], int]:
    """Write one layout, draft it, and return the verdicts and the number of marks."""
    rng = np.random.default_rng(SEED)
    truths = write_layout(clinic_tables(study, rng), way, folder)
    draft = draft_sources(
        folder, name="Test", time_zone="Europe/Berlin", exported_on=date(2026, 10, 6)
    )
    return judged(draft.text, truths), draft.guesses


def table_row(way: Way, found: list[Verdict], marks: int) -> dict[str, object]:
    """Return one row of the table: counts by verdict, and the share of right guesses."""
    count = {v: sum(one.verdict == v for one in found) for v in (RIGHT, WRONG, ASKED, UNMARKED)}
    guesses = count[RIGHT] + count[WRONG] + count[UNMARKED]
    return {
        "layout": way.name, "marks": marks, "guesses": guesses, "right": count[RIGHT],
        "wrong_marked": count[WRONG], "wrong_unmarked": count[UNMARKED], "asked": count[ASKED],
        "share_right": round(count[RIGHT] / guesses, 3),
    }  # fmt: skip


def with_total(rows: list[dict[str, object]]) -> pd.DataFrame:
    """Return the table of all layouts with their total."""
    table = pd.DataFrame(rows)
    total = table.drop(columns=["layout", "share_right"]).sum()
    share = round(total["right"] / total["guesses"], 3)
    last = pd.DataFrame([{"layout": "all", **total.to_dict(), "share_right": share}])
    return pd.concat([table, last], ignore_index=True)


def main(words: list[str]) -> int:
    """Draft all layouts of one invented clinic."""
    with tempfile.TemporaryDirectory() as place:
        clinic = write_clinic(Path(place) / "c", patients=20, readings_minutes=(15, 15))
        study = intake(read_sources(clinic / "sources.toml"), Path(place) / "study")
        rows = []
        for number, way in enumerate(WAYS):
            folder = Path(place) / f"layout{number}"
            folder.mkdir()
            found, marks = verdicts(study, way, folder)
            rows.append(table_row(way, found, marks))
            if "--wrong" in words:
                for one in (v for v in found if v.verdict != RIGHT):
                    print(way.name, one, sep=": ")
        table = with_total(rows)
    if "--wrong" not in words:
        table.to_csv(KEPT, index=False, lineterminator="\n")
    print(table.to_string(index=False))
    return int(table["wrong_unmarked"].sum() > 0)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
