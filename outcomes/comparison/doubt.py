"""How far the answer leans on what was not measured, on one site, and on the analysis chosen."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Any, Final

import pandas as pd

from outcomes.comparison.contrasts import CONTRAST, Contrast, contrast, raw_difference
from outcomes.comparison.effects import POINTS, Hba1cComparison
from outcomes.comparison.people import Compared, restricted
from outcomes.comparison.trial import EARLIER
from outcomes.comparison.weights import overlap
from outcomes.errors import SettingsError, known_names
from outcomes.figures.forest import draw_forest
from outcomes.plan import Comparison
from outcomes.results import Record, Result, interval, number
from outcomes.statistics.design import is_numeric
from outcomes.statistics.propensity import Target
from outcomes.statistics.sensitivity import e_value_of_difference, shifted_differences
from outcomes.statistics.weighting_equations import Estimator
from outcomes.tables.declared import KINDS

ANALYSIS, HIDDEN, E_VALUE = "several analyses", "something unmeasured", "E-value"
CONTROL, LEFT_OUT = "negative control", "leave one out"
RATIO: Final = "risk ratio"

# Name: estimator, target, whether those not seen are stood for.
ANALYSES: Final[dict[str, tuple[Estimator, Target, bool]]] = {
    "weights alone, overlap": ("weighted", "overlap", True),
    "outcome model alone, everyone": ("outcome model", "everyone", True),
    "augmented, overlap": ("augmented", "overlap", True),
    "augmented, overlap, only those seen": ("augmented", "overlap", False),
    "augmented, everyone": ("augmented", "everyone", True),
    "augmented, everyone, weights cut at 1 and 99 %": ("augmented", "truncated", True),
    "augmented, scores of 0.1 to 0.9": ("augmented", "trimmed", True),
    "augmented, those who chose implanted": ("augmented", "treated", True),
    "augmented, matching weights": ("augmented", "matching", True),
}

Row = dict[str, Any]


@dataclass(frozen=True, kw_only=True)
class Bound:
    """A difference and its interval widened by the bias that something unmeasured could cause."""

    bias: float
    lowest: float
    highest: float
    conf_low: float
    conf_high: float


def bounded(
    estimate: float, conf_low: float, conf_high: float, *, effect: float, imbalance: float
) -> Bound:
    """Return what a difference can be if a hidden confounder has at most this strength.

    Parameters
    ----------
    estimate, conf_low, conf_high : float
        In the unit of the outcome.
    effect : float
        Largest change of the outcome per unit of the confounder (or with a yes), its unit.
    imbalance : float
        Largest difference of the confounder between the arms given what was measured, in its units
        (or as a share).

    Returns
    -------
    Bound
        The interval covers the truth at least as often as it is meant to, if the confounder is no
        stronger than stated, whichever way it works.

    References
    ----------
    .. [1] VanderWeele TJ, Arah OA. Epidemiology 2011;22:42-52.

    Examples
    --------
    >>> found = bounded(-0.3, -0.5, -0.1, effect=0.5, imbalance=0.4)
    >>> round(found.bias, 2), round(found.conf_low, 2), round(found.conf_high, 2)
    (0.2, -0.7, 0.1)
    """
    both = shifted_differences(
        estimate, conf_low, conf_high,
        effects=[abs(effect) * abs(imbalance)], imbalances=[1.0, -1.0],
    )  # fmt: skip
    return Bound(
        bias=abs(effect * imbalance),
        lowest=float(both["estimate"].min()),
        highest=float(both["estimate"].max()),
        conf_low=float(both["conf_low"].min()),
        conf_high=float(both["conf_high"].max()),
    )


def doubts(comparison: Hba1cComparison) -> Result:
    """Show how far the primary contrast leans on the analysis, on one site, on what is unmeasured.

    Parameters
    ----------
    comparison : Hba1cComparison
        As `compare` returns it for "hba1c_change".

    Returns
    -------
    Result
        `.table` has one row per `what` (several analyses, something unmeasured, E-value, negative
        control, leave one out) and `name`, with `estimate`, `conf_low`, `conf_high`, `unit`,
        `n_implanted`, `n_adhesive` (patients), `note`. For researchers: the several analyses are
        one question asked in several ways, never a choice of answers.

    Raises
    ------
    SettingsError
        The plan's negative control is no number among the covariates.
    """
    rules, found = comparison.cohorts.plan.comparison, comparison.found
    main, refusal = comparison.main, comparison.judged.refusal
    rows = [
        *_analyses(found, rules, refusal),
        *_hidden(main, rules),
        *_e_values(main, found),
        *_control(found, rules, refusal),
        *_left_out(found, rules),
    ]
    table = pd.DataFrame(rows, columns=_COLUMNS)
    drawn = _drawn(table)
    finding = _finding(main, table)
    return Result(
        name="comparison_doubts",
        title="How far does the comparison lean on what we cannot know?",
        table=table,
        entries=[_record(row, found) for row in rows],
        finding=finding,
        caption=(
            f"“{found.trial}”, HbA1c at month {found.month}, implanted minus adhesive: the same "
            "contrast by several analyses (stacked equations), and what would move it."
        ),
        footnotes=_footnotes(rules, main),
        summary=_summary(table),
        drawing=partial(
            draw_forest, rows=drawn,
            label="points of HbA1c, implanted minus adhesive",
        )
        if len(drawn)
        else None,
        alt=f"The contrast by several analyses with 95 % intervals, one line each. {finding}",
        height=1.1 + 0.3 * max(len(drawn), 1),
    )  # fmt: skip


_COLUMNS: Final = [
    *("what", "name", "estimate", "conf_low", "conf_high", "unit", "n_implanted", "n_adhesive"),
    *("method", "note"),
]


def _line(what: str, name: str, got: Contrast, unit: str = POINTS) -> Row:
    return {
        "what": what, "name": name, "estimate": got.estimate, "conf_low": got.conf_low,
        "conf_high": got.conf_high, "unit": unit, "n_implanted": got.n["implanted"],
        "n_adhesive": got.n["adhesive"], "method": got.method, "note": got.note,
    }  # fmt: skip


def _analyses(found: Compared, rules: Comparison, refusal: str | None) -> list[Row]:
    raw = raw_difference(found, outcome="change", rules=rules)
    rows = [_line(ANALYSIS, "as seen, adjusted for nothing", raw)]
    for name, (estimator, target, stood_for) in ANALYSES.items():
        got = contrast(
            found, outcome="change", rules=rules, target=target, estimator=estimator,
            refusal=refusal, observed_only=not stood_for,
        )  # fmt: skip
        rows.append(_line(ANALYSIS, name, got))
    return rows


def _hidden(main: Contrast, rules: Comparison) -> list[Row]:
    rows = []
    for effect in rules.hidden_effects:
        for imbalance in rules.hidden_imbalances:
            name = (
                f"moves HbA1c by {effect:g} points per unit, differs by {imbalance:g} units "
                "between like patients"
            )
            row: Row = {"what": HIDDEN, "name": name, "unit": POINTS, "method": "bias = product"}
            if main.estimate is None or main.conf_low is None or main.conf_high is None:
                rows.append(row | {"note": main.note or "no interval"})
                continue
            at = bounded(
                main.estimate, main.conf_low, main.conf_high, effect=effect, imbalance=imbalance
            )
            covers = at.conf_low <= 0 <= at.conf_high
            rows.append(
                row
                | {
                    "estimate": main.estimate, "conf_low": at.conf_low, "conf_high": at.conf_high,
                    "n_implanted": main.n["implanted"], "n_adhesive": main.n["adhesive"],
                    "note": f"estimate from {number(at.lowest, 2)} to "
                    f"{number(at.highest, 2)}; " + ("no difference is possible" if covers
                                                    else "still excludes no difference"),
                }
            )  # fmt: skip
    return rows


def _e_values(main: Contrast, found: Compared) -> list[Row]:
    base: Row = {"what": E_VALUE, "unit": RATIO, "method": "VanderWeele and Ding 2017"}
    names = ("of the estimate", "of the limit nearer to no difference")
    sd = float(found.rows["change"].std(ddof=1)) if found.rows["change"].notna().sum() > 1 else 0.0
    if main.estimate is None or main.std_error is None or not sd > 0:
        why = main.note or "no standard deviation of the outcome"
        return [base | {"name": name, "note": why} for name in names]
    values = e_value_of_difference(main.estimate, main.std_error, standard_deviation=sd)
    told = f"standardised by the SD of the change, {number(sd, 2)} points"
    return [
        base
        | {"name": name, "estimate": value, "note": told, "n_implanted": main.n["implanted"],
           "n_adhesive": main.n["adhesive"]}
        for name, value in zip(names, values, strict=True)
    ]  # fmt: skip


def _control(found: Compared, rules: Comparison, refusal: str | None) -> list[Row]:
    name = rules.negative_control
    if name is None:
        return [{"what": CONTROL, "name": "none", "unit": "", "method": "",
                 "note": "the plan names no negative control outcome"}]  # fmt: skip
    usable = [c for c in found.rows if is_numeric(found.rows[c]) and c not in found.covariates]
    if name not in usable:
        raise SettingsError(
            "plan, comparison.negative_control: "
            + known_names("number that is no covariate of the score", name, map(str, usable))
        )
    seen = restricted(found, found.rows[name].notna(), rules)
    got = contrast(seen, outcome=name, rules=rules, refusal=refusal, observed_only=True)
    unit = "%" if name == EARLIER else "the covariate's own unit"
    return [_line(CONTROL, name.replace("_", " "), got, unit)]


def _left_out(found: Compared, rules: Comparison) -> list[Row]:
    name = rules.leave_out_by
    if name not in found.rows or found.rows[name].nunique() < 2:
        return [{"what": LEFT_OUT, "name": name, "unit": POINTS, "method": "",
                 "note": f"{name} is not recorded, or the same in everybody"}]  # fmt: skip
    rows = []
    for level in sorted(found.rows[name].dropna().unique(), key=str):
        rest = restricted(found, found.rows[name] != level, rules)
        got = contrast(rest, outcome="change", rules=rules, refusal=overlap(rest, rules).refusal)
        rows.append(_line(LEFT_OUT, f"without {name} {level}", got))
    return rows


# --- words ---------------------------------------------------------------------------------------


def _finding(main: Contrast, table: pd.DataFrame) -> str:
    if main.estimate is None or main.conf_low is None or main.conf_high is None:
        return f"There is no contrast to doubt: {main.note}."
    e = table.loc[table["what"] == E_VALUE, "estimate"].tolist()
    some = table.loc[(table["what"] == ANALYSIS) & table["estimate"].notna(), "estimate"]
    limits = interval(main.conf_low, main.conf_high, 2)
    n = f"n = {main.n['implanted']} implanted, {main.n['adhesive']} adhesive patients"
    start = (
        f"The difference of {number(main.estimate, 2)} points ({limits}; {n}) has an E-value of "
        f"{number(e[0], 2)}, its nearer limit {number(e[1], 2)}"
    )
    if main.conf_low <= 0 <= main.conf_high:
        need = "its interval already holds no difference"
    else:
        near = min(abs(main.conf_low), abs(main.conf_high))
        need = (
            f"something unmeasured that moved it by {number(near, 2)} points would be enough for "
            "its interval to hold no difference"
        )
    return (
        f"{start}; {need}. Several analyses give {number(some.min(), 2)} to "
        f"{number(some.max(), 2)}."
    )


def _footnotes(rules: Comparison, main: Contrast) -> list[str]:
    return [
        "E-value: how strongly, as a risk ratio, something unmeasured would have to go with both "
        "the choice of sensor and HbA1c, beyond what was measured, to explain the difference.",
        "Bounds hold for something no stronger than stated, whichever way it works: the interval "
        "reaches from the lower limit less the bias to the upper limit plus it.",
        "A negative control is an outcome that the sensor cannot have changed: a difference in it "
        "tells of reasons for the choice that were not measured.",
        "The analyses answer one question in several ways; they are not a choice of answers. The "
        "table shows the lowest and the highest, the figure all of them.",
        *([f"{main.note[0].upper()}{main.note[1:]}"] if main.note else []),
    ]


def _summary(table: pd.DataFrame) -> pd.DataFrame:
    """The ends of the several analyses and of the bounds; the figure and the CSV have the rest."""
    lines = [_shown(row) for row in _few(table).to_dict("records")]
    return pd.DataFrame(lines, columns=["What", "Which", "Estimate (95 %)", "n"])


def _few(table: pd.DataFrame) -> pd.DataFrame:
    analyses = table.loc[(table["what"] == ANALYSIS) & table["estimate"].notna()]
    hidden = table.loc[table["what"] == HIDDEN]
    if len(analyses):
        ends = [analyses["estimate"].idxmin(), analyses["estimate"].idxmax()]
        analyses = analyses.loc[list(dict.fromkeys(ends))]
    side = round(len(hidden) ** 0.5)
    if side * side == len(hidden):
        hidden = hidden.iloc[:: side + 1]  # weak, middling and strong in both respects
    rest = table.loc[~table["what"].isin([ANALYSIS, HIDDEN])]
    return pd.concat([analyses, hidden, rest], ignore_index=True)


def _shown(row: Row) -> Row:
    estimate, low, high = (_plain(row[name]) for name in ("estimate", "conf_low", "conf_high"))
    sizes = [_plain(row[f"n_{arm}"]) for arm in KINDS]
    unit = {POINTS: " points", RATIO: " (risk ratio)"}.get(row["unit"], " " + row["unit"])
    if estimate is None:
        told = row["note"] or "–"
    elif row["what"] == HIDDEN:
        told = f"{interval(low, high, 2)}{unit}: {str(row['note']).rpartition('; ')[2]}"
    else:
        told = f"{number(estimate, 2)}{unit}"
        told += "" if low is None else f" ({interval(low, high, 2)})"
    return {
        "What": row["what"], "Which": row["name"], "Estimate (95 %)": told,
        "n": "–" if sizes[0] is None else " + ".join(f"{n:.0f}" for n in sizes if n is not None),
    }  # fmt: skip


def _plain(value: Any) -> float | None:
    return None if value is None or pd.isna(value) else float(value)


def _drawn(table: pd.DataFrame) -> pd.DataFrame:
    rows = table.loc[table["what"].isin([ANALYSIS, LEFT_OUT]) & table["estimate"].notna()].copy()
    rows["label"] = rows["name"]
    rows["main"] = rows["name"] == "augmented, overlap"
    rows["n"] = rows["n_implanted"] + rows["n_adhesive"]
    return rows[["label", "estimate", "conf_low", "conf_high", "main", "n"]].reset_index(drop=True)


def _record(row: Row, found: Compared) -> Record:
    sizes = [row.get(f"n_{arm}") for arm in KINDS]
    return Record(
        outcome="comparison_doubts", quantity=str(row["what"]), population="cumulative",
        contrast=CONTRAST, at=f"month {found.month}",
        by={"trial": found.trial, "name": str(row["name"])}, estimate=row.get("estimate"),
        conf_low=row.get("conf_low"), conf_high=row.get("conf_high"),
        n_patients=None if sizes[0] is None else sum(int(n) for n in sizes if n is not None),
        unit=str(row["unit"]), method=str(row["method"]), note=row.get("note"),
    )  # fmt: skip
