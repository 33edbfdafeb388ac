"""`outcomes manuscript`: tables and figures of one quarter for a paper."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from outcomes.command.endings import Ending, typed
from outcomes.command.many import conditions
from outcomes.command.when import add_quarter, quarter_of


def add(verbs: Any) -> None:
    """Declare the verb."""
    verb = verbs.add_parser(
        "manuscript", help="write tables for a word processor and figures in print quality"
    )
    verb.add_argument("--study", metavar="DIR", type=Path, required=True, help="study folder")
    verb.add_argument("--plan", metavar="FILE", type=Path, required=True, help="plan.toml")
    add_quarter(verb)
    verb.add_argument("--out", metavar="DIR", type=Path, required=True, help="folder to write")
    verb.add_argument(
        "--audience", metavar="WHO", default="clinic",
        help="clinic, committee or external: whose hidden cells are hidden (default: clinic)",
    )  # fmt: skip
    verb.add_argument(
        "--where", metavar="NAME=VALUE", action="append", default=[],
        help="only these patients, such as site=north; may be given several times",
    )  # fmt: skip
    verb.set_defaults(run=run)


def run(given: argparse.Namespace) -> Ending:
    """Make the results of the report once more and write them for a paper."""
    import outcomes as oc

    to, quarter = oc.audience(given.audience), str(quarter_of(given))
    cohorts = oc.build_cohorts(
        oc.open_study(given.study), oc.read_plan(given.plan),
        quarter=quarter, where=conditions(given.where),
    )  # fmt: skip
    comparison = oc.compare(cohorts)
    made = [
        cohorts.flow, cohorts.baseline, oc.hba1c_change(cohorts), oc.time_in_range(cohorts),
        oc.sensor_survival(cohorts), oc.complications(cohorts), comparison, comparison.balance,
    ]  # fmt: skip
    results = [*map(to, made), oc.provenance(cohorts, audience=given.audience)]
    written = oc.manuscript(*results, folder=given.out)
    figures = len({path.stem.rpartition("_")[0] for path in written if path.suffix == ".svg"})
    return Ending(
        made=[
            f"{given.out / 'tables.html'}  (tables, footnotes and legends; open it in a word "
            "processor)",
            f"{given.out / 'tables.xlsx'}  (the same unrounded, a sheet each)",
            f"{given.out / 'figures'}  ({figures} figures as SVG and 600 dpi PNG, two widths)",
            f"{given.out / 'results.json'}  (the numbers behind them)",
        ],
        findings=[result.finding for result in results if result.entries],
        following=typed(
            "outcomes", "report", "quarterly", "--study", given.study, "--plan", given.plan,
            "--quarter", quarter, "--out", "report",
        ),
    )  # fmt: skip
