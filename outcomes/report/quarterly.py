"""The quarterly outcome report: one study, one plan, one quarter, one page and what lies beside."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from outcomes.errors import ReportError
from outcomes.plan import Quarter, read_plan
from outcomes.report.check import check_page
from outcomes.report.page import Page, assemble
from outcomes.report.publish import json_text, publish
from outcomes.report.run import notebook_path, run_notebook, working_folder
from outcomes.tables.study import open_study

CAUTION = (
    "This report describes groups of patients; it is never a basis for one patient's treatment. "
    "Comparisons between cohorts are not randomised and are no proof of cause. Duties to report "
    "device events to authorities or manufacturers follow local rules; this report does not "
    "fulfil them. Clinical decisions belong to licensed professionals."
)


@dataclass(frozen=True)
class Report:
    """Where a report was written, and its findings in the order of the page."""

    page: Path
    findings: tuple[str, ...]
    seconds: float


def quarterly_report(study: Path, plan: Path, quarter: Quarter, out: Path) -> Report:
    """Write the report on `quarter` into `out/QUARTER/` and return where it is.

    Parameters
    ----------
    study : Path
        Study folder; the version open at the start is used to the end.
    plan : Path
        `plan.toml`.
    quarter : Quarter
    out : Path
        Folder of reports; the quarter gets a folder of its own, so that no report replaces
        another quarter's.

    Raises
    ------
    OutcomesError
        With the exit status of its kind. Nothing is written then, and an earlier report on the
        quarter stays as it was.
    """
    started, clock = datetime.now(UTC), time.perf_counter()
    opened = open_study(study)
    read_plan(plan)  # refuse a wrong plan before a kernel starts
    parameters = {
        "study": study.resolve(),
        "version": opened.version,
        "plan": plan.resolve(),
        "quarter": str(quarter),
    }
    with working_folder(study.resolve()) as work:
        notebook = run_notebook(notebook_path("quarterly_report"), parameters, work=Path(work))
    page = assemble(
        notebook,
        title=f"Quarterly outcome report {quarter}",
        subtitle=f"{opened.clinic}. Diabetes patients with implanted and adhesive glucose sensors.",
        footer=CAUTION,
    )
    files = report_files(page)
    check_page(page.text)
    seconds = time.perf_counter() - clock
    files["run.json"] = json_text(
        {"started": started.isoformat(timespec="seconds"), "seconds": round(seconds, 2)}
    )
    files["quarterly_report.html"] = page.text
    folder = out / str(quarter)
    publish(folder, files)
    findings = tuple(result["finding"] for result in page.results if result["records"])
    return Report(folder / "quarterly_report.html", findings, seconds)


def report_files(page: Page) -> dict[str, str]:
    """Return what lies beside a page: every table as CSV and `results.json`.

    Raises
    ------
    ReportError
        Two results share a name, or the notebook displays no provenance.
    """
    made: Mapping[str, Any] | None = None
    files: dict[str, str] = {}
    records: list[dict[str, Any]] = []
    for result in page.results:
        made = result.get("made", made)
        records += result["records"]
        if result["csv"]:
            name = f"tables/{result['name']}.csv"
            if name in files:
                raise ReportError(f"two results are called {result['name']}.")
            files[name] = result["csv"]
    if made is None:
        raise ReportError("the notebook displays no provenance; add a call to oc.provenance.")
    files["results.json"] = json_text({"made": made, "results": records})
    return files
