"""How small a difference could these data tell? Half-widths, never power after the event."""

from __future__ import annotations

from functools import partial
from typing import Any, Final

import pandas as pd
from matplotlib.axes import Axes

from outcomes.cohorts.build import CohortSet
from outcomes.figures.scales import Scale, fix_scale
from outcomes.figures.style import FAINT, INK
from outcomes.measures.hba1c_change_rows import CHANGE_MODEL, DIFFERENCE_MODEL
from outcomes.measures.trajectory_rows import DIFFERENCE, LEVEL
from outcomes.results import DASH, Record, Result, Show, number
from outcomes.statistics.power import detectable_difference
from outcomes.tables.declared import KINDS
from outcomes.units import counted, hba1c_difference_mmol_mol

# Outcome and quantity of every primary figure, with its decimals and what its interval can tell.
PRIMARY: Final[dict[tuple[str, str], tuple[int, str]]] = {
    ("hba1c_change", CHANGE_MODEL): (2, "change"),
    ("hba1c_change", DIFFERENCE_MODEL): (2, "difference"),
    ("time_in_range", LEVEL): (1, "level"),
    ("time_in_range", DIFFERENCE): (1, "difference"),
    ("sensor_survival", "reached planned removal"): (1, "level"),
    ("complications", "harm of wear, first events"): (1, "level"),
}
NAMES: Final = {
    "hba1c_change": "HbA1c", "time_in_range": "time in range", "sensor_survival": "sensors",
    "complications": "harm of wear",
}  # fmt: skip
SCALES: Final = {  # of changes and differences, about 0
    "hba1c_change": Scale(-1.5, 1.5, 0.5),
    "time_in_range": Scale(-20, 20, 20),
}
DETECTABLE: Final = "detectable difference of HbA1c at the visit"

Row = dict[str, Any]


def precision(cohorts: CohortSet, *results: Result) -> Result:
    """How small a change or difference could these data tell, and what could the plan's?

    Parameters
    ----------
    cohorts : CohortSet
    *results : Result
        The results whose primary figures are read: `hba1c_change`, `trajectories`,
        `sensor_survival`, `complications`, in any order.

    Returns
    -------
    Result
        `.table` has one row per primary figure with an interval: `estimate`, its limits,
        `half_width` and `words`; and the detectable difference of HbA1c, only where the plan names
        the SD it was made with (`hba1c.planned_sd`).

    Notes
    -----
    Power worked out from the data it judges says nothing that the interval does not. What can be
    told is how wide the interval is; and, for planning, what difference a study of this size finds
    with the plan's own SD.

    References
    ----------
    .. [1] Hoenig JM, Heisey DM. Am Stat 2001;55:19-24.
    """
    month = cohorts.plan.hba1c.primary_month
    rows = [row for result in results for entry in result.entries for row in _rows(entry, month)]
    rows.sort(key=_place)
    planned, words = _planned(cohorts, results, month)
    table = pd.DataFrame([*rows, *planned], columns=_COLUMNS)
    finding = _finding(rows, words)
    drawn = pd.DataFrame([row for row in rows if _kind(row) != "level"])
    return Result(
        name="precision",
        title="How small a difference could these data tell?",
        table=table,
        entries=[_record(row) for row in [*rows, *planned]],
        finding=finding,
        caption=(
            f"Half the width of the 95 % interval of each primary figure up to {cohorts.cut_off}, "
            f"at month {month} where it has a month."
        ),
        footnotes=[
            "A change or difference nearer to 0 than half the width would not have been told from "
            "none. No power is worked out from these data: it would say nothing that the interval "
            "does not.",
            words,
        ],
        settings={
            "planned SD of HbA1c": _set(cohorts.plan.hba1c.planned_sd),
            "planned correlation": f"{cohorts.plan.hba1c.planned_correlation:g}",
            "power": f"{cohorts.plan.hba1c.planned_power:g}",
        },
        show={name: Show(name) for name in ("quantity", "who", "half_width", "words")},
        summary=_summary(rows, planned),
        drawing=partial(_draw, rows=drawn) if len(drawn) else None,
        alt=(
            "Grey bars around 0: changes and differences that could not be told from none; "
            f"diamonds: the estimates. {finding}"
        ),
        height=1.2 + 0.36 * max(1, len(drawn)),
    )


_COLUMNS: Final = [
    *("outcome", "quantity", "who", "cohort", "contrast", "at", "estimate", "conf_low"),
    *("conf_high", "half_width", "unit", "n", "words"),
]


def _place(row: Row) -> tuple[int, int]:
    """Figures in the order of `PRIMARY`, within each the cohorts in their order."""
    place = KINDS.index(row["cohort"]) if row["cohort"] in KINDS else len(KINDS)
    return list(PRIMARY).index((row["outcome"], row["quantity"])), place


def _kind(row: Row) -> str:
    return PRIMARY[row["outcome"], row["quantity"]][1]


def _set(value: float | None) -> str:
    return "not set" if value is None else f"{value:g} points"


def _rows(entry: Record, month: int) -> list[Row]:
    """The row of an entry, where it is primary and has both limits."""
    known = PRIMARY.get((entry.outcome, entry.quantity))
    wanted = entry.by.get("month") == str(month) if "month" in entry.by else True
    if entry.outcome == "hba1c_change":
        wanted = entry.at == f"month {month}" and entry.unit == "percentage points"
    plain_group = not (set(entry.by) - {"month"}) or entry.by.get("group") == "all"
    if entry.outcome == "complications":
        plain_group = entry.by.get("counted", "all reported") == "all reported"
        wanted = entry.unit == "per 100 patient-years"
    if known is None or not (wanted and plain_group) or entry.population != "cumulative":
        return []
    if entry.estimate is None or entry.conf_low is None or entry.conf_high is None:
        return []
    decimals, kind = known
    half = (entry.conf_high - entry.conf_low) / 2
    who = entry.cohort or entry.contrast or "everybody"
    about = f"about {number(half, max(1, decimals - 1))} {_unit(entry.unit)}"
    if entry.outcome == "hba1c_change":
        about += f" ({number(float(hba1c_difference_mmol_mol(half)))} mmol/mol)"
    words = {
        "change": f"could tell a change of {about} from none",
        "difference": f"could tell a difference of {about} from none",
        "level": f"known to within {about} either way",
    }[kind]
    return [
        {"outcome": entry.outcome, "quantity": entry.quantity, "who": who, "cohort": entry.cohort,
         "contrast": entry.contrast, "at": entry.at, "estimate": entry.estimate,
         "conf_low": entry.conf_low, "conf_high": entry.conf_high, "half_width": half,
         "unit": entry.unit, "n": entry.n_patients, "words": words}
    ]  # fmt: skip


def _unit(unit: str) -> str:
    short = {"percentage points": "points", "% of time": "points"}
    return short.get(unit, unit)


def _planned(cohorts: CohortSet, results: tuple[Result, ...], month: int) -> tuple[list[Row], str]:
    """What the plan's own SD would find with as many patients as were seen."""
    rules = cohorts.plan.hba1c
    if rules.planned_sd is None:
        return [], (
            "No detectable difference is given: the plan names no SD (planned_sd in its section "
            "hba1c), and one taken from these data would go round in a circle."
        )
    seen = {
        entry.cohort: entry.n_patients or 0
        for result in results
        for entry in result.entries
        if (entry.outcome, entry.quantity) == ("hba1c_change", CHANGE_MODEL)
        and entry.at == f"month {month}"
    }
    if len(seen) < 2 or min(seen.values()) < 2:
        return [], "No detectable difference is given: fewer than two patients in a cohort."
    one, other = seen.values()
    found = detectable_difference(
        one, other, sd=rules.planned_sd, baseline_correlation=rules.planned_correlation,
        power=rules.planned_power,
    )  # fmt: skip
    words = (
        f"With {one} and {counted(other, 'patient')} and the plan's SD of "
        f"{rules.planned_sd:g} points "
        f"(correlation with the baseline {rules.planned_correlation:g}), a difference of "
        f"{number(found, 2)} points is found with {100 * rules.planned_power:g} % power."
    )
    row: Row = dict.fromkeys(_COLUMNS)
    row |= {"outcome": "hba1c_change", "quantity": DETECTABLE, "who": "implanted minus adhesive",
            "contrast": "implanted minus adhesive", "at": f"month {month}", "estimate": found,
            "unit": "percentage points", "n": one + other, "words": words}  # fmt: skip
    return [row], words


def _record(row: Row) -> Record:
    half = row["half_width"]
    return Record(
        outcome="precision",
        quantity=row["quantity"] if half is None else f"half-width of {row['quantity']}",
        population="cumulative", cohort=row["cohort"], contrast=row["contrast"], at=row["at"],
        by={"outcome": row["outcome"]}, estimate=row["estimate"] if half is None else half,
        n_patients=row["n"], unit=row["unit"],
        method="noncentral t, the plan's SD" if half is None else "half the 95 % interval",
    )  # fmt: skip


def _summary(rows: list[Row], planned: list[Row]) -> pd.DataFrame:
    lines = [
        {
            "Figure": f"{NAMES[row['outcome']]}, {row['who']}",
            "Half of the 95 % interval": f"{number(row['half_width'], PRIMARY[key][0])} "
            f"{_unit(row['unit'])}",
            "n": DASH if row["n"] is None else str(row["n"]),
            "In words": f"These data {row['words']}" if "could" in row["words"]
            else row["words"][:1].upper() + row["words"][1:],
        }
        for row in rows
        for key in [(row["outcome"], row["quantity"])]
    ]  # fmt: skip
    lines += [
        {"Figure": "HbA1c, by the plan's own SD", "Half of the 95 % interval": DASH,
         "n": str(row["n"]), "In words": row["words"]}
        for row in planned
    ]  # fmt: skip
    return pd.DataFrame(lines)


def _finding(rows: list[Row], words: str) -> str:
    told = [
        f"{NAMES[row['outcome']]} of about "
        f"{number(row['half_width'], 1)} {_unit(row['unit'])} (n = {row['n']})"
        for row in rows
        if _kind(row) == "difference"
    ]
    if told:
        return f"These data could tell differences between the cohorts in {' and in '.join(told)}."
    changes = [
        f"about {number(row['half_width'], 1)} {_unit(row['unit'])} in the {row['who']} cohort "
        f"(n = {row['n']})"
        for row in rows
        if _kind(row) == "change"
    ]
    if changes:
        return (
            "The cohorts could not be compared; these data could tell a change of HbA1c of "
            f"{' and of '.join(changes)} from none."
        )
    return "No primary figure has an interval, so nothing can be said of what could be told."


def _draw(ax: Axes, *, rows: pd.DataFrame) -> None:
    """What could not be told from none, a bar around 0, and each estimate on the same scale."""
    ax.set_axis_off()
    outcomes = list(dict.fromkeys(rows["outcome"]))
    heights = [int((rows["outcome"] == outcome).sum()) for outcome in outcomes]
    spare, top = 0.3, 1.0
    each = (1.0 - spare * (len(outcomes) - 1)) / sum(heights)
    for outcome, lines in zip(outcomes, heights, strict=True):
        panel = ax.inset_axes((0.3, top - each * lines, 0.7, each * lines))
        top -= each * lines + spare
        mine = rows.loc[rows["outcome"] == outcome].reset_index(drop=True)
        y = mine.index.to_numpy()
        half, estimate = mine["half_width"].astype(float), mine["estimate"].astype(float)
        panel.barh(y, 2 * half, left=-half, height=0.4, color=FAINT, alpha=0.6)
        panel.plot(estimate, y, "D", color=INK, markerfacecolor="white", markersize=6)
        panel.axvline(0, color=INK, linewidth=0.8, linestyle="--")
        panel.set_yticks(y, [f"{row.who}: ± {number(row.half_width, 2)}, n = {row.n}"
                             for row in mine.itertuples()])  # fmt: skip
        panel.set_ylim(lines - 0.4, -0.6)
        panel.set_xlabel(f"{NAMES[outcome]}, {_unit(mine['unit'].iloc[0])}")
        panel.tick_params(axis="y", length=0)
        fix_scale(panel, "x", SCALES[outcome], [*half, *-half, *estimate])
