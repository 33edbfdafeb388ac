"""Which quarter a command is about, and the report on the quarter before."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

LAST = "last"


def add_quarter(verb: Any) -> None:
    """Declare `--quarter`."""
    verb.add_argument(
        "--quarter", metavar="2026-Q3", required=True,
        help=f"which quarter; '{LAST}' is the last that had ended when the study was exported",
    )  # fmt: skip


def quarter_of(given: argparse.Namespace) -> Any:
    """Return the quarter asked for."""
    from outcomes.plan import Quarter
    from outcomes.tables.study import open_study

    if given.quarter == LAST:
        return Quarter.of(open_study(given.study).exported_on).previous()
    return Quarter.parse(given.quarter)


def previous_of(given: argparse.Namespace, quarter: Any) -> Path | None:
    """Return the folder of the report before; with 'last' the quarter before's, if it is there."""
    from outcomes.report.make import KINDS, report_folder

    if given.previous is None or str(given.previous) != LAST:
        return given.previous
    seen_by = given.audience or KINDS[given.report].audience
    folder = report_folder(given.out, quarter.previous(), {}, kind=given.report, audience=seen_by)
    return folder if (folder / "results.json").is_file() else None
