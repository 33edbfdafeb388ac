"""`outcomes synthesise`: an invented clinic of any size, with everything that is true of it."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from outcomes.command.demo import invented_clinics
from outcomes.command.endings import Ending, typed
from outcomes.errors import UsageError

FEWEST, MOST = 20, 5000


def add(verbs: Any) -> None:
    """Declare the verb."""
    verb = verbs.add_parser(
        "synthesise", help="write the raw exports of an invented clinic, and its truth"
    )
    verb.add_argument(
        "--patients", type=int, default=500,
        help=f"patients, {FEWEST} to {MOST} (default: 500; about 3 MB of exports each)",
    )  # fmt: skip
    verb.add_argument("--seed", type=int, help="same seed, same bytes (default: its own)")
    verb.add_argument(
        "--minutes", type=int, nargs=2, default=(5, 15), metavar=("IMPLANTED", "ADHESIVE"),
        help="minutes between readings, by kind of sensor (default: 5 15)",
    )  # fmt: skip
    verb.add_argument(
        "--out", metavar="DIR", type=Path, default=Path("clinic"), help="folder (default: clinic)"
    )
    verb.set_defaults(run=run)


def run(given: argparse.Namespace) -> Ending:
    """Write the clinic and say where its parts are and how many rows are wrong."""
    import json

    if not FEWEST <= given.patients <= MOST:
        raise UsageError(f"--patients {given.patients}: give a number from {FEWEST} to {MOST}.")
    if given.seed is not None and given.seed < 0:
        raise UsageError(f"--seed {given.seed}: give 0 or more.")
    if not all(1 <= minutes <= 60 for minutes in given.minutes):
        raise UsageError(f"--minutes {given.minutes[0]} {given.minutes[1]}: give 1 to 60 each.")
    seed = {} if given.seed is None else {"seed": given.seed}
    try:
        clinic: Path = invented_clinics().write_clinic(
            given.out, patients=given.patients, readings_minutes=tuple(given.minutes), **seed
        )
    except FileExistsError as error:
        raise UsageError(f"--out: {error}") from error
    known = json.loads((clinic / "known_numbers.json").read_text(encoding="utf-8"))
    tables = known["tables"].values()
    rows, wrong = (sum(table[name] for table in tables) for name in ("rows", "set_aside_in_all"))
    repeats = sum(table["exact_repeats"] for table in tables)
    return Ending(
        made=[
            f"{clinic / 'exports'}  ({len(known['rows_by_file'])} files of six systems)",
            f"{clinic / 'sources.toml'}  (how to read them), {clinic / 'plan.toml'}",
            f"{clinic / 'truth'}  (what is true; README.md there explains each table)",
            f"{clinic / 'known_numbers.json'}  (what a right intake finds, and every wrong row)",
        ],
        findings=[
            f"{rows:,} rows of {known['happened']['patients']} patients; {wrong:,} are wrong and"
            f" {repeats:,} are exact repeats, all planted.",
            "Everybody in it is invented. Nothing of it says anything about a real sensor.",
        ],
        following=typed("outcomes", "intake", clinic / "sources.toml", "--study", "study"),
    )
