"""Private pages of the inserters: one folder each, for the inserter and the peer review alone."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import nbformat

from outcomes.cohorts.build import CohortSet, build_cohorts
from outcomes.errors import UsageError
from outcomes.plan import Quarter, read_plan
from outcomes.report.check import check_page
from outcomes.report.make import CAUTION, group_folder, report_files
from outcomes.report.page import Page, assemble
from outcomes.report.publish import publish
from outcomes.report.sections import provenance
from outcomes.results import Result
from outcomes.tables.study import open_study
from outcomes.watch.inserter_page import inserter_page
from outcomes.watch.programme import programme_watch

FOLDER: Final = "inserters"
PAGE: Final = "inserter.html"
PROSE: Final = """## How do my procedures go?

**Private.** For this inserter and the clinic's peer review; no report shows it, and no page ranks
inserters.

**How to read it.** Every procedure counts from the first recorded one. The first line is failures
observed less those expected at the acceptable rate: flat or falling is as good or better than
that. The sequential chart starts with the plan's procedure, so that learning is not held against
anybody; above its upper limit the failures are more than chance makes of the acceptable rate,
below its lower limit the unacceptable rate is excluded. The rates and errors were set in the plan
beforehand. Supervised procedures are hollow, and marked in the table.

**What it does not show.** How difficult the procedures were, and procedures before the first
recorded one. A chart is a reason to talk, not a verdict.
"""


@dataclass(frozen=True)
class InserterPages:
    """Where the pages lie, in the order of the inserters' ids."""

    folder: Path
    pages: tuple[Path, ...]


def make_inserter_pages(
    study: Path, plan: Path, quarter: Quarter, out: Path, *, only: str | None = None
) -> InserterPages:
    """Write one private page per inserter below `out/QUARTER/inserters/`.

    The folder is closed to other users of the machine, since a page shows one colleague's work.

    Parameters
    ----------
    study, plan : Path
    quarter : Quarter
    out : Path
        Folder of reports.
    only : str or None
        Id of one inserter.

    Raises
    ------
    UsageError
        There is no such inserter, none at all, or two ids give one name of a folder.
    OutcomesError
        As in making a report; nothing is written then.
    """
    cohorts = build_cohorts(open_study(study), read_plan(plan), quarter=str(quarter))
    programme = programme_watch(cohorts)
    wanted = [one.inserter_id for one in programme.inserters] if only is None else [only]
    if not wanted:
        raise UsageError(
            "procedures, column inserter_id: no procedure names an inserter, so there is no page "
            "to make. Export the column, or name it in sources.toml."
        )
    folders = _folders(wanted)
    results = [inserter_page(programme, name) for name in wanted]
    made = [_page(cohorts, *pair) for pair in zip(wanted, results, strict=True)]
    root = out / str(quarter) / FOLDER
    root.mkdir(parents=True, exist_ok=True)
    os.chmod(root, 0o700)
    pages = []
    for folder, page in zip(folders, made, strict=True):
        publish(root / folder, {**report_files(page), PAGE: page.text})
        pages.append(root / folder / PAGE)
    return InserterPages(root, tuple(pages))


def _folders(names: Sequence[str]) -> list[str]:
    folders = [group_folder({"inserter": name}) for name in names]
    for folder in folders:
        same = [name for name, other in zip(names, folders, strict=True) if other == folder]
        if len(same) > 1:
            raise UsageError(
                f"inserters {' and '.join(same)} would share the folder {folder}. "
                "Ask for one at a time, with folders of their own."
            )
    return folders


def _page(cohorts: CohortSet, name: str, result: Result) -> Page:
    shown = (result, provenance(cohorts, audience="clinic"))
    cells = [
        {"cell_type": "markdown", "metadata": {}, "source": PROSE},
        *({"cell_type": "code", "metadata": {}, "source": "", "execution_count": None,
           "outputs": [{"output_type": "display_data", "metadata": {},
                        "data": one._repr_mimebundle_()}]} for one in shown),
    ]  # fmt: skip
    notebook = nbformat.from_dict(  # type: ignore[no-untyped-call]
        {"nbformat": 4, "metadata": {}, "cells": cells}
    )
    page = assemble(
        notebook, title=f"Procedures of inserter {name}, {cohorts.quarter}",
        subtitle="Private: for the inserter and the clinic's peer review alone.", footer=CAUTION,
    )  # fmt: skip
    check_page(page.text)
    return page
