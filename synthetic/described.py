"""`sources.toml` and `plan.toml` beside the exports, as the clinic would write them by hand."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from .scenario import Scenario

HERE: Final = Path(__file__).parent
USUAL: Final = Scenario()


def sources_text(scenario: Scenario) -> str:
    """Return the text of `sources.toml`, with the day of this scenario's export."""
    text = (HERE / "sources.toml").read_text(encoding="utf-8")
    return _set(
        text, "exported_on", USUAL.exported_on.isoformat(), scenario.exported_on.isoformat()
    )


def plan_text(scenario: Scenario) -> str:
    """Return the text of `plan.toml`, with this scenario's start."""
    text = (HERE / "plan.toml").read_text(encoding="utf-8")
    return _set(text, "start", USUAL.plan_start.isoformat(), scenario.plan_start.isoformat())


def _set(text: str, key: str, usual: str, value: str) -> str:
    line = f"{key} = {usual}"
    if text.count(line) != 1:
        raise ValueError(f"{key}: not set once as {usual}.")
    return text.replace(line, f"{key} = {value}")
