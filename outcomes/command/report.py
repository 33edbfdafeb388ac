"""`outcomes report quarterly`: the report on one quarter."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from outcomes.command.endings import Ending, typed


def add(verbs: Any) -> None:
    """Declare the verb."""
    verb = verbs.add_parser("report", help="make a report from a study and a plan")
    kinds = verb.add_subparsers(dest="report", metavar="REPORT", required=True)
    quarterly = kinds.add_parser("quarterly", help="the quarterly outcome report")
    quarterly.add_argument("--study", metavar="DIR", type=Path, required=True, help="study folder")
    quarterly.add_argument("--plan", metavar="FILE", type=Path, required=True, help="plan.toml")
    quarterly.add_argument("--quarter", metavar="2026-Q3", required=True, help="which quarter")
    quarterly.add_argument("--out", metavar="DIR", type=Path, required=True, help="reports folder")
    quarterly.set_defaults(run=run)


def run(given: argparse.Namespace) -> Ending:
    """Make the report and say where it is."""
    from outcomes.plan import Quarter
    from outcomes.report.quarterly import quarterly_report

    quarter = Quarter.parse(given.quarter)
    report = quarterly_report(given.study, given.plan, quarter, given.out)
    following = typed(
        "outcomes", "report", "quarterly", "--study", given.study, "--plan", given.plan,
        "--quarter", str(quarter.next()), "--out", given.out,
    )  # fmt: skip
    return Ending(
        made=[
            f"{report.page}  (the report)",
            f"{report.page.parent / 'tables'}  (every table, unrounded)",
            f"{report.page.parent / 'results.json'}  (every number as data)",
        ],
        findings=report.findings,
        following=f"{following}   (after the next intake)",
    )
