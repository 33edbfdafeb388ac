"""Read the command line, run one verb, end with what was made or with one clear error."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from pathlib import Path

from outcomes.command import (
    demo,
    draft_plan,
    draft_sources,
    explore,
    inserters,
    intake,
    manuscript,
    report,
    synthesise,
)
from outcomes.command.endings import Ending, Log
from outcomes.errors import INTERNAL, NOT_WRITTEN, OutcomesError

VERBS = (
    demo,
    draft_sources,
    intake,
    draft_plan,
    report,
    inserters,
    manuscript,
    explore,
    synthesise,
)
DESCRIPTION = """\
Turn a diabetes clinic's exports into its quarterly outcome report: HbA1c change, time in range,
sensor survival to planned removal and complications, for implanted and adhesive glucose sensors.
"""
EPILOG = """\
Exit status: 0 done, 1 internal error, 2 wrong use, 3 findings that stop, 4 could not write,
killed or out of time. The figures describe groups; they never decide one patient's treatment.
"""


def parser() -> argparse.ArgumentParser:
    """Return the parser of the whole command."""
    top = argparse.ArgumentParser(
        prog="outcomes",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument(
        "--log", metavar="FILE", type=Path, help="keep a rotating log without patient data"
    )
    verbs = top.add_subparsers(dest="verb", metavar="VERB", required=True)
    for verb in VERBS:
        verb.add(verbs)
    return top


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command and return its exit status."""
    given = parser().parse_args(arguments)
    log = Log(given.log)
    log.write(f"{given.verb} began")
    try:
        ending: Ending = given.run(given)
    except OutcomesError as error:
        log.write(f"{given.verb} ended: {type(error).__name__}")
        print(f"outcomes {given.verb}: {error}", file=sys.stderr)
        return error.exit_status
    except KeyboardInterrupt:
        log.write(f"{given.verb} was interrupted")
        print(f"outcomes {given.verb}: interrupted; nothing was replaced.", file=sys.stderr)
        return NOT_WRITTEN
    except Exception as error:
        log.trace(error)
        hint = "" if given.log else " Run again with --log FILE before the verb to keep a trace."
        name = type(error).__name__
        print(
            f"outcomes {given.verb}: internal error ({name}). Nothing was replaced.{hint}",
            file=sys.stderr,
        )
        if os.environ.get("OUTCOMES_TRACEBACK"):
            raise
        return INTERNAL
    log.write(f"{given.verb} done")
    print(ending.text())
    return ending.status
