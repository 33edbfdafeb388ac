"""`outcomes report`: a page from a study, a plan and a quarter."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from outcomes.command import many, when
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
        when.add_quarter(kind)
        kind.add_argument("--out", metavar="DIR", type=Path, required=True, help="reports folder")
        kind.set_defaults(run=run)
        kind.add_argument(
            "--audience", metavar="WHO", help="clinic, committee or external: who will read it"
        )
        kind.add_argument(
            "--previous", metavar="DIR", type=Path,
            help="folder of the report before; 'last': the quarter before's, where there is one",
        )  # fmt: skip
        kind.add_argument("--pdf", action="store_true", help="print it to PDF as well")
        kind.add_argument(
            "--scheduler", metavar="ADDRESS", default="",
            help="let this cluster make the passes over the readings, such as tcp://10.0.0.5:8786",
        )  # fmt: skip
        many.add_options(kind)


def run(given: argparse.Namespace) -> Ending:
    """Make the report and say where it is."""
    from outcomes.report.disclosure import audience
    from outcomes.report.make import make_report
    from outcomes.report.pdf import print_pdf

    quarter = when.quarter_of(given)
    given.quarter, given.previous = str(quarter), when.previous_of(given, quarter)
    if given.audience is not None:
        audience(given.audience)  # refuse an unknown one before anything runs
    if many.asked(given):
        return many.run(given)
    options = {} if given.previous is None else {"previous": given.previous.resolve()}
    if given.scheduler:
        options["scheduler"] = given.scheduler
    report = make_report(
        given.study, given.plan, quarter, given.out,
        kind=given.report, audience=given.audience, options=options,
    )  # fmt: skip
    printed = [f"{print_pdf(report.page)}  (the same for paper)"] if given.pdf else []
    following = typed(
        "outcomes", "report", given.report, "--study", given.study, "--plan", given.plan,
        "--quarter", str(quarter.next()), "--out", given.out,
        *(("--audience", given.audience) if given.audience else ()),
        "--previous", report.page.parent,
    )  # fmt: skip
    return Ending(
        made=[
            f"{report.page}  (the report)",
            *printed,
            f"{report.page.parent / 'tables'}  (every table, unrounded)",
            f"{report.page.parent / 'results.json'}  (every number as data)",
        ],
        findings=report.findings,
        following=f"{following}   (after the next intake)",
    )
