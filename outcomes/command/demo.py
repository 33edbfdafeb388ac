"""`outcomes demo`: an invented clinic's exports, its study and its quarterly report."""

from __future__ import annotations

import argparse
import importlib
from importlib.util import find_spec
from pathlib import Path
from types import ModuleType
from typing import Any

from outcomes.command.endings import Ending, typed
from outcomes.errors import UsageError


def add(verbs: Any) -> None:
    """Declare the verb."""
    verb = verbs.add_parser(
        "demo", help="make the report of an invented clinic from its raw exports"
    )
    verb.add_argument("--out", type=Path, default=Path("demo"), help="folder (default: demo)")
    verb.add_argument("--patients", type=int, default=60, help="patients, 20 to 5000 (default: 60)")
    verb.add_argument("--seed", type=int, help="seed of the invented clinic (default: its own)")
    verb.set_defaults(run=run)


def invented_clinics() -> ModuleType:
    """Return the invented clinic's package: part of the wheel, or beside it in a checkout.

    This is the only door to it; no other module imports it.
    """
    name = "outcomes._synthetic" if find_spec("outcomes._synthetic") else "synthetic"
    return importlib.import_module(name)


def run(given: argparse.Namespace) -> Ending:
    """Write exports, take them in, make the report."""
    from outcomes.plan import Quarter, read_sources
    from outcomes.report.kernel import compiling_ahead
    from outcomes.report.make import make_report
    from outcomes.tables.intake import intake

    if not 20 <= given.patients <= 5000:
        raise UsageError(f"--patients {given.patients}: give a number from 20 to 5000.")
    folder: Path = given.out
    seed = {} if given.seed is None else {"seed": given.seed}
    with compiling_ahead():
        clinic = invented_clinics().write_clinic(folder / "clinic", patients=given.patients, **seed)
        sources = read_sources(clinic / "sources.toml")
        intake(sources, folder / "study")
        quarter = Quarter.of(sources.clinic.exported_on).previous()
        report = make_report(folder / "study", clinic / "plan.toml", quarter, folder / "report")
    return Ending(
        made=[
            f"{report.page}  (the quarterly report; open it in a browser)",
            f"{clinic / 'sources.toml'}  (how the exports were read)",
            f"{clinic / 'plan.toml'}  (the analysis plan it used)",
        ],
        findings=report.findings,
        following=typed("outcomes", "intake", "YOUR/sources.toml", "--study", "study"),
    )
