"""Write the invented clinic: exports, sources.toml, plan.toml, the truth and the known numbers."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

from .clinic import DEFAULT_SEED, blocks
from .described import plan_text, sources_text
from .exports import Exports
from .known import Happened, known_numbers
from .scenario import Scenario
from .told import Truth

KNOWN = "known_numbers.json"


def write_clinic(
    folder: str | Path,
    *,
    patients: int = 60,
    seed: int = DEFAULT_SEED,
    scenario: Scenario | None = None,
    readings_minutes: tuple[int, int] | None = None,
) -> Path:
    """Write an invented clinic and return the folder.

    Parameters
    ----------
    folder : str or Path
        Made where it is absent; an invented clinic that is there already is replaced whole.
    patients : int
        20 to 5,000. Patient k is the same in every size, but for attempts that failed (`clinic`).
    seed : int
        Same seed, same bytes.
    scenario : Scenario, optional
        True sizes that differ from the default ones.
    readings_minutes : (int, int), optional
        Minutes between readings of implanted and of adhesive sensors; 5 and 15 unless given.
        60 patients then have 4.5 million readings; (15, 15) leaves 2.6 million.

    Returns
    -------
    Path
        `folder`, with `exports/`, `sources.toml`, `plan.toml`, `truth/`, `known_numbers.json`.

    Raises
    ------
    ValueError
        `patients` is not between 20 and 5,000.
    FileExistsError
        `folder` holds an `exports` that was not written here.
    """
    if not 20 <= patients <= 5_000:
        raise ValueError(f"patients: {patients} is not between 20 and 5,000.")
    scenario = with_minutes(scenario, readings_minutes)
    place = Path(folder)
    _clear(place)
    place.mkdir(parents=True, exist_ok=True)
    exports, truth, happened = Exports(scenario, seed, place), Truth(place / "truth"), Happened()
    for block in blocks(patients, seed, scenario):
        exports.add(block)
        truth.add(block)
        happened.add(block)
    truth.finish(scenario)
    (place / "sources.toml").write_text(sources_text(scenario), encoding="utf-8")
    (place / "plan.toml").write_text(plan_text(scenario), encoding="utf-8")
    numbers = json.dumps(known_numbers(happened, exports.finish()), indent=1, ensure_ascii=False)
    (place / KNOWN).write_text(numbers + "\n", encoding="utf-8")
    return place


def with_minutes(scenario: Scenario | None, minutes: tuple[int, int] | None) -> Scenario:
    """Return the scenario (the usual one for None) with other minutes between readings."""
    scenario = scenario or Scenario()
    if minutes is None:
        return scenario
    implanted, adhesive = minutes
    return replace(scenario, implanted_minutes=implanted, adhesive_minutes=adhesive)


def _clear(place: Path) -> None:
    """Remove an earlier invented clinic: one of its files left over would be read with the new."""
    if not (place / "exports").exists():
        return
    if not (place / KNOWN).is_file():
        raise FileExistsError(f"{place}: holds exports that are not invented. Name another folder.")
    for part in ("exports", "truth"):
        shutil.rmtree(place / part, ignore_errors=True)
