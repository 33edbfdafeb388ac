"""Make one report: one study, one plan, one quarter, one page and what lies beside it."""

from __future__ import annotations

import re
import time
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

from outcomes.errors import ReportError
from outcomes.plan import Quarter, plan_text, read_plan
from outcomes.plan.beside import ACTIONS_FILE, AUDIT_FILE, read_actions, read_audit
from outcomes.report.check import check_page
from outcomes.report.page import Page, assemble
from outcomes.report.publish import json_text, publish
from outcomes.report.run import notebook_path, run_notebook, working_folder
from outcomes.tables.study import open_study

CAUTION: Final = (
    "This report describes groups of patients; it is never a basis for one patient's treatment. "
    "Comparisons between cohorts are not randomised and are no proof of cause. Duties to report "
    "device events to authorities or manufacturers follow local rules; this report does not "
    "fulfil them. Clinical decisions belong to licensed professionals."
)
NO_OPTIONS: Final[Mapping[str, Any]] = MappingProxyType({})


@dataclass(frozen=True)
class Kind:
    """One kind of report: its notebook, its title, the audience it is made for first.

    `folded`: whether its long tables are parts to open on a screen.
    """

    notebook: str
    title: str
    audience: str = "clinic"
    folded: bool = False


KINDS: Final[dict[str, Kind]] = {
    "quarterly": Kind("quarterly_report", "Quarterly outcome report", folded=True),
    "committee": Kind("committee_brief", "Brief for the quality committee", "committee"),
}


@dataclass(frozen=True)
class Report:
    """Where a report was written, and its findings in the order of the page."""

    page: Path
    findings: tuple[str, ...]
    seconds: float


def make_report(
    study: Path,
    plan: Path,
    quarter: Quarter,
    out: Path,
    *,
    kind: str = "quarterly",
    audience: str | None = None,
    options: Mapping[str, Any] = NO_OPTIONS,
    where: Mapping[str, str] = NO_OPTIONS,
) -> Report:
    """Write one report on `quarter` below `out/QUARTER/` and return where it is.

    Parameters
    ----------
    study : Path
        Study folder; the version open at the start is used to the end.
    plan : Path
        `plan.toml`.
    quarter : Quarter
    out : Path
        Folder of reports; the quarter gets a folder of its own, and within it each kind for each
        audience, so that no report replaces another.
    kind : str
        One of `KINDS`.
    audience : str or None
        "clinic", "committee" or "external"; None for the kind's own.
    options : mapping
        Further parameters of the kind's notebook.
    where : mapping of name to value
        Only these patients, see `outcomes.build_cohorts`; such a report lies in a folder of its
        own within the quarter's, named by `group_folder`.

    Raises
    ------
    OutcomesError
        With the exit status of its kind. Nothing is written then, and an earlier report on the
        quarter stays as it was.
    """
    wanted = KINDS[kind]
    seen_by = wanted.audience if audience is None else audience
    started, clock = datetime.now(UTC), time.perf_counter()
    opened = open_study(study)
    resolved = read_plan(plan)  # refuse a wrong plan before a kernel starts
    _read_files_beside(plan)
    parameters = {
        "study": study.resolve(),
        "version": opened.version,
        "plan": plan.resolve(),
        "quarter": str(quarter),
        "audience": seen_by,
        **options,
    }
    if where:
        parameters["where"] = dict(where)
    with working_folder(study.resolve()) as work:
        notebook = run_notebook(notebook_path(wanted.notebook), parameters, work=Path(work))
    page = assemble(
        notebook,
        title=f"{wanted.title} {quarter}",
        subtitle=_subtitle(opened.clinic, where),
        footer=CAUTION,
        audience=seen_by,
        folded=wanted.folded,
    )
    check_page(page.text)
    files = report_files(page)
    files["plan.toml"] = plan_text(resolved)
    seconds = time.perf_counter() - clock
    files["run.json"] = json_text(
        {"started": started.isoformat(timespec="seconds"), "seconds": round(seconds, 2)}
    )
    files[f"{wanted.notebook}.html"] = page.text
    folder = report_folder(out, quarter, where, kind=kind, audience=seen_by)
    publish(folder, files)
    findings = tuple(result["finding"] for result in page.results if result["records"])
    return Report(folder / f"{wanted.notebook}.html", findings, seconds)


def _read_files_beside(plan: Path) -> None:
    """Refuse a small file beside the plan that cannot be used, with its line and column."""
    folder = plan.resolve().parent
    read_actions(folder / ACTIONS_FILE)
    if (folder / AUDIT_FILE).exists():
        read_audit(folder / AUDIT_FILE)


def report_folder(
    out: Path, quarter: Quarter, where: Mapping[str, str], *, kind: str, audience: str
) -> Path:
    """Return where a report lies: by quarter, then group, then a folder of its own.

    Two kinds of report for one audience do not share a folder, since each has its `results.json`.

    Examples
    --------
    >>> def name(kind, audience):
    ...     folder = report_folder(Path("out"), Quarter(2026, 3), {}, kind=kind, audience=audience)
    ...     return folder.as_posix()
    >>> name("quarterly", "clinic"), name("quarterly", "external"), name("committee", "committee")
    ('out/2026-Q3', 'out/2026-Q3/external', 'out/2026-Q3/committee')
    >>> name("committee", "external"), name("quarterly", "committee")
    ('out/2026-Q3/committee-external', 'out/2026-Q3/quarterly-committee')
    """
    own = {"clinic": "", "external": "external"} if kind == "quarterly" else {"committee": kind}
    return out / str(quarter) / group_folder(where) / own.get(audience, f"{kind}-{audience}")


def group_folder(where: Mapping[str, str]) -> str:
    """Return the name of the folder of a restricted report; "" for the whole clinic.

    Examples
    --------
    >>> group_folder({"site": "Haus Süd/2", "sex": "female"})
    'site-haus-süd-2-sex-female'
    """
    text = "-".join(f"{name}-{value}" for name, value in where.items())
    return re.sub(r"[\W_]+", "-", unicodedata.normalize("NFC", text).casefold()).strip("-")


def _subtitle(clinic: str, where: Mapping[str, str]) -> str:
    among = "; ".join(f"{name}: {value}" for name, value in where.items())
    only = f" Only patients with {among}." if among else ""
    return f"{clinic}. Diabetes patients with implanted and adhesive glucose sensors.{only}"


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
