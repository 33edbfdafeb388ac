"""`outcomes draft-sources`: a sources.toml to start from, with every guess marked."""

from __future__ import annotations

import argparse
from datetime import date
from pathlib import Path
from typing import Any

from outcomes.command.endings import Ending, typed
from outcomes.errors import UsageError, WriteError

SOURCES = "sources.toml"


def add(verbs: Any) -> None:
    """Declare the verb."""
    verb = verbs.add_parser(
        "draft-sources", help="look at a folder of exports and draft its sources.toml"
    )
    verb.add_argument("folder", metavar="DIR", type=Path, help="folder of exports")
    verb.add_argument("--name", help="name of the clinic (default: a guess)")
    verb.add_argument(
        "--time-zone", metavar="ZONE", help="such as Europe/Berlin (default: a guess)"
    )
    verb.add_argument(
        "--exported-on", metavar="DAY", type=date.fromisoformat,
        help="day of the exports, such as 2026-10-06 (default: a guess)",
    )  # fmt: skip
    verb.set_defaults(run=run)


def run(given: argparse.Namespace) -> Ending:
    """Write DIR/sources.toml, unless there is one."""
    from outcomes.tables.drafting import draft_sources
    from outcomes.tables.versions import write_in_one_step

    target = given.folder / SOURCES
    if target.exists():
        raise UsageError(f"{target}: exists already, and is never overwritten. Move it first.")
    draft = draft_sources(
        given.folder, name=given.name, time_zone=given.time_zone, exported_on=given.exported_on
    )
    try:
        write_in_one_step(target, draft.text)
    except OSError as error:
        raise WriteError(f"{target}: cannot be written ({error.strerror}).") from error
    fed = {str(table.table.value) for table in draft.tables}
    files = sum(len(table.proposal.layout.looks) for table in draft.tables)
    return Ending(
        made=[f"{target}  ({files} files, {len(fed)} tables, {draft.guesses} guesses to confirm)"],
        findings=[
            *draft.undecided,
            *_to_choose(draft.text),
            *(f"Left out: {name} ({why})." for name, why in draft.left_out.items()),
            "Read each line, correct it, and take its question mark away.",
        ],
        following=typed("outcomes", "intake", target, "--study", "study"),
    )


def _to_choose(text: str) -> list[str]:
    from outcomes.plan.sources import CHOOSE, GUESS

    words = text.count(f'"{GUESS}{CHOOSE}"')
    return [f'Nothing tells {words} words; they stand as "{CHOOSE}".'] if words else []
