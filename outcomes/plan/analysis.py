"""The analysis plan as one object: read strictly, shown setting by setting, written as text."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import MISSING, asdict, dataclass, field, fields
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from outcomes.errors import UsageError, known_names
from outcomes.plan.cohort_settings import Cohorts, Frame
from outcomes.plan.comparison_settings import Comparison
from outcomes.plan.outcome_settings import (
    Complications,
    Hba1c,
    SensorAgreement,
    SensorSurvival,
    SensorWear,
    TimeInRange,
)
from outcomes.plan.quarters import Quarter, Span
from outcomes.plan.strict import Document, build
from outcomes.plan.watch_settings import Watch


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A resolved analysis plan; every section has its defaults filled in."""

    plan: Frame
    cohorts: Cohorts = field(default_factory=Cohorts)
    hba1c: Hba1c = field(default_factory=Hba1c)
    time_in_range: TimeInRange = field(default_factory=TimeInRange)
    sensor_survival: SensorSurvival = field(default_factory=SensorSurvival)
    complications: Complications = field(default_factory=Complications)
    comparison: Comparison = field(default_factory=Comparison)
    watch: Watch = field(default_factory=Watch)
    sensor_wear: SensorWear = field(default_factory=SensorWear)
    sensor_agreement: SensorAgreement = field(default_factory=SensorAgreement)

    @property
    def fingerprint(self) -> str:
        """Twelve hexadecimal digits that change when any resolved setting changes."""
        text = json.dumps(asdict(self), sort_keys=True, default=str)
        return hashlib.sha256(text.encode()).hexdigest()[:12]

    def cut_off(self, quarter: Quarter) -> date:
        """Return the last day that data count in a report on `quarter`."""
        return quarter.cut_off(self.plan.lag_days)

    def span(self, quarter: Quarter) -> Span:
        """Return the days of *this quarter*."""
        return quarter.span(self.plan.lag_days)


def read_plan(path: str | Path) -> Plan:
    """Read `plan.toml` strictly; an unknown key is an error that lists the known ones.

    Raises
    ------
    SettingsError
        The file is absent or not TOML, a key is unknown or missing, or a value has the wrong
        type; the message names file, line, key and value.
    """
    document = Document.open(Path(path))
    return build(Plan, document.values, document)


def settings_table(section: str) -> pd.DataFrame:
    """Return every setting of a plan section: name, default, unit, source and sentence.

    Parameters
    ----------
    section : str
        "plan", "cohorts", "hba1c", "time_in_range", "sensor_survival", "complications",
        "comparison", "watch", "sensor_wear" or "sensor_agreement".
    """
    sections = _sections()
    if section not in sections:
        raise UsageError(known_names("section of the plan", section, sections))
    rows = [
        {
            "setting": f.name,
            "default": "must be given" if f.default is MISSING else _toml(f.default),
            "unit": f.metadata["unit"],
            "source": f.metadata["source"],
            "sentence": f.metadata["sentence"],
        }
        for f in fields(sections[section])
    ]
    return pd.DataFrame(rows)


def plan_text(plan: Plan) -> str:
    """Return the resolved plan as the text of a `plan.toml`, each setting with its sentence."""
    return "\n".join(_plan_lines(plan)) + "\n"


def _sections() -> dict[str, Any]:
    return {
        "plan": Frame,
        "cohorts": Cohorts,
        "hba1c": Hba1c,
        "time_in_range": TimeInRange,
        "sensor_survival": SensorSurvival,
        "complications": Complications,
        "comparison": Comparison,
        "watch": Watch,
        "sensor_wear": SensorWear,
        "sensor_agreement": SensorAgreement,
    }


def _plan_lines(plan: Plan) -> Iterator[str]:
    yield "# Analysis plan. Change a value before the data are seen, and set locked_on."
    for name, cls in _sections().items():
        yield f"\n[{name}]"
        for f in fields(cls):
            value = getattr(getattr(plan, name), f.name)
            unit = f" ({f.metadata['unit']})" if f.metadata["unit"] else ""
            yield f"# {f.metadata['sentence']}{unit}"
            yield f"{f.name} = {_toml(value)}" if value is not None else f"# {f.name} = "


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, tuple):
        return f"[{', '.join(map(_toml, value))}]"
    return str(value)
