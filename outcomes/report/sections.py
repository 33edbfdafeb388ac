"""The parts of a report that are about the report: answers, account of rows, plan, provenance."""

from __future__ import annotations

import html
import platform
from dataclasses import dataclass
from importlib.metadata import version
from typing import Any

import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.cohorts.restriction import words
from outcomes.mime import RESULT_MIME
from outcomes.plan import Plan, settings_table
from outcomes.results import DASH, Result, Show
from outcomes.tables.study import Study
from outcomes.units import counted

LIBRARIES = ("numpy", "pandas", "scipy", "statsmodels", "lifelines", "matplotlib", "seaborn")
# The day of each table's rows, for telling a quarter in which nothing happened.
DATED = {
    "contacts": "on",
    "hba1c": "drawn_on",
    "sensors": "placed_on",
    "procedures": "on",
    "complications": "onset_on",
}
QUIET = (
    "No contact, HbA1c draw, sensor placed, procedure or complication is dated in {quarter}. What "
    "is told since the plan's start rests on earlier quarters; what is told of this quarter is "
    "empty. Were the exports complete?"
)
SECTIONS = (
    "plan",
    "cohorts",
    "hba1c",
    "time_in_range",
    "sensor_survival",
    "complications",
    "comparison",
    "watch",
)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Answers(Result):
    """The questions of the quarter, each with its one-sentence answer."""

    def _repr_html_(self) -> str:
        pairs = "".join(
            f"<div><dt>{html.escape(row.question)}</dt><dd>{html.escape(row.answer)}</dd></div>"
            for row in self.table.itertuples()
        )
        return f'<dl class="answers">{pairs}</dl>'

    def _repr_mimebundle_(self, **options: Any) -> dict[str, Any]:
        # Every sentence stands again with its own result, whose table lies beside the page.
        bundle = super()._repr_mimebundle_(**options)
        bundle[RESULT_MIME]["csv"] = ""
        return bundle


def answers(*results: Result, cohorts: CohortSet | None = None) -> Answers:
    """Return the first screen: each result's question and its finding, in the order given.

    With `cohorts`, a quarter in which nothing is dated is told as such before all else.
    """
    pairs = [(result.title, result.finding) for result in results]
    if cohorts is not None and not _happened(cohorts):
        pairs.insert(0, ("Is there anything new?", QUIET.format(quarter=cohorts.quarter)))
    table = pd.DataFrame(pairs, columns=["question", "answer"])
    return Answers(
        name="answers",
        title="The questions and their answers",
        table=table,
        entries=(),
        finding="",
        caption="The questions of the quarter and their answers.",
        audience=results[0].audience if results else "clinic",
    )


def _happened(cohorts: CohortSet) -> bool:
    """Return whether anything is dated in the quarter: a contact, a draw, a sensor, a harm."""
    first, last = map(pd.Timestamp, (cohorts.span.first_on, cohorts.span.last_on))
    tables = ((name, column) for name, column in DATED.items() if cohorts.study.has(name))
    return any(
        cohorts.study.table(name)[column].between(first, last).any() for name, column in tables
    )


def accounting(study: Study) -> Result:
    """Return how many rows of every export were read, kept, set aside or were exact repeats."""
    table = study.accounting
    if table.empty:
        return Result(
            name="accounting",
            title="What happened to every row of the exports",
            table=pd.DataFrame(),
            entries=(),
            finding="The study was not made by an intake, so that there is no account of rows.",
            caption="No account of rows.",
        )
    totals = {name: int(table[name].sum()) for name in table if name.startswith(("rows", "exact"))}
    away = totals.get("rows_set_aside", 0)
    read = totals.get("rows_read", 0)
    return Result(
        name="accounting",
        title="What happened to every row of the exports",
        table=table,
        entries=(),
        finding=(
            f"{counted(read, 'row')} read; {away:,} set aside with a reason and "
            f"{totals.get('exact_repeats', 0):,} were exact repeats."
        ),
        caption="Rows read = kept + set aside + exact repeats + without a value for this table.",
        show={
            "file": Show("Export"),
            "table": Show("Table"),
            "rows_read": Show("Read", 0),
            "rows_kept": Show("Kept", 0),
            "rows_set_aside": Show("Set aside", 0),
            "exact_repeats": Show("Exact repeats", 0),
            "rows_without_value": Show("Nothing for this table", 0),
        },
    )


def set_aside(study: Study) -> Result:
    """Return why rows were set aside and what intake noted, with how to mend it."""
    table = study.findings
    rows = int(table.loc[table["severity"] == "set aside", "rows"].sum()) if len(table) else 0
    return Result(
        name="set_aside",
        title="Rows set aside, and why",
        table=table,
        entries=(),
        finding=f"{counted(rows, 'row')} kept out of every figure; each stands in the study with "
        "its file, line and reason.",
        caption="Findings of the intake, by rule. Severity: set aside = out of every figure; "
        "note = kept, and worth a look.",
        show={
            "sentence": Show("Finding"),
            "table": Show("Table"),
            "severity": Show("Severity"),
            "rows": Show("Rows", 0),
            "mend": Show("How to mend it"),
        },
    )


def plan_settings(plan: Plan) -> Result:
    """Return every setting of the plan with its value, default, unit and source."""
    table = pd.concat([_section(plan, name) for name in SECTIONS], ignore_index=True)
    locked = plan.plan.locked_on
    return Result(
        name="plan",
        title="The analysis plan",
        table=table,
        entries=(),
        finding=(
            f"Plan “{plan.plan.name}”, fingerprint {plan.fingerprint}, "
            + (f"locked on {locked.isoformat()}." if locked else "not locked.")
        ),
        caption="Every setting of the plan as used.",
        show={
            "setting": Show("Setting"),
            "value": Show("Value"),
            "default": Show("Default"),
            "unit": Show("Unit"),
            "source": Show("Source"),
        },
    )


def _section(plan: Plan, name: str) -> pd.DataFrame:
    table = settings_table(name)
    section = getattr(plan, name)
    values = [_words(getattr(section, setting)) for setting in table["setting"]]
    defaults = table["default"].replace("None", DASH)
    return table.assign(value=values, default=defaults, setting=f"{name}." + table["setting"])


def _words(value: Any) -> str:
    if value is None:
        return DASH
    return ", ".join(map(str, value)) if isinstance(value, tuple) else str(value)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Provenance(Result):
    """What made the report; carries the `made` part of `results.json`."""

    made: dict[str, Any]

    def _repr_mimebundle_(self, **options: Any) -> dict[str, Any]:
        bundle = super()._repr_mimebundle_(**options)
        bundle[RESULT_MIME]["made"] = self.made
        return bundle


def provenance(cohorts: CohortSet, *, audience: str = "clinic") -> Provenance:
    """Return versions and fingerprints of everything that a number of the report depends on."""
    made: dict[str, Any] = {
        "toolkit": version("outcomes"),
        "python": platform.python_version(),
        "libraries": {name: version(name) for name in LIBRARIES},
        "study": cohorts.study.version,
        "plan": cohorts.plan.fingerprint,
        "cut_off": cohorts.cut_off.isoformat(),
        "quarter": str(cohorts.quarter),
        "seed": cohorts.plan.plan.seed,
        "audience": audience,
        "where": dict(cohorts.where),
    }
    rows = {
        "Toolkit": made["toolkit"],
        "Study version": made["study"],
        "Plan fingerprint": made["plan"],
        "Cut-off": made["cut_off"],
        "Quarter": made["quarter"],
        "Restricted to": words(cohorts.where) or "nothing: the whole clinic",
        "Seed": made["seed"],
        "Audience": audience,
        "Python": made["python"],
        **{name: text for name, text in made["libraries"].items()},
    }
    return Provenance(
        name="provenance",
        title="What made this report",
        table=pd.DataFrame({"item": list(rows), "value": [str(v) for v in rows.values()]}),
        entries=(),
        finding=f"Study version {made['study']} under plan {made['plan']}, data to "
        f"{made['cut_off']}.",
        caption="Versions and fingerprints. The same study and plan give the same page.",
        audience=audience,
        show={"item": Show("Item"), "value": Show("Value")},
        made=made,
    )
