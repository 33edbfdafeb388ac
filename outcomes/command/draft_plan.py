"""`outcomes draft-plan`: a plan with every setting written out, to read, change and lock."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from outcomes.command.endings import Ending, typed
from outcomes.errors import UsageError


def add(verbs: Any) -> None:
    """Declare the verb."""
    verb = verbs.add_parser("draft-plan", help="write a plan.toml with every setting's default")
    verb.add_argument("--study", metavar="DIR", type=Path, required=True, help="study folder")
    verb.add_argument(
        "--plan", metavar="FILE", type=Path, default=Path("plan.toml"), help="file to write"
    )
    verb.set_defaults(run=run)


def run(given: argparse.Namespace) -> Ending:
    """Write the draft; the start is the first day of the year of the study's first placement."""
    from outcomes.plan import Quarter, plan_text
    from outcomes.report.publish import publish
    from outcomes.tables.study import open_study

    if given.plan.exists():
        raise UsageError(f"{given.plan}: exists already. Name another file with --plan.")
    study = open_study(given.study)
    plan = drafted(study)
    publish(given.plan.resolve().parent, {given.plan.name: plan_text(plan)})
    quarter = Quarter.of(study.exported_on).previous()
    return Ending(
        made=[f"{given.plan}  (every setting with its default; start {plan.plan.start})"],
        findings=[
            "The start is a guess from the first placement: set the day your programme began.",
            "Set locked_on once the plan is agreed, before the quarter's data are seen.",
        ],
        following=typed(
            "outcomes", "report", "quarterly", "--study", given.study, "--plan", given.plan,
            "--quarter", str(quarter), "--out", "report",
        ),
    )  # fmt: skip


def drafted(study: Any) -> Any:
    """Return a plan of defaults that starts with the year of the study's first placement."""
    from datetime import date

    from outcomes.plan import Frame, Plan

    first = study.table("sensors")["placed_on"].min()
    return Plan(plan=Frame(name=f"Outcome plan of {study.clinic}", start=date(first.year, 1, 1)))
