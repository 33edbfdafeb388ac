"""The page of evidence, `EVIDENCE.md`, made from the committed tables and reasons alone."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pandas as pd

from tests.truth.bench import FOLDER, benches, kept, limits

PAGE = FOLDER / "EVIDENCE.md"
REASONS = FOLDER / "reasons.toml"


def reasons() -> list[dict[str, str]]:
    """Return why rows that fall short do, each with estimator, scenario and question ("*": all)."""
    if not REASONS.exists():
        return []
    return list(tomllib.loads(REASONS.read_text(encoding="utf-8"))["reason"])


def reason_of(row: Any) -> str | None:
    """Return the written reason of a row, None where there is none."""
    for entry in reasons():
        if entry["estimator"] == row.estimator and all(
            entry.get(name, "*") in ("*", getattr(row, name)) for name in ("scenario", "question")
        ):
            return entry["because"]
    return None


def write(path: Path = PAGE) -> Path:
    """Write the page."""
    path.write_text(page(kept()), encoding="utf-8")
    return path


def page(table: pd.DataFrame) -> str:
    """Return the page as Markdown."""
    rules = limits()
    short = table["verdict"].str.startswith("falls short")
    with_bar = table["bar"] != "none"
    lines = [
        "# Evidence: what is true of invented clinics, and what the estimators say",
        "",
        "Nobody can check a clinic's real answer; of an invented clinic it is known. Each row below"
        " is one estimator in one kind of clinic, drawn again and again from a seed: how far its"
        " estimates lie from the truth on average (bias), and how often its 95 % interval holds"
        " the truth (coverage). Made by `python -m tests.truth all`; the tables are in `results/`,"
        " the limits, committed before the runs, in `limits.toml`.",
        "",
        f"- {int(with_bar.sum())} rows have a bar; {int((with_bar & ~short).sum())} hold, "
        f"{int(short.sum())} fall short.",
        f"- A row falls short when even the {100 * rules['monte_carlo']:g} % Monte Carlo interval"
        f" of its coverage lies more than {100 * rules['margin']:g} point from"
        f" {100 * rules['coverage']:g} %, or its bias is above the larger of"
        f" {rules['bias_in_standard_errors']:g} standard errors of the estimate and"
        f" {rules['bias_in_monte_carlo_errors']:g} Monte Carlo errors. A row that falls short at"
        f" {rules['replicates']:,} replicates is run once more with {rules['rerun']:,}.",
        f"- Clinics of fewer than {rules['bar_from_patients']} patients are shown without a bar,"
        " and so are the rows that show what goes wrong without care.",
        "- Bias in brackets: its Monte Carlo error. On the log scale where the estimate is a rate"
        " or a ratio. Coverage in brackets: its Monte Carlo interval; over the replicates that"
        " gave an interval (without: how many refused, in words).",
        "- The truth is the estimator's own limit, in closed form or from a million draws. The"
        " generator shares no code with the estimators.",
        "",
    ]
    for outcome, part in table.groupby("outcome", sort=True):
        lines += [f"## {outcome}", ""]
        for estimator, rows in part.groupby("estimator", sort=True):
            lines += [f"### `{estimator}`", "", *_table(rows), ""]
    waiting = sorted({one.estimator for one in benches()} - set(table["estimator"]))
    if waiting:
        names = ", ".join(f"`{name}`" for name in waiting)
        lines += [
            "## Not yet run",
            "",
            f"Set out, with limits, and without a table yet: {names}.",
            "",
        ]
    lines += ["## What falls short, and why", "", *_short(table[short]), ""]
    lines += ["## What is shown without a bar, and why", "", *_shown(), ""]
    return "\n".join(lines)


def _table(rows: pd.DataFrame) -> list[str]:
    lines = [
        "| scenario | patients | question | truth | bias (error) | coverage, % | replicates"
        " (without) | minutes | |",
        "| --- | ---: | --- | ---: | ---: | ---: | ---: | ---: | --- |",
    ]
    for row in rows.itertuples():
        log = ", log" if row.scale == "log" else ""
        truth_error = f" ({row.truth_error:.1g})" if row.truth_error else ""
        without = f" ({row.without_interval})" if row.without_interval else ""
        coverage = "-"
        if row.replicates > row.without_interval:
            coverage = (
                f"{100 * row.coverage:.1f} "
                f"({100 * row.coverage_low:.1f} to {100 * row.coverage_high:.1f})"
            )
        lines.append(
            f"| {row.scenario} | {row.patients} | {row.question} | {row.truth:.4g}{truth_error} "
            f"| {row.bias:+.2g} ({row.bias_error:.1g}){log} | {coverage} "
            f"| {row.replicates:,}{without} | {row.minutes:g} | {row.verdict} |"
        )
    return lines


def _short(rows: pd.DataFrame) -> list[str]:
    if rows.empty:
        return ["Nothing falls short."]
    return [
        f"- `{row.estimator}`, {row.scenario}, {row.patients} patients, {row.question}: "
        f"{row.verdict.removeprefix('falls short: ')} ({100 * row.coverage:.1f} %, bias "
        f"{row.bias:+.2g}). {reason_of(row) or 'No reason is known yet.'}"
        for row in rows.itertuples()
    ]


def _shown() -> list[str]:
    return [
        f"- `{entry['estimator']}`, {entry['question']}: {entry['reason']}"
        for entry in limits().get("shown", [])
    ]
