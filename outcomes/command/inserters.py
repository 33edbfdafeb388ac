"""`outcomes inserters`: one private page per inserter, for the inserter and the peer review."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from outcomes.command.endings import Ending, typed
from outcomes.command.when import add_quarter, quarter_of


def add(verbs: Any) -> None:
    """Declare the verb."""
    verb = verbs.add_parser("inserters", help="make one private page per inserter")
    verb.add_argument("--study", metavar="DIR", type=Path, required=True, help="study folder")
    verb.add_argument("--plan", metavar="FILE", type=Path, required=True, help="plan.toml")
    add_quarter(verb)
    verb.add_argument("--out", metavar="DIR", type=Path, required=True, help="reports folder")
    verb.add_argument("--inserter", metavar="ID", help="only this one")
    verb.set_defaults(run=run)


def run(given: argparse.Namespace) -> Ending:
    """Make the pages and say where they are; what they say, only they tell."""
    from outcomes.report.inserter_pages import make_inserter_pages

    quarter = quarter_of(given)
    made = make_inserter_pages(given.study, given.plan, quarter, given.out, only=given.inserter)
    return Ending(
        made=[
            *(str(page) for page in made.pages),
            f"{made.folder}  (closed to other users; give each page to its inserter alone)",
        ],
        findings=[
            f"{len(made.pages)} private pages, in the order of ids and in no other. A committee "
            "sees roles, never inserters, and no role with fewer than the plan says."
        ],
        following=typed(
            "outcomes", "report", "quarterly", "--study", given.study, "--plan", given.plan,
            "--quarter", str(quarter), "--out", given.out,
        ),
    )  # fmt: skip
