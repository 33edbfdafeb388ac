"""Clinics that lack something, made from the demo's study; and their quarterly page in a moment."""

import ast
import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import nbformat
import numpy as np
import pandas as pd
from nbformat import NotebookNode
from nbformat.v4 import new_output

import outcomes as oc
from outcomes.report.page import Page, assemble
from outcomes.report.run import notebook_path
from outcomes.results import Result
from outcomes.tables.declared import GLUCOSE_UNITS
from outcomes.tables.study import Study, write_study

PATIENTS = 20  # of the demo's: enough for every section, quick enough for every run
TABLES = (
    "patients", "states", "contacts", "sensors", "procedures", "fingersticks", "hba1c",
    "complications",
)  # fmt: skip
LAST_QUARTER = "2026-Q3"


def few(study: Study) -> list[str]:
    """Return the patients that are kept at most."""
    return sorted(study.table("patients")["patient_id"])[:PATIENTS]


def one_patient(study: Study) -> dict[str, pd.DataFrame]:
    """Keep a patient whose first implanted sensor came after a time known to be without it."""
    patients, sensors = study.table("patients"), study.table("sensors").sort_values("placed_on")
    known = patients.loc[patients["covered_from"] < "2025-01-01", "patient_id"]
    firsts = sensors.loc[sensors["kind"] == "implanted"].drop_duplicates("patient_id")
    late = firsts.loc[firsts["placed_on"].between("2025-04-01", "2026-03-01"), "patient_id"]
    first = next(name for name in few(study) if name in set(late) & set(known))
    tables = {name: study.table(name) for name in TABLES}
    return {name: table.loc[table["patient_id"] == first] for name, table in tables.items()}


def single_cohort(study: Study) -> dict[str, pd.DataFrame]:
    """Keep implanted sensors, their wearers and what belongs to them."""
    tables = {name: study.table(name) for name in TABLES}
    worn = tables["sensors"].loc[tables["sensors"]["kind"] == "implanted"]
    gone = set(tables["sensors"]["sensor_id"]) - set(worn["sensor_id"])
    kept = {}
    for name, table in tables.items():
        mine = table["patient_id"].isin(worn["patient_id"])
        if "sensor_id" in table:
            mine &= ~table["sensor_id"].isin(gone)
        kept[name] = table.loc[mine]
    return kept


def without(*names: str):
    """Return what keeps all tables but some."""

    def keep(study: Study) -> dict[str, pd.DataFrame]:
        return {name: study.table(name) for name in TABLES if name not in names}

    return keep


# Name to the tables kept, whether readings are, and the quarter.
ODD = {
    "an empty quarter": (without(), True, "2027-Q3"),
    "one patient": (one_patient, True, LAST_QUARTER),
    "a single cohort": (single_cohort, True, LAST_QUARTER),
    "no readings": (without("fingersticks"), False, LAST_QUARTER),
    "no complications": (without("complications"), True, LAST_QUARTER),
}


def odd_study(name: str, demo: Path, folder: Path) -> Study:
    """Write the clinic called `name` into `folder`."""
    study = oc.open_study(demo / "study")
    keep, with_readings, quarter = ODD[name]
    tables = {
        name: table.loc[table["patient_id"].isin(few(study))].reset_index(drop=True)
        for name, table in keep(study).items()
    }
    patients, sensors = set(tables["patients"]["patient_id"]), set(tables["sensors"]["sensor_id"])
    readings = _readings(study, patients, sensors) if with_readings else None
    return write_study(
        folder, tables, clinic=f"Clinic with {name}", time_zone=study.time_zone,
        exported_on=max(study.exported_on, _last_day(quarter)), readings=readings,
    )  # fmt: skip


def _last_day(quarter: str) -> date:
    year, number = quarter.split("-Q")
    return (pd.Timestamp(f"{year}-{3 * int(number):02}-01") + pd.offsets.MonthEnd(0)).date()


def _readings(study: Study, patients: set[str], sensors: set[str]):
    for one in study.readings(sorted(patients)):
        names = np.array([*one.sensors, None], dtype=object)[one.sensor]
        mine = np.array([name is None or name in sensors for name in names])
        yield pd.DataFrame(
            {
                "patient_id": np.full(mine.sum(), one.patient_id, dtype=object),
                "time": one.time[mine].astype("datetime64[us]").astype("datetime64[ns]"),
                "local_offset": pd.array(one.local_offset[mine], dtype="Int64"),
                "value": one.value[mine].astype(float),
                "unit": np.array(GLUCOSE_UNITS, dtype=object)[one.unit[mine]],
                "capped": np.array(["no", "above", "below"], dtype=object)[one.capped[mine]],
                "sensor_id": names[mine],
            }
        )


def page_of(study: Path, plan: Path, quarter: str) -> Page:
    """Return the quarterly page, its cells run here: no kernel, so that it takes a moment."""
    notebook = nbformat.read(notebook_path("quarterly_report"), as_version=4)
    for cell, shown in _cells(notebook, study, plan, quarter):
        if hasattr(shown, "_repr_mimebundle_"):
            cell.outputs = [new_output("execute_result", data=shown._repr_mimebundle_())]
    return assemble(notebook, title=f"Report {quarter}", subtitle="s", footer="f", folded=True)


def results_of(name: str, study: Path, plan: Path, quarter: str, *, without: str) -> list[Result]:
    """Return what the cells of a notebook display, less those that begin with some pattern."""
    notebook = nbformat.read(notebook_path(name), as_version=4)
    wanted = [
        cell for cell in notebook.cells
        if cell.cell_type == "code" and not re.match(without, cell.source)
    ]  # fmt: skip
    notebook.cells = wanted
    return [
        shown for _, shown in _cells(notebook, study, plan, quarter) if isinstance(shown, Result)
    ]


def _cells(
    notebook: NotebookNode, study: Path, plan: Path, quarter: str
) -> Iterator[tuple[NotebookNode, object]]:
    """Run the code cells in order; each with the value of its last line."""
    names: dict[str, object] = {}
    for number, cell in enumerate(c for c in notebook.cells if c.cell_type == "code"):
        yield cell, _run(cell.source, names)
        if number == 0:
            names |= {"study": str(study), "plan": str(plan), "quarter": quarter}


def _run(source: str, names: dict[str, object]) -> object:
    """Run a cell and return the value of its last line, where that is an expression."""
    tree = ast.parse(source)
    last = tree.body.pop() if tree.body and isinstance(tree.body[-1], ast.Expr) else None
    exec(compile(tree, "cell", "exec"), names)
    return eval(compile(ast.Expression(last.value), "cell", "eval"), names) if last else None
