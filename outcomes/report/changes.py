"""What changed since the report before: software, corrected data, new data, plan; each apart."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import pandas as pd

from outcomes.cohorts.build import CohortSet, build_cohorts
from outcomes.errors import StudyError, UsageError
from outcomes.measures.complications import complications
from outcomes.measures.hba1c_change import hba1c_change
from outcomes.measures.sensor_survival import sensor_survival
from outcomes.measures.time_in_range import time_in_range
from outcomes.plan import Plan, read_plan
from outcomes.results import DASH, Result, number
from outcomes.tables.study import Study, open_study

# The figures that are followed from report to report; the first words of `at` where they matter.
HEADLINES: Final = (
    ("hba1c_change", "mean change, those with both draws", "percentage points", "month"),
    ("time_in_range", "share 70-180", "% of time", "period 7"),
    ("sensor_survival", "reached planned removal", "of 100 sensors placed", "eve"),
    ("sensor_survival", "lost before the planned day", "of 100 sensors placed", "eve"),
    ("complications", "harm of wear, first events", "per 100 patient-years", ""),
)
MEASURES: Final[tuple[Callable[..., Result], ...]] = (
    hba1c_change,
    time_in_range,
    sensor_survival,
    complications,
)
STEPS: Final = ("software", "data corrected", "new data", "plan")

Key = tuple[str, str, str, str]


@dataclass(frozen=True)
class Earlier:
    """An earlier report: its numbers, and what it was made from."""

    records: Mapping[Key, float]
    plan: Plan
    study: str
    quarter: str

    @classmethod
    def open(cls, folder: Path) -> Earlier:
        """Read `results.json` and `plan.toml` of the report in `folder`."""
        try:
            stored = json.loads((folder / "results.json").read_text("utf-8"))
            plan = read_plan(folder / "plan.toml")
            made = stored["made"]
            return cls(headlines(stored["results"]), plan, made["study"], made["quarter"])
        except (OSError, ValueError, KeyError) as error:
            raise UsageError(
                f"{folder.name}: not the folder of an earlier report. Name the folder that holds "
                "its results.json and plan.toml."
            ) from error


def headlines(records: Iterable[Mapping[str, Any]]) -> dict[Key, float]:
    """Return the followed figures of a list of records: outcome, quantity, cohort, at to value."""
    found: dict[Key, float] = {}
    for record in records:
        at = record["at"] or ""
        wanted = any(
            (record["outcome"], record["quantity"], record["unit"]) == (outcome, quantity, unit)
            and at.startswith(when)
            for outcome, quantity, unit, when in HEADLINES
        )
        plain = not record["by"] or record["by"] in (
            {"counted": "all reported"},
            {"stratum": "new"},
        )
        if wanted and plain and record["population"] == "cumulative" and record["cohort"]:
            key = (record["outcome"], record["quantity"], record["cohort"], at)
            if record["estimate"] is not None:
                found.setdefault(key, record["estimate"])
    return found


def changes(cohorts: CohortSet, *, previous: str | Path | None) -> Result:
    """Return how each followed figure came from the earlier report's to this one's.

    Parameters
    ----------
    cohorts : CohortSet
        Of this report.
    previous : path or None
        Folder of the earlier report (with `results.json` and `plan.toml`); None or "" where there
        is none.

    Returns
    -------
    Result
        One row per figure: the earlier value, what each step added, the value now. The steps are
        taken in a fixed order: the same data, cut-off and plan under today's software; then the
        study of today at the old cut-off and plan (*data corrected*); then today's cut-off (*new
        data*); then today's plan. A step is missing where the earlier study version is no longer
        in the study folder; software and corrections are then told together.

    Raises
    ------
    UsageError
        `previous` is not the folder of a report.
    """
    if not previous:
        return _nothing("No earlier report was named, so nothing is compared.")
    earlier = Earlier.open(Path(previous))
    stages = _stages(cohorts, earlier)
    keys = [key for key in stages[-1] or () if key in earlier.records]
    rows = [_row(key, [earlier.records, *stages]) for key in keys]
    if not rows:
        return _nothing(f"The report on {earlier.quarter} has no figure in common with this one.")
    table = pd.DataFrame(rows).astype(dict.fromkeys(STEPS, float))
    moved = {step: int((table[step].abs() > 0.05).sum()) for step in STEPS}
    told = ", ".join(f"{step} {count}" for step, count in moved.items())
    return Result(
        name="changes",
        title="What changed since the report before",
        table=table,
        entries=(),  # each figure stands in the records of its own measure, here and earlier
        finding=f"Since the report on {earlier.quarter}, of {len(rows)} figures followed these "
        f"moved by more than 0.05: by {told}.",
        caption=f"From the report on {earlier.quarter} to this one; each step in the figure's "
        "own unit, adding up to the change.",
        footnotes=_footnotes(stages, earlier),
        summary=_summary(table),
    )


def _stages(cohorts: CohortSet, earlier: Earlier) -> list[Mapping[Key, float] | None]:
    """Return the followed figures after each step; None where a step cannot be taken."""
    study, plan, quarter = cohorts.study, cohorts.plan, str(cohorts.quarter)
    now = _figures(study, plan, quarter)
    same_plan = plan.fingerprint == earlier.plan.fingerprint
    new_data = now if same_plan else _figures(study, earlier.plan, quarter)
    same_data = study.version == earlier.study
    corrected = _figures(study, earlier.plan, earlier.quarter)
    software = corrected if same_data else _old_version(study, earlier)
    return [software, corrected, new_data, now]


def _old_version(study: Study, earlier: Earlier) -> Mapping[Key, float] | None:
    try:
        old = open_study(study.folder, version=earlier.study)
    except StudyError:
        return None
    return _figures(old, earlier.plan, earlier.quarter)


def _figures(study: Study, plan: Plan, quarter: str) -> Mapping[Key, float]:
    cohorts = build_cohorts(study, plan, quarter=quarter)
    return headlines(record for measure in MEASURES for record in measure(cohorts).records())


def _row(key: Key, stages: list[Mapping[Key, float] | None]) -> dict[str, Any]:
    outcome, quantity, cohort, at = key
    row: dict[str, Any] = {"outcome": outcome, "quantity": quantity, "cohort": cohort, "at": at}
    last = row["before"] = (stages[0] or {})[key]
    for step, figures in zip(STEPS, stages[1:], strict=True):
        value = None if figures is None else figures.get(key)
        row[step] = None if value is None else value - last
        last = last if value is None else value
    row["now"] = last
    return row


def _summary(table: pd.DataFrame) -> pd.DataFrame:
    def signed(value: float | None) -> str:
        if value is None or pd.isna(value):
            return DASH
        text = number(value, 2)
        return text if text.startswith("−") or text == "0.00" else f"+{text}"

    what = [
        ", ".join(filter(None, (row.cohort, row.quantity, row.at))) for row in table.itertuples()
    ]
    columns = {"Figure": what, "Before": [number(value, 2) for value in table["before"]]}
    for step in STEPS:
        columns[step.capitalize()] = [signed(value) for value in table[step]]
    return pd.DataFrame({**columns, "Now": [number(value, 2) for value in table["now"]]})


def _footnotes(stages: list[Mapping[Key, float] | None], earlier: Earlier) -> list[str]:
    notes = [
        "Software: the earlier data, cut-off and plan under today's software. Data corrected: "
        "today's study at the earlier cut-off and plan. New data: today's cut-off. Plan: today's "
        "plan."
    ]
    if stages[0] is None:
        notes.append(
            f"Study version {earlier.study} is no longer in the study folder: changes by software "
            "stand under data corrected."
        )
    return notes


def _nothing(sentence: str) -> Result:
    return Result(
        name="changes",
        title="What changed since the report before",
        table=pd.DataFrame(),
        entries=(),
        finding=sentence,
        caption="Change since the report before.",
    )
