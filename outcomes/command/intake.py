"""`outcomes intake`: a clinic's exports into a study folder, and the account of every row."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from outcomes.command.endings import Ending, typed


def add(verbs: Any) -> None:
    """Declare the verb."""
    verb = verbs.add_parser("intake", help="read a clinic's exports into a study folder")
    verb.add_argument("sources", metavar="SOURCES", type=Path, nargs="?", help="sources.toml")
    verb.add_argument("--study", metavar="DIR", type=Path, help="study folder")
    verb.add_argument(
        "--account", metavar="DIR", type=Path, help="folder of the page (default: STUDY/account)"
    )
    verb.add_argument("--rules", action="store_true", help="list every rule, and read nothing")
    verb.set_defaults(run=run, refuse=verb.error)


def run(given: argparse.Namespace) -> Ending:
    """Read, check, account for every row, move the study's pointer, write the page."""
    from outcomes.plan import read_sources
    from outcomes.report.intake_account import intake_page
    from outcomes.tables.intake import intake

    if given.rules:
        return _rules()
    if given.sources is None or given.study is None:
        given.refuse("give SOURCES and --study DIR, or --rules")
    progress = Progress()
    try:
        study = intake(
            read_sources(given.sources), given.study, progress=progress, advance=progress.advance
        )
    finally:
        progress.close()
    page = intake_page(study, given.account or given.study / "account")
    account = study.accounting
    away, repeats = int(account["rows_set_aside"].sum()), int(account["exact_repeats"].sum())
    # What was set aside comes first: a note keeps its rows.
    ranked = study.findings.assign(kept=study.findings["severity"] == "note")
    ranked = ranked.sort_values(["kept", "rows"], ascending=[True, False], kind="stable")
    made = (
        f"{given.study}  (study version {study.version}; {int(account['rows_read'].sum()):,} rows"
        f" read, {away:,} set aside, {repeats:,} exact repeats)"
    )
    return Ending(
        made=[made, f"{page}  (the account of every row; open it in a browser)"],
        findings=[str(row.sentence) for row in ranked.itertuples()],
        following=typed("outcomes", "draft-plan", "--study", given.study),
    )


def _rules() -> Ending:
    from outcomes.tables.rules import CATALOGUE

    for rule in CATALOGUE:
        print(f"{rule.code}  {rule.name} ({rule.severity})\n     {rule.meaning}\n     {rule.mend}")
    return Ending(made=[f"nothing; {len(CATALOGUE)} rules are listed above"])


class Progress:
    """A bar on a terminal; elsewhere one plain line a file, fit for a log of a scheduler."""

    WIDTH = 30

    def __init__(self) -> None:
        self._bar = sys.stderr.isatty()
        self._line = ""
        self._shown = ""

    def __call__(self, line: str) -> None:
        """Tell that a file has been read."""
        self._line = line
        if not self._bar:
            print(line, file=sys.stderr)

    def advance(self, share: float) -> None:
        """Show which share has been read."""
        full = int(share * self.WIDTH)
        bar = f"[{'#' * full}{'.' * (self.WIDTH - full)}] {share:4.0%} {self._line[:45]}"
        if self._bar and bar != self._shown:
            print(f"\r\033[K{bar}", end="", file=sys.stderr, flush=True)
            self._shown = bar

    def close(self) -> None:
        """Clear the bar."""
        if self._shown:
            print("\r\033[K", end="", file=sys.stderr, flush=True)
