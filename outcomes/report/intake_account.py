"""The intake page: what happened to every row, what was found, how complete the study is.

Assembled from results like every page, without a notebook: an account of an intake has no settings
and is wanted at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import nbformat
import numpy as np
import numpy.typing as npt
import pandas as pd
from matplotlib.axes import Axes
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output

from outcomes.figures.style import INK, SHADES
from outcomes.report.check import check_page
from outcomes.report.page import assemble
from outcomes.report.publish import publish
from outcomes.report.sections import accounting
from outcomes.results import Result, Show, number
from outcomes.tables.declared import DECLARED, READINGS
from outcomes.tables.reading_store import StoredReadings, local_days
from outcomes.tables.rules import RULES, rules_table
from outcomes.tables.study import Study
from outcomes.units import counted

FOOTER: Final = (
    "This page describes how exports were read. It names files, lines and patients for the clinic "
    "alone; it is never a basis for one patient's treatment."
)
SHOWN_PATIENTS: Final = 80
SHOWN_MONTHS: Final = 6  # labels below the figure
FILES_IN_FULL: Final = 12  # of one table; beyond, files with nothing to tell stand in one line
MICROSECONDS_PER_MINUTE: Final = 60_000_000


def intake_page(study: Study, out: Path) -> Path:
    """Write the account of the intake that made `study` into `out`; return the page's path.

    Raises
    ------
    ReportError
        The page would break a rule of pages.
    WriteError
        The folder cannot be written; an earlier page stays as it was.
    """
    sections: list[tuple[str, Sequence[Result]]] = [
        ("## What to ask the clinic\n\nWhat kept rows out comes first, then what was only noted; "
         "each in plain words, with how to mend it.", (questions(study),)),
        ("## Every row of every export\n\nEvery row read has one place: kept, set aside, an exact "
         "repeat, or nothing for the table. The lines below are counted a second time from the "
         "bytes of the files.", (rows_of_files(study), lines_of_files(study))),
        ("## Findings by rule\n\nA row set aside is kept out of every figure, and stands in the "
         "study with file, line and reason. A note keeps its rows.", (findings_by_rule(study),)),
        ("## What changed since the version before", (changed(study),)),
        ("## What was converted and what stands at a limit", (converted(study),)),
        ("## Readings by patient and month", coverage(study)),
        ("## How complete each column is", (completeness(study),)),
        ("## Every rule of the intake", (all_rules(),)),
    ]  # fmt: skip
    page = assemble(
        _notebook(sections),
        title="Account of the intake",
        subtitle=f"{study.clinic}, exports of {study.exported_on}, study version "
        f"{study.version[:12]}.",
        footer=FOOTER,
    )
    check_page(page.text)
    files = {f"tables/{r['name']}.csv": r["csv"] for r in page.results if r["csv"]}
    files["intake_account.html"] = page.text
    publish(out, files)
    return out / "intake_account.html"


def _notebook(sections: Sequence[tuple[str, Sequence[Result]]]) -> nbformat.NotebookNode:
    cells = []
    for prose, results in sections:
        cells.append(new_markdown_cell(prose))  # type: ignore[no-untyped-call]
        for result in results:
            data = result._repr_mimebundle_()
            shown = new_output("display_data", data=data)  # type: ignore[no-untyped-call]
            cells.append(new_code_cell(outputs=[shown]))  # type: ignore[no-untyped-call]
    return new_notebook(cells=cells)  # type: ignore[no-untyped-call]


def _rules_found(study: Study) -> pd.DataFrame:
    found = study.findings
    if found.empty:
        return pd.DataFrame(columns=["rule", "severity", "rows", "files", "code"])
    by_rule = found.groupby(["rule", "severity"], sort=False).agg(
        rows=("rows", "sum"), files=("file", "nunique")
    )
    table = by_rule.reset_index()
    table["code"] = [RULES[rule].code if rule in RULES else "" for rule in table["rule"]]
    table["kept"] = table["severity"] == "note"
    return table.sort_values(
        ["kept", "rows"], ascending=[True, False], kind="stable", ignore_index=True
    ).drop(columns="kept")


def questions(study: Study) -> Result:
    """Return what to ask the clinic: every rule that found something, in plain words."""
    table = _rules_found(study)
    known = [RULES.get(rule) for rule in table["rule"]]
    table["meaning"] = [rule.meaning if rule else "" for rule in known]
    table["mend"] = [rule.mend if rule else "" for rule in known]
    table = table[table["mend"] != "Nothing."].reset_index(drop=True)
    return Result(
        name="questions",
        title="What to ask the clinic",
        table=table,
        entries=(),
        finding=f"{len(table)} rules of {len(RULES)} found something worth asking about.",
        caption="Rules that found something. Set aside = out of every figure; note = kept.",
        show={
            "meaning": Show("What was found"),
            "severity": Show("Its rows"),
            "rows": Show("Rows", 0),
            "mend": Show("How to mend it"),
            "code": Show("Rule"),
        },
    )


def findings_by_rule(study: Study) -> Result:
    """Return every finding with its file."""
    table = study.findings
    if "code" not in table:
        table = table.assign(code="")
    aside = int(table.loc[table["severity"] == "set aside", "rows"].sum()) if len(table) else 0
    return Result(
        name="findings",
        title="Findings by rule",
        table=table,
        entries=(),
        finding=f"{counted(aside, 'row')} set aside; "
        f"{counted((table['severity'] == 'note').sum(), 'note')}.",
        caption="Every finding of the intake; severity set aside = out of every figure.",
        show={
            "sentence": Show("Finding"),
            "code": Show("Rule"),
            "severity": Show("Severity"),
            "rows": Show("Rows", 0),
        },
    )


def rows_of_files(study: Study) -> Result:
    """Return the accounting; of many files of a table, those with every row kept in one line."""
    told = accounting(study)
    not_kept = ["rows_set_aside", "exact_repeats", "rows_without_value"]
    odd = told.table[not_kept].sum(axis=1).to_numpy() > 0
    return replace(told, summary=_in_brief(told, odd))


def _in_brief(told: Result, odd: npt.NDArray[np.bool_]) -> pd.DataFrame | None:
    """Return the table as shown, with the files of a long table that are not `odd` added up."""
    table = told.table
    if not len(table):
        return None
    many = table.groupby("table")["file"].transform("size").to_numpy() > FILES_IN_FULL
    brief = many & ~odd
    rows = []
    for name, files in table.groupby("table", sort=False):
        places = files.index.to_numpy()
        for at in places[~brief[places]]:
            rows.append(table.loc[at, list(told.show)].tolist())
        left = table.loc[places[brief[places]]]
        if len(left):
            sums = [left[c].sum() for c, how in told.show.items() if how.decimals is not None]
            rows.append([f"{len(left):,} further files of {name}", name, *sums])
    shown = pd.DataFrame(rows, columns=[how.heading for how in told.show.values()])
    # Long paths may break after a stroke.
    return shown.map(lambda v: v.replace("/", "/\u200b") if isinstance(v, str) else f"{int(v):,}")


def lines_of_files(study: Study) -> Result:
    """Return the lines of every file: titles, rows, closing and empty lines."""
    table = study.accounting
    wanted = ["file", "table", "lines", "title_lines", "footer_lines", "empty_lines"]
    table = table.reindex(columns=wanted)
    total = int(table["lines"].fillna(0).sum())
    told = Result(
        name="lines",
        title="Lines that are no rows",
        table=table,
        entries=(),
        finding=f"{total:,} lines were counted from the files' bytes, apart from the reading, and "
        "every one has its place.",
        caption="Lines of each file, of its title, at its end, and empty ones; a row of a text "
        "file may span several lines.",
        show={
            "file": Show("Export"),
            "table": Show("Table"),
            "lines": Show("Lines", 0),
            "title_lines": Show("Above the headings", 0),
            "footer_lines": Show("At the end", 0),
            "empty_lines": Show("Empty", 0),
        },
    )
    apart = table[["title_lines", "footer_lines", "empty_lines"]].fillna(0).sum(axis=1)
    return replace(told, summary=_in_brief(told, apart.to_numpy() > 0))


def changed(study: Study) -> Result:
    """Return what the version says against the one that it replaced."""
    table = study.changes
    total = {n: int(table[f"rows_{n}"].sum()) for n in ("new", "gone", "altered")}
    since = f" against version {table['since'].iloc[0][:12]}" if len(table) else ""
    finding = (
        f"{counted(total['new'], 'row')} new, {total['gone']:,} gone and "
        f"{total['altered']:,} altered"
        f"{since}."
        if len(table)
        else "This is the first version of the study."
    )
    return Result(
        name="changes",
        title="What changed since the version before",
        table=table,
        entries=(),
        finding=finding,
        caption="Rows by table. In states, contacts and draws a correction counts as one gone and "
        "one new.",
        show={
            "table": Show("Table"),
            "rows_before": Show("Before", 0),
            "rows_now": Show("Now", 0),
            "rows_new": Show("New", 0),
            "rows_gone": Show("Gone", 0),
            "rows_altered": Show("Altered", 0),
        },
    )


def converted(study: Study) -> Result:
    """Return the values by unit and at a limit, table by table."""
    told = study.made_from.get("converted", {})
    rows = [(table, what, n) for table, counts in told.items() for what, n in counts.items() if n]
    table = pd.DataFrame(rows, columns=["table", "what", "rows"])
    limits = table["what"].isin(["below a limit", "above a limit"])
    capped = int(table.loc[limits, "rows"].sum())
    return Result(
        name="converted",
        title="Units and limits",
        table=table,
        entries=(),
        finding=f"{capped:,} values were given as beyond a limit and enter as that limit; no value "
        "was converted: each stays in its own unit.",
        caption="Values by unit and at a limit, repeats included.",
        show={"table": Show("Table"), "what": Show("What"), "rows": Show("Values", 0)},
    )


def completeness(study: Study) -> Result:
    """Return the share of rows with a value, column by column of the small tables."""
    rows = []
    for name, schema in DECLARED.items():
        if not study.has(name) or name == READINGS.name:
            continue
        frame = study.table(name)
        further = [c for c in frame.columns if c not in schema.names]
        for column in (*schema.names, *further):
            n = int(frame[column].notna().sum())
            unknown = int((frame[column] == "unknown").sum()) if len(frame) else 0
            share = 100 * (n - unknown) / len(frame) if len(frame) else None
            rows.append((name, column, len(frame), n - unknown, unknown, share))
    names = ["table", "column", "rows", "given", "unknown", "share"]
    table = pd.DataFrame(rows, columns=names)
    full = int((table["given"] == table["rows"]).sum())
    return Result(
        name="completeness",
        title="How complete each column is",
        table=table,
        entries=(),
        finding=f"{full} of {len(table)} columns have a value in every row.",
        caption="Rows kept, rows with a value, rows that say unknown, and the share with a value.",
        show={
            "table": Show("Table"),
            "column": Show("Column"),
            "rows": Show("Rows", 0),
            "given": Show("With a value", 0),
            "unknown": Show("Unknown", 0),
            "share": Show("Share (%)", 1),
        },
    )


def all_rules() -> Result:
    """Return the catalogue of rules."""
    return Result(
        name="rules",
        title="Every rule of the intake",
        table=rules_table(),
        entries=(),
        finding=f"The intake knows {len(RULES)} rules; severity in sources.toml changes what "
        "a rule does, where the last column allows it.",
        caption="Rules by code. F files and fields, V values, D dates and times, K keys, X several "
        "rows or tables together, N read with care.",
        show={
            "code": Show("Rule"),
            "rule": Show("Name"),
            "severity": Show("Does"),
            "meaning": Show("What it finds"),
            "may_be": Show("May be"),
        },
    )


def coverage(study: Study) -> tuple[Result, ...]:
    """Return the share of each month's minutes that a patient's readings own."""
    if not study.has(READINGS.name):
        return ()
    parts = [_months_of(patient) for patient in study.stored_readings()]
    table = pd.concat(parts, ignore_index=True) if parts else _months_frame({})
    patients = table["patient_id"].nunique()
    covered = table.groupby("month")["share"].agg(["size", "median"]).reset_index()
    summary = pd.DataFrame(
        {
            "Month": covered["month"],
            "Patients with readings": covered["size"],
            "Median share of the month (%)": [number(v, 0) for v in covered["median"]],
        }
    )
    median = number(table["share"].median(), 0) if len(table) else "–"
    more = patients - SHOWN_PATIENTS
    return (
        Result(
            name="coverage",
            title="Readings by patient and month",
            table=table,
            entries=(),
            finding=f"Readings of {counted(patients, 'patient')}; in a month with any, the median "
            f"share owned by readings is {median} % (n = {len(table)} patient-months).",
            caption="Patients with readings, and the median share of the month's minutes that "
            "their readings own. The CSV has every patient and month.",
            footnotes=(f"The figure shows the first {SHOWN_PATIENTS} patients.",)
            if more > 0
            else (),
            summary=summary,
            drawing=lambda ax: _draw(ax, table),
            alt=f"One line a patient, one cell a month, darker where readings own more of it; "
            f"{counted(patients, 'patient')}, median {median} %.",
            height=1.2 + 0.11 * min(patients, SHOWN_PATIENTS),
        ),
    )


def _months_frame(columns: dict[str, Any]) -> pd.DataFrame:
    names = ("patient_id", "month", "readings", "share")
    return pd.DataFrame({name: columns.get(name, []) for name in names})


def _months_of(patient: StoredReadings) -> pd.DataFrame:
    day = local_days(patient.time, patient.local_offset)
    month = day.astype("datetime64[D]").astype("datetime64[M]")
    first = np.flatnonzero(np.append(True, month[1:] != month[:-1]))
    interval = patient.interval_of[patient.stream].astype(np.int64)
    # A reading owns its interval, or what is left until the next one.
    apart = np.diff(patient.time, append=np.iinfo(np.int64).max // 2) // MICROSECONDS_PER_MINUTE
    owned = np.add.reduceat(np.minimum(interval, apart), first)
    months = month[first]
    length = (months + 1).astype("datetime64[D]") - months.astype("datetime64[D]")
    found = _months_frame(
        {
            "patient_id": np.full(len(first), patient.patient_id, dtype=object),
            "month": months.astype(str),
            "readings": np.diff(first, append=len(day)),
            "share": 100 * owned / (length.astype(np.int64) * 1440),
        }
    )
    return found.groupby(["patient_id", "month"], as_index=False).sum()  # clocks may step back


def _draw(ax: Axes, table: pd.DataFrame) -> None:
    wide = table.pivot_table(index="patient_id", columns="month", values="share", aggfunc="sum")
    every = pd.period_range(wide.columns.min(), wide.columns.max(), freq="M").astype(str)
    wide = wide.reindex(columns=every).iloc[:SHOWN_PATIENTS]
    steps = np.digitize(wide.fillna(0).to_numpy(), (0.001, 25, 50, 75))
    shades = ("#ffffff", *SHADES[3::-1])
    for row, levels in enumerate(steps):
        for level in range(1, len(shades)):
            at = np.flatnonzero(levels == level)
            if len(at):
                spans = [(float(x), 0.9) for x in at]
                ax.broken_barh(spans, (row + 0.05, 0.9), facecolors=shades[level])
    ax.set_xlim(0, len(every))
    ax.set_ylim(len(wide), 0)
    shown = range(0, len(every), -(-len(every) // SHOWN_MONTHS))
    ax.set_xticks([i + 0.45 for i in shown], [every[i] for i in shown])
    ax.set_yticks([i + 0.5 for i in range(len(wide))], wide.index, fontsize=5, color=INK)
    ax.set_xlabel("Month; lightest under 25 % of it, then to 50, to 75, darkest 75 % and more")
    ax.set_ylabel("Patient")
