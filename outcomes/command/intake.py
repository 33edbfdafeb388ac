"""`outcomes intake`: a clinic's exports into a study folder."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from outcomes.command.endings import Ending, typed


def add(verbs: Any) -> None:
    """Declare the verb."""
    verb = verbs.add_parser("intake", help="read a clinic's exports into a study folder")
    verb.add_argument("sources", metavar="SOURCES", type=Path, help="sources.toml")
    verb.add_argument("--study", metavar="DIR", type=Path, required=True, help="study folder")
    verb.set_defaults(run=run)


def run(given: argparse.Namespace) -> Ending:
    """Read, check, account for every row, and move the study's pointer."""
    from outcomes.plan import read_sources
    from outcomes.tables.intake import intake

    study = intake(read_sources(given.sources), given.study)
    account = study.accounting
    away, repeats = int(account["rows_set_aside"].sum()), int(account["exact_repeats"].sum())
    ranked = study.findings.sort_values("rows", ascending=False, kind="stable")
    made = (
        f"{given.study}  (study version {study.version}; {int(account['rows_read'].sum()):,} rows"
        f" read, {away:,} set aside, {repeats:,} exact repeats)"
    )
    return Ending(
        made=[made],
        findings=[f"{row.sentence} ({row.rows} rows)" for row in ranked.itertuples()],
        following=typed("outcomes", "draft-plan", "--study", given.study),
    )
