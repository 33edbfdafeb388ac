"""`outcomes report`: a page from a study, a plan and a quarter."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from outcomes.command import many
from outcomes.command.endings import Ending, typed


def add(verbs: Any) -> None:
    """Declare the verb and its kinds of report."""
    verb = verbs.add_parser("report", help="make a report from a study and a plan")
    kinds = verb.add_subparsers(dest="report", metavar="REPORT", required=True)
    for name, told in (
        ("quarterly", "the quarterly outcome report, for researchers"),
        ("committee", "the brief for the quality committee, two printed pages"),
    ):
        kind = kinds.add_parser(name, help=told)
        kind.add_argument("--study", metavar="DIR", type=Path, required=True, help="study folder")
        kind.add_argument("--plan", metavar="FILE", type=Path, required=True, help="plan.toml")
        kind.add_argument("--quarter", metavar="2026-Q3", required=True, help="which quarter")
        kind.add_argument("--out", metavar="DIR", type=Path, required=True, help="reports folder")
        kind.set_defaults(run=run)
        if name == "quarterly":
            kind.add_argument(
                "--previous", metavar="DIR", type=Path, help="folder of the report before"
            )
        many.add_options(kind)


def run(given: argparse.Namespace) -> Ending:
    """Make the report and say where it is."""
    if many.asked(given):
        return many.run(given)
    from outcomes.plan import Quarter
    from outcomes.report.make import make_report

    quarter = Quarter.parse(given.quarter)
    previous = getattr(given, "previous", None)
    options = {} if previous is None else {"previous": previous.resolve()}
    report = make_report(
        given.study, given.plan, quarter, given.out, kind=given.report, options=options
    )
    following = typed(
        "outcomes", "report", given.report, "--study", given.study, "--plan", given.plan,
        "--quarter", str(quarter.next()), "--out", given.out,
        *(("--previous", report.page.parent) if given.report == "quarterly" else ()),
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
