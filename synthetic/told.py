"""The truth as files beside the exports, with a page that explains each of them."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Final

import pandas as pd

from .clinic import Clinic
from .horizons import attempts, periods, rate_truth, survival_truth, trajectory_truth
from .scenario import Scenario
from .truth import (
    choosers,
    confounding,
    decisions,
    effects,
    months,
    patient_truth,
    sensor_truth,
    starts,
)

HERE: Final = Path(__file__).parent
OF_PATIENTS: Final[dict[str, Callable[[Clinic], pd.DataFrame]]] = {
    "patients": patient_truth,
    "sensors": lambda block: block.sensors,
    "decisions": decisions,
    "starts": starts,
    "months": months,
    "choosers": choosers,
    "periods": periods,
    "attempts": attempts,
}
WRITTEN: Final = ("patients", "sensors", "decisions", "starts", "months")  # as patients come in
KEPT: Final = ("starts", "choosers", "periods", "attempts")  # until all are in


class Truth:
    """Every true value, six digits, written under `folder` while patients come in."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.begun: set[str] = set()
        self.kept: defaultdict[str, list[pd.DataFrame]] = defaultdict(list)

    def add(self, block: Clinic) -> None:
        """Write what is true of some patients, and keep what is needed of all of them."""
        tables = {name: table(block) for name, table in OF_PATIENTS.items()}
        for name in WRITTEN:
            self._write(name, tables[name])
        for name in KEPT:
            self.kept[name].append(tables[name])

    def finish(self, scenario: Scenario) -> None:
        """Write what is true of all patients together, the scenario, and the page."""
        kept = {name: pd.concat(parts, ignore_index=True) for name, parts in self.kept.items()}
        self._write("confounding", confounding(kept["choosers"], scenario))
        self._write("effects", effects(kept["starts"]))
        self._write("trajectory", trajectory_truth(kept["periods"]))
        self._write("incidence", sensor_truth(scenario))
        self._write("survival", survival_truth(scenario))
        self._write("rates", rate_truth())
        self._write("attempts", kept["attempts"].sort_values(["on", "procedure_id"], kind="stable"))
        text = json.dumps(asdict(scenario), indent=1, default=str)
        (self.folder / "scenario.json").write_text(text + "\n", encoding="utf-8")
        page = (HERE / "truth.md").read_text(encoding="utf-8")
        (self.folder / "README.md").write_text(page, encoding="utf-8")

    def _write(self, name: str, table: pd.DataFrame) -> None:
        if table.empty:  # of a block where nobody had any
            return
        first = name not in self.begun
        self.begun.add(name)
        table.to_csv(
            self.folder / f"{name}.csv", mode="w" if first else "a", header=first, index=False,
            float_format="%.6g", lineterminator="\n",
        )  # fmt: skip


def write_truth(clinic: Clinic, folder: Path) -> None:
    """Write what is true of a whole clinic."""
    truth = Truth(folder)
    truth.add(clinic)
    truth.finish(clinic.scenario)
