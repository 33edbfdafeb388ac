"""The truth as files beside the exports, with a page that explains each of them."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

from .clinic import Clinic
from .horizons import attempt_truth, rate_truth, survival_truth, trajectory_truth
from .truth import confounding, decisions, effects, months, patient_truth, sensor_truth, starts

HERE = Path(__file__).parent


def write_truth(clinic: Clinic, folder: Path) -> None:
    """Write every true value beside the exports, six digits."""
    folder.mkdir(parents=True, exist_ok=True)
    tables = {
        "patients": patient_truth(clinic),
        "sensors": clinic.sensors,
        "decisions": decisions(clinic),
        "confounding": confounding(clinic),
        "starts": starts(clinic),
        "effects": effects(clinic),
        "months": months(clinic),
        "trajectory": trajectory_truth(clinic),
        "incidence": sensor_truth(clinic.scenario),
        "survival": survival_truth(clinic.scenario),
        "rates": rate_truth(),
        "attempts": attempt_truth(clinic),
    }
    for name, table in tables.items():
        table.to_csv(folder / f"{name}.csv", index=False, float_format="%.6g", lineterminator="\n")
    text = json.dumps(asdict(clinic.scenario), indent=1, default=str)
    (folder / "scenario.json").write_text(text + "\n", encoding="utf-8")
    page = (HERE / "truth.md").read_text(encoding="utf-8")
    (folder / "README.md").write_text(page, encoding="utf-8")
