"""What is true of the invented clinic, written beside the exports."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import pandas as pd

from .clinic import Clinic, day


def write_truth(clinic: Clinic, folder: Path) -> None:
    """Write one row per patient, sensor and decision, and every size of the scenario."""
    folder.mkdir(parents=True, exist_ok=True)
    patient_truth(clinic).to_csv(folder / "patients.csv", index=False)
    clinic.sensors.to_csv(folder / "sensors.csv", index=False)
    decisions(clinic).to_csv(folder / "decisions.csv", index=False)
    text = json.dumps(asdict(clinic.scenario), indent=1, default=str)
    (folder / "scenario.json").write_text(text + "\n", encoding="utf-8")


def patient_truth(clinic: Clinic) -> pd.DataFrame:
    """One row per patient: own level, own effects, what was worn from when, and the end."""
    rows = []
    for life in clinic.lives:
        who, lived = life.course.person, life.course
        rows.append(
            {
                "patient_id": who.patient_id,
                "entry": who.entry,
                "level": who.level,
                "effect_adhesive": who.effect_adhesive,
                "effect_implanted": who.effect_implanted,
                "trait": who.trait,
                "glycation_gap": who.glycation_gap,
                "cv": who.cv,
                "frailty": who.frailty,
                "harm": who.harm,
                "worn": "; ".join(f"{kind} from {day(on).date()}" for on, kind in lived.kinds),
                "drug_from": day(lived.drug_from),
                "left_on": day(lived.left),
                "died_on": day(lived.died),
            }
        )
    return pd.DataFrame(rows)


def decisions(clinic: Clinic) -> pd.DataFrame:
    """One row per contact at which a kind was chosen, with the chance of the implanted one."""
    return pd.DataFrame(
        [
            {
                "patient_id": life.course.person.patient_id,
                "on": day(d.on),
                "kind_before": d.kind_before,
                "latest_hba1c": d.latest_hba1c,
                "log_odds": d.log_odds,
                "chosen": d.chosen,
            }
            for life in clinic.lives
            for d in life.course.decisions
        ]
    )
