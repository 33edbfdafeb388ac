"""The plan's subgroups as one forest with their interaction, never as separate verdicts."""

from __future__ import annotations

from functools import partial
from typing import Any, Final

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.comparison.contrasts import CONTRAST, contrast
from outcomes.comparison.effects import POINTS, Hba1cComparison
from outcomes.comparison.people import Compared, restricted
from outcomes.comparison.weights import overlap
from outcomes.errors import SettingsError, known_names
from outcomes.figures.forest import draw_forest
from outcomes.plan import Comparison
from outcomes.results import Record, Result, interval, number
from outcomes.statistics.design import is_numeric

EVERYBODY: Final = "everybody"
LEVEL: Final = "level"
INTERACTION: Final = "interaction"

Row = dict[str, Any]


def subgroups(comparison: Hba1cComparison) -> Result:
    """Show the primary contrast by the levels of the plan's subgroups, with the interaction.

    Parameters
    ----------
    comparison : Hba1cComparison
        As `compare` returns it for "hba1c_change".

    Returns
    -------
    Result
        `.table` has a row for everybody, one per subgroup and level, and one per subgroup with the
        interaction: for two levels the difference of their differences, for more the p-value of
        no difference between them alone (Cochran's Q).

    Raises
    ------
    SettingsError
        The plan names a subgroup that is no covariate.
    """
    rules, found = comparison.cohorts.plan.comparison, comparison.found
    rows: list[Row] = [
        {"subgroup": EVERYBODY, "level": EVERYBODY, "quantity": LEVEL, **comparison.main.row()}
    ]
    for name in rules.subgroups:
        if name not in found.rows.columns:
            known = known_names("covariate", name, map(str, found.rows.columns))
            raise SettingsError(f"plan, comparison.subgroups: {known}")
        rows += _subgroup(found, name, rules)
    table = pd.DataFrame(rows, columns=_COLUMNS)
    drawn = table.loc[(table["quantity"] == LEVEL) & table["estimate"].notna()].assign(
        label=lambda d: np.where(
            d["subgroup"] == EVERYBODY,
            EVERYBODY,
            d["subgroup"].str.replace("_", " ") + ": " + d["level"].astype(str),
        ),
        main=lambda d: d["subgroup"] == EVERYBODY,
        n=lambda d: d["n_implanted"] + d["n_adhesive"],
    )
    finding = _finding(table, rules)
    return Result(
        name="comparison_subgroups",
        title="Does the difference differ between the plan's subgroups?",
        table=table,
        entries=[_record(row, found) for row in rows],
        finding=finding,
        caption=(
            f"“{found.trial}”, HbA1c at month {found.month}, implanted minus adhesive, by level at "
            "time zero; overlap weights, augmented, stacked equations by patient (95 %)."
        ),
        footnotes=[
            "Only the subgroups named in the plan; exploratory. Read the interaction: an interval "
            "that holds no difference in one level and not in another is no sign that they differ.",
            "Numbers are split at their median among the entries compared.",
        ],
        summary=_summary(table),
        drawing=partial(draw_forest, rows=drawn, label="points of HbA1c, implanted minus adhesive")
        if len(drawn)
        else None,
        alt=f"The contrast in everybody and by level of each subgroup. {finding}",
        height=1.1 + 0.3 * max(len(drawn), 1),
    )


_COLUMNS: Final = [
    *("subgroup", "level", "quantity", "estimate", "conf_low", "conf_high", "std_error"),
    *("p_value", "n_implanted", "n_adhesive", "method", "note"),
]


def _levels(rows: pd.DataFrame, name: str) -> pd.Series:
    if not is_numeric(rows[name]):
        return rows[name].astype(object)
    middle = float(rows[name].median())
    words = np.where(rows[name] >= middle, f"{middle:.3g} or more", f"below {middle:.3g}")
    return pd.Series(words, index=rows.index, dtype=object).where(rows[name].notna(), None)


def _subgroup(found: Compared, name: str, rules: Comparison) -> list[Row]:
    levels = _levels(found.rows, name)
    rows: list[Row] = []
    for level in sorted(levels.dropna().unique(), key=str):
        part = restricted(found, levels == level, rules)
        got = contrast(part, outcome="change", rules=rules, refusal=overlap(part, rules).refusal)
        rows.append({"subgroup": name, "level": level, "quantity": LEVEL, **got.row()})
    return [*rows, _interaction(name, rows)]


def _interaction(name: str, rows: list[Row]) -> Row:
    base: Row = {"subgroup": name, "level": "", "quantity": INTERACTION, "method": ""}
    told = [row for row in rows if row["estimate"] is not None and row["std_error"]]
    if len(told) < 2 or len(told) < len(rows):
        missing = ", ".join(str(row["level"]) for row in rows if row not in told)
        return base | {"note": f"not estimable: no estimate in {missing or 'two levels'}"}
    b = np.array([row["estimate"] for row in told])
    w = 1 / np.array([row["std_error"] for row in told]) ** 2
    q = float((w * (b - np.average(b, weights=w)) ** 2).sum())
    p_value = float(stats.chi2.sf(q, len(told) - 1))
    base |= {"p_value": p_value, "note": f"p = {p_value:.2g} for no difference between levels"}
    if len(told) > 2:
        return base | {"method": f"Cochran's Q on {len(told) - 1} df"}
    reach = float(stats.norm.ppf(0.975) * np.sqrt((1 / w).sum()))
    gap = float(b[0] - b[1])
    return base | {
        "level": f"{told[0]['level']} less {told[1]['level']}", "estimate": gap,
        "conf_low": gap - reach, "conf_high": gap + reach,
        "std_error": float(np.sqrt((1 / w).sum())),
        "method": "difference of independent levels, normal",
    }  # fmt: skip


def _finding(table: pd.DataFrame, rules: Comparison) -> str:
    if not rules.subgroups:
        return "The plan names no subgroups, so none are shown."
    parts = []
    for row in table.loc[table["quantity"] == INTERACTION].to_dict("records"):
        name = str(row["subgroup"]).replace("_", " ")
        if pd.notna(row["estimate"]):
            limits = interval(row["conf_low"], row["conf_high"], 2)
            parts.append(f"{name} {number(row['estimate'], 2)} points ({limits})")
        else:
            parts.append(f"{name}: {row['note']}")
    return "Difference between levels, exploratory: " + "; ".join(parts) + "."


def _summary(table: pd.DataFrame) -> pd.DataFrame:
    def cell(row: Row) -> str:
        if pd.isna(row["estimate"]):
            return str(row["note"])
        limits = interval(row["conf_low"], row["conf_high"], 2)
        return f"{number(row['estimate'], 2)} ({limits})"

    return pd.DataFrame(
        {
            "Subgroup": str(row["subgroup"]).replace("_", " "),
            "Level": f"{row['quantity']}: {row['level']}" if row["quantity"] == INTERACTION
            else str(row["level"]),
            "Difference (95 %)": cell(row),
            "n": "–" if pd.isna(row["n_implanted"])
            else f"{row['n_implanted']:.0f} + {row['n_adhesive']:.0f}",
        }
        for row in table.to_dict("records")
    )  # fmt: skip


def _record(row: Row, found: Compared) -> Record:
    n = row.get("n_implanted")
    return Record(
        outcome="comparison_subgroups", quantity=str(row["quantity"]), population="cumulative",
        contrast=CONTRAST, at=f"month {found.month}",
        by={"trial": found.trial, "subgroup": str(row["subgroup"]), "level": str(row["level"])},
        estimate=row.get("estimate"), conf_low=row.get("conf_low"),
        conf_high=row.get("conf_high"),
        n_patients=None if n is None else int(n) + int(row["n_adhesive"]),
        unit=POINTS, method=str(row.get("method") or ""), note=row.get("note"),
    )  # fmt: skip
