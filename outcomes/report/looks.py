"""The log of looks: what was explored in a study, so that a later report can say so."""

from __future__ import annotations

import json
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import Final

import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.results import Record, Result, Show
from outcomes.tables.study import Study

COLUMNS: Final = ("on", "study", "plan", "quarter", "outcome", "cohort", "covariate", "horizon")


@dataclass(frozen=True, kw_only=True)
class Look:
    """One look: the day, what it was made from, and which question; no data of patients."""

    on: str
    study: str
    plan: str
    quarter: str
    outcome: str
    cohort: str
    covariate: str
    horizon: str


def log_place(study: Study) -> Path:
    """Return the file beside the study that holds one line a look."""
    folder = study.folder.resolve()
    return folder.parent / f"{folder.name}-looks.jsonl"


def log_look(
    cohorts: CohortSet, *, outcome: str, cohort: str, covariate: str, horizon: str
) -> bool:
    """Add a look to the log; return whether that could be written.

    One short line is appended in one step, so that several people can explore at once.
    """
    look = Look(
        on=date.today().isoformat(),
        study=cohorts.study.version,
        plan=cohorts.plan.fingerprint,
        quarter=str(cohorts.quarter),
        outcome=outcome,
        cohort=cohort,
        covariate=covariate,
        horizon=horizon,
    )
    try:
        with log_place(cohorts.study).open("a", encoding="utf-8") as file:
            file.write(json.dumps(asdict(look), ensure_ascii=False) + "\n")
    except OSError:
        return False
    return True


def read_looks(study: Study) -> pd.DataFrame:
    """Return the log, one row a look in their order; a line that is not one is left out."""
    rows = []
    with suppress(OSError):
        for line in log_place(study).read_text(encoding="utf-8", errors="replace").splitlines():
            with suppress(ValueError, TypeError):
                rows.append(asdict(Look(**json.loads(line))))
    return pd.DataFrame(rows, columns=list(COLUMNS), dtype=object)


def looks(cohorts: CohortSet) -> Result:
    """Return how often this study was explored, and with which questions.

    A figure that was found by looking is a question for the next data, not an answer from these;
    whoever reads a report should know how much was looked at before it.

    Parameters
    ----------
    cohorts : CohortSet
        Any version, plan and quarter of the study counts: the patients are the same.

    Returns
    -------
    Result
        `.table` has one row per outcome, covariate and cohort: `looks`, `horizons` (how many
        different ones), `first_on`, `last_on`.
    """
    log = read_looks(cohorts.study)
    keys = ["outcome", "covariate", "cohort"]
    table = (
        log.groupby(keys, sort=True)
        .agg(
            looks=("on", "size"),
            horizons=("horizon", "nunique"),
            first_on=("on", "min"),
            last_on=("on", "max"),
        )
        .reset_index()
    )
    return Result(
        name="looks",
        title="Looks at the data before this report",
        table=table,
        entries=[
            Record(
                outcome="looks", quantity="looks in exploration", population="cumulative",
                estimate=float(len(log)), level=None, n_units=len(log), unit="looks",
                method="count of the log beside the study",
            )
        ],
        finding=_finding(log, len(table), cohorts),
        caption="Explorations of this study by outcome, covariate and cohort, as logged beside it.",
        footnotes=[
            "Only looks through the exploring notebook are logged; other readings of the same data "
            "are not known to the log.",
        ],
        show={
            "outcome": Show("Outcome"),
            "covariate": Show("Split by"),
            "cohort": Show("Cohort"),
            "looks": Show("Looks", 0),
            "horizons": Show("Different horizons", 0),
            "first_on": Show("First"),
            "last_on": Show("Last"),
        },
    )  # fmt: skip


def _finding(log: pd.DataFrame, questions: int, cohorts: CohortSet) -> str:
    if log.empty:
        return "No exploration of this study is logged (0 looks)."
    days = log["on"].nunique()
    locked = cohorts.plan.plan.locked_on
    text = (
        f"The study was explored {len(log)} times on {days} day{'s' if days > 1 else ''} "
        f"({log['on'].min()} to {log['on'].max()}) with {questions} different "
        f"question{'s' if questions > 1 else ''}"
    )
    if locked is None:
        return f"{text}; the plan is not locked, so that looks may have shaped it."
    before = int((log["on"] < locked.isoformat()).sum())
    return f"{text}; {before} of the looks came before the plan was locked on {locked}."
